"""What is installed is what the repository pins, and no registry is named."""

import importlib.metadata
import re
import tomllib
from pathlib import Path

from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import NormalizedName, canonicalize_name

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())


def pins() -> dict[NormalizedName, str]:
    """Return the pinned version by name, for this interpreter and system."""
    found: dict[NormalizedName, str] = {}
    for line in PROJECT["tool"]["uv"]["constraint-dependencies"]:
        one = Requirement(line)
        if one.marker is None or Marker(str(one.marker)).evaluate():
            (specifier,) = one.specifier
            assert specifier.operator == "==", line
            found[canonicalize_name(one.name)] = specifier.version
    return found


def installed() -> dict[NormalizedName, str]:
    return {
        canonicalize_name(one.name): one.version
        for one in importlib.metadata.distributions()
    }


def test_everything_that_is_installed_is_pinned() -> None:
    ours = {canonicalize_name("holdpoint")}
    assert not set(installed()) - set(pins()) - ours


def test_every_installed_version_is_the_pinned_one() -> None:
    pinned = pins()
    differ = {
        name: (version, pinned[name])
        for name, version in installed().items()
        if name in pinned and version != pinned[name]
    }
    assert not differ


def test_no_file_says_where_packages_are_served() -> None:
    texts = (ROOT / "pyproject.toml").read_text(), (ROOT / ".ci" / "run").read_text()
    for text in texts:
        assert not re.search(r"https?://|index-url|find-links", text)
    assert (
        not (ROOT / "uv.lock").exists()
        or "uv.lock" in (ROOT / ".gitignore").read_text()
    )
