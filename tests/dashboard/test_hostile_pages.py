"""300 units, builds and reels of hostile names on every page and every paper."""

import csv
import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from config.load import load
from daemon.judging import ProductModel
from daemon.presentation import documents, file_name
from daemon.service.home import VARIABLE, Home
from daemon.traceability.papers import DOCUMENTS, Of
from storage import Unit, open_store
from tests.daemon.commanding import Done, holdpoint
from tests.daemon.making import AT
from tests.daemon.seeded import empty_home
from tests.daemon.starting import running_daemon
from tests.daemon.test_hostile_names import names
from tests.dashboard.test_pages import opened, said

pytestmark = pytest.mark.bench

PAGES = (
    "", "build", "range", "finding", "next_build", "bench", "standard", "holds",
    "recall", "messages",
    "packing", "units", "budget", "gauge", "ledger", "receiving", "reels", "settings",
)  # fmt: skip
LISTS: dict[tuple[str, ...], str] = {
    ("build", "list"): "build",
    ("reel", "list"): "reel",
    ("fitting", "list"): "fitting",
    ("hold", "list"): "hold",
    ("shipment", "list"): "serial",
    ("ledger", "list"): "subject",
}
"""Lists that have rows here, and what names a row of each."""
BUILDS = 6
PAPERS = 8


def sheet(folder: Path) -> Path:
    """Write 300 measured units; from the middle of the last build on 10 µA is off."""
    chance = np.random.default_rng(8)
    called = names()
    path = folder / "units.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        ranges = ("1uA", "10uA", "100uA", "1mA")
        heads = [f"{key} {way}" for key in ranges for way in ("in", "out")]
        table.writerow(["serial", "build", "R12 reel", *heads])
        for place, name in enumerate(called):
            build = place * BUILDS // len(called)
            errors = chance.normal(0.0, 150.0, len(ranges))
            bad = place >= len(called) - 20
            errors[1] += 3000.0 * bad
            row = [f"S{name}", called[build], called[100 + build + 50 * bad]]
            for key, error in zip(ranges, errors, strict=True):
                row += [f"0.9 {key}", f"{0.9 * (1 + error * 1e-6):.6f}"]
            table.writerow([one.replace("0.9 1uA", "0.9 uA").replace("0.9 10uA", "9 uA")
                            .replace("0.9 100uA", "90 uA").replace("0.9 1mA", "900 uA")
                            for one in row])  # fmt: skip
    return path


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    folder = tmp_path_factory.mktemp("hostile pages")
    made = empty_home(folder / "home")
    done = holdpoint("import", str(sheet(folder)), home=made.folder)
    assert "300 units new" in done.stderr, done.stderr
    assert "A hold stands on" in done.stderr
    with running_daemon(made, "--no-bench"):
        yield made


@pytest.mark.parametrize("page", PAGES)
def test_every_page_shows_hostile_names(
    home: Home, monkeypatch: pytest.MonkeyPatch, page: str
) -> None:
    monkeypatch.setenv(VARIABLE, str(home.folder))
    app = opened(page)
    assert not app.exception
    assert said(app)


def by_kind() -> dict[Of, list[str]]:
    """Return what documents may be of here, by what they are of."""
    called = names()
    builds = called[:BUILDS]
    (finding,) = {
        one["finding"]
        for one in json.loads(done_of("status", "--json").stdout)["findings"]
        if one["build"] == builds[-1]
    }
    return {
        Of.UNIT: [f"S{one}" for one in called],
        Of.BUILD: builds,
        Of.FINDING: [finding],
        Of.CONTAINMENT: [finding, called[100 + BUILDS - 1 + 50]],
    }


def done_of(*words: str) -> Done:
    """Run a command on this home; it must end well."""
    done = holdpoint(*words)
    assert done.returncode == 0, done.stderr
    return done


@pytest.fixture
def here(home: Home, monkeypatch: pytest.MonkeyPatch) -> Home:
    monkeypatch.setenv(VARIABLE, str(home.folder))
    return home


def written(folder: Path, kind: str, subject: str, form: str) -> int:
    """Write a document; return how many files that made, all of them in its folder."""
    before = set(folder.iterdir())
    done_of(
        "report", kind, "--into", str(folder), "--as", form, "--", subject
    )  # fmt: skip
    made = set(folder.iterdir()) - before
    assert all(one.is_file() and one.stat().st_size for one in made)
    return len(made)


