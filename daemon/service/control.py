"""The control of the running daemon: what people may ask of it, over HTTP."""

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from pydantic import TypeAdapter, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request as HttpRequest
from starlette.responses import JSONResponse
from starlette.routing import Route

from config import HoldpointError
from daemon.service.safe_off import NoSourceError
from daemon.station import Desk, Order


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

    async def users(request: HttpRequest) -> JSONResponse:
        body = await request.json()
        pid = int(body["pid"])
        if body.get("leaves"):
            return JSONResponse({"ends": desk.leave(pid)})
        return JSONResponse({"ends": not desk.use(pid)})

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
        Route("/control/state", state),
        Route("/control/measure", measure, methods=["POST"]),
        Route("/control/ticket/{ticket}", ticket),
        Route("/control/answer", answer, methods=["POST"]),
        Route("/control/users", users, methods=["POST"]),
        Route("/control/source-off", off, methods=["POST"]),
        Route("/control/resume", go_on, methods=["POST"]),
    ]


def _json(body: dict[str, Any]) -> JSONResponse:
    return JSONResponse(TypeAdapter(dict[str, Any]).dump_python(body, mode="json"))
