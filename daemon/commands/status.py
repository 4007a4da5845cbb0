"""What to do now: what is held, why, and what the bench is doing."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import click

from daemon import limits, rejudging, words
from daemon.client import Client
from daemon.commands.opened import Opened, home_here, opened
from daemon.commands.showing import Headline, Part, Shown, Table, shown
from daemon.cycle import Cycle
from daemon.holds import end_offer
from daemon.home import Home
from daemon.product import ProductModel
from daemon.proving import sharpened
from daemon.rows import proofs_of, signals_of, warnings_of
from daemon.whereabouts.doubted import by_reason, doubted
from storage.errors import UnreachableError
from storage.records import Signal


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """Everything that is said of now."""

    saying: words.Saying
    builds: Sequence[dict[str, Any]]
    in_doubt: Sequence[dict[str, Any]]
    doubts: Mapping[str, tuple[str, ...]]
    raised: Sequence[Signal]
    found: Sequence[Signal]
    standing: Sequence[dict[str, Any]]
    warned: Sequence[str]
    judged_again: Sequence[str]
    watched_by: Mapping[str, Any]

    bench: Mapping[str, Any] | None
    """What a running daemon does; None where none answers."""


@click.command()
@shown
def status() -> Shown:
    """Say what to do now, and why.

    What is held, and what the bench is doing.
    """
    bench = _doing(home_here())
    with opened() as at:
        now = _now(at, bench)
    return Shown(_data(now), *_parts(now))


def _now(at: Opened, bench: Mapping[str, Any] | None) -> Now:
    builds, in_doubt = at.rows("builds"), at.rows("runs_in_doubt")
    standing = [one for one in at.rows("holds") if one["disposal"] is None]
    raised = signals_of(at.store, at.product)
    found = sharpened(
        raised, proofs_of(at.store, at.product), ProductModel.of(at.settings.product)
    )
    titles = {key: one.title for key, one in at.settings.product.ranges.items()}
    return Now(
        saying=words.standing(
            signals=found,
            builds=builds,
            holds=standing,
            units=sum(one["units"] for one in builds),
        ),
        builds=builds,
        in_doubt=in_doubt,
        doubts=doubted(at.rows("latest_errors"), in_doubt),
        raised=raised,
        found=found,
        standing=standing,
        warned=words.warnings(
            warnings_of(at.store, at.product), [one["build"] for one in builds]
        ),
        judged_again=rejudging.sentences(at.store, at.product, titles),
        watched_by=_offline(at) if bench is None else bench,
        bench=bench,
    )


def _doing(home: Home) -> dict[str, Any] | None:
    try:
        with Client.of(home.data) as client:
            return client.state()
    except UnreachableError:
        return None


def _offline(at: Opened) -> dict[str, Any]:
    """Return what a daemon would say of its watching, worked out from the rows."""
    cycle = Cycle(at.settings, at.store, own_limit=at.own_limit())
    return {
        "limit": limits.in_words(at.home, at.settings),
        "calibrating_percent": None,
        "history": cycle.history(),
    }


def _data(now: Now) -> dict[str, Any]:
    found = {one.signal: one for one in now.raised}
    return {
        "headline": now.saying.headline,
        "lines": now.saying.lines,
        "also": now.saying.apart,
        "builds": now.builds,
        "in_doubt": now.in_doubt,
        "findings": [
            {
                "finding": one.signal,
                "build": one.build,
                "cause": one.cause,
                "says": words.finding(one).headline,
                "standing": one.standing,
            }
            for one in now.found
        ],
        # Of holds whose finding asks for them no more.
        "offered_ends": [
            {"hold": one["hold"]} | asdict(offer)
            for one in now.standing
            if (offer := end_offer(one, found.get(one["signal"]))) is not None
        ],
        "warnings": now.warned,
        "judged_again": now.judged_again,
        "limit": now.watched_by["limit"],
        "history": now.watched_by["history"],
        "daemon": now.bench,
    }


def _parts(now: Now) -> Iterator[Part]:
    yield Headline(now.saying.headline)
    yield from now.saying.lines
    for one in now.saying.apart:
        yield f"Also to do: {one}"
    yield ""
    if now.builds:
        yield Table(now.builds, {one: one for one in ("build", "units", "state")})
        yield ""
    bench = now.bench
    doing = "not running" if bench is None else bench["trouble"] or bench["phase"]
    yield f"Daemon: {doing}."
    yield from words.watching(now.watched_by, said=now.saying.lines)
    if now.doubts:
        yield (
            f"In doubt: {words.counted(len(now.doubts), 'unit')}, because "
            f"{list(by_reason(now.doubts, now.doubts))[-1]}; `holdpoint doubt list` "
            "says which."
        )
    yield from now.warned
    yield from now.judged_again
    if bench is not None:
        yield from _of_the_bench(bench)


def _of_the_bench(bench: Mapping[str, Any]) -> Iterator[Part]:
    if bench["session"] and bench["check_due"]:
        yield f"No unit is judged before a check: {bench['check_due']}."
    yield from bench["remarks"]
    if bench["reopened"]:
        yield (
            "Times that the bench was lost and opened anew, and a unit measured again: "
            f"{bench['reopened']}; last: {bench['lost']}."
        )
    if bench["stalled"]:
        yield Headline(f"Stalled: {bench['stalled']}.")
    if bench["alarm"]:
        yield Headline(f"Alarm: {bench['alarm']}")
