"""Documents: fast, the same each time, whole, and what people wrote is text in them."""

import re
import shutil
import subprocess
import time
from collections.abc import Mapping
from dataclasses import replace
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from typing import Literal

import pytest
from click.testing import CliRunner
from PIL import Image as Raster

from daemon.commands.cli import holdpoint
from daemon.presentation import documents, fonts
from daemon.presentation.documents import (
    SIMULATED,
    Document,
    Image,
    NoSupplierError,
    filed,
    setting,
)
from daemon.presentation.documents.content import Correction, FailureLine
from daemon.presentation.documents.customer import factor_of
from daemon.presentation.documents.glyphs import opaque, photograph, settable
from daemon.presentation.documents.supplier import decoded
from tests.daemon.reports.documents import (
    EVERY,
    HARD,
    HOSTILE,
    NOTICE,
    RECORD,
    RELEASE,
    SHEET,
    SUPPLIER,
    line,
    photo,
)

JARS = Path("/usr/share/java")
ALL: Mapping[str, Document] = EVERY | {f"hard {name}": HARD[name] for name in HARD}


@pytest.fixture(scope="module")
def made() -> dict[str, bytes]:
    """Return every document as PDF."""
    return {name: documents.pdf(one) for name, one in ALL.items()}


@pytest.mark.parametrize("name", ALL)
def test_a_document_is_the_same_bytes_each_time(
    name: str, made: dict[str, bytes]
) -> None:
    """What was archived can be made again and compared."""
    assert documents.pdf(ALL[name]) == made[name]
    assert made[name].startswith(b"%PDF-1.4")


@pytest.mark.bench
@pytest.mark.parametrize("name", EVERY)
def test_a_document_takes_less_than_two_seconds(name: str) -> None:
    """Somebody at the counter waits for it."""
    began_s = time.process_time()
    documents.pdf(EVERY[name])
    assert time.process_time() - began_s < 2.0


@pytest.mark.parametrize("name", ALL)
def test_nothing_runs_over_the_edge(name: str) -> None:
    """Margins stay white, with twelve ranges, long names and markup too."""
    for page in documents.png(ALL[name], dots_per_inch=72.0):
        with Raster.open(BytesIO(page)) as opened:
            picture = opened.convert("L")
        width, height = picture.size
        edge = round(15 / 210 * width)
        for box in (
            (0, 0, edge, height),
            (width - edge, 0, width, height),
            (0, 0, width, edge),
        ):
            low, _ = picture.crop(box).getextrema()
            assert low == 255, (name, box)


