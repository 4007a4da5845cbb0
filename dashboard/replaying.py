"""A plan tried on the past in a process of its own, so that no page waits for it."""

import json
import subprocess
from dataclasses import dataclass, field
from threading import Lock, Thread

import streamlit as st

from daemon.holds import Tried
from daemon.service import Home, end, run_beside

STEP = "step "
"""Begin of a line that says how far it is."""


@dataclass(slots=True)
class Trial:
    """One plan that is tried, or was.

    Attributes
    ----------
    asked : tuple of str
        Options of `holdpoint replay`.
    stamp : str
        Of the rows that were there when it began.
    done, of : int
        Steps.
    """

    asked: tuple[str, ...]
    stamp: str
    process: subprocess.Popen[str]
    done: int = 0
    of: int = 0
    found: Tried | None = None
    problem: str | None = None
    lines: list[str] = field(default_factory=list)

    @property
    def ended(self) -> bool:
        """Whether there is an answer, or none will come."""
        return self.found is not None or self.problem is not None

    def read(self) -> None:
        """Take what the process says, until it ends."""
        stream = self.process.stdout
        for line in stream or ():
            if line.startswith(STEP):
                self.done, self.of = map(int, line.split()[1:])
            else:
                self.lines.append(line)
        code = self.process.wait()
        if stream is not None:
            stream.close()
        text = "".join(self.lines)
        if code == 0:
            self.found = Tried.read(json.loads(text[text.index("{") :]))
        else:
            said = [one for one in text.splitlines() if one.strip()] or ["it ended"]
            self.problem = said[-1].removeprefix("Error: ").strip()


@dataclass(slots=True)
class _Trials:
    """The one that all viewers' pages share: a machine tries one at a time."""

    lock: Lock = field(default_factory=Lock)
    last: Trial | None = None


@st.cache_resource(show_spinner=False)
def _trials() -> _Trials:
    return _Trials()


def last() -> Trial | None:
    """Return what is tried now, or was last."""
    return _trials().last


def begin(asked: tuple[str, ...], stamp: str) -> None:
    """Try a plan; one that is still being tried is given up."""
    trials = _trials()
    with trials.lock:
        if trials.last is not None and not trials.last.ended:
            end(trials.last.process)
        process = run_beside(Home.usual(), "replay", *asked, "--json", "--steps")
        trials.last = Trial(asked=asked, stamp=stamp, process=process)
        Thread(target=trials.last.read, name="replay", daemon=True).start()
