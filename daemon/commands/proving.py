"""Settle a finding: what to measure next, and what it showed."""

from datetime import UTC, datetime

import click

from daemon import words
from daemon.commands.manners import as_json, as_table, opened, out, say
from daemon.gathering import of_bench, of_person
from daemon.product import ProductModel
from daemon.proving import checklist, probabilities, sharpen
from daemon.rows import proofs_of, signals_of
from storage.errors import NotFoundError
from storage.records import Proof, ProofKind, Signal

KINDS = {one.value.replace(" ", "-"): one for one in ProofKind}


@click.command()
@click.argument("signal")
@click.argument("kind", type=click.Choice(list(KINDS)), required=False)
@click.argument("readings", nargs=-1)
@click.option("--person", help="Who measured; needed to record.")
@click.option("--of", "subject", help="Which serial, reel or meter.")
@click.option("--meter", help="The meter's accuracy, for example 0.02%.")
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def prove(
    context: click.Context,
    signal: str,
    kind: str | None,
    readings: tuple[str, ...],
    person: str | None,
    subject: str | None,
    meter: str | None,
    json_: bool,
) -> None:
    """Say what would settle the finding SIGNAL, or record what was measured.

    Without KIND the checklist is shown. Readings are ohms for parts, else how far it
    read from what it should, in % or ppm; put -- before a negative one. Without
    readings what the bench has measured since the finding is taken.

    \b
    holdpoint prove B-3-F1
    holdpoint prove B-3-F1 loose-parts 10.031k 10.029k --meter 0.02% --person Ada
    holdpoint prove B-3-F1 check-standard --person Ada
    holdpoint prove B-3-F1 older-unit --of PA-1002 --person Ada

    Measure ohms only on unpowered boards, battery out, capacitors discharged.
    """  # noqa: D301 -- the command library wants the control character itself
    with opened(context) as at:
        product = ProductModel.of(at.settings.product)
        known = {one.signal: one for one in signals_of(at.store, at.product)}
        if signal not in known:
            raise NotFoundError(kind="finding", key=signal)
        found = known[signal]
        if kind is not None:
            if person is None:
                message = "say who measured: --person NAME"
                raise click.UsageError(message, context)
            now = datetime.now(UTC)
            if readings:
                proof = of_person(
                    found,
                    KINDS[kind],
                    readings,
                    product,
                    person=person,
                    at=now,
                    subject=subject,
                    meter=meter,
                )
            else:
                proof = of_bench(
                    found,
                    KINDS[kind],
                    at.store,
                    at.settings.bench,
                    person=person,
                    at=now,
                    serial=subject,
                )
            at.store.record_proof(proof)
            say("Recorded.")
        proofs = proofs_of(at.store, at.product)
    if json_:
        own = [one for one in proofs if one.signal == signal]
        as_json(
            {
                "signal": signal,
                "probabilities": probabilities(found, own, product),
                "checklist": [
                    {
                        "kind": one.kind.value,
                        "words": one.words,
                        "promise": one.promise,
                        "telling": one.telling,
                        "measured": len(one.proofs),
                    }
                    for one in checklist(found, own, product)
                ],
            }
        )
        return
    _tell(found, proofs, product)


def _tell(signal: Signal, proofs: list[Proof], product: ProductModel) -> None:
    saying = words.finding(sharpen(signal, proofs, product))
    out().print(saying.headline, style="bold")
    for line in saying.lines:
        out().print(line)
    out().print()
    own = [one for one in proofs if one.signal == signal.signal]
    as_table(
        [
            {
                "kind": one.kind.value.replace(" ", "-"),
                "do": one.words,
                "worth": one.worth,
                "done": len(one.proofs) or None,
            }
            for one in checklist(signal, own, product)
        ],
        {
            "kind": "measurement",
            "do": "what to do",
            "worth": "it",
            "done": "done",
        },
    )
