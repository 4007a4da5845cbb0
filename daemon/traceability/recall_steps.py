"""How far a unit of a containment is, with its line in the ledger."""

from datetime import UTC, datetime
from uuid import uuid4

from storage import ContainmentStep, Decision, Step, Store


def note(
    store: Store,
    product: str,
    subject: str,
    serial: str,
    step: Step,
    person: str,
    text: str,
) -> None:
    """Keep a step.

    Raises
    ------
    storage.errors.StorageError
        Serial, or finding and reel, are unknown.
    """
    now = datetime.now(UTC)
    store.keep(
        ContainmentStep(
            containment_step=uuid4().hex,
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
