"""Documents by the command: every one, in every form, whatever people wrote."""

import re
import sys
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from PIL import Image

from daemon.commands import cli
from daemon.commands.cli import holdpoint
from daemon.presentation import fonts
from daemon.presentation.documents import SIMULATED
from daemon.station.cycle import Cycle, RunHeader
from storage.access import open_store
from storage.local import LocalStore
from storage.records import (
    BenchInstrument,
    Build,
    Decision,
    Hold,
    Proof,
    ProofKind,
    Reel,
    Scope,
    Unit,
)
from tests.daemon.making import AT, demo_settings, fitting, readings
from tests.daemon.seeded import BAD_REEL, seeded_home

PRODUCT = "photodiode-amplifier"
FINDING = "B-3-F1"
HOSTILE = '=1+1 #panic("x") $x$ *b* @r <script>a()</script> `r` \\ ]) #{'
NOTE = f"{HOSTILE} & \u202e 'quoted'"
EVERY = {
    "unit": ("unit", "PA-3006"),
    "build": ("build", "B-3"),
    "sheet": ("sheet", "B-3"),
    "customer": ("customer", "PA-3006"),
    "supplier": ("supplier", FINDING),
}
NAMED = {
    "unit": "UTR-PA-3006-27",
    "build": "BRR-B-3",
    "sheet": "BS-B-3",
    "customer": "CN-PA-3006",
    "supplier": f"{FINDING}-S",
}
MAKER = '\n[maker]\nname = "Moreno & Lab"\naddress = ["Lane 1", "12345 Town"]\n'
CONTACT = 'contact = "service@example.org"\n'
PARTS = "\n[parts]\n"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a home in which B-3 is held and B-4 is full of markup."""
    made = seeded_home(tmp_path_factory.mktemp("reporting") / "home")
    product = made.folder / "product.toml"
    text = product.read_text()
    product.write_text(text.replace(PARTS, f"{MAKER}{CONTACT}{PARTS}"))
    settings = demo_settings()
    with LocalStore(made.store) as store:
        store.keep(Build(build="B-4", product=PRODUCT, planned_units=2, opened_at=AT))
        store.keep(
            Reel(reel=HOSTILE, nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT,
                 supplier=HOSTILE, lot_code=HOSTILE)
        )  # fmt: skip
        store.keep(fitting("B-4", "R13", HOSTILE))
        store.keep(Unit(serial="PA-4999", product=PRODUCT, build="B-4"))
        cycle = Cycle(settings, store)
        cycle.resume()
        configuration = str(
            store.frame("unit_runs", serial="PA-1001")["configuration"][0]
        )
        cycle.record(
            readings(cycle.product, (100.0, 100.0, 20_000.0, 100.0)),
            RunHeader(
                serial=HOSTILE, build="B-4", session="s", origin="bench",
                started_at=AT, finished_at=AT, configuration=configuration, note=NOTE,
            ),
            {},
        )  # fmt: skip
        cycle.watch()
        store.keep(
            Hold(
                hold="by hand", scope=Scope.SERIALS, subject="PA-1002",
                to_serial="PA-1004", product=PRODUCT, signal=None, reason=NOTE,
                placed_by="Ada Moreno", placed_at=AT,
            ),
            decision=Decision(
                person="Ada Moreno", action="place hold", subject="by hand",
                reason=NOTE, decided_at=AT + timedelta(hours=1),
            ),
        )  # fmt: skip
    return made.folder


class Read(HTMLParser):
    """The tags of a page, and the text between them."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: object) -> None:  # noqa: ARG002
        self.tags.add(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


def said(home: Path, *words: str) -> Result:
    return CliRunner().invoke(holdpoint, ["--home", str(home), "report", *words])


def page(home: Path, into: Path, *words: str) -> Read:
    """Write a document for a mail, and read it."""
    done = said(home, *words, "--as", "html", "--into", str(into))
    assert done.exit_code == 0, done.output
    (written,) = done.stdout.splitlines()
    return Read(Path(written).read_text(encoding="utf-8"))


@pytest.mark.parametrize("kind", EVERY)
def test_every_document_as_pdf(kind: str, home: Path, tmp_path: Path) -> None:
    done = said(home, *EVERY[kind], "--into", str(tmp_path / "new folder"))
    assert done.exit_code == 0, done.output
    (file,) = map(Path, done.stdout.splitlines())
    assert re.fullmatch(rf"{NAMED[kind]}-[0-9a-f]{{6}}", file.stem)
    assert f"{file.stem} is written to " in done.stderr
    assert file.read_bytes().startswith(b"%PDF-1.4")


def test_another_content_is_another_document(home: Path, tmp_path: Path) -> None:
    """Made again, a document has its number; neither is written over the other."""
    how = ("unit", "PA-3006", "--as", "html", "--into", str(tmp_path))
    first, again = (said(home, *how).stdout for _ in range(2))
    other = said(home, *how, "--issuer", "Another lab").stdout
    assert first == again != other
    assert {Path(one.strip()) for one in (first, other)} == set(tmp_path.iterdir())


@pytest.mark.parametrize("kind", EVERY)
def test_every_document_as_pictures(kind: str, home: Path, tmp_path: Path) -> None:
    done = said(home, *EVERY[kind], "--as", "png", "--into", str(tmp_path))
    assert done.exit_code == 0, done.output
    names = [Path(one).name for one in done.stdout.splitlines()]
    number = names[0].removesuffix("-1.png")
    assert number.startswith(NAMED[kind])
    assert names == [f"{number}-{n}.png" for n in range(1, len(names) + 1)]
    for name in names:
        with Image.open(BytesIO((tmp_path / name).read_bytes())) as picture:
            width, height = picture.size
        assert height / width == pytest.approx(297 / 210, rel=0.01)  # A4


@pytest.fixture(scope="module")
def pages(home: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Read]:
    """Return every document for a mail."""
    into = tmp_path_factory.mktemp("pages")
    return {kind: page(home, into, *words) for kind, words in EVERY.items()}


@pytest.mark.parametrize("kind", EVERY)
def test_every_document_for_a_mail_bears_its_maker(
    kind: str, pages: dict[str, Read]
) -> None:
    read = pages[kind]
    for line in ("Moreno & Lab", "Lane 1", "12345 Town", "service@example.org"):
        assert line in read.text
    assert NAMED[kind] in read.text
    # The demo's bench is played by the program: no letter may be taken for a real one.
    assert SIMULATED in read.text


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("unit", ("Unit PA-3006 is held.", "100 µA", "not an accredited calibration")),
        ("build", ("Build B-3 must not leave:", BAD_REEL, "PA-3005",
                   "10 units of 10 planned")),
        ("sheet", ("Never leave an energised board alone.", BAD_REEL)),
        ("customer", ("Range 100 µA: +0.", "Multiply by",
                      "Answer to")),
        ("supplier", (BAD_REEL, "R13", "Replace the parts")),
    ],
)  # fmt: skip
def test_what_a_document_says(
    kind: str, words: tuple[str, ...], pages: dict[str, Read]
) -> None:
    for one in words:
        assert one in pages[kind].text


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("unit", "PA-9"), "unknown unit 'PA-9'"),
        (("unit", "PA-4999"), "unit PA-4999 was never measured"),
        (
            ("build", "PA-4999"),
            "PA-4999 is a unit, but this document is about a build.",
        ),
        (
            ("customer", "B-3-F1"),
            "About a finding there is: `holdpoint report supplier",
        ),
        (("unit", "B-4"), "or `holdpoint report sheet B-4`"),
        (("customer", "PA-9"), "unknown unit 'PA-9'"),
        (("build", "B-9"), "unknown build 'B-9'"),
        (("sheet", "B-9"), "unknown build 'B-9'"),
        (("supplier", "B-9-F1"), "unknown finding 'B-9-F1'"),
    ],
    ids=lambda one: " ".join(one) if isinstance(one, tuple) else "",
)
def test_unknown_names_are_told_and_nothing_is_written(
    words: tuple[str, ...], says: str, home: Path, tmp_path: Path
) -> None:
    into = tmp_path / "none"
    done = said(home, *words, "--into", str(into))
    assert done.exit_code == 1
    assert says in str(done.exception)
    assert not into.exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("sheet", "B-3", "PA-9..PA-1"), "counts up"),
        (("unit", "PA-3006", "--as", "doc"), "'doc' is not one of"),
        (("supplier", FINDING, "--label", "nowhere.png"), "does not exist"),
        (("unit",), "Missing argument"),
    ],
)
def test_misuse_is_told(words: tuple[str, ...], says: str, home: Path) -> None:
    done = said(home, *words)
    assert done.exit_code == 2
    assert says in done.output


