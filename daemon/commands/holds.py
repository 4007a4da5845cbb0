"""Holds: what may not ship, why, and who let it go."""

import shlex
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

import click

from daemon.commands.opened import Opened, opened
from daemon.commands.options import by_person
from daemon.commands.shipping import answer, in_few_words
from daemon.commands.showing import Shown, Table, interactive, misuse, say, shown
from daemon.holds import by_reason, doubted, offered_ends, policy, sharpened_now
from daemon.judging import ProductModel
from daemon.presentation import (
    SHORT_ID,
    hold_names,
    hold_order,
    sentences,
    spans,
    to_copy,
)
from daemon.traceability import Gate, tracing
from storage import (
    Disposal,
    HoldState,
    Proof,
    RefusedValueError,
    ReworkOf,
    Scope,
    Signal,
    counted_serials,
    meant,
)


@click.command("list")
@click.option("--all", "every", is_flag=True, help="Those that ended too.")
@shown
def hold_list(*, every: bool) -> Shown:
    """List what is held, and why.

    Below stands what each end of a hold lets go and what it keeps. Units of a bench in
    doubt stay like held ones.
    """
    with opened() as at:
        rows = sorted(at.rows(HoldState), key=hold_order)
        raised = at.store.rows(Signal, "signals", product=at.product)
        found = sharpened_now(
            raised,
            at.store.rows(Proof, "proofs", product=at.product),
            rows,
            product=ProductModel.of(at.settings.product),
            reworks=at.rows(ReworkOf),
        )
        doubts = doubted(at.store, at.product)
        offers = offered_ends(at.store, at.product, rows, raised, found)
    listed = [
        _told(one, found, offers.get(one.hold))
        for one in rows
        if every or one.disposal is None
    ]
    names = hold_names([one for one in rows if one.disposal is None])
    in_doubt = [
        f"In doubt, {spans(serials)}: {reason}."
        for reason, serials in by_reason(doubts, doubts).items()
    ]
    if not listed:
        if not in_doubt:
            say("Nothing is held.")
        return Shown(listed, *in_doubt)
    return Shown(
        listed,
        *in_doubt,
        Table(
            listed,
            {
                "hold": lambda one: _typed(one, names), "on": "scope",
                "which": "subject", "reason": "why",
                "ended by": "disposal", "who": "person",
            },
        ),
        *_what_ends_do(listed),
        *_offered_ends(listed),
    )  # fmt: skip


def _told(
    hold: HoldState, found: Sequence[Signal], offer: policy.EndOffer | None
) -> dict[str, Any]:
    """Return a hold with its finding's present words, and the end that is offered."""
    now = {one.signal: one for one in found}.get(hold.signal or "")
    return {
        **asdict(hold),
        "why": sentences.why_held(hold, now),
        "withdrawn": None if now is None else now.withdrawn,
        "offer": None if offer is None else asdict(offer),
    }


def _typed(hold: Mapping[str, Any], names: Mapping[str, str]) -> str:
    """Return what is typed to end a hold: its id, in place of a long one its name."""
    name = str(hold["hold"])
    return name if len(name) <= SHORT_ID else names.get(name, name)


