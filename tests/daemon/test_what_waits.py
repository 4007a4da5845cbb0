"""Whoever walks in is told what waits, for whom, and in which order to do it."""

import json
import shlex
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from threading import Event

import pytest

from daemon.commands import opened as opening
from daemon.presentation.to_copy import hold_end
from daemon.presentation.waiting import (
    Waiting,
    hold_names,
    hold_order,
    left_to_measure,
    waits,
)
from daemon.service.home import Home
from daemon.service.processes import SharedDaemon, claimed
from daemon.station.desk import Desk
from daemon.station.inbox import Inbox
from daemon.station.orders import Order
from storage.answers import meant
from storage.errors import BusyError
from storage.records import Hold, Scope
from tests.daemon.commanding import holdpoint
from tests.daemon.making import demo_settings
from tests.daemon.seeded import seeded_home

BENCH = demo_settings().bench
PEOPLE = ("Ada Moreno", "Jon Birk")
TODAY = date(2026, 3, 2)
PROMPT = {"text": "Connect unit PA-7, then confirm.", "subject": "PA-7", "wants": None}


def told(
    doing: dict[str, object] | None, *, due: date | None = None, messages: int = 0
) -> list[Waiting]:
    assert BENCH is not None
    output = BENCH.output.model_copy(update={"calibration_due": due})
    return waits(
        doing=doing,
        holds=(),
        doubts=("doubt-1",) if messages else (),
        messages=messages,
        bench=BENCH.model_copy(update={"output": output}),
        people=PEOPLE,
        today=TODAY,
    )


def test_units_that_are_held_alike_are_one_decision_by_a_name_that_can_be_typed() -> (
    None
):
    def hold(scope: Scope, subject: str, reason: str = "Outside: 1 mA") -> Hold:
        return Hold(
            hold=f"{scope}-0123456789abcdef:{subject}",
            signal=None,
            placed_by="Ada Moreno",
            product="p",
            scope=scope,
            subject=subject,
            reason=reason,
            placed_at=datetime(2026, 3, 2, tzinfo=UTC),
        )

    units = [hold(Scope.UNIT, f"PA-{number}") for number in (11, 9, 10, 13)]
    two = [hold(Scope.REEL, "K-1"), hold(Scope.UNIT, "K-1", "scratched")]
    found = waits(
        doing=None,
        holds=[hold(Scope.BUILD, "B-1"), *units, *two],
        doubts=(),
        messages=0,
        bench=None,
        people=PEOPLE,
        today=TODAY,
        offers={units[3].hold: "Unit PA-13 conforms."},
    )
    assert [(one.do, one.what) for one in found] == [
        (hold_end("B-1"), "a decision on the hold of build B-1"),
        (
            hold_end("PA-9..PA-11"),
            "a decision on the holds of units PA-9 to PA-11 (3)",
        ),
        (
            hold_end("PA-13"),
            "a decision on the hold of unit PA-13: Unit PA-13 conforms.",
        ),
        (
            hold_end("reel-012"),
            "a decision on the hold of reel K-1",
        ),
        (
            hold_end("unit-0123456789abcdef:K"),
            "a decision on the hold of unit K-1",
        ),
    ]


def unit_hold(run: str, serial: str, minute: int = 0) -> Hold:
    """Return the hold that a run's verdict placed."""
    return Hold(
        hold=f"{run}:{serial}", scope=Scope.UNIT, subject=serial, product="p",
        signal=None, reason="Outside: 1 mA", placed_by="holdpoint",
        placed_at=datetime(2026, 3, 2, 9, minute, tzinfo=UTC),
    )  # fmt: skip


def test_a_hold_has_a_name_that_can_be_typed_however_long_its_id() -> None:
    holds = [
        unit_hold("import-0123456789abcdef0123456789ab", "PA-1"),
        unit_hold("import-0129999999abcdef0123456789ab", "PA-1"),
        unit_hold("import-7777456789abcdef0123456789ab", "PA-2"),
    ]
    names = hold_names(holds)
    assert list(names.values()) == ["import-0123", "import-0129", "PA-2"]
    known = [one.hold for one in holds]
    assert [meant(names[one], known, kind="hold") for one in known[:2]] == known[:2]


