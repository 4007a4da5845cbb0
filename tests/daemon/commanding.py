"""Our command, to its end: in this process, or in one of its own as a person does."""

import os
import signal
import subprocess
import sys
import traceback
from pathlib import Path
from threading import Timer
from unittest.mock import patch

from click.testing import CliRunner

from daemon.commands import cli

LONGEST_S = 300.0
Done = subprocess.CompletedProcess[str]


def words(home: Path | None, *arguments: str) -> list[str]:
    """Return what follows the command's name."""
    named = [] if home is None else ["--home", str(home)]
    return [*named, *arguments]


def holdpoint(*arguments: str, home: Path | None = None) -> Done:
    """Run our command here, from its first line to how it exits.

    All that a process of its own has besides is seconds of imports. A command that
    does not end is told to, as by a service manager.
    """
    given = words(home, *arguments)
    before = signal.getsignal(signal.SIGTERM)
    mask = os.umask(0o022)
    os.umask(mask)
    hopeless = Timer(LONGEST_S, os.kill, (os.getpid(), signal.SIGTERM))
    hopeless.start()
    try:
        with (
            patch.object(sys, "argv", ["holdpoint", *given]),
            CliRunner().isolation() as (out, err, _),
        ):
            code = _exit_code()
            sys.stdout.flush()
            sys.stderr.flush()
    finally:
        hopeless.cancel()
        signal.signal(signal.SIGTERM, before)
        os.umask(mask)
    return Done(given, code, out.getvalue().decode(), err.getvalue().decode())


def holdpoint_by_itself(*arguments: str, home: Path | None = None) -> Done:
    """Run our command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "daemon.commands.cli", *words(home, *arguments)],
        capture_output=True,
        text=True,
        timeout=LONGEST_S,
        check=False,
    )


def _exit_code() -> int:
    """Run the command that was given; return what the shell would see."""
    try:
        cli.main()
    except SystemExit as exc:
        return exc.code if isinstance(exc.code, int) else int(exc.code is not None)
    except Exception:  # noqa: BLE001 -- as the interpreter does: said, and 1
        traceback.print_exc()
        return 1
    return 0
