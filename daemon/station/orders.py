"""What a person may order of a bench, and what became of it."""

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass as checked

from config import HoldpointError
from storage import ProofKind

MOST_PARTS = 20
"""Loose parts that one order reads."""


class RefusedError(HoldpointError):
    """An order that cannot be carried out, in one sentence for a person."""


@checked(frozen=True, slots=True, kw_only=True)
class TypedReading:
    """One range read by a person: what went in and what came out, and both at zero."""

    range: str
    reference: float
    output: float
    reference_zero: float = 0.0
    output_zero: float | None = None
    """None where it was not read: then nothing is judged at zero."""

    @property
    def taken_off(self) -> float:
        """What is taken off the output: what it read at zero, or nothing."""
        return self.output_zero or 0.0


@checked(frozen=True, slots=True, kw_only=True)
class TypedCheck:
    """A check beside the range errors as a person read it; an inspection is 1 or 0."""

    name: str
    value: Annotated[float, Field(allow_inf_nan=False)]


@checked(frozen=True, slots=True, kw_only=True)
class SecondMeter:
    """What to compare: a range, a meter of the bench, and what is known of the other.

    `accuracy_ppm` bounds the other meter's error, ppm of its reading: what its data
    sheet says for this reading. `signal` is the finding that asks for it.
    """

    range: str
    meter: str
    accuracy_ppm: Annotated[float, Field(gt=0, le=1_000_000)]
    role: Literal["output", "reference"] = "output"
    person: str | None = None
    signal: str | None = None


@checked(frozen=True, slots=True, kw_only=True)
class ReadAgain:
    """What a person read of a unit that was seated again, all of it at once."""

    typed: tuple[TypedReading, ...]
    checks: tuple[TypedCheck, ...] = ()


Person = Annotated[str, Field(min_length=1, pattern=r"\S")]


@checked(frozen=True, slots=True, kw_only=True)
class ProofOrder:
    """What to measure for a finding, and who does.

    `subject` is the older unit, the second meter or the unit whose part is read, where
    it is another than usual; `parts` counts loose ones; `accuracy_ppm` bounds the
    second meter's error.
    """

    signal: str
    kind: ProofKind
    person: Person
    subject: str | None = None
    parts: Annotated[int, Field(ge=1, le=MOST_PARTS)] = 2
    accuracy_ppm: Annotated[float, Field(gt=0, le=1_000_000)] | None = None


@checked(frozen=True, slots=True, kw_only=True)
class LooseParts:
    """How many loose parts of a reel to read against its label, and who does."""

    reel: str
    person: Person
    parts: Annotated[int, Field(ge=2, le=MOST_PARTS)] = 5


@checked(frozen=True, slots=True, kw_only=True)
class Order:
    """Measure one unit: by the bench, or from typed readings.

    Without a build it is of the newest; without a serial the next one after the
    build's last is counted on; without ranges all are measured. A unit that was
    measured before is measured again only as a rerun. Readings are typed with
    `new_setup` where leads, meter ranges or nulls were set up anew before them, and
    `attended` where somebody answers what is asked of them. Other `work` is of the
    bench itself: run the check standard, end the session with one, compare a meter
    with the `second`, measure the `proof` of a finding, or `loose` parts of a reel.
    """

    build: str | None = None
    serial: str | None = None
    ranges: tuple[str, ...] = ()
    typed: tuple[TypedReading, ...] = ()
    checks: tuple[TypedCheck, ...] = ()
    rerun: bool = False
    note: str | None = None
    new_setup: bool = False
    attended: bool = False
    dropped: bool = False
    """Whether it came in a file that another program dropped: nobody follows it."""
    work: Literal["unit", "check", "end session", "compare", "prove", "check reel"] = (
        "unit"
    )
    second: SecondMeter | None = None
    proof: ProofOrder | None = None
    loose: LooseParts | None = None
    once: Annotated[str, Field(max_length=200)] | None = None
    """A name of whoever orders it: asked for again by the same name, it is the same
    order. A screen that was ended in the middle of a click asks again."""

    @property
    def needs_bench(self) -> bool:
        """Whether something must be connected for it; typed readings were read."""
        return not self.typed


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket:
    """An order and what became of it."""

    ticket: str
    order: Order
    connect_first: bool = False
    """Whether something else stood on the bench when it was ordered, or was to: whoever
    orders a unit has connected it, but not beside another."""
    behind: str | None = None
    """The order that was waiting, or carried out, when this one came."""
    state: str = "waiting"
    serial: str | None = None
    run: str | None = None
    number: int | None = None
    verdict: str | None = None
    message: str | None = None
    remarks: tuple[str, ...] = ()
    """What a reader of its result must know of the instruments."""

    @property
    def ended(self) -> bool:
        """Whether nothing more will happen to it."""
        return self.state in {"done", "failed"}

    def leaves_connected(self, order: Order) -> bool:
        """Whether the unit of a later order stands on the bench once this has ended."""
        mine = self.serial or self.order.serial
        return self.order.work == "unit" and mine is not None and mine == order.serial


@dataclass(frozen=True, slots=True, kw_only=True)
class Prompt:
    """A question the daemon has for whoever stands at the bench."""

    prompt: str
    text: str
    subject: str
    wants: str | None = None
    """Unit of the value that is to be typed; None where it is only to be confirmed."""
    by_scan: bool = False
    """Whether the scanned label of its subject confirms it: that is what is asked."""
    ranges: tuple[str, ...] = ()
    """Ranges whose readings answer it at once, as `ReadAgain`; confirmed without them,
    each value is asked for by a question of its own."""
