"""The examples in the docstrings are true."""

import doctest
import importlib
from pathlib import Path

import pytest

import config

NAMES = sorted(path.stem for path in Path(config.__file__).parent.glob("*.py"))


@pytest.mark.parametrize("name", [name for name in NAMES if name != "__init__"])
def test_examples(name: str) -> None:
    module = importlib.import_module(f"config.{name}")
    assert doctest.testmod(module).failed == 0