def test_holds_of_units_are_listed_as_people_count_them_after_builds_and_reels() -> (
    None
):
    units = [unit_hold(f"run-{n}", f"PA-{n}", n % 3) for n in (10, 9, 2)]
    build = replace(units[0], scope=Scope.BUILD, subject="B-1")
    listed = sorted([*units, build], key=hold_order)
    assert [one.subject for one in listed] == ["B-1", "PA-2", "PA-9", "PA-10"]


def test_units_that_have_left_come_first_and_are_decided_on_by_themselves() -> None:
    held_units = [
        Hold(
            hold=f"unit-0123456789abcdef:PA-{number}",
            signal=None,
            placed_by="Ada Moreno",
            product="p",
            scope=Scope.UNIT,
            subject=f"PA-{number}",
            reason="Outside: 1 mA",
            placed_at=datetime(2026, 3, 2, tzinfo=UTC),
        )
        for number in (4, 5, 6)
    ]
    first, asked, *decisions = waits(
        doing={"prompt": PROMPT, "waiting": 1},
        holds=held_units,
        doubts=(),
        messages=0,
        bench=None,
        people=PEOPLE,
        today=TODAY,
        left={"B-1-F1": "1 suspect unit has left: tell their holders."},
        away={"PA-6"},
    )
    assert first == Waiting(
        who="Ada Moreno or Jon Birk",
        what="1 suspect unit has left: tell their holders",
        do="holdpoint contain B-1-F1",
    )
    assert asked.do == "holdpoint bench answer"
    assert [one.do for one in decisions] == [hold_end("PA-4..PA-5"), hold_end("PA-6")]


def test_a_dropped_list_and_what_it_waits_for_come_first() -> None:
    doing = {"prompt": PROMPT, "waiting": 5, "session": None, "check_due": None}
    first, second, *rest = told(doing, messages=2, due=date(2026, 3, 20))
    assert first.who == second.who == "whoever is at the bench"
    assert first.what == "an answer (PA-7): Connect unit PA-7, then confirm."
    assert first.do == "holdpoint bench answer"
    orphaned = told({**doing, "prompt": {**PROMPT, "by_scan": True}})[0]
    assert orphaned.what.endswith("To drop the order: `holdpoint bench answer --drop`")
    assert second.what == "4 units to be measured"
    assert [one.who for one in rest] == [
        "Ada Moreno or Jon Birk", "Ada Moreno or Jon Birk", "anybody",
    ]  # fmt: skip
    assert rest[-1].what == "the calibration of the output, which is due on 2026-03-20"


def test_units_that_were_reworked_are_to_be_measured_again() -> None:
    def again(*serials: str, ranges: str | None = None) -> Waiting:
        (one,) = waits(
            doing=None,
            holds=(),
            doubts=(),
            messages=0,
            bench=None,
            people=PEOPLE,
            today=TODAY,
            again=left_to_measure(
                [{"serial": one, "range": ranges} for one in serials], {"1mA": "1 mA"}
            ),
        )
        return one

    # Without a bench whoever measures types what the meters show.
    assert again("PA-7").do == "holdpoint measure PA-7 --rerun --typed"
    several = again("PA-7", "PA-8", "PA-9", "PA-12")
    assert several.do == "holdpoint measure --rerun --typed"
    assert several.what == (
        "PA-7 to PA-9, PA-12 (4 units), to be measured again after rework"
    )
    in_part = again("PA-7", ranges="1mA")
    assert in_part.do == "holdpoint measure PA-7 --rerun --typed --range 1mA"
    assert in_part.what == "PA-7, to be measured again after rework: range 1 mA"


