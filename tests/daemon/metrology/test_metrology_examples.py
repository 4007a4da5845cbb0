"""The examples in the docstrings run."""

import doctest
from importlib import import_module
from pkgutil import iter_modules

import pytest

import daemon.metrology

MODULES = [module.name for module in iter_modules(daemon.metrology.__path__)]


@pytest.mark.parametrize("name", MODULES)
def test_every_example_prints_what_it_says(name: str) -> None:
    module = import_module(f"daemon.metrology.{name}")
    assert doctest.testmod(module).failed == 0
