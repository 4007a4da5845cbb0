"""What leaves, and what comes back."""

import json
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

import click

from daemon.commands.opened import Opened, is_shared, opened
from daemon.commands.options import DAY, FILE, by_person, serials_given
from daemon.commands.showing import fail, misuse, say, show
from daemon.presentation import NO_DAEMON, screens, spans, unheard
from daemon.presentation.figures import counted
from daemon.service import Client
from daemon.traceability import (
    BY_PLAN,
    Gate,
    came_back,
    orders_of,
    require_listed,
)
from storage import (
    Decision,
    PastShipment,
    Scope,
    ShipmentState,
    UnreachableError,
)

BY_ITSELF = "(each unit by itself)"


@click.command()
@serials_given()
@click.option("--to", "to", help="Reference of the order; no personal data.")
@by_person("Who decides; listed in plan.toml. Not needed with --check.", required=False)
@click.option(
    "--reseller", is_flag=True, help="It goes to a reseller, not to a customer."
)
@click.option("--override", help="Why it leaves all the same; shown for ever.")
@click.option(
    "--orders", type=FILE, help="A shop's list of orders, CSV with a row a unit."
)
@click.option("--serial-column", default="serial", show_default=True)
@click.option("--order-column", default="order", show_default=True)
@click.option("--check", is_flag=True, help="Only say whether they may leave.")
@click.option(
    "--past",
    type=click.IntRange(min=1),
    help="How many units left on a day, where their serials are not known.",
)
@click.option("--build", help="Of which build they were; goes with --past.")
@click.option("--on", type=DAY, help="On which day they left; goes with --past.")
def ship(
    *,
    serials: tuple[str, ...],
    to: str | None,
    person: str | None,
    reseller: bool,
    override: str | None,
    orders: Path | None,
    serial_column: str,
    order_column: str,
    check: bool,
    past: int | None,
    build: str | None,
    on: datetime | None,
) -> None:
    """Record that units leave, or why they must not.

    SERIALS are single ones or a range such as PA-1001..PA-1030.

    What is held, not measured (fully, or as the sample plan in plan.toml allows), not
    conforming, or of a bench in doubt stays. The
    check and the record are one step: a hold placed meanwhile is heard.
    """
    if person is None and not check:
        misuse("say who decides: --person NAME")
    decides = person or ""
    if past is not None:
        if to is None or build is None or on is None or serials:
            misuse("--past goes with --to, --build and --on, without serials")
        _keep_past(past, build, on.replace(tzinfo=UTC), to, decides)
        return
    if orders is None and to is None and not check:
        misuse("say for which order with --to, or give a list with --orders")
    wanted = [(serial, to or "") for serial in serials]
    wanted += _listed(orders, serial_column, order_column)
    if not serials and orders is None:
        misuse("say which units: name their serials, or give a list with --orders")
    said: list[tuple[str, str | tuple[str, ...]]] = []
    with opened() as at:
        gate = Gate(at.settings, at.store)
        try:
            for serial, order in wanted:
                if check:
                    reasons = gate.against(serial)
                else:
                    reasons = gate.ship(
                        serial,
                        to=order,
                        person=decides,
                        at=datetime.now(UTC),
                        reseller=reseller,
                        override=override,
                    )
                by_plan = override is None and not reasons and gate.by_plan(serial)
                overrides = override and not reasons and not check
                went = (
                    overridden(at, gate, serial)
                    if overrides
                    else answer([], left=not check, by_plan=by_plan)
                )
                said.append((serial, tuple(reasons) or went))
        finally:  # what has left is said, whatever ends the rest
            show(*in_few_words(said))
        for line in _not_heard(at):
            say(line)
    stayed = sum(isinstance(one, tuple) for _, one in said)
    if len(wanted) > 1:
        went = "may leave" if check else "left"
        say(f"{len(wanted) - stayed} of {counted(len(wanted), 'unit')} {went}.")
    if stayed:
        fail()


def _listed(
    orders: Path | None, serial_column: str, order_column: str
) -> list[tuple[str, str]]:
    """Return the serials and orders of a shop's list; none without a list."""
    if orders is None:
        return []
    listed = orders_of(orders, serial=serial_column, order=order_column)
    return [(one.serial, one.order) for one in listed]


