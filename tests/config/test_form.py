"""The form asks what `holdpoint init` asks, and writes what it writes."""

import stat
from pathlib import Path

import pytest

from config.errors import ConfigError
from config.load import load
from config.simulated import FIRST_PORT
from config.wizard import answers_of, filled, init, write_anew
from tests.config.test_wizard import CONNECTED, FOUR, by_question

HIGHEST = "Highest voltage that its input survives"
VOLTS = {
    "What is the product called?": "Three-range attenuator",
    "What goes in, amps or volts?": "volts",
    "Highest voltage that its input survives": "60 V",
    "Full scale of each range": "1, 10, 50",
    "Volts out over volts in": "R2 / (R1 + R2), R4 / (R3 + R4), R6 / (R5 + R6)",
    "Values": "1k, 1k, 9k, 1k, 49k, 1k",
    "Who may": "Ada Moreno",
}


def answered(folder: Path, begins: dict[str, str]) -> dict[str, str]:
    """Return answers by whole question, as somebody fills the form in."""
    answers: dict[str, str] = {}
    while True:
        form = filled(folder, answers)
        new = {
            one.question: text
            for one in form.fields
            for begin, text in begins.items()
            if one.question.startswith(begin) and answers.get(one.question) != text
        }
        if not new:
            return answers
        answers |= new


@pytest.mark.parametrize("begins", [FOUR, CONNECTED], ids=["by hand", "connected"])
def test_it_asks_what_init_asks_and_makes_the_same_files(
    tmp_path: Path, begins: dict[str, str]
) -> None:
    asked: list[str] = []
    init(tmp_path / "init", by_question(begins, asked), lambda _: None)
    (tmp_path / "form").mkdir()
    form = filled(tmp_path / "form", answered(tmp_path / "form", begins))
    # Whether all is so, and whether to write: here answers stand there, and a button.
    assert len(form.fields) == len(asked) - 2
    for name, text in form.files.items():
        assert (tmp_path / "init" / name).read_text(encoding="utf-8") == text


def test_the_first_question_alone_stands_there_until_it_is_answered(
    tmp_path: Path,
) -> None:
    (first,) = filled(tmp_path, {}).fields
    assert first.needed
    assert filled(tmp_path, {}).files == {}


def test_an_answer_that_cannot_be_used_says_why_and_ends_the_form_there(
    tmp_path: Path,
) -> None:
    answers = {"What is the product called?": "A", "What goes in, amps or volts?": "W"}
    *_, last = filled(tmp_path, answers).fields
    assert last.question == "What goes in, amps or volts?"
    assert last.choices == ("amps", "volts")
    assert last.problem == "'W': must be amps or volts"


def test_files_are_written_whole_for_their_owner_and_those_of_before_are_kept(
    tmp_path: Path,
) -> None:
    init(tmp_path, by_question(FOUR, []), lambda _: None)
    before = (tmp_path / "product.toml").read_text(encoding="utf-8")
    plan = (tmp_path / "plan.toml").read_text(encoding="utf-8")
    (tmp_path / "plan.toml").write_text(plan + "# by hand\n", encoding="utf-8")
    answers = answers_of(tmp_path) | {HIGHEST: "20 V"}
    made, kept = write_anew(tmp_path, answers, ("product.toml",))
    assert kept is not None
    assert (kept / "product.toml").read_text(encoding="utf-8") == before
    assert load(tmp_path).product.input_absolute_maximum_v == 20.0
    assert load(tmp_path).product.name == "photodiode-amplifier"
    assert (tmp_path / "plan.toml").read_text(encoding="utf-8").endswith("# by hand\n")
    assert {stat.S_IMODE(path.stat().st_mode) for path in made} == {0o600}
    assert answers_of(tmp_path)[HIGHEST] == "20 V"


def test_files_that_do_not_fit_those_that_stay_are_not_written(tmp_path: Path) -> None:
    init(tmp_path, by_question(CONNECTED, []), lambda _: None)
    before = {one.name: one.read_bytes() for one in tmp_path.iterdir()}
    answers = answers_of(tmp_path) | {
        "Full scale of each range, with commas between them, such as 1u, 10u, 100u, 1m":
        "1, 10, 100, 1m"
    }  # fmt: skip
    with pytest.raises(ConfigError):
        write_anew(tmp_path, answers, ("product.toml",))
    assert {one.name: one.read_bytes() for one in tmp_path.iterdir()} == before


@pytest.mark.parametrize("begins", [FOUR, VOLTS], ids=["amps", "volts"])
def test_a_simulated_bench_fits_whatever_product(
    tmp_path: Path, begins: dict[str, str]
) -> None:
    answers = answered(tmp_path, begins | {"Who reads": "simulated"})
    write_anew(tmp_path, answers)
    found = load(tmp_path)
    assert found.bench is not None
    assert found.bench.source.address == f"TCPIP::127.0.0.1::{FIRST_PORT}::SOCKET"
    assert found.bench.time_scale > 1
    assert [one.selector for one in found.product.ranges.values()] == [
        str(place) for place in range(1, len(found.product.ranges) + 1)
    ]
