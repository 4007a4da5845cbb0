"""The questions of `holdpoint init`, and that what it writes loads."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from config.check import check, summary
from config.document import FILES
from config.errors import ConfigError
from config.load import load
from config.quantity import Unit, spell
from config.wizard import init
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
    assert found.plan.people == ("Ada Moreno", "Jon Birk")


def test_nothing_is_asked_where_a_file_exists(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text("", encoding="utf-8")
    script = Script(iter([]))
    with pytest.raises(ConfigError) as caught:
        init(tmp_path, script.ask, script.say)
    assert str(caught.value) == (
        f"plan.toml: exists already in {tmp_path}; it is never overwritten"
    )
    assert script.lines == []


def test_no_is_no(tmp_path: Path) -> None:
    _, script = transcript("by_hand.txt")
    answers = [line.partition(ANSWER)[2] for line in answered(script)]
    again = Script(iter([*answers[:-1], "no"]))
    assert init(tmp_path, again.ask, again.say) == ()
    assert again.lines[-1] == "Nothing was written."
    assert list(tmp_path.iterdir()) == []


def answered(script: Script) -> list[str]:
    """Return the questions and answers of a whole session in some other folder."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("config.wizard.write", lambda *_: ())
        init(Path("nowhere"), script.ask, script.say)
    return [line for line in script.lines if ANSWER in line]


def test_giving_up_leaves_nothing(tmp_path: Path) -> None:
    _, script = transcript("amplifier.txt")
    asked = len(answered(script))
    assert asked > 40
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
    opened = Path.open

    def no_space(self: Path, *args: str, **kwargs: str) -> object:
        if self.name == "plan.toml":
            raise OSError(28, "No space left on device")
        return opened(self, *args, **kwargs)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", no_space)
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
    assert [path.name for path in tmp_path.iterdir()] == ["plan.toml"]
    assert (tmp_path / "plan.toml").read_text(encoding="utf-8") == "mine"


def improvised(draw: Callable[..., str]) -> Callable[[str], str]:
    """Return a person who answers by the words of the question, within reason."""
    names = iter(f"R{n}" for n in range(1, 99))
    addresses = iter(f"TCPIP::192.0.2.{n}::5025::SOCKET" for n in range(1, 99))
    scales = iter(f"{n}00u" for n in range(1, 99))
    meter_ranges = iter([f"{n}: 0.01 % + 20 ppm" for n in range(100, 1, -1)])
    given_ranges: list[str] = []

    def answer(question: str) -> str:  # noqa: PLR0911 - one line a kind of question
        if question.endswith("]") and draw(st.booleans()):
            return ""
        if "such as R11" in question:
            return next(names)
        if "full scale, such as" in question:
            return next(scales)
        if "Enter: no more" in question:
            label = question.partition(":")[0]
            if given_ranges.count(label) > 1 or (
                label in given_ranges and draw(st.booleans())
            ):
                return ""
            given_ranges.append(label)
            return next(meter_ranges)
        if "address, such as" in question:
            return next(addresses)
        if "Enter: none" in question:
            return draw(st.sampled_from(["", "1 + R3 / R4"]))
        if question.endswith(("[yes]", "[no]")):
            wanted = question.startswith("Write")
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
    "How many ranges": ["1", "3"],
    "of reading": ["0 ppm", "0.2 %"],
    "of full scale": ["20 ppm", "1 %"],
    "its value, such as 10k": ["4k7", "10 k", "0R1"],
    "its tolerance": ["0.1 %", "1 %"],
    "ever stand": ["4", "12", "45"],
    "Most current": ["10 mA"],
    "standard resistor?": ["meter", "resistor"],
    "resistor: its value": ["1k"],
    "standard uncertainty": ["20 ppm"],
    "its profile": ["typed"],
    "its serial": ["CS-1"],
    "known error": ["-80 ppm", "0 ppm"],
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
        assert f"range {key}: full scale {spell(one.full_scale, unit)}" in shown
