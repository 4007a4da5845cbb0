"""Every public name says what it takes and gives, with an example."""

import ast
import importlib
import inspect
from collections.abc import Iterator
from pathlib import Path
from pkgutil import walk_packages
from types import FunctionType, ModuleType

import pytest

import daemon
import daemon.spc

PREFIX = "daemon.spc."
INSIDE = {
    "causes", "checks", "errors", "numerics", "predicted_units", "reel_claim",
}  # fmt: skip
DETECTOR = "detector"
"""A room of its own, used through its line alone; see its DETECTOR.md."""
SHARED = {
    "above_one", "checked_build", "checked_points", "checked_rules", "checked_share",
    "kept", "segment_bounds", "solve_for_mean", "some_spread",
}  # fmt: skip
"""What modules of this room lend each other, and nobody outside may ask for."""
PACKAGES = ["capability", "gauge", "run_length", "sampling", "variance"]
MODULES = sorted(
    found.name.removeprefix(PREFIX)
    for found in walk_packages(daemon.spc.__path__, PREFIX)
)
PUBLIC = sorted(
    one for one in set(MODULES) - INSIDE if one.partition(".")[0] != DETECTOR
)


def module(name: str) -> ModuleType:
    """Return a module of the room."""
    return importlib.import_module(PREFIX + name)


def public_functions(name: str) -> Iterator[FunctionType]:
    """Yield the functions that a module offers outside the room."""
    for key, value in vars(module(name)).items():
        own = getattr(value, "__module__", None) == PREFIX + name
        offered = not key.startswith("_") and key not in SHARED
        if own and offered and inspect.isfunction(value):
            yield value


def public_classes(name: str) -> Iterator[type]:
    """Yield the classes that a module offers, but for what is only a shape."""
    for key, value in vars(module(name)).items():
        own = getattr(value, "__module__", None) == PREFIX + name
        shape = getattr(value, "_is_protocol", False)
        if own and inspect.isclass(value) and not shape and not key.startswith("_"):
            yield value


@pytest.mark.parametrize("name", PUBLIC)
def test_every_function_says_arguments_result_errors_and_an_example(name: str) -> None:
    for function in public_functions(name):
        said = inspect.getdoc(function) or ""
        assert ">>> " in said, f"{name}.{function.__name__} has no example"
        if not inspect.signature(function).parameters:
            continue
        for section in ("Parameters", "Raises"):
            assert f"{section}\n---" in said, f"{name}.{function.__name__}: {section}"
        begins = said.partition(" ")[0]
        assert begins in {"Return", "Test", "Say", "Give"} or "Returns\n---" in said


@pytest.mark.parametrize("name", PUBLIC)
def test_every_method_has_an_example_of_its_own_or_of_its_class(name: str) -> None:
    for one in public_classes(name):
        said = inspect.getdoc(one) or ""
        for key, method in vars(one).items():
            plain = getattr(method, "__func__", method)
            if key.startswith("_") or not inspect.isfunction(plain):
                continue
            shown = ">>> " in said or ">>> " in (inspect.getdoc(plain) or "")
            assert shown, f"{name}.{one.__name__}.{key} has no example"


def test_nobody_outside_asks_for_what_the_modules_only_lend_each_other() -> None:
    root = Path(daemon.__path__[0])
    room = root / "spc"
    for path in [*root.rglob("*.py"), *(root.parent / "dashboard").rglob("*.py")]:
        if path.is_relative_to(room):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and f"{node.module}.".startswith(
                PREFIX
            ):
                assert not {one.name for one in node.names} & SHARED, path


@pytest.mark.parametrize("package", PACKAGES)
def test_packages_export_what_they_say_once(package: str) -> None:
    found = module(package)
    assert all(hasattr(found, name) for name in found.__all__)
    assert len(set(found.__all__)) == len(found.__all__)
    for name in found.__all__:
        assert name not in SHARED