def test_what_a_dropped_list_asked_for_in_vain_is_not_lost_unseen(
    tmp_path: Path,
) -> None:
    desk = Desk(utc=lambda: datetime(2026, 3, 2, tzinfo=UTC), stop=Event())
    inbox = Inbox(tmp_path / "next", desk)
    (tmp_path / "next" / "a folder.txt").mkdir()
    (tmp_path / "next" / "list.txt").write_text("PA-1\nPA-2\n")
    assert [inbox.look(), inbox.look()] == [0, 2]
    for _ in range(2):
        ticket = desk.next_order(wait_s=0.0)
        assert ticket is not None
        desk.update(ticket.ticket, state="failed", message="no bench")
    (one,) = told(desk.snapshot())
    assert one.what == "PA-1, PA-2 of a dropped list, not measured: no bench"
    # Measured since, it waits no more.
    ordered = desk.place(Order(serial="PA-1"))
    assert desk.next_order(wait_s=0.0) is not None
    desk.update(ordered.ticket, state="done")
    assert "PA-1" not in told(desk.snapshot())[-1].what


@pytest.mark.parametrize(
    ("due", "says"),
    [
        (date(2026, 3, 1), "which was due on 2026-03-01"),
        (date(2026, 4, 1), "which is due on 2026-04-01"),
        (date(2026, 4, 2), None),
        (None, None),
    ],
)
def test_a_calibration_is_said_a_month_before_it_is_due(
    due: date | None, says: str | None
) -> None:
    found = [one.what for one in told(None, due=due)]
    assert len(found) == (says is not None)
    assert all(str(says) in one for one in found)


def test_status_says_the_decision_that_waits_and_the_command_can_be_typed(
    tmp_path: Path,
) -> None:
    home = seeded_home(tmp_path / "home")
    done = holdpoint("status", "--json", home=home.folder)
    waiting = json.loads(done.stdout)["waiting"]
    assert [one["what"] for one in waiting] == [
        "a decision on the hold of build B-3 (finding B-3-F1)",
        "a decision on the hold of reel K-900 (finding B-3-F1)",
    ]
    shown = holdpoint("status", home=home.folder).stdout
    assert "What waits, in the order of what to do:" in shown
    assert "In commands this is finding B-3-F1." in shown
    assert shown.count("for HOW: how it ends: release, concession,") == 1
    for one in waiting:
        assert one["do"] in shown
        # Copied as it is, it is refused in one line that says what to put there.
        words = shlex.split(one["do"])[1:]
        as_it_is = holdpoint(*words, home=home.folder)
        assert "'HOW' is not one of 'release', 'concession'" in as_it_is.stderr
        meant = {"HOW": "release", "NAME": "Ada Moreno", "WHY": "shown"}
        filled = [meant.get(word, word) for word in words]
        ended = holdpoint(*filled, home=home.folder)
        assert ended.returncode == 0, ended.stderr
    after = json.loads(holdpoint("status", "--json", home=home.folder).stdout)
    assert after["waiting"] == []


def test_a_command_waits_for_a_daemon_that_starts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = seeded_home(tmp_path / "home")
    import storage  # noqa: PLC0415 -- its door is patched

    real, looks = storage.open_store, []

    def busy(folder: Path, *, wait_s: float, **use: int) -> object:
        looks.append(folder)
        if len(looks) < 3:
            raise BusyError(path=str(folder), pid=4711)
        return real(folder, wait_s=wait_s, **use)

    monkeypatch.setattr(storage, "open_store", busy)
    done = holdpoint("build", "list", home=home.folder)
    assert done.returncode == 0
    assert done.stderr.count("Process 4711 has the records") == 1
    assert "B-3" in done.stdout
    monkeypatch.setattr(opening, "STARTING_S", -1.0)
    looks.clear()
    assert (
        "in use by process 4711" in holdpoint("build", "list", home=home.folder).stderr
    )


