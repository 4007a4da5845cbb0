"""Messages: told once, delivered at least once, given up loudly, secrets kept."""

from collections.abc import Hashable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any

import pytest

from config.plan import Alerts
from daemon.alerts import who_hears
from daemon.alerts.by_the_clock import Upkeep, show_alive
from daemon.alerts.channels import AppriseChannel
from daemon.alerts.errors import (
    ChannelError,
    UndeliveredError,
    UnknownTargetError,
)
from daemon.alerts.from_findings import Teller
from daemon.alerts.hidden_addresses import hidden
from daemon.alerts.sender import Sender, Tally, pause_s
from storage.answers import AlertState
from storage.local import LocalStore
from storage.records import (
    Build,
    Cause,
    Decision,
    Hold,
    Scope,
    Signal,
)
from storage.records_alerts import Severity
from tests.daemon.alerts.fakes import (
    AT,
    PRODUCT,
    Clock,
    Killed,
    Lossy,
    channels,
    message,
    outbox,
    refusing,
    webhook,
)

SIGNAL = Signal(
    signal="B-3-F1", revision=1, number=61, product=PRODUCT, build="B-3",
    cause=Cause.REEL, statistic="bank", range="100uA", part="R13", reel="K-102",
    first_serial="PA-1019", raised_serial="PA-1021", units=3, size_ppm=6000.0,
    low_ppm=5000.0, high_ppm=7000.0, implied_ohm=5020.0, probability=0.99, holds=True,
    evidence="{}", made_at=AT,
)  # fmt: skip
HOLD = Hold(
    hold="B-3-F1:B-3", scope=Scope.BUILD, subject="B-3", product=PRODUCT,
    signal="B-3-F1", reason="range 100 µA reads high", placed_by="holdpoint",
    placed_at=AT,
)  # fmt: skip
UNIT_HOLD = replace(
    HOLD, hold="run-7:PA-7", scope=Scope.UNIT, subject="PA-7", signal=None
)
"""The mail library still asks for it."""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[LocalStore]:
    """Return an empty outbox."""
    with outbox(tmp_path / "holdpoint.duckdb") as opened:
        yield opened


def rows(store: LocalStore) -> list[dict[Hashable, Any]]:
    """Return every message."""
    found: list[dict[Hashable, Any]] = store.frame("alerts", product=PRODUCT).to_dict(
        "records"
    )
    return found


# what is told


def test_a_finding_is_one_message_with_its_holds() -> None:
    """Not one for the finding, one for the build and one for the reel."""
    teller = Teller(PRODUCT, channels("mail", "chat"))
    reel_hold = replace(HOLD, hold="B-3-F1:K-102", scope=Scope.REEL, subject="K-102")
    alerts = teller.tell([SIGNAL], [HOLD, reel_hold])
    assert [(one.alert, one.target) for one in alerts] == [
        ("finding B-3-F1", "mail"),
        ("finding B-3-F1", "chat"),
    ]
    assert "since unit PA-1019" in alerts[0].title


def test_later_revisions_are_silent_until_they_say_another_thing() -> None:
    """A hundred units sharpen a finding; one message is enough, a change is told."""
    teller = Teller(PRODUCT, channels("mail"))
    teller.tell([SIGNAL], [])
    for revision in range(2, 100):
        assert (
            teller.tell([replace(SIGNAL, revision=revision, units=revision)], []) == ()
        )
    moved = replace(SIGNAL, revision=100, cause=Cause.SHARED, range=None, part=None)
    (update,) = teller.tell([moved], [])
    assert update.title.startswith("Update: ")
    assert update.alert == "finding B-3-F1, revision 100"
    assert update.follows == "finding B-3-F1"


GONE = replace(
    SIGNAL, revision=5, standing=False, withdrawn="unit PA-1019 reads like the others"
)


def test_who_was_told_of_a_finding_is_told_that_it_was_withdrawn_once() -> None:
    teller = Teller(PRODUCT, channels("mail"))
    assert teller.tell([GONE], []) == ()  # nobody had heard of it
    teller.tell([SIGNAL], [HOLD])
    (told,) = teller.tell([GONE], [])
    assert told.title == (
        "Finding B-3-F1 was withdrawn: unit PA-1019 reads like the others."
    )
    assert "stands until a named person ends it" in told.body
    assert (told.alert, told.follows) == (
        "finding B-3-F1, revision 5",
        "finding B-3-F1",
    )
    assert teller.tell([replace(GONE, revision=6)], []) == ()
    (again,) = teller.tell([replace(SIGNAL, revision=7)], [])
    assert again.title.startswith("Update: Hold build B-3")