def _offered_ends(listed: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Say which holds may end, and by which command but for who decides."""
    told = None
    for one in listed:
        offer = one["offer"]
        if offer is None:
            continue
        if offer["sentence"] != told:
            told = offer["sentence"]
            yield f"\n{told} What it holds stands until a named person ends it:"
        asked = ["holdpoint", "hold", "end", one["hold"], "--by", offer["disposal"]]
        asked += ["--reason", offer["reason"], "--evidence", offer["evidence"]]
        yield f"{shlex.join(asked)} --person NAME"


def _what_ends_do(listed: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Say it once for each kind of hold that stands."""
    standing = [Scope(one["scope"]) for one in listed if one["disposal"] is None]
    if standing:
        yield ""
        yield from sentences.ends(standing)


@click.command("place")
@click.option("--build", "build_name", help="On a build.")
@click.option("--reel", "reel_name", help="On everything with a reel.")
@click.option("--unit", "serial", help="On one unit.")
@click.option("--serials", nargs=2, help="On a range of serials, both ends included.")
@by_person()
@click.option("--reason", required=True, help="Why it must not leave.")
def hold_place(
    *,
    build_name: str | None,
    reel_name: str | None,
    serial: str | None,
    serials: tuple[str, str] | None,
    person: str,
    reason: str,
) -> None:
    """Place a hold by hand.

    It stands on a build, a reel, one unit or a range of serials.
    """
    first, last = serials or (None, None)
    named = [
        (scope, subject)
        for scope, subject in (
            (Scope.BUILD, build_name),
            (Scope.REEL, reel_name),
            (Scope.UNIT, serial),
            (Scope.SERIALS, first),
        )
        if subject is not None
    ]
    if len(named) != 1:
        misuse("name one of --build, --reel, --unit and --serials")
    scope, subject = named[0]
    with opened() as at:
        placed, decision = policy.by_hand(
            scope=scope,
            subject=subject,
            product=at.product,
            person=person,
            reason=reason,
            people=at.settings.plan.people,
            at=datetime.now(UTC),
            to_serial=last,
        )
        at.store.keep(placed, decision=decision)
    say(f"Hold {placed.hold} stands on {sentences.held(placed)}.")


def _agreed(disposal: Disposal, holds: Sequence[HoldState]) -> None:
    """Say what an end does; scrap of many units, which none undoes, is asked for."""
    scopes = dict.fromkeys(one.scope for one in holds)
    for scope in scopes:
        say(sentences.leaving(disposal, scope))
    many = any(scope is not Scope.UNIT for scope in scopes)
    if disposal is Disposal.SCRAP and many and interactive():
        click.confirm("Is that meant?", abort=True, err=True)


@click.command("end")
@click.argument("names", metavar="HOLD...", nargs=-1, required=True)
@click.option(
    "--by", "disposal", required=True,
    type=click.Choice([one.value for one in Disposal]),
    help="How it ends (ISO 9000 terms).",
)  # fmt: skip
@by_person()
@click.option("--reason", required=True, help="Why it may.")
@click.option("--evidence", help="What shows it: a report's number, a run.")
def hold_end(
    names: tuple[str, ...],
    disposal: str,
    person: str,
    reason: str,
    evidence: str | None,
) -> None:
    """End holds, by a named person.

    HOLD is what is held: a unit, several such as PA-1001..PA-1030, a build or a reel.
    Where more than one hold stands on it, HOLD is the id in `holdpoint hold list`, or
    as much of it as tells it apart.

    release: units that conform may leave, others stay. concession: as release; of a
    unit held by itself, it may leave although it does not conform. rework: each unit
    is measured again before it leaves, good ones too. scrap: none ever leaves, not even
    a good one; for many units by one hold that is asked for once more in a terminal.
    """
    with opened() as at:
        holds = at.rows(HoldState)
        ended = _to_end(names, holds)
        ends = [
            policy.ending(
                one.hold,
                disposal=Disposal(disposal),
                person=person,
                reason=reason,
                people=at.settings.plan.people,
                at=datetime.now(UTC),
                evidence=evidence,
            )
            for one in ended
        ]
        # After all that may refuse it: what was refused has no consequence to tell.
        _agreed(Disposal(disposal), ended)
        for end, decision in ends:
            at.store.keep(end, decision=decision)
        raised = {
            one.signal: one
            for one in at.store.rows(Signal, "signals", product=at.product)
        }
        gone = {one.hold for one in ended}
        standing = [o for o in holds if o.disposal is None and o.hold not in gone]
        units = [] if disposal == Disposal.SCRAP else _units_of(ended)
        next_lines, told_of = _what_keeps(at, units, standing)
    told = set()
    for one in ended:
        say(f"Hold on {sentences.held(one)} ended by {disposal}.")
        found = raised.get(one.signal or "")
        if found is not None and found.standing:
            told.add(sentences.taught(Disposal(disposal), one.scope))
    for sentence in sorted(told):
        say(sentence)
    findings = {one.signal for one in ended} - {None}
    for one in standing:
        if one.signal in findings and one.hold not in told_of:
            say(sentences.still_held(one))
    for line in next_lines:
        say(line)


def _units_of(ended: Sequence[HoldState]) -> list[str]:
    """Return units that were held by themselves, each once."""
    return list(dict.fromkeys(o.subject for o in ended if o.scope is Scope.UNIT))


def _what_keeps(
    at: Opened, serials: Collection[str], standing: Sequence[HoldState]
) -> tuple[list[str], set[str]]:
    """Say whether units may leave now or what else keeps them, and how it goes on.

    Returns the lines, and the ids of the holds that they are of.
    """
    if not serials:
        return [], set()
    gate = Gate(at.settings, at.store)
    said = [
        (one, tuple(gate.against(one)) or answer([], left=False)) for one in serials
    ]
    records = tracing.Records.of(at.store, at.product, (), about=serials)
    keeping = {
        hold.hold
        for one in serials
        if records.is_unit(one)
        for hold in records.holds_on(records.unit(one))
    }
    names = hold_names(standing)
    commands = [to_copy.hold_end(names[o.hold]) for o in standing if o.hold in keeping]
    lines = list(in_few_words(said))
    if commands:
        more = "these holds" if len(commands) > 1 else "that hold"
        lines += [f"To end {more} too:", *commands, str(to_copy.fill_in(commands))]
    return lines, keeping


def _to_end(names: Sequence[str], holds: Sequence[HoldState]) -> list[HoldState]:
    """Return the holds that are meant by ids, or by what is held.

    Raises
    ------
    storage.errors.NotFoundError, storage.errors.RefusedValueError
        None is meant, or several are by one name, or one that is ended.
    """
    by_id = {one.hold: one for one in holds}
    standing = [one for one in holds if one.disposal is None]
    on: dict[str, list[HoldState]] = {}
    for one in standing:
        on.setdefault(one.subject.casefold(), []).append(one)
    found: dict[str, HoldState] = {}
    for given in names:
        whole = given in by_id or given.casefold() in on
        for name in [given] if whole else counted_serials(given):
            mine = on.get(name.casefold(), [])
            if name in by_id:
                one = by_id[name]
            elif len(mine) == 1:
                (one,) = mine
            elif mine:
                ids = ", ".join(each.hold for each in mine)
                raise RefusedValueError(
                    what="hold",
                    value=name,
                    allowed=f"{len(mine)} stand on it; say which by its id: {ids}",
                )
            else:
                known = [each.hold for each in standing]
                one = by_id[meant(name, known, kind="hold")]
            found[one.hold] = one
    if over := [one for one in found.values() if one.disposal is not None]:
        raise RefusedValueError(
            what="hold",
            value=over[0].hold,
            allowed=f"it is ended already: {over[0].disposal} by {over[0].person}",
        )
    return list(found.values())
