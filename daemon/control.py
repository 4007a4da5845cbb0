"""What a person may ask the running daemon, and where both meet.

The HTTP threads bring what people ask; one worker thread owns the bench and
answers. `Desk` is the only thing they share.
"""

import queue
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from threading import Condition, Event
from typing import Annotated, Any, Literal
from uuid import uuid4

from pydantic import Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass as checked
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request as HttpRequest
from starlette.responses import JSONResponse
from starlette.routing import Route

from daemon.bench.errors import BenchError, StoppedError
from daemon.vitals import Vitals
from storage.records import ProofKind

LONGEST_WAIT_S = 30.0
WORKER_SILENCE_S = 60.0
"""How much longer than its step may take the worker may be silent."""
MOST_PARTS = 20
"""Loose parts that one order reads."""
KEPT = 500
"""Ended tickets that can still be asked for."""


class RefusedError(Exception):
    """An order that cannot be carried out, in one sentence for a person."""


@checked(frozen=True, slots=True, kw_only=True)
class TypedReading:
    """One range read by a person: what went in and what came out, and both at zero."""

    range: str
    reference: float
    output: float
    reference_zero: float = 0.0
    output_zero: float = 0.0


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
    work: Literal["unit", "check", "end session", "compare", "prove", "check reel"] = (
        "unit"
    )
    second: SecondMeter | None = None
    proof: ProofOrder | None = None
    loose: LooseParts | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket:
    """An order and what became of it."""

    ticket: str
    order: Order
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Prompt:
    """A question the daemon has for whoever stands at the bench."""

    prompt: str
    text: str
    subject: str
    wants: str | None = None
    """Unit of the value that is to be typed; None where it is only to be confirmed."""


@dataclass(slots=True)
class _State:
    phase: str = "starting"
    configuration: str | None = None
    instruments: bool = False
    """Whether this daemon may speak to any: it was started with a bench."""
    bench: str | None = None
    source_on: bool = False
    serial: str | None = None
    build: str | None = None
    range: str | None = None
    done: int = 0
    points: int = 0
    live: dict[str, float] = field(default_factory=dict)
    session: str | None = None
    trouble: str | None = None
    alarm: str | None = None
    """The source may be on and out of reach; stands until it was seen off."""
    stalled: str | None = None
    """Which part of the daemon does not go on, though the process runs."""
    check_due: str | None = None
    """Why no unit is judged before the next check."""
    check_overdue: bool = False
    remarks: tuple[str, ...] = ()
    """What a reader of this session's results must know of the instruments."""
    cautions: tuple[str, ...] = ()
    """What a person must know of this bench before its source is turned on."""
    limit: str | None = None
    """Which limit the detector goes by, in a sentence."""
    calibrating_percent: int | None = None
    """How far the calibration of the product's own limit is; None while none runs."""
    history: str | None = None
    """What the latest build is held against, in a sentence."""
    reopened: int = 0
    """How often the bench was lost and opened anew to measure a unit again."""
    lost: str | None = None
    """Why it was lost the last time."""
    since: datetime | None = None