@pytest.mark.parametrize(
    "words",
    [
        ("unit", HOSTILE),
        ("build", "B-4"),
        ("sheet", "B-4"),
        ("sheet", "B-3", HOSTILE),
        ("customer", HOSTILE),
    ],
    ids=["unit", "build", "sheet", "named boards", "customer"],
)
def test_what_people_wrote_is_text_on_screen_and_paper(
    words: tuple[str, ...], home: Path, tmp_path: Path
) -> None:
    """Obeyed, the page would end in a panic, and a browser would run the script."""
    read = page(home, tmp_path, *words)
    assert HOSTILE in read.text
    assert not read.tags & {"script", "b"}
    done = said(home, *words, "--into", str(tmp_path))
    assert done.exit_code == 0, done.output
    (written,) = done.stdout.splitlines()
    assert Path(written).parent == tmp_path
    assert Path(written).read_bytes().startswith(b"%PDF-1.4")


def test_a_note_stands_in_the_record_as_it_was_written(
    home: Path, tmp_path: Path
) -> None:
    assert NOTE in page(home, tmp_path, "unit", HOSTILE).text


def test_a_hold_on_a_range_of_serials_stands_in_the_documents(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "daemon.traceability.papers.build.charts_of", lambda *_: ()
    )  # drawn elsewhere
    inside = page(home, tmp_path, "unit", "PA-1003").text
    assert "Unit PA-1003 is held." in inside
    assert f"Serials PA-1002 to PA-1004: {NOTE}" in inside
    outside = page(home, tmp_path, "unit", "PA-1005").text
    assert "PA-1005: all of 4 ranges as they must be." in outside
    record = page(home, tmp_path, "build", "B-1").text
    assert "Build B-1 must not leave as a whole." in record