def test_a_withdrawal_reaches_whoever_heard_the_loudest_of_it(
    store: LocalStore,
) -> None:
    """A finding that held turns into one of an odd unit, then is withdrawn."""
    settings = channels("mail")  # holds only
    teller = Teller(PRODUCT, settings)
    store.keep(*teller.tell([SIGNAL], [HOLD]))
    odd = replace(SIGNAL, revision=2, cause=Cause.UNIT, holds=False)
    again = Teller(PRODUCT, settings)
    again.remember(store.rows(AlertState, product=PRODUCT))
    for teller_ in (teller, again):
        (update,) = teller_.tell([odd], [])
        assert update.title.startswith("Update: Unit PA-1019 alone is far off")
        (gone,) = teller_.tell([replace(GONE, cause=Cause.UNIT, holds=False)], [])
        assert gone.severity is Severity.HOLD
        assert "named person" not in gone.body  # it asks for no hold now


def test_what_was_told_is_known_after_a_restart(store: LocalStore) -> None:
    """The rows say it, so a new daemon repeats nothing."""
    settings = channels("mail")
    store.keep(*Teller(PRODUCT, settings).tell([SIGNAL], [HOLD]))
    again = Teller(PRODUCT, settings)
    again.remember(store.rows(AlertState, product=PRODUCT))
    assert again.tell([replace(SIGNAL, revision=2)], []) == ()


def test_a_hold_of_its_own_is_told() -> None:
    """A nonconforming unit, and a hold that is placed again."""
    teller = Teller(PRODUCT, channels("mail"))
    (unit,) = teller.tell([], [UNIT_HOLD])
    assert unit.title == "Hold unit PA-7: range 100 µA reads high."
    teller.tell([SIGNAL], [HOLD])
    again = replace(HOLD, hold="B-3-F1:B-3:2")
    (raised,) = teller.tell([replace(SIGNAL, revision=2)], [again])
    assert raised.subject == "B-3-F1"


def test_channels_hear_what_they_asked_for() -> None:
    """A digest is no news for who wants holds only."""
    digest = who_hears.of_build(
        who_hears.BuildDigest(
            build="B-3", units=30, first_pass_yield=0.9, open_holds=1, findings=(),
            at=AT,
        )
    )  # fmt: skip
    quiet, all_ = channels("a"), channels("a", severity="notice")
    assert who_hears.addressed(digest, product=PRODUCT, settings=quiet) == ()
    assert len(who_hears.addressed(digest, product=PRODUCT, settings=all_)) == 1


def test_nobody_to_tell_is_no_message() -> None:
    """Without channels nothing is queued."""
    assert Teller(PRODUCT, Alerts()).tell([SIGNAL], [HOLD]) == ()


def test_reminders_are_one_message_an_interval_until_somebody_took_note() -> None:
    """Forty held units are one reminder, the same however often it is looked."""
    settings = channels("mail")
    waiting = [message(one) for one in range(40)]
    soon, later = AT + timedelta(hours=23), AT + timedelta(hours=49)
    assert (
        who_hears.reminder(waiting, of=who_hears.HOLDS, settings=settings, at=soon)
        is None
    )
    assert (
        who_hears.reminder([], of=who_hears.HOLDS, settings=settings, at=later) is None
    )
    said = who_hears.reminder(waiting, of=who_hears.HOLDS, settings=settings, at=later)
    assert said is not None
    assert said.alert == "reminder 2 of finding F0"
    assert said.title == "Reminder: 40 holds stand and nobody has taken note."
    assert "and 20 more" in said.lines
    whole = who_hears.reminder(
        waiting[:20], of=who_hears.HOLDS, settings=settings, at=later
    )
    assert whole is not None
    assert "and 0 more" not in whole.lines


