"""Each import contract notices a fault that is planted for it."""

import tomllib
from copy import deepcopy
from pathlib import Path
from typing import Any

import grimp
import pytest
from importlinter.configuration import configure
from importlinter.contracts.forbidden import ForbiddenContract
from importlinter.contracts.layers import LayersContract
from importlinter.contracts.protected import ProtectedContract
from importlinter.domain.contract import Contract

ROOT = Path(__file__).parents[1]
OPTIONS = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]
KINDS: dict[str, type[Contract]] = {
    "forbidden": ForbiddenContract,
    "layers": LayersContract,
    "protected": ProtectedContract,
}
configure()
STRANGERS = ("daemon.commands.cli", "daemon.spc.errors")
"""From one of these, no room may be entered past its door."""


@pytest.fixture(scope="module")
def graph() -> grimp.ImportGraph:
    return grimp.build_graph(
        *OPTIONS["root_packages"], include_external_packages=True, cache_dir=None
    )


def is_kept(options: dict[str, Any], graph: grimp.ImportGraph) -> bool:
    rest = {
        key: str(one).lower() if isinstance(one, bool) else one
        for key, one in options.items()
        if key not in {"name", "type"}
    }
    contract = KINDS[options["type"]](
        name=options["name"],
        session_options={
            "root_packages": OPTIONS["root_packages"],
            "include_external_packages": "true",
        },
        contract_options=rest,
    )
    return contract.check(deepcopy(graph), verbose=False).kept


def module_in(package: str, graph: grimp.ImportGraph) -> str:
    """Return a module of a package that is no package itself, or the package."""
    files = [
        one for one in graph.find_descendants(package) if not graph.find_children(one)
    ]
    return min(files, default=package)


def faults(options: dict[str, Any], graph: grimp.ImportGraph) -> list[tuple[str, str]]:
    """Return imports that a contract must not bear, as importer and imported."""
    if options["type"] == "forbidden":
        ignored = {
            one.partition(" -> ")[0] for one in options.get("ignore_imports", ())
        }
        importers = [
            next(
                one
                for one in sorted(graph.find_descendants(source) | {source})
                if one not in ignored
            )
            for source in options["source_modules"]
        ]
        return [
            (importer, imported)
            for importer in importers
            for imported in options["forbidden_modules"]
        ]
    if options["type"] == "protected":
        (room,) = (one.removesuffix(".*") for one in options["protected_modules"])
        (allowed,) = options["allowed_importers"]
        offered = {
            one.partition(" -> ")[2] for one in options.get("ignore_imports", ())
        }
        return [
            (stranger, min(graph.find_children(room) - offered))
            for stranger in STRANGERS
            if not stranger.startswith(f"{allowed}.")
        ]
    inside = f"{options['containers'][0]}." if "containers" in options else ""
    floors = [
        [f"{inside}{one.strip()}" for one in floor.replace(":", "|").split("|")]
        for floor in options["layers"]
    ]
    found = [
        (module_in(lower, graph), module_in(upper, graph))
        for at, floor in enumerate(floors)
        for lower in floor
        for uppers in floors[:at]
        for upper in uppers
    ]
    for floor, written in zip(floors, options["layers"], strict=True):
        if "|" in written:
            found.append((module_in(floor[0], graph), module_in(floor[1], graph)))
            found.append((module_in(floor[1], graph), module_in(floor[0], graph)))
    return found


@pytest.mark.parametrize("options", OPTIONS["contracts"], ids=lambda one: one["name"])
def test_a_planted_fault_breaks_the_contract(
    options: dict[str, Any], graph: grimp.ImportGraph
) -> None:
    assert is_kept(options, graph)
    planted = faults(options, graph)
    assert planted
    for importer, imported in planted:
        worse = deepcopy(graph)
        if imported not in worse.modules:
            worse.add_module(imported, is_squashed=True)
        worse.add_import(importer=importer, imported=imported)
        assert not is_kept(options, worse), (importer, imported)