@pytest.mark.source(
    "ISO 19005-1 level B, checked by Debian's libpdfbox2-java preflight"
)
def test_documents_are_archival(
    tmp_path: Path, made: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Preflight finds no fault in any of them, and one where there is one."""
    needed = [
        JARS / one for one in ("preflight.jar", "javax.activation.jar", "jaxb-api.jar")
    ]
    absent = [str(one) for one in needed if not one.exists()]
    if shutil.which("java") is None or absent:
        pytest.skip(f"preflight is not installed: java, {', '.join(absent)}")
    files = {name: tmp_path / f"{i}.pdf" for i, name in enumerate(made)}
    for name, file in files.items():
        file.write_bytes(made[name])
    spoilt = tmp_path / "spoilt.pdf"
    monkeypatch.setattr(setting, "STANDARD", "1.4")
    spoilt.write_bytes(documents.pdf(NOTICE))
    said = subprocess.run(
        [
            "java", "-cp", f"{JARS}/*",
            str(Path(__file__).with_name("Preflight.java")),
            *map(str, files.values()), str(spoilt),
        ],
        capture_output=True, text=True, check=True, timeout=120,
    ).stdout  # fmt: skip
    for name, file in files.items():
        assert f"{file} valid" in said, f"{name}\n{said}"
    assert f"{spoilt} faulty" in said


class _Tags(HTMLParser):
    """Collects tags and the text between them."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.text = ""

    def handle_starttag(self, tag: str, attrs: object) -> None:  # noqa: ARG002
        self.tags.add(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.mark.parametrize("name", HARD)
def test_hostile_text_is_text_in_a_mail(name: str) -> None:
    """Tags that people wrote are shown, never obeyed; nothing is fetched."""
    page = documents.html(HARD[name])
    read = _Tags()
    read.feed(page)
    assert HOSTILE in read.text
    assert not read.tags & {"script", "b", "link", "iframe"}
    assert "http" not in page.replace("http://www.w3.org", "")


def test_hostile_text_is_text_on_paper() -> None:
    """Markup of the page language is set as it was written, not obeyed."""
    hostile = replace(RECORD, note='#panic("x") $a$ *b*')
    harmless = replace(RECORD, note="~~~~~~~~~~~~~~~~~~~")
    assert len(documents.png(hostile)) == len(documents.png(harmless))


def test_letters_that_the_font_lacks_are_squares() -> None:
    """Nothing is left out silently, and nothing turns the words around."""
    assert settable("a\u202eb \u6f22") == "a\u25a1b \u25a1"
    assert settable("10 \u03bcA \u2126 \N{MINUS SIGN}5 %") == (
        "10 \u03bcA \u03a9 \N{MINUS SIGN}5 %"
    )


def test_a_missing_font_is_one_clear_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Better no document than one in letters that cut labels off."""
    monkeypatch.setattr(fonts, "FOLDER", tmp_path)
    with pytest.raises(documents.FontMissingError, match="font DejaVu Sans is missing"):
        setting.set_pdf(RECORD.paper())


def test_charts_are_opaque_and_look_the_same() -> None:
    """A colour seen through is mixed with the paper instead."""
    assert opaque('<path stroke="#D55E00" stroke-opacity="0.5" d="M0"/>') == (
        '<path stroke="#eaae80" d="M0"/>'
    )


def test_a_photograph_leaves_its_place_behind() -> None:
    """What a camera writes into its files is nobody's business."""
    picture = Raster.new("RGB", (4000, 3000), "red")
    exif = Raster.Exif()
    exif[0x010E] = "secret place"
    sink = BytesIO()
    picture.save(sink, format="JPEG", exif=exif)
    assert b"secret place" in sink.getvalue()
    taken = photograph(sink.getvalue(), name="x")
    assert b"secret place" not in taken
    with Raster.open(BytesIO(taken)) as opened:
        assert max(opened.size) == 1600


def test_what_is_no_picture_is_refused() -> None:
    """The sentence names the file."""
    with pytest.raises(documents.ImageError, match=r"picture invoice\.pdf: it is no"):
        photograph(b"%PDF-1.4", name="invoice.pdf")
    with pytest.raises(documents.ImageError, match="picture cut"):
        photograph(photo()[:200], name="cut")


@pytest.mark.source("IEC 60062, letter and digit code")
def test_markings_are_decoded() -> None:
    """The supplier reads what we read."""
    assert decoded("4K99B") == "4K99B, read as 4.99 k\u03a9 \u00b10.1 %"
    assert decoded("R47") == "R47, read as 470 m\u03a9"


@pytest.mark.source("JCGM 100:2008, 5.1.2, law of propagation")
def test_the_correction_factor_and_its_uncertainty() -> None:
    """1/(1+e), and its derivative's size times the error's uncertainty."""
    factor, uncertainty = factor_of(
        Correction(
            range="1 mA", error_ppm=-20_000.0, uncertainty_ppm=98.0, limit_ppm=5000.0
        )
    )
    step = 1e-7
    slope = (1 / (0.98 + step) - 1 / (0.98 - step)) / (2 * step)
    assert factor == pytest.approx(1 / 0.98)
    assert uncertainty == pytest.approx(abs(slope) * 98e-6)


def judged(*verdicts: str) -> Document:
    """Return a record of a range for each verdict."""
    ranges = tuple(line("1 mA", 412.0, one) for one in verdicts)
    return replace(RECORD, holds=(), judged_before=(), ranges=ranges)


def now(state: Literal["let go", "scrapped", "open"]) -> tuple[FailureLine, ...]:
    """Return a release record's failures with another end."""
    return tuple(replace(one, now=state) for one in RELEASE.failures)


@pytest.mark.parametrize(
    ("document", "words"),
    [
        (RECORD, "not an accredited calibration"),
        (RECORD, "Unit PA-1031 is held."),
        (RECORD, "ILAC-G8:09/2019"),
        (RECORD, "calibration was overdue"),
        (RECORD, "\N{MINUS SIGN}12.3 ppm"),
        (RECORD, "\N{MINUS SIGN}50.0 ppm to +50.0 ppm"),
        (RELEASE, "Build B-3 must not leave: 1 hold to decide on."),
        (replace(RELEASE, holds=()), "2 planned units not measured yet."),
        (
            replace(RELEASE, holds=()),
            (
                "No hold stands on build B-3. All 28 units passed. Only when "
                "measured again: PA-1009. 2 planned"
            ),
        ),
        (
            replace(
                RELEASE,
                holds=(replace(RELEASE.holds[0], on="reel K-102", keeps=("PA-1020",)),),
            ),
            (
                "Build B-3 must not leave as a whole. Reel K-102 is held: PA-1020 must "
                "not leave. 28 of 28 units passed."
            ),
        ),
        (
            replace(
                RELEASE,
                holds=tuple(
                    replace(RELEASE.holds[0], on=f"unit {one}", keeps=(one,))
                    for one in ("PA-1021", "PA-1019", "PA-1020")
                ),
            ),
            (
                "Build B-3 must not leave as a whole. Units PA-1019 to PA-1021 (3) are "
                "held and must not leave. 28 of 28 units passed."
            ),
        ),
        (
            replace(RELEASE, holds=(), failures=now("open")),
            (
                "Build B-3 must not leave as a whole. 27 of 28 units passed. Did not "
                "pass, and must not leave: PA-1009."
            ),
        ),
        (
            replace(RELEASE, holds=(), failures=now("let go")),
            (
                "No hold stands on build B-3. 27 of 28 units passed. Let go by a named "
                "person all the same: PA-1009."
            ),
        ),
        (
            replace(RELEASE, holds=(), failures=now("scrapped")),
            "27 of 28 units passed. Scrapped: PA-1009.",
        ),
        (
            replace(RELEASE, holds=(), failures=(), incomplete=("PA-1007",)),
            "27 of 28 units passed. Not measured on every range: PA-1007.",
        ),
        (RELEASE, "The first run of each unit counts"),
        (
            judged("not judged", "undecided"),
            (
                "Unit PA-1031 is undecided: whether it conforms is open. Undecided: "
                "1 mA. Not judged: 1 mA."
            ),
        ),
        (judged("not judged"), "Unit PA-1031 is not judged. Not judged: 1 mA."),
        (judged("nonconforming"), "Unit PA-1031 does not conform. Nonconforming: 1 mA"),
        (
            replace(SUPPLIER, other_value="Another value would explain it: 10.2 kΩ."),
            "Another value would explain it: 10.2 kΩ.",
        ),
        (replace(SUPPLIER, others=40), "Of the 40 units with other reels the "),
        (
            replace(SUPPLIER, elsewhere=3),
            "Beside these, 3 units of other builds with parts of this reel were",
        ),
        (SUPPLIER, "Probability that more than one part in twenty lies outside"),
        (SUPPLIER, "CS-1"),
        (replace(SUPPLIER, part_low_ohm=4994.0), "probably do not keep to their label"),
        (replace(SUPPLIER, part_low_ohm=4996.0), "K-102 do not keep to their label"),
        (SUPPLIER, "K-102 (this reel)"),
        (SUPPLIER, "label, 4.99 kΩ ±0.1 %: they are about 5.0202 kΩ"),
        (NOTICE, "Correct readings of range 100 µA of unit PA-0931, or send it back"),
        (NOTICE, "not measured on this unit. Probability that it is outside"),
        (RELEASE, "R14 replaced; passed when it was measured again, run 41"),
        (RELEASE, "Not released: decide first on what stands against it"),
        (RELEASE, "calibration was overdue"),
        (SHEET, "across the unit"),
        (SUPPLIER, "Claim until"),
        (NOTICE, "Multiply each reading"),
        (
            replace(NOTICE, corrections=()),
            "Nothing is to be done: unit PA-0931 reads right on every range measured.",
        ),
    ],
)
def test_a_document_says(document: Document, words: str) -> None:
    """What a reader must find stands in it."""
    assert words in documents.html(document)


def test_a_finding_without_a_reel_says_how_it_gets_one() -> None:
    told = re.findall(r"`holdpoint ([^`]+)`", str(NoSupplierError(finding="B-3-F1")))
    assert told == [
        "reel add REEL --nominal VALUE --tolerance SHARE",
        "reel fit REEL PART --build BUILD --from SERIAL",
    ]
    for one in told:
        done = CliRunner().invoke(holdpoint, [*one.split()[:2], "--help"])
        assert done.exit_code == 0
        assert all(word in done.output for word in one.split() if word[:2] == "--")


def test_units_of_the_reel_that_did_not_move_are_not_passed_over_in_silence() -> None:
    """A supplier is not asked to replace what our own table shows to be right."""
    unlike = "4 units before it (PA-1015 to PA-1018) have parts of this reel"
    others = "Units with parts of other reels read as before"
    measured = tuple(replace(one, reel="K-102") for one in SUPPLIER.measured)
    page = documents.html(replace(SUPPLIER, measured=measured, others=0))
    assert unlike in page
    assert "parts of another reel were used from PA-1019 on" in page
    assert others not in page
    usual = documents.html(replace(SUPPLIER, others=4))
    assert unlike not in usual
    assert others in usual


def test_undecided_parts_are_not_called_outside() -> None:
    """A part within its measurement's uncertainty of the claim is undecided."""
    page = documents.html(SUPPLIER)
    assert page.count(">outside<") == 2
    assert page.count(">undecided<") == 1


def test_a_tall_photograph_does_not_fill_the_page() -> None:
    """A label held upright is made smaller, not cut."""
    sink = BytesIO()
    Raster.new("RGB", (200, 2000), "blue").save(sink, format="PNG")
    short = replace(SUPPLIER, charts=(), photos=(), measured=())
    tall = replace(short, label=Image(data=sink.getvalue(), caption="Label"))
    assert len(documents.png(tall)) == len(documents.png(short))


def test_only_a_paper_of_a_simulated_bench_says_so_and_has_another_number() -> None:
    real, played = (filed(RECORD, simulated=one) for one in (False, True))
    assert SIMULATED not in documents.html(real)
    assert SIMULATED in documents.html(played)
    assert real.number != played.number
