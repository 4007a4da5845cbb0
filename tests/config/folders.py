"""A folder of settings with single things changed in it."""

import shutil
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from config.errors import ConfigError
from config.load import load

SAMPLE = Path(__file__).with_name("sample")
TABLE = Path(__file__).with_name("faults.toml")
Change = tuple[str, str]


def changed_sample(folder: Path, changes: Mapping[str, tuple[Change, ...]]) -> Path:
    """Copy the sample's files and replace text in them, each exactly once found."""
    shutil.copytree(SAMPLE, folder, dirs_exist_ok=True)
    for name, replacements in changes.items():
        path = folder / name
        text = path.read_text(encoding="utf-8")
        for old, new in replacements:
            assert text.count(old) == 1, (name, old, text.count(old))
            text = text.replace(old, new)
        path.write_text(text, encoding="utf-8")
    return folder


def faults(folder: Path) -> list[str]:
    """Return the lines of the error that loading the folder raises."""
    with pytest.raises(ConfigError) as caught:
        load(folder)
    lines = [str(one) for one in caught.value.faults]
    assert str(caught.value) == "\n".join(lines)
    return lines


def fault_table() -> dict[str, Any]:
    """Return what is said of each kind of fault."""
    return tomllib.loads(TABLE.read_text(encoding="utf-8"))
