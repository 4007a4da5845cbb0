"""From a folder of TOML files to settings, with every fault at once."""

import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from config.errors import ConfigError, Fault
from config.model import Settings
from config.profile import Profile

__all__ = ["load", "load_profile"]

PROFILES = Path(__file__).parent / "profiles"


def load(folder: Path) -> Settings:
    """Read product, bench, plan and alerts from `folder`."""
    tables: dict[str, Any] = {}
    faults: list[Fault] = []
    for name, needed in (
        ("product", True),
        ("bench", False),
        ("plan", True),
        ("alerts", False),
    ):
        path = folder / f"{name}.toml"
        if path.exists():
            tables[name] = tomllib.loads(path.read_text(encoding="utf-8"))
        elif needed:
            faults.append(_fault(path.name, f"not found in {folder}"))
    if faults:
        raise ConfigError(faults)
    tables.setdefault("bench", None)
    tables.setdefault("alerts", {})
    try:
        return Settings(**tables)
    except ValidationError as exc:
        raise ConfigError(
            _fault(str(folder), f"{'.'.join(map(str, e['loc']))}: {e['msg']}")
            for e in exc.errors()
        ) from exc


def load_profile(name: str, folder: Path) -> Profile:
    """Read the profile `name`: the maker's own in `folder`/profiles, else ours."""
    for place in (folder / "profiles", PROFILES):
        path = place / f"{name}.toml"
        if path.exists():
            return Profile(**tomllib.loads(path.read_text(encoding="utf-8")))
    raise ConfigError([_fault(f"{name}.toml", "no such profile")])


def _fault(file: str, problem: str) -> Fault:
    return Fault(file=file, line=None, key="", value=None, problem=problem)