def test_a_measured_build_is_summed_up_once(store: LocalStore) -> None:
    """When all planned units are measured; until then nothing."""
    clock = Clock()
    store.keep(Build(build="B-0", product=PRODUCT, planned_units=1, opened_at=AT))
    upkeep = Upkeep(
        store, product=PRODUCT, settings=channels("mail", severity="notice"),
        utc=clock.utc, alarm=lambda: None,
    )  # fmt: skip
    upkeep.look()
    assert rows(store) == []


def test_a_hold_by_hand_is_told_once_and_reminded_of(store: LocalStore) -> None:
    """No run was recorded with it, so the clock tells it."""
    clock = Clock()
    by_hand = replace(
        HOLD, hold="by-hand-1", subject="B-0", signal=None, placed_by="Ada Moreno"
    )
    store.keep(Build(build="B-0", product=PRODUCT, planned_units=9, opened_at=AT))
    store.keep(
        by_hand,
        decision=Decision(
            person="Ada Moreno", action="hold", subject=by_hand.hold,
            reason=by_hand.reason, decided_at=AT,
        ),
    )  # fmt: skip
    upkeep = Upkeep(
        store, product=PRODUCT, settings=channels("mail"), utc=clock.utc,
        alarm=lambda: None,
    )  # fmt: skip
    for _ in range(3):
        upkeep.look()
    assert [one["title"] for one in rows(store)] == [
        "Hold build B-0: range 100 µA reads high."
    ]
    clock.pass_(seconds=25 * 3600)
    upkeep.look()
    (_, reminder) = rows(store)
    assert reminder["follows"] == "hold by-hand-1"
    assert reminder["title"] == "Reminder: A hold stands and nobody has taken note."
    assert "hold by-hand-1: Hold build B-0: " in str(reminder["body"])


def test_an_alarm_at_the_bench_is_told_once_while_it_stands(
    store: LocalStore,
) -> None:
    """The source may be on: everybody hears of it, again only when it comes again."""
    clock = Clock()
    alarm: list[str | None] = ["The source could not be shown to be off."]
    upkeep = Upkeep(
        store, product=PRODUCT, settings=channels("mail"), utc=clock.utc,
        alarm=lambda: alarm[0],
    )  # fmt: skip
    for _ in range(3):
        upkeep.look()
        clock.pass_(seconds=30)
    assert [one["severity"] for one in rows(store)] == ["hold"]
    alarm[0] = None
    upkeep.look()
    alarm[0] = "Again."
    upkeep.look()
    assert len(rows(store)) == 2


# how it is delivered


def test_each_message_arrives_at_least_once_under_its_id(tmp_path: Path) -> None:
    """A channel that fails 30 % of the time, a sender that dies again and again."""
    random = Random(4)  # noqa: S311
    clock = Clock()
    chat = Lossy(random, fails=0.3, killed=0.08)
    wanted = {f"finding F{one}" for one in range(40)}
    path = tmp_path / "holdpoint.duckdb"
    with outbox(path) as store:
        store.keep(*[message(one) for one in range(40)])
    for _ in range(200):
        with outbox(path) as store:
            sender = Sender(
                store, channels("chat"), utc=clock.utc, open_channel=lambda _: chat
            )
            try:
                tried = sender.send_due("chat")
            except Killed:
                continue
            clock.pass_(hours=1)
            if tried == Tally():
                break
    assert set(chat.arrived) == wanted
    assert chat.kills >= 5


def test_what_cannot_be_delivered_is_given_up_with_an_alarm(
    store: LocalStore,
) -> None:
    """The other channel hears of it, once, with the message itself."""
    clock = Clock()
    random = Random(1)  # noqa: S311
    deaf = Lossy(random, fails=1.0, name="mail")
    good = Lossy(random, fails=0.0)
    sender = Sender(
        store, channels("mail", "chat", tries=4), utc=clock.utc,
        open_channel=lambda one: deaf if one.name == "mail" else good,
    )  # fmt: skip
    store.keep(message(1, "mail"), message(1, "chat"))
    for _ in range(6):
        sender.send_due("mail")
        sender.send_due("chat")
        clock.pass_(minutes=10)
    mail, chat, alarm = sorted(
        rows(store), key=lambda one: str(one["made_at"]) + str(one["target"] != "mail")
    )
    assert mail["tries"] == 4
    assert str(mail["last_error"]).endswith("no answer")
    assert mail["dead_at"] is not None
    assert (chat["alert"], alarm["target"]) == ("finding F1", "chat")
    assert good.arrived == {
        "finding F1": 1,
        "undelivered to mail: finding F1": 1,
    }
    assert "Hold build 1" in str(alarm["body"])


