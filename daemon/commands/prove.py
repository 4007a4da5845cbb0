"""Settle a finding: what to measure next, run it, and what it showed."""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

import click

from config import Bench
from daemon.commands.opened import opened
from daemon.commands.options import by_person
from daemon.commands.orders import ordered
from daemon.commands.showing import (
    Headline,
    Part,
    Shown,
    Table,
    interactive,
    misuse,
    say,
    shown,
)
from daemon.holds import (
    NoProofError,
    limits_of_meter_ppm,
    loose_parts,
    not_by_bench,
    replaced_in,
    taken,
)
from daemon.judging import ProductModel
from daemon.presentation import sentences
from daemon.station import MOST_PARTS
from daemon.traceability import require_listed
from daemon.watch import Step, checklist, probabilities, sharpen
from storage import Proof, ProofKind, Signal, finding_of, proofs_on

KINDS = {one.value.replace(" ", "-"): one for one in ProofKind}


@click.command()
@click.argument("signal")
@click.argument("kind", type=click.Choice(list(KINDS)), required=False)
@click.argument("readings", nargs=-1)
@click.option("--run", "by_bench", is_flag=True, help="Have the bench measure it now.")
@by_person("Who measures; needed to record.", required=False)
@click.option("--of", "subject", help="Which part, serial, reel or meter.")
@click.option("--meter", help="The meter's accuracy, for example 0.02%.")
@click.option(
    "--parts", type=click.IntRange(1, MOST_PARTS), default=2, show_default=True,
    help="How many loose parts the bench is to read.",
)  # fmt: skip
@shown
def prove(
    *,
    signal: str,
    kind: str | None,
    readings: tuple[str, ...],
    by_bench: bool,
    person: str | None,
    subject: str | None,
    meter: str | None,
    parts: int,
) -> Shown:
    """Settle a finding by measuring.

    Without KIND the checklist says what would settle the finding SIGNAL. With --run
    the bench measures KIND, or the most telling that it can, and asks you to connect
    what it needs. Readings are ohms for parts, else how far it read from what it
    should, in % or ppm; put -- before a negative one. Without readings what the bench
    has measured since the finding is taken.

    \b
    holdpoint prove B-3-F1
    holdpoint prove B-3-F1 --run --person "Ada Moreno"
    holdpoint prove B-3-F1 loose-parts 10.031k --meter 0.02% --person "Ada Moreno"
    holdpoint prove B-3-F1 loose-parts --run --parts 3 --person "Ada Moreno"
    holdpoint prove B-3-F1 check-standard --person "Ada Moreno"
    holdpoint prove B-3-F1 older-unit --of PA-1002 --person "Ada Moreno"

    Where it may be one of several parts, --of names the one that was read, if its
    value does not: --of R3, or --of "R3 of PA-1007".

    Measure ohms only on unpowered boards, battery out, capacitors discharged.
    """  # noqa: D301 -- the command library wants the control character itself
    if by_bench and readings:
        misuse("type readings, or have the bench take them with --run")
    with opened() as at:
        product = ProductModel.of(at.settings.product)
        bench = at.settings.bench
        found, own = _found(at.store, at.product, signal)
        chosen = None if kind is None else KINDS[kind]
        if by_bench and chosen is None:
            steps = checklist(
                found, own, product, replaced=replaced_in(at.store, at.product)
            )
            chosen = _next_run(found, steps, bench)
        if chosen is not None and person is None:
            misuse("say who measures: --person NAME")
        if chosen is not None and person is not None:
            require_listed(person, at.settings.plan.people)
        if chosen is not None and person is not None and not by_bench:
            proof = taken(
                found,
                chosen,
                readings,
                product,
                store=at.store,
                bench=bench,
                person=person,
                at=datetime.now(UTC),
                subject=subject,
                meter=meter,
            )
            if chosen is ProofKind.LOOSE_PARTS:
                _another_part(proof, own)
            at.store.keep(proof)
            say("Recorded.")
    if by_bench and chosen is not None:
        order = {
            "signal": found.signal,
            "kind": chosen.value,
            "person": person,
            "subject": subject,
            "parts": parts,
            "accuracy_ppm": None if meter is None else limits_of_meter_ppm(meter),
        }
        say(ordered("prove", proof=order))
    return _told(found.signal)


def _another_part(proof: Proof, before: Sequence[Proof]) -> None:
    """Ask whether a part that reads as an earlier one is another; else say it."""
    alike = [
        value
        for one in before
        if (one.kind, one.subject) == (proof.kind, proof.subject)
        for value in one.readings
    ]
    said = loose_parts.read_twice(proof.readings, alike)
    if said is None:
        return
    say(said)
    if interactive():
        click.confirm("Is it another part?", abort=True, err=True)


def _told(signal: str) -> Shown:
    """Say how a finding stands, and what would settle it further."""
    with opened() as at:
        product = ProductModel.of(at.settings.product)
        bench = at.settings.bench
        found, own = _found(at.store, at.product, signal)
        replaced = replaced_in(at.store, at.product)
    steps = checklist(found, own, product, replaced=replaced)
    saying = sentences.finding(sharpen(found, own, product, replaced=replaced))
    return Shown(
        {
            "signal": signal,
            "probabilities": probabilities(found, own, product),
            "checklist": [_plain(one, found, bench) for one in steps],
        },
        Headline(saying.headline),
        *saying.lines,
        *_checklist(found, steps, bench),
    )


def _found(store: Any, product: str, name: str) -> tuple[Signal, list[Proof]]:
    """Return a finding and what was measured to settle it."""
    found = finding_of(store, product, name)
    return found, proofs_on(store, found)


def _next_run(signal: Signal, steps: list[Step], bench: Bench | None) -> ProofKind:
    """Return the most telling measurement that the bench can make."""
    for one in steps:
        if one.telling and not_by_bench(signal, one.kind, bench) is None:
            return one.kind
    if not signal.standing:
        message = f"nothing to run: {sentences.withdrawn(signal)[:-1]}"
        raise NoProofError(message)
    reasons = {not_by_bench(signal, one.kind, bench) for one in steps if one.telling}
    reason = "; ".join(sorted(filter(None, reasons))) or "the cause is settled already"
    message = f"nothing to run: {reason}"
    raise NoProofError(message)


def _plain(step: Step, signal: Signal, bench: Bench | None) -> dict[str, Any]:
    return {
        "kind": step.kind.value,
        "words": step.words,
        "promise": step.promise,
        "telling": step.telling,
        "measured": len(step.proofs),
        "not_by_bench": not_by_bench(signal, step.kind, bench),
    }


def _checklist(
    signal: Signal, steps: list[Step], bench: Bench | None
) -> Iterator[Part]:
    if not steps:
        return
    yield ""
    yield Table(
        steps,
        {
            "measurement": lambda one: one.kind.value.replace(" ", "-"),
            "what to do": "words",
            "what it would tell": "worth",
            "the bench": lambda one: (
                not_by_bench(signal, one.kind, bench) or "can run it"
            ),
            "done": lambda one: len(one.proofs) or None,
        },
    )