@pytest.mark.usefixtures("here")
def test_every_kind_of_paper_takes_hostile_names(tmp_path: Path) -> None:
    last = f"S{names()[-1]}"
    by = ("--person", "Ada Moreno", "--to", "[/b] order")
    done_of("ship", "--override", "[bold]", *by, "--", last)
    for kind, declared in DOCUMENTS.items():
        subjects = by_kind()[declared.of]
        for subject in dict.fromkeys((subjects[0], subjects[-1])):
            assert written(tmp_path, kind, subject, "html"), (kind, subject)
    done_of("contain", "--into", str(tmp_path), "--", by_kind()[Of.FINDING][0])
    text = (tmp_path / "containment.html").read_text(encoding="utf-8")
    assert "<b>" not in text.replace("<b>Hold", "")
    done_of("card", "--", last)


@pytest.mark.endurance
@pytest.mark.usefixtures("here")
def test_every_unit_and_build_of_a_hostile_name_has_its_papers(home: Home) -> None:
    subjects = by_kind()
    settings = load(home.folder)
    product = ProductModel.of(settings.product)
    number: Counter[str] = Counter()
    files: set[str] = set()
    with open_store(home.data) as store:
        # In a sheet any blank is a blank, so that units are asked for as recorded.
        subjects[Of.UNIT] = [one.serial for one in store.rows(Unit)]
        assert len(subjects[Of.UNIT]) == len(names())
        for kind, declared in DOCUMENTS.items():
            for subject in subjects[declared.of]:
                for made in declared.gather(
                    store, product, subject, issued_at=AT, issuer="Moreno Lab",
                    settings=settings,
                ):  # fmt: skip
                    assert documents.html(made).rstrip().endswith("</html>")
                    assert documents.pdf(made).startswith(b"%PDF-")
                    number[kind] += 1
                    files.add(file_name(f"{kind}-{made.number}", "html"))
    print(f"papers of hostile names: {dict(number)}")  # noqa: T201
    assert number["unit"] == number["customer"] == len(subjects[Of.UNIT])
    assert len(files) == number.total()  # no two share a file


@pytest.mark.usefixtures("here")
def test_every_list_shows_what_can_be_typed_again() -> None:
    """Each id of each list is told whole, as JSON says it; a command takes it."""
    by = ("--person", "Ada Moreno", "--reason", "[/no] '; $(x)")
    first, second = (f"S{one}" for one in names()[:2])
    done_of("ship", *by[:2], "--override", "[b]", "--to", "[/b]", "--", first)
    done_of("hold", "place", f"--unit={second}", *by)
    typed: dict[tuple[str, ...], list[str]] = {}
    for words, key in LISTS.items():
        rows = json.loads(done_of(*words, "--json").stdout)
        shown = done_of(*words).stdout
        typed[words] = [str(one[key]) for one in rows]
        assert typed[words], words
        for one in typed[words]:
            assert one in shown, words
    assert first in typed["shipment", "list"]
    done_of("shipment", "undo", *by, "--", first)
    for build in typed["build", "list"]:
        done_of("build", "edit", "--units", "500", *by, "--", build)
    for reel in typed["reel", "list"]:
        done_of("reel", "edit", "--lot", "[/lot]", *by, "--", reel)
    (held,) = [
        one["hold"]
        for one in json.loads(done_of("hold", "list", "--json").stdout)
        if one["subject"] == second and one["disposal"] is None
    ]
    done_of("hold", "end", "--by", "release", *by, "--", held)


@pytest.mark.parametrize("place", range(0, 300, 300 // PAPERS))
def test_every_paper_of_a_hostile_name_is_written(
    home: Home, tmp_path: Path, place: int
) -> None:
    serial = f"S{names()[place]}"
    for words in (("unit", serial), ("build", names()[place * BUILDS // 300])):
        done = holdpoint(
            "report", *words[:1], "--into", str(tmp_path), "--", *words[1:],
            home=home.folder,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
    assert list(tmp_path.iterdir())
    assert all(one.parent == tmp_path for one in tmp_path.rglob("*"))


def test_labels_of_hostile_names_are_drawn_or_refused_in_a_sentence(
    home: Home, tmp_path: Path
) -> None:
    for name in names()[:: 300 // PAPERS]:
        done = holdpoint(
            "label", "--into", str(tmp_path), "--", f"S{name}", home=home.folder
        )
        assert "Traceback" not in done.stderr