class Desk:
    """Where people's orders wait, and where the worker says what it is doing."""

    def __init__(
        self,
        *,
        utc: Callable[[], datetime],
        stop: Event,
        vitals: Vitals | None = None,
    ) -> None:
        self.stop = stop
        self.vitals = vitals or Vitals()
        self.halt = Event()
        """Set by "source off now": whatever is being measured is given up."""
        self._utc = utc
        self._orders: queue.Queue[str] = queue.Queue()
        self._tickets: dict[str, Ticket] = {}
        self._state = _State()
        self._prompt: Prompt | None = None
        self._answer: str | None = None
        self._changed = Condition()

    # what people ask

    def place(self, order: Order) -> Ticket:
        """Queue an order."""
        ticket = Ticket(ticket=uuid4().hex, order=order)
        with self._changed:
            for old in [t.ticket for t in self._tickets.values() if t.ended][:-KEPT]:
                del self._tickets[old]
            self._tickets[ticket.ticket] = ticket
        self._orders.put(ticket.ticket)
        return ticket

    def ticket(self, ticket: str, *, wait_s: float = 0.0) -> Ticket | None:
        """Return a ticket, waiting up to `wait_s` for it to end."""
        with self._changed:
            self._changed.wait_for(
                lambda: ticket not in self._tickets or self._tickets[ticket].ended,
                timeout=min(wait_s, LONGEST_WAIT_S),
            )
            return self._tickets.get(ticket)

    def answer(self, prompt: str, value: str) -> bool:
        """Answer a prompt; False when it is no longer asked."""
        with self._changed:
            if self._prompt is None or self._prompt.prompt != prompt:
                return False
            self._answer = value
            self._prompt = None
            self._changed.notify_all()
            return True

    def snapshot(self) -> dict[str, Any]:
        """Return what the daemon is doing, for screens."""
        with self._changed:
            waiting = sum(not t.ended for t in self._tickets.values())
            return {
                **asdict(self._state),
                "prompt": None if self._prompt is None else asdict(self._prompt),
                "waiting": waiting,
            }

    # what the worker says

    def beat(self, longest_s: float = 0.0) -> None:
        """Note that the worker is not stuck; what it does now may take so long."""
        self.vitals.beat(
            "the worker, which measures,", within_s=WORKER_SILENCE_S + longest_s
        )

    def next_order(self, *, wait_s: float) -> Ticket | None:
        """Return the oldest waiting order, or None after `wait_s` without one."""
        self.beat()
        try:
            return self._tickets[self._orders.get(timeout=wait_s)]
        except queue.Empty:
            return None

    def update(self, ticket: str, **changes: Any) -> None:
        """Note what became of an order."""
        with self._changed:
            self._tickets[ticket] = replace(self._tickets[ticket], **changes)
            self._changed.notify_all()

    def show(self, **changes: object) -> None:
        """Note what the daemon is doing."""
        with self._changed:
            for name, value in changes.items():
                setattr(self._state, name, value)
            self._state.since = self._utc()
            self._changed.notify_all()

    def ask(
        self,
        text: str,
        *,
        subject: str,
        wants: str | None = None,
        meanwhile: Callable[[], None] = lambda: None,
    ) -> str:
        """Ask whoever stands at the bench; return the answer.

        Parameters
        ----------
        wants
            Unit of the value that is to be typed.
        meanwhile
            Called again and again until it is answered: keeps a source on.

        Raises
        ------
        StoppedError
            The daemon is going down, or the source was ordered off.
        """
        prompt = Prompt(prompt=uuid4().hex, text=text, subject=subject, wants=wants)
        with self._changed:
            self._answer = None
            self._prompt = prompt
            self._changed.notify_all()
        try:
            while True:
                with self._changed:
                    if self._changed.wait_for(lambda: self._answer is not None, 0.1):
                        return str(self._answer)
                if self.stop.is_set() or self.halt.is_set():
                    raise StoppedError
                self.beat()
                meanwhile()
        finally:
            with self._changed:
                self._prompt = None


def routes(
    desk: Desk, *, source_off: Callable[[], None], resume: Callable[[], None]
) -> list[Route]:
    """Return the control interface.

    Parameters
    ----------
    source_off, resume
        Turn the source off at once and keep it off, and allow it again; called
        from any thread.
    """
    orders = TypeAdapter(Order)

    async def state(_: HttpRequest) -> JSONResponse:
        return _json(desk.snapshot())

    async def measure(request: HttpRequest) -> JSONResponse:
        try:
            order = orders.validate_json(await request.body())
        except ValidationError as exc:
            return JSONResponse({"error": str(exc)}, status_code=422)
        return _json(asdict(desk.place(order)))

    async def ticket(request: HttpRequest) -> JSONResponse:
        name = request.path_params["ticket"]
        wait_s = float(request.query_params.get("wait_s", 0.0))
        found = await run_in_threadpool(desk.ticket, name, wait_s=wait_s)
        if found is None:
            return JSONResponse({"error": f"unknown ticket {name!r}"}, status_code=404)
        return _json(asdict(found))

    async def answer(request: HttpRequest) -> JSONResponse:
        body = await request.json()
        taken = desk.answer(str(body.get("prompt")), str(body.get("value", "")))
        return JSONResponse({"taken": taken})

    async def off(_: HttpRequest) -> JSONResponse:
        desk.halt.set()
        try:
            await run_in_threadpool(source_off)
        except BenchError as exc:
            return JSONResponse({"error": str(exc)}, status_code=502)
        return JSONResponse({"off": True})

    async def go_on(_: HttpRequest) -> JSONResponse:
        await run_in_threadpool(resume)
        desk.halt.clear()
        return JSONResponse({"off": False})

    return [
        Route("/control/state", state),
        Route("/control/measure", measure, methods=["POST"]),
        Route("/control/ticket/{ticket}", ticket),
        Route("/control/answer", answer, methods=["POST"]),
        Route("/control/source-off", off, methods=["POST"]),
        Route("/control/resume", go_on, methods=["POST"]),
    ]


def _json(body: dict[str, Any]) -> JSONResponse:
    return JSONResponse(TypeAdapter(dict[str, Any]).dump_python(body, mode="json"))
