"""The examples in the docstrings are true, and every public function has one."""

import doctest
import importlib
import inspect
from types import ModuleType

import pytest

NAMES = [
    "anova",
    "capability.indices",
    "capability.nonconforming",
    "capability.percentiles",
    "capability.study",
    "discovery",
    "gauge.agreement",
    "gauge.crossed",
    "gauge.single",
    "gauge.spread",
    "moments",
    "normality",
    "run_length.cusum",
    "run_length.distribution",
    "run_length.ewma",
    "run_length.mewma",
    "run_length.ruled",
    "run_length.shewhart",
    "sampling.attributes",
    "sampling.design",
    "sampling.sequential_plan",
    "sampling.standard",
    "sampling.variables",
    "search",
    "sequential",
    "tolerance",
    "variance.design",
    "variance.intervals",
    "variance.nested",
    "variance.one_way",
    "variance.reml",
]
PACKAGES = ["capability", "gauge", "run_length", "sampling", "variance"]


def _module(name: str) -> ModuleType:
    return importlib.import_module(f"daemon.spc.{name}")


@pytest.mark.parametrize("name", NAMES)
def test_examples_are_true(name: str) -> None:
    result = doctest.testmod(_module(name))
    assert result.attempted > 0
    assert result.failed == 0


@pytest.mark.parametrize("package", PACKAGES)
def test_public_functions_have_an_example_and_name_what_they_raise(
    package: str,
) -> None:
    module = _module(package)
    for name in module.__all__:
        value = getattr(module, name)
        if not inspect.isfunction(value):
            continue
        text = inspect.getdoc(value) or ""
        assert ">>> " in text, name
        assert "Parameters\n" in text, name


@pytest.mark.parametrize("package", PACKAGES)
def test_packages_export_what_they_say_in_order(package: str) -> None:
    module = _module(package)
    assert all(hasattr(module, name) for name in module.__all__)
    assert len(set(module.__all__)) == len(module.__all__)
