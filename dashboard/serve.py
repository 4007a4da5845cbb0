"""Serve the screens to this machine: `python -m dashboard.serve --port 8540`.

Who may look, and from where, stands in `access.py`; the code comes in a variable, since
others can read a command. Every option is said here, because the library reads its own
settings file only when it is started from the repository's folder. What the pages need
is loaded while the server and the browser start, so that the first page does not wait
for it.
"""

import gc
import os
import sys
import webbrowser
from argparse import ArgumentParser
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib import import_module
from pathlib import Path
from threading import Thread

import streamlit as st
from starlette.middleware import Middleware

from daemon.presentation import DARK, LIGHT
from daemon.service import CODE, new_code
from daemon.traceability.papers import DOCUMENTS
from dashboard import look
from dashboard.access import Access

HOST = "127.0.0.1"
NEEDED = (
    "dashboard.pictures",
    "dashboard.data",
    "dashboard.live",
    "dashboard.typed",
    "dashboard.bench_strip",
    "dashboard.charts",
    "dashboard.documents",
    "dashboard.hold_form",
    "dashboard.opening",
    "dashboard.rework_form",
    "dashboard.settle",
    "daemon.judging",
    "daemon.traceability.papers",
    "daemon.presentation.documents",
    "daemon.presentation.plots",
    "scipy.stats",
)


def options(
    port: int,
    address: str = HOST,
    certificate: str | None = None,
    key: str | None = None,
) -> dict[str, object]:
    """Return what the server is told: where, our colours, no errands."""
    said: dict[str, object] = {
        "server.address": address,
        "server.port": port,
        "server.allowedHosts": [address, "localhost"],
        "server.headless": True,
        "server.fileWatcherType": "none",
        "browser.serverAddress": address,
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        "client.showErrorLinks": "false",
        "logger.enableRich": False,
        "runner.magicEnabled": False,
        # Else all that is loaded is searched for garbage at every second's look.
        "runner.postScriptGC": False,
    }
    if certificate is not None:
        said |= {"server.sslCertFile": certificate, "server.sslKeyFile": key}
    for form, colours in (("light", LIGHT), ("dark", DARK)):
        said |= {
            f"theme.{form}.backgroundColor": colours.paper,
            f"theme.{form}.secondaryBackgroundColor": colours.shade,
            f"theme.{form}.textColor": colours.ink,
            f"theme.{form}.primaryColor": colours.unit,
        }
    return said


def load_pages() -> None:
    """Load what the pages need."""
    for name in NEEDED:
        room = import_module(name)
        # A door loads what it offers only when it is asked for.
        for offered in getattr(room, "__all__", ()):
            getattr(room, offered)
    for one in DOCUMENTS.values():
        one.function()


def load() -> None:
    """Load what the pages need, and start what draws charts in documents."""
    load_pages()
    import_module("daemon.presentation.documents.drawing").begin()
    gc.freeze()  # what is loaded stays, and need not be searched for garbage


@asynccontextmanager
async def loading(_: st.App) -> AsyncIterator[None]:
    """Load while the server starts and the browser fetches its scripts."""
    Thread(target=load, name="load", daemon=True).start()
    yield


def fault(_: Exception) -> bool:
    """Say in one sentence that a page failed; the library logs the rest."""
    look.stands_out("This page could not be shown; the dashboard's log says why.")
    return True


def addresses(port: int, address: str) -> list[str]:
    """Return what a request may name as ours."""
    host = f"[{address}]" if ":" in address else address
    beside = [f"localhost:{port}"] if address == HOST else []
    return [f"{host}:{port}", *beside]


def served(
    port: int, address: str, *, code: str, encrypted: bool, ticket: str | None
) -> st.App:
    """Return the screens behind their door."""
    door = Middleware(
        Access,
        code=code,
        addresses=addresses(port, address),
        encrypted=encrypted,
        ticket=ticket,
    )
    return st.App(
        Path(__file__).with_name("app.py"),
        lifespan=loading,
        on_script_error=fault,
        middleware=[door],
    )


def main() -> None:
    """Serve until stopped."""
    arguments = ArgumentParser(prog="dashboard", description=__doc__)
    arguments.add_argument("--port", type=int, required=True)
    arguments.add_argument("--address", default=HOST, help="one of this machine's")
    arguments.add_argument("--certificate", help="file, for an encrypted line")
    arguments.add_argument("--key", help="its key's file")
    arguments.add_argument("--browse", action="store_true", help="open a browser")
    asked = arguments.parse_args()
    # What others can read of this process must not let in.
    code = os.environ.pop(CODE, None)
    if code is None:
        code = new_code()
        sys.stderr.write(f"The code of these screens: {code}\n")
    ticket = None
    if asked.browse:
        # The address of a browser that is opened stands where others can read it.
        ticket = new_code()
        scheme = "http" if asked.certificate is None else "https"
        url = f"{scheme}://{addresses(asked.port, asked.address)[0]}"
        webbrowser.open(f"{url}/?ticket={ticket}")
    served(
        asked.port,
        asked.address,
        code=code,
        encrypted=asked.certificate is not None,
        ticket=ticket,
    ).run(config=options(asked.port, asked.address, asked.certificate, asked.key))


if __name__ == "__main__":
    main()