def test_a_supplier_report_takes_photographs_and_a_wish(
    home: Path, tmp_path: Path
) -> None:
    picture = tmp_path / "label <b>.png"
    Image.new("RGB", (320, 200), "white").save(picture)
    more = ("--label", str(picture), "--photo", str(picture), "--ask", HOSTILE)
    read = page(home, tmp_path, "supplier", FINDING, *more)
    assert HOSTILE in read.text
    assert f"Label: {picture.name}" in read.text
    assert not read.tags & {"script", "b"}
    spoilt = tmp_path / "label.png"
    spoilt.write_bytes(b"no picture")
    done = said(
        home, "supplier", FINDING, "--label", str(spoilt), "--into", str(tmp_path)
    )
    assert done.exit_code == 1
    assert "it is no picture that can be read" in str(done.exception)


def test_who_issues_may_be_said_for_once(home: Path, tmp_path: Path) -> None:
    read = page(home, tmp_path, "unit", "PA-3006", "--issuer", HOSTILE)
    assert HOSTILE in read.text
    assert "Lane 1" not in read.text


def test_without_a_maker_the_title_stands_for_it(home: Path, tmp_path: Path) -> None:
    product = home / "product.toml"
    whole = product.read_text()
    product.write_text(whole.replace(f"{MAKER}{CONTACT}", ""))
    try:
        read = page(home, tmp_path, "customer", "PA-3006")
    finally:
        product.write_text(whole)
    assert "Moreno" not in read.text
    assert "Answer to" not in read.text
    assert "issued" in read.text


@pytest.fixture
def no_font(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Take the letters away."""
    empty = tmp_path / "no letters"
    empty.mkdir()
    monkeypatch.setattr(fonts, "FOLDER", empty)
    monkeypatch.setattr(
        "daemon.traceability.papers.build.charts_of", lambda *_: ()
    )  # drawn elsewhere
    return empty


@pytest.mark.parametrize("kind", EVERY)
def test_a_missing_font_is_one_clear_line(
    kind: str,
    home: Path,
    no_font: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    words = ["--home", str(home), "report", *EVERY[kind], "--into", str(tmp_path)]
    monkeypatch.setattr(sys, "argv", ["holdpoint", *words])
    monkeypatch.setattr("daemon.commands.cli.signal.signal", lambda *_: None)
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 1
    assert capsys.readouterr().err == (
        f"holdpoint: font DejaVu Sans is missing from {no_font}; install the program "
        "anew\n"
    )
    assert not list(tmp_path.glob("*.pdf"))


def test_measured_parts_stand_in_the_supplier_report(
    home: Path, pages: dict[str, Read], tmp_path: Path
) -> None:
    before = pages["supplier"].text
    assert "loose part 1" not in before
    loose = Proof(
        proof="loose", signal=FINDING, kind=ProofKind.LOOSE_PARTS, subject=BAD_REEL,
        readings=(5015.0,), unit="ohm", from_value=5000.0, uncertainty=0.5,
        person="Ada Moreno", made_at=AT,
    )  # fmt: skip
    other = replace(loose, proof="loose too", readings=(5014.0,))
    on_board = replace(
        loose, proof="board", kind=ProofKind.FOUR_WIRE, subject="PA-3006",
        readings=(5013.0,),
    )  # fmt: skip
    meter = replace(
        loose, proof="meter", kind=ProofKind.SECOND_METER, unit="ppm",
        readings=(7.0,),
    )  # fmt: skip
    with LocalStore(home / "data" / "holdpoint.duckdb") as store:
        for one in (loose, other, on_board, meter):
            store.keep(one)
    after = page(home, tmp_path, "supplier", FINDING).text
    for words in ("loose part 1", "loose part 2", "PA-3006 1", "loose, unpowered"):
        assert words in after
    assert "four-wire, on the board" in after
    assert "one dot a part" in after
    assert "loose part 3" not in after


def test_instruments_stand_as_they_were_met(home: Path, tmp_path: Path) -> None:
    configured = page(home, tmp_path, "unit", "PA-1001").text
    assert "scpi_ammeter" in configured
    met = BenchInstrument(
        session="s", role="reference", address="a", identity=HOSTILE,
        serial_number="A-17", calibrated_at="2025-09-01", due_at="2026-09-01",
        remark="calibration was overdue",
    )  # fmt: skip
    with LocalStore(home / "data" / "holdpoint.duckdb") as store:
        store.keep(met)
    read = page(home, tmp_path, "unit", "PA-1001")
    for words in (HOSTILE, "A-17", "2026-09-01", "calibration was overdue"):
        assert words in read.text
    assert "scpi_ammeter" not in read.text


def test_the_store_is_let_go_after_each_document(home: Path, tmp_path: Path) -> None:
    page(home, tmp_path, "unit", "PA-3006")
    with open_store(home / "data") as store:
        assert store.frame("watermark", product=PRODUCT)["number"][0] == 31
