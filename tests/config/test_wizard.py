"""The questions of `holdpoint init`, and that what it writes loads."""

import os
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from config.check import check, summary
from config.document import FILES
from config.errors import ConfigError
from config.load import load
from config.model import Settings
from config.quantity import Unit, spell
from config.wizard import ANSWERS, init
from config.write import write

GOLDEN = Path(__file__).with_name("golden")
ANSWER = " >> "


class Script:
    """A terminal that types what a transcript holds and writes down what is said."""

    def __init__(self, answers: Iterator[str]) -> None:
        self._answers = answers
        self.lines: list[str] = []

    def ask(self, question: str) -> str:
        """Type the next answer; end of input when there is none."""
        answer = next(self._answers, None)
        if answer is None:
            raise EOFError
        self.lines.append(f"{question}{ANSWER}{answer}")
        return answer

    def say(self, text: str) -> None:
        """Write down each line."""
        self.lines += text.split("\n")


def transcript(name: str) -> tuple[str, Script]:
    """Return a golden session and a script with the answers in it."""
    text = (GOLDEN / name).read_text(encoding="utf-8")
    answers = [
        line.partition(ANSWER)[2] for line in text.splitlines() if ANSWER in line
    ]
    return text, Script(iter(answers))


@pytest.mark.parametrize("name", ["amplifier.txt", "divider.txt", "by_hand.txt"])
def test_a_session_word_for_word(tmp_path: Path, name: str) -> None:
    text, script = transcript(name)
    made = init(tmp_path, script.ask, script.say)
    said = "\n".join(script.lines).replace(str(tmp_path), "FOLDER")
    assert said.splitlines() == text.splitlines()
    assert {path.name for path in made} <= set(FILES)
    assert check(tmp_path) == summary(load(tmp_path))


def test_the_files_of_a_session(tmp_path: Path) -> None:
    _, script = transcript("amplifier.txt")
    for path in init(tmp_path, script.ask, script.say):
        golden = GOLDEN / "amplifier" / path.name
        assert path.read_text(encoding="utf-8") == golden.read_text(encoding="utf-8")


def test_what_the_settings_will_not_do_is_said_before_they_are_written(
    tmp_path: Path,
) -> None:
    """A person may still go back to the question that makes it so."""
    _, script = transcript("amplifier.txt")
    asked: list[Settings] = []

    def foresee(settings: Settings) -> list[str]:
        asked.append(settings)
        return ["Range 1 µA cannot be judged at zero."]

    assert init(tmp_path, script.ask, script.say, foresee=foresee)
    assert asked == [load(tmp_path)]
    said = "\n".join(script.lines)
    assert said.index("cannot be judged at zero") < said.index("init --edit`, where")
    assert said.index("init --edit`, where") < said.index("Write product.toml")


def test_how_good_meters_must_be_is_said_where_they_are_asked_about(
    tmp_path: Path,
) -> None:
    _, script = transcript("by_hand.txt")
    told = "These limits need better meters."
    assert init(tmp_path, script.ask, script.say, needs=lambda _: [told])
    asked = next(n for n, one in enumerate(script.lines) if one.startswith("How good "))
    assert script.lines[asked - 1] == told
    assert script.lines.count(told) == 1


def test_what_a_session_means(tmp_path: Path) -> None:
    _, script = transcript("amplifier.txt")
    init(tmp_path, script.ask, script.say)
    found = load(tmp_path)
    assert found.bench is not None
    one = found.product.ranges["1uA"]
    assert one.full_scale == 1e-6
    assert one.transfer == "R11 * (1 + R3 / R4)"
    assert one.limit.of_reading_ppm == 5_000.0
    assert one.limit.of_full_scale_ppm == 500.0
    assert one.source_limit == 1.2e-6
    assert one.selector == "1"
    assert found.product.parts["R11"].nominal_ohm == 499_900.0
    assert found.product.parts["R11"].tolerance_ppm == 1_000.0
    assert found.bench.compliance_v == 12.0
    assert found.bench.source_limit == 1.2e-5
    assert found.bench.reference.ranges[1].of_reading_ppm == 150.0
    assert found.bench.check_standard is not None
    assert found.bench.check_standard.error_ppm == {"1uA": 150.0, "10uA": -80.0}
    (second,) = found.bench.further_standards
    assert (second.serial, second.error_ppm) == ("CS-2", {"10uA": 110.0})
    assert found.plan.people == ("Ada Moreno", "Jon Birk")


