"""The control of the running daemon: what people may ask of it, over HTTP."""

from collections.abc import Callable
from dataclasses import asdict, dataclass
from math import nan
from typing import Annotated, Any, TypeVar

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request as HttpRequest
from starlette.responses import JSONResponse

from config import HoldpointError
from daemon.service.safe_off import NoSourceError
from daemon.spc import compiled_anew
from daemon.station import CATCHING_UP, Desk, Order, ReadAgain, RefusedError
from storage import Role, Way, refused

T = TypeVar("T")


def routes(
    desk: Desk, *, source_off: Callable[[], None], resume: Callable[[], None]
) -> list[Way]:
    """Return the control interface.

    Parameters
    ----------
    source_off, resume
        Turn the source off at once and keep it off, and allow it again; called
        from any thread.
    """
    orders, answers, uses = TypeAdapter(Order), TypeAdapter(_Answer), TypeAdapter(_Use)

    async def state(_: HttpRequest) -> JSONResponse:
        now = desk.snapshot()
        begins = now["phase"] == CATCHING_UP and now["catching_up"] is None
        return _json({**now, "compiles": begins and compiled_anew() > 0})

    async def measure(request: HttpRequest) -> JSONResponse:
        order = _understood(orders, await request.body())
        if isinstance(order, JSONResponse):
            return order
        return _json(asdict(desk.place(order)))

    async def ticket(request: HttpRequest) -> JSONResponse:
        name = request.path_params["ticket"]
        try:
            wait_s = float(request.query_params.get("wait_s", 0.0))
        except ValueError:
            wait_s = nan
        if not wait_s >= 0.0:
            sentence = "wait_s must be a number of seconds, 0 or more"
            return JSONResponse({"error": sentence}, status_code=422)
        found = await run_in_threadpool(desk.ticket, name, wait_s=wait_s)
        if found is None:
            return JSONResponse({"error": f"unknown ticket {name!r}"}, status_code=404)
        return _json(asdict(found))

    async def answer(request: HttpRequest) -> JSONResponse:
        body = _understood(answers, await request.body())
        if isinstance(body, JSONResponse):
            return body
        try:
            if body.drop:
                taken = desk.drop(body.prompt)
            else:
                taken = desk.answer(body.prompt, body.read_again or body.value)
            return JSONResponse({"taken": taken})
        except RefusedError as exc:
            return JSONResponse({"error": str(exc)}, status_code=409)

    async def users(request: HttpRequest) -> JSONResponse:
        body = _understood(uses, await request.body())
        if isinstance(body, JSONResponse):
            return body
        if body.leaves:
            return JSONResponse({"ends": desk.leave(body.pid)})
        return JSONResponse(
            {"ends": not desk.use(body.pid, needs_this=body.needs_this)}
        )

    async def make_way(_: HttpRequest) -> JSONResponse:
        return JSONResponse({"ends": desk.make_way()})

    async def off(_: HttpRequest) -> JSONResponse:
        desk.halt.set()
        try:
            await run_in_threadpool(source_off)
        except NoSourceError as exc:
            desk.halt.clear()  # nothing was stopped
            return JSONResponse({"error": str(exc)}, status_code=502)
        except HoldpointError as exc:
            return JSONResponse({"error": str(exc)}, status_code=502)
        return JSONResponse({"off": True})

    async def go_on(_: HttpRequest) -> JSONResponse:
        await run_in_threadpool(resume)
        desk.halt.clear()
        return JSONResponse({"off": False})

    return [
        Way("/control/state", state, role=Role.READ),
        Way("/control/ticket/{ticket}", ticket, role=Role.READ),
        Way("/control/measure", measure, role=Role.RECORD, methods=["POST"]),
        Way("/control/answer", answer, role=Role.RECORD, methods=["POST"]),
        Way("/control/source-off", off, role=Role.RECORD, methods=["POST"]),
        Way("/control/resume", go_on, role=Role.RECORD, methods=["POST"]),
        # Whoever leaves last ends the daemon.
        Way("/control/users", users, role=Role.OWN, methods=["POST"]),
        Way("/control/make-way", make_way, role=Role.OWN, methods=["POST"]),
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answer:
    """What a person says to a prompt, by the prompt's id; or that its order goes."""

    __pydantic_config__ = ConfigDict(extra="forbid", strict=True)

    prompt: Annotated[str, Field(max_length=100)]
    value: Annotated[str, Field(max_length=10_000)] = ""
    read_again: ReadAgain | None = None
    drop: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Use:
    """The process that uses the daemon, or leaves it."""

    __pydantic_config__ = ConfigDict(extra="forbid", strict=True)

    pid: Annotated[int, Field(ge=1, le=2**31 - 1)]
    leaves: bool = False
    needs_this: bool = True


def _understood(kind: TypeAdapter[T], body: bytes) -> T | JSONResponse:
    """Return what a body says, or the answer that says in a sentence why it is none."""
    try:
        return kind.validate_json(body)
    except ValidationError as exc:
        return JSONResponse({"error": str(refused("request", exc))}, status_code=422)


_BODY = TypeAdapter(dict[str, Any])
"""Made once: the state is asked for all the time."""


def _json(body: dict[str, Any]) -> JSONResponse:
    return JSONResponse(_BODY.dump_python(body, mode="json"))