def in_few_words(
    said: Sequence[tuple[str, str | tuple[str, ...]]],
) -> Iterator[str]:
    """Yield what is said of units, each sentence and each reason once.

    Parameters
    ----------
    said
        Each serial with a sentence, or with the reasons for which it stays.

    Examples
    --------
    >>> held, odd = "held (build B-1): it reads high", "nonconforming on range 1 µA"
    >>> said = [("A1", "May leave."), ("A2", (held,)), ("A3", (held, odd))]
    >>> for line in in_few_words([*said, ("A4", (held,))]):
    ...     print(line)
    A1: May leave.
    A2 to A4 (3): Must not leave: held (build B-1): it reads high.
    A3: Must not leave: nonconforming on range 1 µA.
    >>> own = [(one, (f"held (unit {one}): too high",)) for one in ("A1", "A2", "B7")]
    >>> print(*in_few_words(own))
    A1, A2, B7 (3): Must not leave: held (each unit by itself): too high.
    """
    if len(said) == 1:
        ((serial, one),) = said
        whole = one if isinstance(one, str) else answer(list(one), left=False)
        yield f"{serial}: {whole}"
        return
    alike: dict[str, dict[str, str]] = {}
    for serial, one in said:
        for each in (one,) if isinstance(one, str) else one:
            whole = each if isinstance(one, str) else answer([each], left=False)
            # What differs in the unit's own name alone is said once.
            of_each = whole.replace(f"({Scope.UNIT} {serial})", BY_ITSELF)
            alike.setdefault(of_each, {})[serial] = whole
    for of_each, mine in alike.items():
        sentence = of_each if len(mine) > 1 else next(iter(mine.values()))
        yield f"{spans(mine)}: {sentence}"


def _not_heard(at: Opened) -> tuple[str, ...]:
    """Say what other benches may hold without being heard here."""
    if at.settings.sharing is None or is_shared():
        return ()
    try:
        with Client.of(at.home.data) as client:
            said = unheard(client.state()["sharing"])
    except UnreachableError:
        said = NO_DAEMON
    return (said,) if said else ()


def answer(reasons: list[str], *, left: bool, by_plan: bool = False) -> str:
    """Say whether a unit may leave, or every reason for which it stays.

    >>> answer([], left=False), answer(["it was never measured"], left=True)
    ('May leave.', 'Must not leave: it was never measured.')
    >>> answer([], left=True, by_plan=True)
    'Has left, measured by plan.'
    """
    if not reasons:
        how = f", {BY_PLAN}" if by_plan else ""
        return f"{'Has left' if left else 'May leave'}{how}."
    said = dict.fromkeys(one.rstrip(".") for one in reasons)
    return f"Must not leave: {'; '.join(said)}."


def overridden(at: Opened, gate: Gate, serial: str) -> str:
    """Say that a unit has left by an override, and what spoke against it."""
    left = at.rows(ShipmentState, serial=serial)[-1]
    reasons = gate.in_present_words(json.loads(left.against))
    against = "; ".join(one.rstrip(".") for one in reasons)
    if not against:
        return "Has left. Nothing spoke against it: the override was not needed."
    return (
        f"Has left by override, although {against}. The override is shown on every "
        "list and document of this unit."
    )


def _keep_past(units: int, build: str, on: datetime, to: str, person: str) -> None:
    with opened() as at:
        require_listed(person, at.settings.plan.people)
        at.store.keep(
            PastShipment(
                past_shipment=uuid4().hex,
                product=at.product,
                build=build,
                units=units,
                destination=to,
                person=person,
                shipped_at=on,
            ),
            decision=Decision(
                person=person,
                action="note past shipment",
                subject=build,
                reason=f"{counted(units, 'unit')} for {to}",
                decided_at=on,
            ),
        )
    say(
        f"{counted(units, 'unit')} of build {build} left on {on:%Y-%m-%d}, without "
        "serials."
    )


@click.command("return")
@click.argument("serial")
@by_person()
@click.option("--reason", required=True, help="Why it came back.")
def return_(serial: str, person: str, reason: str) -> None:
    """Record that a unit came back.

    It is measured before it leaves again.
    """
    with opened() as at:
        back, line = came_back(
            serial,
            product=at.product,
            person=person,
            reason=reason,
            people=at.settings.plan.people,
            at=datetime.now(UTC),
        )
        at.store.keep(back, decision=line)
    say(screens.back_in_the_house(serial))
