"""Serve the screens to this machine: `python -m dashboard.serve --port 8540`.

Every option is said here, because the library reads its own settings file only when
it is started from the repository's folder. What the pages need is loaded while the
server and the browser start, so that the first page does not wait for it.
"""

import gc
import webbrowser
from argparse import ArgumentParser
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib import import_module
from pathlib import Path
from threading import Thread

import streamlit as st

from daemon.presentation import DARK, LIGHT
from daemon.traceability.papers import DOCUMENTS
from dashboard import look

HOST = "127.0.0.1"
NEEDED = (
    "dashboard.pictures",
    "dashboard.data",
    "dashboard.live",
    "dashboard.typed",
    "daemon.traceability.papers",
    "daemon.presentation.documents",
    "daemon.presentation.plots",
)


def options(port: int) -> dict[str, object]:
    """Return what the server is told: this machine alone, our colours, no errands."""
    said: dict[str, object] = {
        "server.address": HOST,
        "server.port": port,
        "server.headless": True,
        "server.fileWatcherType": "none",
        "browser.serverAddress": HOST,
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        "client.showErrorLinks": "false",
        "logger.enableRich": False,
        "runner.magicEnabled": False,
        # Else all that is loaded is searched for garbage at every second's look.
        "runner.postScriptGC": False,
    }
    for form, colours in (("light", LIGHT), ("dark", DARK)):
        said |= {
            f"theme.{form}.backgroundColor": colours.paper,
            f"theme.{form}.secondaryBackgroundColor": colours.shade,
            f"theme.{form}.textColor": colours.ink,
            f"theme.{form}.primaryColor": colours.unit,
        }
    return said


def load() -> None:
    """Load what the pages need, and start what draws charts in documents."""
    for name in NEEDED:
        room = import_module(name)
        # A door loads what it offers only when it is asked for.
        for offered in getattr(room, "__all__", ()):
            getattr(room, offered)
    for one in DOCUMENTS.values():
        one.function()
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


app = st.App(
    Path(__file__).with_name("app.py"), lifespan=loading, on_script_error=fault
)

if __name__ == "__main__":
    arguments = ArgumentParser(prog="dashboard", description=__doc__)
    arguments.add_argument("--port", type=int, required=True)
    arguments.add_argument("--browse", action="store_true", help="open a browser")
    asked = arguments.parse_args()
    if asked.browse:
        webbrowser.open(f"http://{HOST}:{asked.port}")
    app.run(config=options(asked.port))
