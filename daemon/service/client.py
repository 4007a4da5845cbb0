"""A person's side of the control: what commands and screens ask the running daemon."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Self

from config import HoldpointError
from storage import Endpoint, UnreachableError, read

LONG_POLL_S = 20.0
OFF_S = 3.0
"""How long a daemon may take to turn the source off before it is done without it."""


class RefusedOrderError(HoldpointError):
    """The daemon did not take an order, and says why."""


class Client:
    """Speaks to one running daemon.

    Parameters
    ----------
    wait_s
        How long an answer may take.

    Raises
    ------
    storage.errors.UnreachableError
        No daemon runs here, or it does not answer.
    """

    def __init__(
        self, endpoint: Endpoint, *, wait_s: float = LONG_POLL_S + 10.0
    ) -> None:
        self.endpoint = endpoint
        self._wait_s = wait_s
        # Most who ask for a daemon find none.
        from storage import line_to  # noqa: PLC0415

        self._http = line_to(endpoint)

    @classmethod
    def of(cls, folder: Path) -> Self:
        """Return a client of the daemon whose endpoint file is in `folder`."""
        found = read(folder)
        if found is None or found.stale:
            raise UnreachableError(address=str(folder), reason="no daemon runs here")
        return cls(found)

    def state(self, *, wait_s: float | None = None) -> dict[str, Any]:
        """Return what the daemon is doing, within `wait_s` where that is given."""
        return self._json("GET", "/control/state", wait_s=wait_s)

    def measure(
        self,
        *,
        build: str | None,
        serial: str | None,
        ranges: Sequence[str] = (),
        typed: Sequence[dict[str, Any]] = (),
        checks: Sequence[dict[str, Any]] = (),
        rerun: bool = False,
        note: str | None = None,
        new_setup: bool = False,
        attended: bool = True,
        once: str | None = None,
    ) -> str:
        """Order one unit; return the ticket.

        Parameters
        ----------
        new_setup
            Whether the bench was set up anew before readings that are typed.
        attended
            Whether somebody answers what the daemon asks about typed readings.
        once
            A name for this order: asked for again, it is placed once.
        """
        order = {
            "build": build,
            "serial": serial,
            "ranges": list(ranges),
            "typed": list(typed),
            "checks": list(checks),
            "rerun": rerun,
            "note": note,
            "new_setup": new_setup,
            "attended": attended,
            "once": once,
        }
        return str(self._json("POST", "/control/measure", order)["ticket"])

    def work(
        self,
        work: str,
        *,
        serial: str | None = None,
        second: dict[str, Any] | None = None,
        proof: dict[str, Any] | None = None,
        loose: dict[str, Any] | None = None,
        once: str | None = None,
    ) -> str:
        """Order what is of the bench, not of a unit; return the ticket.

        Parameters
        ----------
        work
            "check", "end session", "compare", "prove" or "check reel".
        second
            For "compare": the fields of `daemon.station.orders.SecondMeter`.
        proof, loose
            For "prove" and "check reel": those of `ProofOrder` and `LooseParts`.
        once
            A name for this order: asked for again, it is placed once.
        """
        order = {
            "work": work,
            "serial": serial,
            "second": second,
            "proof": proof,
            "loose": loose,
            "once": once,
        }
        return str(self._json("POST", "/control/measure", order)["ticket"])

    def ticket(self, ticket: str, *, wait_s: float = 0.0) -> dict[str, Any]:
        """Return what became of an order, waiting up to `wait_s` for its end."""
        return self._json(
            "GET", f"/control/ticket/{ticket}?wait_s={min(wait_s, LONG_POLL_S)}"
        )

    def answer(
        self,
        prompt: str,
        value: str = "done",
        *,
        read_again: dict[str, Any] | None = None,
    ) -> bool:
        """Answer a prompt; False when it is no longer asked.

        Parameters
        ----------
        read_again
            All readings of a unit, where the prompt names ranges: the fields of
            `daemon.station.orders.ReadAgain`.
        """
        body = {"prompt": prompt, "value": value, "read_again": read_again}
        return bool(self._json("POST", "/control/answer", body)["taken"])

    def drop(self, prompt: str) -> bool:
        """Drop the order that waits for its unit; False when it is no longer asked for.

        Raises
        ------
        RefusedOrderError
            What is asked is of a unit that is being measured.
        """
        body = {"prompt": prompt, "drop": True}
        return bool(self._json("POST", "/control/answer", body)["taken"])

    def use(self, pid: int, *, needs_this: bool = True) -> bool:
        """Say that a process uses this daemon; False when it ends already."""
        body = {"pid": pid, "needs_this": needs_this}
        return not self._json("POST", "/control/users", body)["ends"]

    def leave(self, pid: int) -> bool:
        """Say that a process uses it no more; return whether the daemon ends now."""
        body = {"pid": pid, "leaves": True}
        return bool(self._json("POST", "/control/users", body)["ends"])

    def make_way(self) -> bool:
        """Ask it to end for one that measures; False where it goes on."""
        return bool(self._json("POST", "/control/make-way", {})["ends"])

    def source_off(self) -> None:
        """Turn the source off now and keep it off; a daemon that hangs is not awaited.

        Raises
        ------
        RefusedOrderError
            The daemon could not show that it is off.
        """
        self._json("POST", "/control/source-off", {}, wait_s=OFF_S)

    def resume(self) -> None:
        """Allow measuring again."""
        self._json("POST", "/control/resume", {})

    def close(self) -> None:
        """Let go of the connection."""
        self._http.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _json(
        self,
        method: str,
        path: str,
        body: dict[str, Any] | None = None,
        *,
        wait_s: float | None = None,
    ) -> dict[str, Any]:
        import httpx  # noqa: PLC0415 -- loaded by now

        timeout = httpx.Timeout(5.0, read=self._wait_s if wait_s is None else wait_s)
        try:
            answer = self._http.request(method, path, json=body, timeout=timeout)
        except httpx.TransportError as exc:
            raise UnreachableError(
                address=self.endpoint.address, reason=str(exc)
            ) from exc
        try:
            found: dict[str, Any] = answer.json()
        except ValueError as exc:
            raise UnreachableError(
                address=self.endpoint.address, reason=answer.reason_phrase
            ) from exc
        if answer.is_error:
            said = found.get("message", found.get("error", answer.reason_phrase))
            raise RefusedOrderError(str(said))
        return found
