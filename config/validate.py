"""From tables to a model, every fault at the file and line it belongs to."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from config.document import Document
from config.errors import ConfigError, Fault, InconsistentError
from config.near import near
from config.shape import Shape
from config.strict import KeyPath, Problem, Strict, problems_of

__all__ = ["validated"]

M = TypeVar("M", bound=Strict)

MISSING = "missing"
_OUT_OF_BOUNDS = {
    "greater_than",
    "greater_than_equal",
    "less_than",
    "less_than_equal",
    "finite_number",
}


def validated(
    kind: type[M],
    raw: dict[str, Any],
    documents: Sequence[Document],
    *,
    faults: Iterable[Fault] = (),
    problems: Iterable[Problem] = (),
) -> M:
    """Build a model of `kind` from what the documents hold.

    Parameters
    ----------
    faults, problems
        What is already known to be wrong; reported together with what is found.

    Raises
    ------
    ConfigError
        Holds every fault, in the order of the documents and their lines.
    """
    try:
        made = kind.model_validate(raw)
        errors = []
    except ValidationError as exc:
        made = None
        errors = [one for one in exc.errors() if not _is_inconsistent(one)]
    faults, problems = list(faults), list(problems)
    if made is not None and not faults and not problems:
        return made
    shape = Shape.of(kind)
    found = [_problem(one, shape) for one in errors]
    problems += found
    problems += problems_of(shape.with_holes(raw, {one.path for one in found}))
    faults += _located(_once(problems), documents)
    order = {one.name: place for place, one in enumerate(documents)}
    raise ConfigError(
        sorted(
            dict.fromkeys(faults),
            key=lambda one: (order.get(one.file, -1), one.line or 0),
        )
    )


def _once(problems: Sequence[Problem]) -> Iterator[Problem]:
    """Leave out that a key is missing where it is there, but misspelled."""
    meant = {(*one.path[:-1], one.suggestion) for one in problems if one.suggestion}
    for one in problems:
        if one.path not in meant or not one.problem.startswith(MISSING):
            yield one


def _located(
    problems: Iterable[Problem], documents: Iterable[Document]
) -> Iterator[Fault]:
    """Yield faults; a problem of a file that was never parsed is known already."""
    for one in problems:
        for document in documents:
            depth = len(document.root)
            if one.path[:depth] == document.root and len(one.path) > depth:
                yield document.fault(replace(one, path=one.path[depth:]))


def _is_inconsistent(error: ErrorDetails) -> bool:
    """Whether the table's own check failed, which is run again with holes."""
    return isinstance(error.get("ctx", {}).get("error"), InconsistentError)


def _problem(error: ErrorDetails, shape: Shape) -> Problem:
    """Return what pydantic found in our words, with both bounds."""
    path: KeyPath = error["loc"]
    kind, value = error["type"], error["input"]
    if path[-1] == "[key]":
        reason = _reason(error) or "must be text of 1 to 60 characters"
        return Problem(path=path[:-1], problem=f"its name {reason}", valued=False)
    if kind == "extra_forbidden":
        return _unknown_key(path, shape.at(path[:-1]))
    if kind == "missing" and isinstance(path[-1], int):
        path, kind = path[:-1], "too_short"
    wanted = shape.at(path)
    if wanted is None:
        return Problem(path=path, problem=error["msg"])
    return Problem(
        path=path,
        problem=_reason(error) or _wanted(kind, wanted),
        suggestion=near(value, wanted.choices) if isinstance(value, str) else None,
    )


def _wanted(kind: str, shape: Shape) -> str:
    """Say what is allowed, leaving out what the value already is."""
    if kind in _OUT_OF_BOUNDS and shape.interval:
        return f"must be {shape.interval}"
    if kind == "too_short" and shape.at_least:
        return f"must hold at least {shape.at_least}"
    missing = f"{MISSING}; " if kind == "missing" else ""
    return f"{missing}must be {shape.allowed}"


def _reason(error: ErrorDetails) -> str:
    """Return the sentence of a check of our own, empty where it was pydantic's."""
    return str(error.get("ctx", {}).get("error", ""))


def _unknown_key(path: KeyPath, table: Shape | None) -> Problem:
    known = [] if table is None else list(table.fields)
    meant = near(str(path[-1]), known)
    return Problem(
        path=path,
        problem="unknown key" if meant else f"unknown key; known: {', '.join(known)}",
        suggestion=meant,
        valued=False,
    )