def test_dead_letters_about_dead_letters_end(store: LocalStore) -> None:
    """Two deaf channels do not fill the outbox with each other's alarms."""
    clock = Clock()
    deaf = Lossy(Random(1), fails=1.0)  # noqa: S311
    sender = Sender(
        store, channels("a", "b", tries=1), utc=clock.utc, open_channel=lambda _: deaf
    )
    store.keep(message(1, "a"), message(1, "b"))
    for _ in range(10):
        sender.send_due("a")
        sender.send_due("b")
        clock.pass_(hours=1)
    assert len(rows(store)) == 4


def test_pauses_double_and_are_kept(store: LocalStore) -> None:
    """A dead server is not hammered, whoever restarts."""
    clock = Clock()
    deaf = Lossy(Random(1), fails=1.0)  # noqa: S311
    settings = channels("chat")
    store.keep(message(1))
    tried = 0
    for _ in range(120):
        sender = Sender(store, settings, utc=clock.utc, open_channel=lambda _: deaf)
        tried += sender.send_due("chat").failed
        clock.pass_(seconds=5)
    assert tried == 7
    assert [pause_s(one) for one in (1, 2, 3)] == [5.0, 10.0, 20.0]


def test_a_channel_of_another_name_is_refused(store: LocalStore) -> None:
    """Says which there are."""
    sender = Sender(store, channels("chat"), utc=Clock().utc)
    with pytest.raises(UnknownTargetError, match=r"no channel 'mail'.*names chat"):
        sender.send_due("mail")


# over the library, to a server of this machine


def test_the_library_delivers_to_a_local_server(store: LocalStore) -> None:
    """A real webhook that refuses some; all arrive."""
    clock = Clock()
    with refusing(0.3, seed=3) as (port, arrived):
        settings = Alerts(channels=(webhook(port),))
        sender = Sender(store, settings, utc=clock.utc)
        store.keep(*[message(one, "hook") for one in range(12)])
        for _ in range(12):
            sender.send_due("hook")
            clock.pass_(hours=1)
    assert arrived == {f"finding F{one}": 1 for one in range(12)}
    assert all(one["dead_at"] is not one["delivered_at"] for one in rows(store))


def test_no_secret_of_an_address_is_told(store: LocalStore) -> None:
    """Neither in rows nor in errors, whatever the library says."""
    clock = Clock()
    with refusing(1.0) as (port, _):
        channel = webhook(port, path="t0ken-abc")
        sender = Sender(store, Alerts(channels=(channel,)), utc=clock.utc)
        store.keep(message(1, "hook"))
        sender.send_due("hook")
    (row,) = rows(store)
    assert row["tries"] == 1
    assert row["last_error"]
    for secret in ("pw12345", "t0ken-abc", "robin"):
        assert secret not in str(row)
        assert secret not in repr(channel)
    with pytest.raises(ChannelError) as caught:
        AppriseChannel(channel.model_copy(update={"url": "nowhere://pw12345"}))
    assert "pw12345" not in str(caught.value)
    assert hidden("said t0ken-abc x", channel.url) == "said **** x"


def test_silence_shows_elsewhere() -> None:
    """The address is asked for; failing says so without its secrets."""
    with refusing(0.0) as (port, arrived):
        show_alive(f"http://127.0.0.1:{port}/secret-path")
    assert arrived == {"asked": 1}
    with refusing(1.0) as (port, _):
        with pytest.raises(UndeliveredError) as caught:
            show_alive(f"http://127.0.0.1:{port}/secret-path")
        assert "secret-path" not in str(caught.value)
    with pytest.raises(UndeliveredError, match="must begin with http"):
        show_alive("file:///etc/passwd")


def test_severities_are_those_of_the_settings() -> None:
    """One list in both places."""
    assert [one.value for one in who_hears.LOUDNESS] == [one.value for one in Severity]
