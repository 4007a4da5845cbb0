"""Every public function is documented alike."""

import inspect
from importlib import import_module
from pkgutil import iter_modules

import pytest

import daemon.metrology

MODULES = [module.name for module in iter_modules(daemon.metrology.__path__)]
# What refuses arguments is for this package alone, and errors say themselves.
INTERNAL = {"checks", "errors"}


@pytest.mark.parametrize("name", sorted(set(MODULES) - INTERNAL))
def test_every_public_function_says_units_errors_and_an_example(name: str) -> None:
    module = import_module(f"daemon.metrology.{name}")
    for key, function in inspect.getmembers(module, inspect.isfunction):
        if function.__module__ != module.__name__ or key.startswith("_"):
            continue
        said = inspect.getdoc(function) or ""
        for section in ("Parameters", "Returns", "Raises", "Examples"):
            assert f"{section}\n---" in said, f"{name}.{key} has no {section}"