def test_screens_start_no_daemon_beside_one_that_is_coming(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = Home(tmp_path)
    started: list[SharedDaemon] = []

    def start(one: SharedDaemon) -> None:
        started.append(one)

    monkeypatch.setattr(SharedDaemon, "_start", start)
    with claimed(home):
        coming = SharedDaemon(home)
        coming.begin()
        coming.leave()
        assert started == []
    alone = SharedDaemon(home)
    alone.begin()
    alone.leave()
    assert started[0] is alone


class Asking:
    """A daemon that asks."""

    def __init__(self, prompt: dict[str, object] | None) -> None:
        self.prompt = prompt
        self.said: list[str] = []

    def __enter__(self) -> "Asking":
        return self

    def __exit__(self, *_: object) -> None: ...

    def state(self) -> dict[str, object]:
        return {"prompt": self.prompt}

    def answer(self, prompt: str, value: str = "done") -> bool:
        self.said.append(f"{prompt}={value}")
        return True

    def drop(self, prompt: str) -> bool:
        self.said.append(f"{prompt} dropped")
        return True


@pytest.mark.parametrize(
    ("prompt", "given", "code", "said"),
    [
        (None, (), 0, []),
        ({**PROMPT, "prompt": "p1"}, (), 0, ["p1=done"]),
        ({**PROMPT, "prompt": "p2", "wants": "V"}, (), 2, []),
        ({**PROMPT, "prompt": "p2", "wants": "V"}, ("0.9",), 0, ["p2=0.9"]),
        # What the question does not allow is no answer.
        ({**PROMPT, "prompt": "p3"}, ("PA-8",), 2, []),
        ({**PROMPT, "prompt": "p4", "wants": "V"}, ("high",), 2, []),
        ({**PROMPT, "prompt": "p5", "wants": "yes/no"}, ("perhaps",), 2, []),
        ({**PROMPT, "prompt": "p5", "wants": "yes/no"}, ("no",), 0, ["p5=no"]),
        ({**PROMPT, "prompt": "p6"}, ("--drop",), 0, ["p6 dropped"]),
    ],
)
def test_what_the_bench_asks_is_answered_from_anywhere(
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    prompt: dict[str, object] | None,
    given: tuple[str, ...],
    code: int,
    said: list[str],
) -> None:
    bench = Asking(prompt)
    monkeypatch.setattr("daemon.service.client.Client.of", lambda _: bench)
    done = holdpoint("bench", "answer", *given, home=tmp_path)
    assert done.returncode == code
    assert bench.said == said


def test_one_prompt_is_one_task() -> None:
    """Whoever is asked to connect the check standard is not sent to run it too."""
    due = {"waiting": 1, "session": "s", "check_due": "a session was opened"}
    asked = {"text": "Connect check standard CS-1, then confirm.", "subject": "CS-1"}
    (one,) = told({"prompt": asked, **due})
    assert one.do == "holdpoint bench answer"
    (one,) = told({"prompt": None, **due, "waiting": 0})
    assert one.do == "holdpoint bench check"


def test_whoever_ends_a_unit_s_hold_is_told_what_else_keeps_it(tmp_path: Path) -> None:
    """The hold of its reel stands; its command is printed as it is typed."""
    home = seeded_home(tmp_path / "home")
    who = ("--person", "Ada Moreno", "--reason", "seen")
    for serial in ("PA-3006", "PA-1001"):
        holdpoint("hold", "place", "--unit", serial, *who, home=home.folder)
    of_unit = ("hold", "end", "PA-3006", "PA-1001", "--by", "release", *who)
    told_so = holdpoint(*of_unit, home=home.folder).stderr.splitlines()
    stays, leaves = (
        "\n".join(line for line in told_so if line.startswith(f"{serial}:"))
        for serial in ("PA-3006", "PA-1001")
    )
    assert "held (build B-3): range 100 µA, reel K-900, reads +0.30 %" in stays
    assert "held (reel K-900): " in stays
    assert leaves == "PA-1001: May leave."
    commands = [line for line in told_so if line.startswith("holdpoint ")]
    assert commands == [hold_end("B-3"), hold_end("K-900")]
    # Of a scrapped unit nothing goes on.
    holdpoint("hold", "place", "--unit", "PA-3007", *who, home=home.folder)
    scrap = ("hold", "end", "PA-3007", "--by", "scrap", *who)
    assert "holdpoint hold end" not in holdpoint(*scrap, home=home.folder).stderr
