"""What to do now: what is held, why, and what the bench is doing."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

import click

from daemon import watch
from daemon.commands.opened import Opened, home_here, is_shared, opened
from daemon.commands.showing import Headline, Part, Shown, Table, shown
from daemon.holds import by_reason, doubted, offered_ends, sharpened_now
from daemon.judging import ProductModel, to_repeat
from daemon.presentation import (
    NO_DAEMON,
    Concerning,
    figures,
    gauges,
    left_to_measure,
    screens,
    seen_elsewhere,
    sentences,
    sharing,
    to_copy,
    today,
    untold,
    waits,
)
from daemon.service import Client, Home
from daemon.station import rejudging
from daemon.traceability import Away, good_again, suspects_away
from storage import (
    AlertState,
    Benches,
    BuildState,
    Cause,
    DoubtState,
    GaugeStudy,
    Hold,
    HoldState,
    KnownBuilds,
    Proof,
    ReworkOf,
    RunInDoubt,
    Scope,
    SharedView,
    Signal,
    UnreachableError,
    Untold,
    Whose,
)

BUILDS_SHOWN = 12
"""Newest builds that are listed, beside those that are held."""
Doubts = Mapping[str, tuple[str, ...]]


@click.command()
@shown
def status() -> Shown:
    """Say what to do now, and why.

    It says what is held, what waits for whom, and what the bench is doing.
    """
    bench = None if is_shared() else _doing(home_here())
    with opened() as at:
        builds = at.rows(BuildState, newest=BUILDS_SHOWN)
        (every,) = at.rows(KnownBuilds)
        earlier = every.builds - len(builds)
        in_doubt = at.rows(RunInDoubt)
        measured = at.store.table("measured_units", product=at.product)
        doubts = doubted(at.store, at.product)
        standing = [one for one in at.rows(HoldState) if one.disposal is None]
        raised = at.store.rows(Signal, "signals", product=at.product)
        proofs = at.store.rows(Proof, "proofs", product=at.product)
        reworks = at.rows(ReworkOf)
        product = ProductModel.of(at.settings.product)
        near = {one.build for one in builds}
        found = sharpened_now(
            raised, proofs, standing, product=product, reworks=reworks, near=near
        )
        recent = [one for one in raised if one.build in near]
        left = _left(suspects_away(at.store, product, recent, proofs, reworks), recent)
        offers = offered_ends(at.store, at.product, standing, raised, found)
        reworked = good_again(at.store, at.product, found, reworks)
        warned = at.store.rows(Signal, product=at.product, cause=Cause.CHART)
        # Where no channel is named, nothing was to be sent, and nobody waits for it.
        told = at.rows(AlertState) if at.settings.alerts.channels else []
        messages = [
            one for one in told if one.acknowledged_at is None and one.dead_at is None
        ]
        titles = {key: one.title for key, one in at.settings.product.ranges.items()}
        waiting = waits(
            doing=bench,
            holds=standing,
            doubts=[one.doubt for one in at.rows(DoubtState) if one.ended_by is None],
            messages=len(messages),
            offers={key: one.sentence for key, one in offers.items()},
            bench=at.settings.bench,
            people=at.settings.plan.people,
            today=datetime.now(UTC).astimezone().date(),
            again=left_to_measure(
                at.store.table("to_measure_again", product=at.product).to_pylist(),
                titles,
            ),
            left=left,
            away=_away(at, standing),
        )
        again = gauges.to_repeat(
            [
                one.gauge_study
                for one in to_repeat(at.rows(GaugeStudy), at.settings.bench)
            ]
        )
        judged_again = rejudging.sentences(at.store, at.product, titles)
        watched_by = _offline(at) if bench is None else bench
        shared = _shared(at, bench)
        not_closed = _not_closed(at, bench)
    saying = sentences.standing(
        signals=found,
        builds=builds,
        holds=standing,
        units=measured.column("units")[0].as_py(),
        history=watched_by["history"],
        reworked=reworked,
    )
    now = {
        "left": list(left.values()),
        "headline": saying.headline,
        "lines": saying.lines,
        "also": saying.apart,
        "builds": builds,
        "earlier_builds": earlier,
        "in_doubt": in_doubt,
        "findings": [_finding(one) for one in found],
        "offered_ends": [{"hold": key} | asdict(one) for key, one in offers.items()],
        "warnings": sentences.warnings(warned, [one.build for one in builds]),
        "judged_again": judged_again,
        "gauge_studies": again,
        "limit": watched_by["limit"],
        "history": watched_by["history"],
        "daemon": bench,
        "waiting": waiting,
        "sharing": shared,
        "not_closed": not_closed,
    }
    watching = sentences.watching(watched_by, said=saying.lines)
    return Shown(now, *_parts(now, watching, doubts, standing))


def _left(away: Mapping[str, Away], findings: Sequence[Signal]) -> dict[str, str]:
    """Return by finding what is said of its units that left and are not closed yet."""
    said = {}
    for one in findings:
        mine = away.get(one.signal)
        if mine is not None and mine.still_open:
            numbers = Concerning(concerned=mine.concerned, left=mine.left)
            said[one.signal] = today.left_first(one, numbers) or ""
    return said


def _away(at: Opened, holds: Sequence[HoldState]) -> set[str]:
    """Return which of the units that are held by themselves have left."""
    held = [one.subject for one in holds if one.scope is Scope.UNIT]
    if not held:
        return set()
    away = at.store.table("away", product=at.product, serials=json.dumps(held))
    return set(away.column("serial").to_pylist())


def _doing(home: Home) -> dict[str, Any] | None:
    """Return what a running daemon does; None where none answers."""
    try:
        with Client.of(home.data) as client:
            return client.state()
    except UnreachableError:
        return None


def _shared(at: Opened, bench: Mapping[str, Any] | None) -> tuple[str, ...]:
    """Say how far this bench is with the others."""
    if at.settings.sharing is None or is_shared():
        return ()
    said = (NO_DAEMON,) if bench is None else sharing(bench["sharing"])
    kept = at.store.rows(SharedView, shared_view=at.settings.product.name)
    findings = Benches.of(kept[0].body).findings if kept else ()
    told = tuple(
        f"Finding {one.signal}: {' '.join(seen_elsewhere(one))}"
        for one in findings
        if one.whose is not Whose.OPEN
    )
    waiting = untold(at.store.rows(Untold))
    return (*said, *told, *([waiting] if waiting else []))


def _not_closed(at: Opened, bench: Mapping[str, Any] | None) -> str | None:
    """Say that the last session has no closing check; None where it has, or is open."""
    named = at.settings.bench
    if named is None or named.check_standard is None or is_shared():
        return None
    rows = at.store.table("not_closed", product=at.product, bench=named.name)
    for one in rows.to_pylist():
        if bench is None or bench["session"] != one["session"]:
            return sentences.not_closed(one["units"])
    return None


def _offline(at: Opened) -> dict[str, Any]:
    """Return what a daemon would say of its watching, worked out from the rows."""
    if is_shared():  # each bench watches its own
        nothing = ("limit", "calibrating_percent", "history", "refolded")
        return dict.fromkeys(nothing)
    known = watch.ProductWatch(at.settings, at.store, own_limit=at.own_limit())
    return {
        "limit": watch.in_words(at.home.data, at.settings),
        "calibrating_percent": None,
        "history": known.history(),
        "refolded": known.refolded,
    }


def _finding(one: Signal) -> dict[str, Any]:
    return {
        "finding": one.signal,
        "build": one.build,
        "cause": one.cause,
        "says": sentences.finding(one).headline,
        "standing": one.standing,
    }


def _parts(
    now: Mapping[str, Any],
    watching: Sequence[str],
    doubts: Doubts,
    holds: Sequence[Hold],
) -> Iterator[Part]:
    for one in now["left"]:
        yield Headline(one)
    yield Headline(now["headline"])
    yield from _names(now["findings"], holds)
    yield from now["lines"]
    for one in now["also"]:
        yield f"Also to do: {one}"
    if now["waiting"]:
        yield ""
        yield Headline("What waits, in the order of what to do:")
        # Commands are long and are copied: a line of its own each, never a cell.
        for one in now["waiting"]:
            yield f"- For {one.who}: {one.what}"
            yield f"  {one.do}"
        if (said := to_copy.fill_in(one.do for one in now["waiting"])) is not None:
            yield said
    yield ""
    if now["builds"]:
        yield Table(
            now["builds"],
            {
                "build": "build", "units": "units",
                "state": lambda one: sentences.build_state(one, holds),
            },
        )  # fmt: skip
        if now["earlier_builds"]:
            number = figures.counted(now["earlier_builds"], "earlier build")
            yield f"{number}, not held: `holdpoint build list` shows all."
        yield ""
    bench = now["daemon"]
    doing = "not running" if bench is None else bench["trouble"] or bench["phase"]
    yield f"Daemon: {doing}."
    yield from watching
    yield from now["sharing"]
    if doubts:
        yield (
            f"In doubt: {figures.counted(len(doubts), 'unit')}, because "
            f"{list(by_reason(doubts, doubts))[-1]}; `holdpoint doubt list` says which."
        )
    yield from now["warnings"]
    if now["not_closed"]:
        yield now["not_closed"]
    yield from now["judged_again"]
    yield from now["gauge_studies"]
    if bench is not None:
        yield from _of_the_bench(bench)


def _names(
    findings: Sequence[Mapping[str, Any]], holds: Sequence[Hold]
) -> Iterator[str]:
    """Say what commands call the findings that hold something, the newest first."""
    holding = {one.signal for one in holds}
    named = [
        str(one["finding"])
        for one in reversed(findings)
        if one["standing"] and one["finding"] in holding
    ]
    if named:
        what = "this is finding" if len(named) == 1 else "these are findings"
        yield f"In commands {what} {', '.join(named)}."


def _of_the_bench(bench: Mapping[str, Any]) -> Iterator[Part]:
    if bench["session"] and bench["check_due"]:
        yield f"No unit is judged before a check: {bench['check_due']}."
    yield from bench["remarks"]
    if bench["reopened"]:
        yield screens.reopened(bench["reopened"], bench["lost"])
    if bench["stalled"]:
        yield Headline(f"Stalled: {bench['stalled']}.")
    if bench["alarm"]:
        yield Headline(f"Alarm: {bench['alarm']}")
