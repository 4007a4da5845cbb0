"""What a running daemon says by itself: sentences in its terminal, all in its log.

Whoever stands at the terminal reads sentences of ours. What libraries say is for those
who look for a mistake, and goes into the log alone, with the time and who said it.
"""

import logging
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import IO

from config import open_log
from daemon.service.home import Home

OURS = ("daemon", "storage", "config", "dashboard")
"""The rooms; what they log is written to be read by a person."""
FORM = "%(asctime)s %(levelname)s %(name)s: %(message)s"


class _Sentence(logging.Formatter):
    """Leaves out where in the program something went wrong: the log has it."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the message alone."""
        return record.getMessage()


@contextmanager
def logged(home: Home) -> Iterator[None]:
    """Have warnings said and kept while the context lasts.

    Raises
    ------
    config.files.FileError
        The log cannot be written.
    """
    with open_log(home.log) as kept:
        file = logging.StreamHandler(kept)
        file.setFormatter(logging.Formatter(FORM))
        handlers: list[logging.Handler] = [file]
        # A daemon that another program started has the log for a terminal.
        if not _same(kept, sys.stderr):
            terminal = logging.StreamHandler(sys.stderr)
            terminal.setFormatter(_Sentence())
            terminal.addFilter(lambda one: one.name.partition(".")[0] in OURS)
            handlers.append(terminal)
        root = logging.getLogger()
        for one in handlers:
            one.setLevel(logging.WARNING)
            root.addHandler(one)
        try:
            yield
        finally:
            for one in handlers:
                root.removeHandler(one)


def _same(one: IO[str], other: IO[str]) -> bool:
    with suppress(OSError, ValueError):
        return os.path.samestat(os.fstat(one.fileno()), os.fstat(other.fileno()))
    return False
