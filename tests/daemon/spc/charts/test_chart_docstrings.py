"""What the docstrings of charts, limits and rules promise."""

import doctest
import importlib
import inspect
import pkgutil
from types import ModuleType
from typing import Any

import pytest

import daemon.spc.charts

MODULES = [
    "daemon.spc.checks",
    "daemon.spc.chart_factors",
    "daemon.spc.errors",
    "daemon.spc.control_limits",
    "daemon.spc.rules",
    "daemon.spc.false_alarms",
    *(
        f"daemon.spc.charts.{module.name}"
        for module in pkgutil.iter_modules(daemon.spc.charts.__path__)
    ),
]


@pytest.fixture(params=MODULES)
def module(request: pytest.FixtureRequest) -> ModuleType:
    """One module of this part."""
    return importlib.import_module(request.param)


def test_examples_are_true(module: ModuleType) -> None:
    failed, _ = doctest.testmod(module)
    assert failed == 0


def test_everything_public_says_what_it_is(module: ModuleType) -> None:
    for name, thing in public(module):
        doc = inspect.getdoc(thing) or ""
        assert doc, name
        if inspect.isclass(thing):
            for method, function in inspect.getmembers(thing, inspect.isfunction):
                if not method.startswith("_"):
                    assert inspect.getdoc(function), f"{name}.{method}"
        else:
            assert ">>> " in doc, name


def public(module: ModuleType) -> list[tuple[str, Any]]:
    """Return the public classes and functions that a module defines."""
    return [
        (name, thing)
        for name, thing in vars(module).items()
        if not name.startswith("_")
        and callable(thing)
        and getattr(thing, "__module__", "") == module.__name__
    ]


@pytest.mark.parametrize(
    "module_name", [name for name in MODULES if ".charts." in name]
)
def test_every_chart_shows_an_example(module_name: str) -> None:
    found = importlib.import_module(module_name)
    charts = [
        thing
        for name, thing in vars(found).items()
        if name.endswith(("Chart", "Cusum")) and thing.__module__ == module_name
    ]
    for chart in charts:
        assert ">>> " in (chart.__doc__ or ""), chart.__name__
        assert callable(chart.update)
        assert "Raises" in (chart.update.__doc__ or ""), chart.__name__
