"""How far a unit of a containment is, with its line in the ledger."""

from datetime import UTC, datetime
from uuid import NAMESPACE_OID, uuid5

from storage import ConflictError, ContainmentStep, Decision, Step, Store


def note(
    store: Store,
    product: str,
    subject: str,
    serial: str,
    step: Step,
    person: str,
    text: str,
) -> bool:
    """Keep a step; return whether it is new: said again, also at once, it is not.

    Raises
    ------
    storage.errors.StorageError
        Serial, or finding and reel, are unknown.
    """
    steps = store.rows(ContainmentStep, product=product, subject=subject)
    mine = [one for one in steps if one.serial == serial]
    last = mine[-1] if mine else None
    if last is not None and (last.step, last.note) == (step, text):
        return False
    after = "" if last is None else last.containment_step
    # Two who say it at one moment mean one step.
    said = "\n".join((product, subject, serial, step, text, after))
    now = datetime.now(UTC)
    try:
        store.keep(
            ContainmentStep(
                containment_step=uuid5(NAMESPACE_OID, said).hex,
                product=product,
                subject=subject,
                serial=serial,
                step=step,
                person=person,
                note=text,
                noted_at=now,
            ),
            decision=Decision(
                person=person,
                action=step.value,
                subject=serial,
                reason=f"{subject}: {text}".rstrip(": "),
                decided_at=now,
            ),
        )
    except ConflictError:
        return False
    return True