def test_nothing_is_asked_where_a_file_exists(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text("", encoding="utf-8")
    script = Script(iter([]))
    with pytest.raises(ConfigError) as caught:
        init(tmp_path, script.ask, script.say)
    assert str(caught.value) == (
        f"plan.toml: exists already in {tmp_path}; it is never overwritten. `holdpoint "
        "init --edit` asks again and keeps it beside"
    )
    assert script.lines == []


def test_no_is_no(tmp_path: Path) -> None:
    _, script = transcript("by_hand.txt")
    answers = [line.partition(ANSWER)[2] for line in answered(script)]
    again = Script(iter([*answers[:-1], "no"]))
    assert init(tmp_path, again.ask, again.say) == ()
    assert again.lines[-1] == "Nothing was written."
    # What was answered is kept, so that the way back to it is short.
    assert [path.name for path in tmp_path.iterdir()] == [ANSWERS]


def answered(script: Script) -> list[str]:
    """Return the questions and answers of a whole session in some other folder."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("config.wizard.write", lambda *_: ())
        init(Path("nowhere"), script.ask, script.say)
    return [line for line in script.lines if ANSWER in line]


def test_giving_up_leaves_nothing(tmp_path: Path) -> None:
    _, script = transcript("amplifier.txt")
    asked = len(answered(script))
    assert asked > 25
    for count in range(0, asked, 7):
        _, script = transcript("amplifier.txt")
        few = [line.partition(ANSWER)[2] for line in answered(script)][:count]
        shorter = Script(iter(few))
        with pytest.raises(EOFError):
            init(tmp_path / "new", shorter.ask, shorter.say)
        assert not (tmp_path / "new").exists()


def test_a_full_disk_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = os.open

    def no_space(path: Path, *args: int) -> int:
        if Path(path).name.startswith("plan.toml"):
            raise OSError(28, "No space left on device")
        return opened(path, *args)

    monkeypatch.setattr("config.files.os.open", no_space)
    with pytest.raises(ConfigError) as caught:
        write(tmp_path, {"product.toml": "a = 1\n", "plan.toml": "b = 1\n"})
    assert str(caught.value) == (
        "plan.toml: cannot be written: No space left on device"
    )
    assert list(tmp_path.iterdir()) == []


def test_a_file_made_meanwhile_is_kept(tmp_path: Path) -> None:
    def plan_appears(question: str) -> str:
        if question.startswith("Write "):
            (tmp_path / "plan.toml").write_text("mine", encoding="utf-8")
        return script.ask(question)

    _, script = transcript("by_hand.txt")
    with pytest.raises(ConfigError, match="never overwritten"):
        init(tmp_path, plan_appears, script.say)
    assert {path.name for path in tmp_path.iterdir()} == {ANSWERS, "plan.toml"}
    assert (tmp_path / "plan.toml").read_text(encoding="utf-8") == "mine"


def improvised(draw: Callable[..., str]) -> Callable[[str], str]:
    """Return a person who answers by the words of the question, within reason."""
    names = iter(f"R{n}" for n in range(1, 99))
    addresses = iter(f"TCPIP::192.0.2.{n}::5025::SOCKET" for n in range(1, 99))
    scales = iter(f"{n}00u" for n in range(1, 99))
    count: list[int] = [1]

    def answer(question: str) -> str:  # noqa: PLR0911, PLR0912 - one line a kind of question
        if question.endswith("]") and draw(st.booleans()):
            return ""
        if question == "Write" and draw(st.booleans()):
            return "back"
        if "such as R11" in question or "volts in of each" in question:
            return ", ".join(next(names) for _ in range(count[0]))
        if question.startswith("Full scale of each"):
            count[0] = int(draw(st.sampled_from(["1", "3"])))
            return ", ".join(next(scales) for _ in range(count[0]))
        if question.startswith(("Values of", "Value of")):
            wanted = question.partition(" such")[0].count(",") or 1
            wanted = 1 if question.startswith("Value of") else wanted
            values = ["4k7", "10 k", "0R1"]
            return ", ".join(draw(st.sampled_from(values)) for _ in range(wanted))
        if "ranges and accuracy" in question:
            return "100: 0.01 % + 20 ppm, 1: 100 ppm"
        if "address, or" in question:
            return draw(st.sampled_from(["by hand", next(addresses)]))
        if question.startswith("Gain"):
            return draw(st.sampled_from(["", "1 + R3 / R4", "20"]))
        if question.endswith("its serial"):
            return question.partition(":")[0].replace("Check standard", "CS")
        if "known errors on" in question:
            return ", ".join(["-80 ppm"] * count[0])
        if question.endswith(("[yes]", "[no]")):
            wanted = question.startswith(("Write", "Is that so"))
            return "yes" if wanted else draw(st.sampled_from(["yes", "no"]))
        for start, choices in CHOICES.items():
            if start in question:
                return draw(st.sampled_from(choices))
        return ""

    return answer


CHOICES = {
    "product called": ["Photodiode amplifier", 'Odd "name" \\ \N{MICRO SIGN}'],
    "amps or volts": ["amps", "volts", "v"],
    "input survives": ["5", "30 V", "60"],
    "Largest error allowed": ["0 ppm + 20 ppm", "0.2 % + 1 %", "1 %"],
    "tolerance": ["0.1 %", "1 %"],
    "Who makes it": ["", "Moreno Lab, Lane 1"],
    "Who reads": ["you", "PC"],
    "ever stand": ["4", "12", "45"],
    "Most current": ["10 mA"],
    "standard resistor?": ["meter", "resistor"],
    "resistor: its value": ["1k"],
    "standard uncertainty": ["20 ppm"],
    "end a hold": ["Ada Moreno", "Ada Moreno, Jon Birk"],
}


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_whatever_is_answered_the_files_load(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("folder")
    person = improvised(data.draw)
    asked: list[str] = []

    def ask(question: str) -> str:
        asked.append(question)
        assert len(asked) < 1_000, "a question that no answer satisfies"
        return person(question)

    assert init(folder, ask, lambda _: None)
    found = load(folder)
    shown = "\n".join(check(folder))
    for key, one in found.product.ranges.items():
        unit = Unit(found.product.input_unit)
        full_scale = f": full scale {spell(one.full_scale, unit)}"
        assert f"range {one.title}, {key} in commands and files{full_scale}" in shown


def by_question(answers: Mapping[str, str], asked: list[str]) -> Callable[[str], str]:
    """Return a person who knows answers by how their questions begin, else Enter."""

    def answer(question: str) -> str:
        asked.append(question)
        return next(
            (said for start, said in answers.items() if question.startswith(start)), ""
        )

    return answer


FOUR = {
    "What is the product": "Photodiode amplifier",
    "Full scale": "1u, 10u, 100u, 1m",
    "Gain": "1 + R3 / R4",
    "The part that": "R11, R12, R13, R14",
    "Values": "499.95k, 49.95k, 4.995k, 499.95, 10k, 10k",
    "Who may": "Ada Moreno",
}
CONNECTED = FOUR | {
    "Who reads": "PC",
    "Source: its address": "TCPIP::192.0.2.10::5025::SOCKET",
    "Reference meter: its address": "TCPIP::192.0.2.11::5025::SOCKET",
    "Reference meter: its ranges": "1m: 100 ppm + 20 ppm",
    "Output meter: its address": "TCPIP::192.0.2.12::5025::SOCKET",
    "Output meter: its ranges": "1: 25 ppm + 7 ppm",
}


@pytest.mark.parametrize("answers", [FOUR, CONNECTED], ids=["by hand", "connected"])
def test_four_ranges_take_25_questions_at_most(
    tmp_path: Path, answers: Mapping[str, str]
) -> None:
    asked: list[str] = []
    assert init(tmp_path, by_question(answers, asked), lambda _: None)
    assert len(asked) <= 25
    assert (load(tmp_path).bench is None) == (answers is FOUR)


def test_a_shared_gain_multiplies_parts_in_a_row_too(tmp_path: Path) -> None:
    """Two parts in series set a range; it was ten times wrong without the gain."""
    said: list[str] = []
    answers = FOUR | {
        "The part that": "R11, R12, RS1 + RS2, R14 * (1 + R3 / R4)",
        "Values": "499.9k, 49.9k, 2k49, 2k5, 499, 10k, 10k",
    }
    init(tmp_path, by_question(answers, []), said.append)
    product = load(tmp_path).product
    assert product.ranges["100uA"].transfer == "(RS1 + RS2) * (1 + R3 / R4)"
    # What names the stage itself is taken as it is.
    assert product.ranges["1mA"].transfer == "R14 * (1 + R3 / R4)"


def test_a_fixed_gain_is_a_number_and_has_no_part(tmp_path: Path) -> None:
    said: list[str] = []
    answers = FOUR | {"Gain": "20", "Values": "25k, 2k5, 250, 25"}
    asked: list[str] = []
    init(tmp_path, by_question(answers, asked), said.append)
    product = load(tmp_path).product
    assert product.ranges["1mA"].transfer == "R14 * 20"
    assert set(product.parts) == {"R11", "R12", "R13", "R14"}
    assert sum(one.startswith("Gain") for one in asked) == 1
    assert any("1 mA: 1 mA in gives 500 mV out" in one for one in said)


def test_of_a_simulated_bench_it_is_said_whose_the_check_standard_is(
    tmp_path: Path,
) -> None:
    said: list[str] = []
    init(tmp_path, by_question(FOUR | {"Who reads": "simulated"}, []), said.append)
    words = "check standard CS-1, which stands in the simulated bench: at the start"
    assert any(words in one for one in said)


@pytest.mark.source("by hand: volts out are amps times ohms, R11 * 2 here")
def test_what_the_answers_come_to_is_reckoned_aloud(tmp_path: Path) -> None:
    said: list[str] = []
    init(tmp_path, by_question(FOUR, []), said.append)
    (line,) = [one for one in said if "in gives" in one and "100 µA: " in one]
    # 100 µA * 4995 ohm * 2 = 0.999 V. Parts: 0.1 % and half of it for R3 and R4 each.
    assert "100 µA in gives 999 mV out at full scale" in line
    assert "0.2 % wrong; ±(0.5 % of reading + 0.05 % of full scale), with off" in line
    assert "0.556 % where it is read, at 90 % of full scale" in line
    assert "a source is never set above 120 µA." in line
    assert not any("Look again" in one for one in said)
    wrong = FOUR | {"Values": "499.95k, 49.95k, 499.5, 499.95, 10k, 10k"}
    init(tmp_path / "wrong", by_question(wrong, []), said.append)
    assert any("Look again: at full scale range" in one for one in said)


def once(
    said: Iterator[tuple[str, str]], person: Callable[[str], str]
) -> Callable[[str], str]:
    """Return a person who first says these, each to its question, else as before."""
    due = next(said, None)

    def answer(question: str) -> str:
        nonlocal due
        usual = person(question)
        if due is None or not question.startswith(due[0]):
            return usual
        text, due = due[1], next(said, None)
        return text

    return answer


def test_no_asks_what_is_wrong_and_keeps_every_other_answer(tmp_path: Path) -> None:
    asked: list[str] = []
    person = once(
        iter(
            [
                ("Is that so", "no"),
                ("What is wrong", "values"),
                ("Values", "400k, 40k, 4k, 400, 10k, 10k"),
            ]
        ),
        by_question(FOUR | {"Values": "1k, 1k, 1k, 1k, 1k, 1k"}, asked),
    )
    wrong = once(iter([("Values", "1k, 1k, 1k, 1k, 1k, 1k")]), person)
    init(tmp_path, wrong, lambda _: None)
    product = load(tmp_path).product
    assert product.parts["R11"].nominal_ohm == 400e3
    after = asked[
        next(n for n, one in enumerate(asked) if one.startswith("What is w")) :
    ]
    assert [one.split()[0] for one in after[:4]] == ["What", "Values", "Is", "Who"]
    # What was typed there is what Enter keeps.
    assert after[1].endswith("[1k, 1k, 1k, 1k, 1k, 1k]")


def test_going_back_keeps_what_was_typed_after_it(tmp_path: Path) -> None:
    asked: list[str] = []
    person = once(
        iter(
            [
                ("Write", "back"), ("How good is the meter that reads what c", "back"),
                ("How good", "back"), ("Who reads", "back"), ("Who may", "back"),
                ("Who makes", ""), ("Who may", ""),
            ]
        ),
        by_question(FOUR | {"Who makes": "Moreno Lab"}, asked),
    )  # fmt: skip
    init(tmp_path, person, lambda _: None)
    found = load(tmp_path)
    assert found.plan.people == ("Ada Moreno",)
    assert found.product.maker is not None
    assert "Who may end a hold? Names, with commas between them [Ada Moreno]" in asked
    # Where Enter keeps an answer, another sign says that there is to be none.
    assert any("(- means: none) [Moreno Lab]" in one for one in asked)
    none = by_question({"Who makes": "-"}, [])
    init(tmp_path, none, lambda _: None, edit=True)
    assert load(tmp_path).product.maker is None


@pytest.mark.source("by hand: 900 kohm beside 10 Mohm takes 900 / 10900 off")
def test_a_meter_that_loads_a_divider_is_warned_of(tmp_path: Path) -> None:
    said: list[str] = []
    volts = {
        "What is the product": "Attenuator", "What goes in": "volts",
        "Full scale": "10",
        "Volts out": "R2 / (R1 + R2)", "Values": "9M, 1M", "Who may": "Ada Moreno",
    }  # fmt: skip
    init(tmp_path / "one", by_question(volts, []), said.append)
    (line,) = [one for one in said if "Mind the meter" in one]
    assert "on range 10 V it is connected across a resistor" in line
    assert "A meter of 10 MΩ reads 8.26 % low there" in line
    said.clear()
    init(tmp_path / "low", by_question(volts | {"Values": "9k, 1k"}, []), said.append)
    init(tmp_path / "amplifier", by_question(FOUR, []), said.append)
    assert not any("Mind the meter" in one for one in said)


def test_it_goes_on_where_it_was_stopped(tmp_path: Path) -> None:
    asked: list[str] = []
    stopped = by_question(FOUR, asked)

    def stop(question: str) -> str:
        if question.startswith("Values"):
            raise KeyboardInterrupt
        return stopped(question)

    with pytest.raises(KeyboardInterrupt):
        init(tmp_path, stop, lambda _: None)
    before = len(asked)
    assert before > 5
    again: list[str] = []
    init(tmp_path, by_question(FOUR, again), lambda _: None)
    assert again[0] == f"Go on after the {before} answers of before? [yes]"
    assert again[1].startswith("Values of R11")
    assert load(tmp_path).product.title == "Photodiode amplifier"


def test_what_was_answered_is_asked_again_and_the_files_of_before_are_kept(
    tmp_path: Path,
) -> None:
    init(tmp_path, by_question(FOUR, []), lambda _: None)
    before = (tmp_path / "product.toml").read_bytes()
    (tmp_path / "alerts.toml").write_text("remind_every_hours = 5.0\n")
    said: list[str] = []
    init(
        tmp_path,
        by_question({"Highest": "20 V", "What is the product": "New"}, []),
        said.append,
        edit=True,
    )
    product = load(tmp_path).product
    assert product.input_absolute_maximum_v == 20.0
    # The records are under the name of before.
    assert (product.title, product.name) == ("New", "photodiode-amplifier")
    assert product.parts["R13"].nominal_ohm == 4995.0
    assert load(tmp_path).alerts.remind_every_hours == 5.0
    (kept,) = tmp_path.glob("settings-before-*")
    assert (kept / "product.toml").read_bytes() == before
    assert any(str(kept) in one for one in said)


def test_settings_that_were_written_by_hand_are_not_asked_again(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text("", encoding="utf-8")
    with pytest.raises(ConfigError, match="were not written by `holdpoint init`"):
        init(tmp_path, by_question(FOUR, []), lambda _: None, edit=True)
    assert [path.name for path in tmp_path.iterdir()] == ["plan.toml"]
