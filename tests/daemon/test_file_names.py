"""Files named by what people wrote: each inside its folder, none over another."""

import doctest
from pathlib import Path

from click.testing import CliRunner
from hypothesis import given, strategies as st

from daemon.commands.cli import holdpoint
from daemon.presentation import file_names
from daemon.presentation.file_names import file_name
from storage.access import open_store
from storage.records import Unit
from tests.daemon.seeded import seeded_home

PRODUCT = "photodiode-amplifier"
FINDING = "B-3-F1"
ALIKE = ("PA-3061/a", "PA-3061 a", "PA-3061:a", "PA-3061_a")
BY = ("--person", "Ada Moreno")


def test_examples() -> None:
    assert doctest.testmod(file_names).failed == 0


@given(st.text(max_size=300), st.text(max_size=300))
def test_two_names_are_two_files_in_the_folder_they_are_meant_for(
    one: str, other: str
) -> None:
    named = file_name(one, "pdf")
    assert Path(named).name == named
    assert len(named.encode()) < 255  # longest name that common file systems take
    assert (named == file_name(other, "pdf")) is (one == other)


def test_holders_of_units_named_alike_get_a_notice_each(tmp_path: Path) -> None:
    home = seeded_home(tmp_path / "home")
    into = tmp_path / "notices"

    def said(*words: str) -> list[str]:
        done = CliRunner().invoke(holdpoint, ["--home", str(home.folder), *words])
        assert done.exit_code == 0, done.output
        return done.stdout.splitlines()

    with open_store(home.data) as store:
        store.keep(*[Unit(serial=o, product=PRODUCT, build="B-3") for o in ALIKE])
    said("ship", *ALIKE, "--to", "order 7", "--override", "it was urgent", *BY)
    written = said("report", "customers", FINDING, "--as", "html", "--into", str(into))
    assert len(set(written)) == len(ALIKE)
    assert sorted(written) == sorted(str(one) for one in into.iterdir())
    pages = [Path(one).read_text(encoding="utf-8") for one in written]
    for serial in ALIKE:
        assert sum(serial in page for page in pages) == 1
