"""A field for a scanner: nothing that it types is lost, joined or taken twice.

The browser empties the field at each Enter and keeps the scans in a queue; they come
numbered, and are answered by number. What comes again, after a reload or from a line
that broke, has its answer already.
"""

import base64
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field as made
from functools import cache, partial
from pathlib import Path
from threading import Lock
from typing import Any

import streamlit as st

from daemon.presentation import screens
from dashboard import sound

HTML = """
<label><span class="label"></span>
<input type="text" autocomplete="off" autocapitalize="off" autocorrect="off"
  spellcheck="false" enterkeyhint="go"></label>
<p role="status" aria-live="polite"></p>
"""
CSS = """
label { display: block; font-size: .92rem; color: var(--ink); }
.label { display: block; padding-bottom: .25rem; }
input { width: 100%; box-sizing: border-box; padding: .55rem .7rem;
  font: inherit; font-size: 1.5rem; color: var(--ink); background: var(--shade);
  border: 2px solid var(--quiet); border-radius: .4rem; }
input:focus { outline: 3px solid var(--focus); outline-offset: 1px; }
input::placeholder { color: var(--quiet); opacity: 1; font-size: 1.1rem; }
p { margin: .3rem 0 0; color: var(--moved); font-weight: 600; min-height: 1.3em; }
"""
ANSWERED = "answered scans"
"""Key of a viewer's session, with the field's: what the browser is told last."""
TOLD = 40
"""Answers that the browser is told again; more than it sends at once."""
PAGES = 400
"""Loaded pages whose scans are known again."""

LEAVES, STAYS = "leaves", "stays"
"""The two sounds."""
Heard = str | None
"""The sound of an answer, where it has one."""
Take = Callable[[str, Mapping[str, Any] | None], Heard]


@cache
def _component() -> Any:
    script = Path(__file__).with_suffix(".js").read_text("utf-8")
    return st.components.v2.component(
        "holdpoint.scanner", html=HTML, css=CSS, js=script
    )


@cache
def _sounds() -> dict[str, str]:
    """Return both sounds, the bad news first."""
    return {
        name: "data:audio/wav;base64," + base64.b64encode(sound.tones(tones)).decode()
        for name, tones in ((STAYS, sound.STAYS_HZ), (LEAVES, sound.LEAVES_HZ))
    }


@dataclass(slots=True)
class _Taken:
    """Which scans of which loaded page were taken, and the sound of each answer."""

    lock: Lock = made(default_factory=Lock)
    answers: OrderedDict[str, dict[int, str | None]] = made(default_factory=OrderedDict)

    def once(
        self, line: str, number: int, take: Callable[[], str | None]
    ) -> str | None:
        """Take a scan unless it was; return the sound of its answer."""
        with self.lock:
            of_line = self.answers.setdefault(line, {})
            self.answers.move_to_end(line)
            while len(self.answers) > PAGES:
                self.answers.popitem(last=False)
            if number not in of_line:
                of_line[number] = take()
            return of_line[number]


@st.cache_resource(show_spinner=False)
def _taken() -> _Taken:
    return _Taken()


def field(
    label: str,
    *,
    key: str,
    take: Take,
    context: Mapping[str, Any] | None = None,
    placeholder: str = "",
    sounds: bool = False,
    follows: bool = False,
) -> None:
    """Show the field; whatever was scanned is taken before the page is drawn.

    It is drawn after what the page says of the last scan: the browser sends the next
    ones once it has seen that the last are answered.

    Parameters
    ----------
    take
        Called with each serial, in order, and with what it was scanned for where that
        was changed since; None: what the session knows now. Returns the sound of its
        answer; it draws nothing.
    context
        What scans are for, as the page stands.
    follows
        Whether Enter in another field of the page leads here.
    """
    _component()(
        key=key,
        data={
            "name": key,
            "label": label,
            "placeholder": placeholder,
            "context": dict(context or {}),
            "answered": st.session_state.get(f"{ANSWERED} {key}", []),
            "sounds": _sounds() if sounds else {},
            "follows": follows,
            "words": {
                "waiting": screens.SCANS_WAITING,
                "given_up": screens.SCANS_GIVEN_UP,
            },
        },
        on_scans_change=lambda: _come(key, take),
    )


def _come(key: str, take: Take) -> None:
    """Take what the browser sent, in order."""
    told = list(st.session_state.get(f"{ANSWERED} {key}", []))
    for scan in st.session_state[key].scans or []:
        line, number, text = str(scan["line"]), int(scan["number"]), str(scan["text"])
        heard = _taken().once(line, number, partial(take, text, scan.get("context")))
        told.append({"line": line, "number": number, "sound": heard})
    st.session_state[f"{ANSWERED} {key}"] = told[-TOLD:]
