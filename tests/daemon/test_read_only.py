"""An installation that nobody may write into: everything of ours goes elsewhere."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.trials.stories.demo import lay_out

ROOT = Path(__file__).parents[2]
RUN = """
import json, os, sys, sysconfig
from pathlib import Path

CLOSED = [os.path.realpath(one) for one in json.loads(os.environ["CLOSED"])]
WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
CHANGES = {
    "os.chmod", "os.link", "os.mkdir", "os.remove", "os.rename", "os.rmdir",
    "os.symlink", "os.truncate", "os.utime",
}
refused = []

def guard(event, arguments):
    if event == "open":
        path, _, flags = arguments
        if not (flags or 0) & WRITES:
            return
    elif event in CHANGES:
        path = arguments[0]
    else:
        return
    if not isinstance(path, (str, bytes, os.PathLike)):
        return
    at = os.path.abspath(os.fsdecode(path))
    if any(at == one or at.startswith(one + os.sep) for one in CLOSED):
        refused.append(at)
        raise OSError(30, "Read-only file system", at)

sys.addaudithook(guard)
"""
COMMANDS = """
from daemon.commands.cli import main
for words in json.loads(os.environ["WORDS"]):
    sys.argv = ["holdpoint", *words]
    try:
        main()
    except SystemExit as ended:
        assert not ended.code, (words, ended.code)
print(json.dumps(refused))
"""
LOOPS = """
import numpy as np
from daemon.spc.detector.hypotheses import likeliest
assert likeliest(np.array([0.0, 2.0, 1.0])).tolist() == [1, 2, 0]
print(json.dumps([likeliest._cache.cache_path, refused]))
"""


def run(script: str, tmp_path: Path, *words: list[str]) -> str:
    """Run a script whose installation is closed to it; return what it said last."""
    home = tmp_path / "person"
    home.mkdir(exist_ok=True)
    closed = [str(ROOT), sys.prefix, *(one for one in sys.path if "site-pack" in one)]
    kept = (
        "XDG_CACHE_HOME", "NUMBA_CACHE_DIR", "PYTHONDONTWRITEBYTECODE",
        "PYTHONPYCACHEPREFIX",
    )  # fmt: skip
    there = {name: value for name, value in os.environ.items() if name not in kept}
    made = subprocess.run(
        [sys.executable, "-c", RUN + script],
        env={
            **there,
            "HOME": str(home),
            "CLOSED": json.dumps(closed),
            "WORDS": json.dumps(words),
            "PYTHONPATH": str(ROOT),
        },
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert made.returncode == 0, made.stderr
    return made.stdout.splitlines()[-1]


def test_commands_write_nothing_into_their_installation(tmp_path: Path) -> None:
    home = lay_out(tmp_path / "home")
    into = ["--home", str(home.folder)]
    refused = json.loads(
        run(
            COMMANDS,
            tmp_path,
            [*into, "config", "check"],
            [*into, "build", "open", "B-1", "--units", "2"],
            [*into, "build", "list", "--json"],
            [*into, "backup"],
            [*into, "label", "PA-1", "--as", "svg", "--into", str(tmp_path)],
        )
    )
    assert [one for one in refused if "__pycache__" not in one] == []
    assert (home.data / "holdpoint.duckdb").exists()


def test_compiled_loops_are_kept_in_the_persons_own_cache(tmp_path: Path) -> None:
    kept, refused = json.loads(run(LOOPS, tmp_path))
    assert Path(kept).is_relative_to(tmp_path / "person")
    assert [*Path(kept).glob("*likeliest*.nbi")], "it is compiled at each start"
    assert refused, "nothing was tried where it may not be: the guard is blind"


@pytest.mark.parametrize("where", ["a/file", "a"])
def test_the_guard_sees_what_is_written(tmp_path: Path, where: str) -> None:
    (tmp_path / "a").mkdir()
    script = f"open({str(tmp_path / 'a/file')!r}, 'w')"
    with pytest.raises(AssertionError, match="Read-only file system"):
        run(f"CLOSED.append({str(tmp_path / where)!r}); {script}", tmp_path)
