"""How commands, questions and errors cross to another process and back."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import datetime
from functools import cache
from inspect import Parameter as Argument, signature
from typing import Any, get_type_hints

from pydantic import BaseModel, ConfigDict, ValidationError, create_model

from storage import errors
from storage.door import cell, table_of
from storage.errors import (
    NotFoundError,
    RefusedValueError,
    StorageError,
    UnreachableError,
)
from storage.every_record import RECORDS
from storage.evidence import refused
from storage.kept import Record, words
from storage.records import Decision
from storage.roles import Role
from storage.store import Parameter, Store

COMMANDS: Mapping[str, Role] = {
    "reasons_against": Role.READ,
    "keep": Role.RECORD,
    "record_run": Role.RECORD,
    "record_runs": Role.RECORD,
    "decide": Role.DECIDE,
    "ship": Role.DECIDE,
    # The daemon's own work: whoever did it could have units leave unwatched.
    "record_evaluation": Role.OWN,
    "note_delivery": Role.OWN,
    "note_job": Role.OWN,
}
"""The methods of the Store that change rows, and the one that asks whether one may,
with the role that each needs. What a person decides is kept by `decide`, the rest
by `keep`: a row that a person decides is never kept without its decision."""

JSON = "application/json"
ARROW = "application/vnd.apache.arrow.stream"

_STRICT = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)
_ERRORS: dict[str, type[StorageError]] = {
    name: one
    for name, one in vars(errors).items()
    if isinstance(one, type) and issubclass(one, StorageError)
}


def encode_rows(rows: Sequence[Record], decision: Decision | None) -> bytes:
    """Return the arguments of `keep` as JSON, each row under its table's name.

    Raises
    ------
    RefusedValueError
        For what is no record, or holds what no row may hold.
    """
    named = [{table_of(one): _plain("row", one)} for one in rows]
    return json.dumps(
        {"rows": named, "decision": _plain("decision", decision)}
    ).encode()


def encode_command(**arguments: object) -> bytes:
    """Return a command's arguments as JSON, times in UTC.

    Raises
    ------
    RefusedValueError
        For what no row may hold, exactly as the store itself would refuse it.
    """
    return json.dumps(
        {name: _plain(name, value) for name, value in arguments.items()}
    ).encode()


def _plain(what: str, value: object) -> object:
    if is_dataclass(value):
        name = words(type(value))
        return {
            one.name: _plain(f"{name}.{one.name}", getattr(value, one.name))
            for one in fields(value)
        }
    if isinstance(value, list | tuple) and any(is_dataclass(one) for one in value):
        return [_plain(what, one) for one in value]
    if isinstance(value, tuple) and all(isinstance(one, str) for one in value):
        return [cell(what, one) for one in value]
    kept = cell(what, value)
    # An offset from UTC may be of seconds, which the ISO form of many readers lacks.
    return kept.isoformat() if isinstance(kept, datetime) else kept


def send_command(store: Store, name: str, body: bytes) -> object:
    """Have a store do a command, its arguments of the types its signature says.

    Raises
    ------
    NotFoundError
        When there is no such command.
    RefusedValueError
        When the arguments are not what the command takes.
    """
    if name not in COMMANDS:
        raise NotFoundError(kind="command", key=name)
    if name in {"keep", "decide"}:
        rows, decision = decode_rows(body)
        if (decision is not None) != (name == "decide"):
            raise RefusedValueError(
                what=f"decision of {name}",
                value="one" if decision else "none",
                allowed="goes with decide, and never with keep",
            )
        store.keep(*rows, decision=decision)
        return None
    return getattr(store, name)(**decode_command(getattr(Store, name), body))


def decode_command(command: Callable[..., object], body: str | bytes) -> dict[str, Any]:
    """Return the arguments of a command, of the types that its signature says.

    Raises
    ------
    RefusedValueError
        When the arguments are not what the command takes.
    """
    return _read(_model(command), command.__name__, body)


def decode_rows(
    body: str | bytes, kept_by: tuple[str, ...] = ("keep",)
) -> tuple[list[Record], Decision | None]:
    """Return the rows that `encode_rows` wrote, and their decision.

    Raises
    ------
    RefusedValueError
        When they are no rows, or of a record that others keep.
    """
    given = _read(_rows(kept_by), "keep", body)
    return [_only(one) for one in given["rows"]], given["decision"]


def _read(model: type[BaseModel], name: str, body: str | bytes) -> dict[str, Any]:
    try:
        arguments = model.model_validate_json(body)
    except ValidationError as exc:
        raise refused(name, exc) from exc
    return {field: getattr(arguments, field) for field in model.model_fields}


def _only(named: BaseModel) -> Record:
    """Return the one row that a list's element names."""
    rows = [row for _, row in named if row is not None]
    if len(rows) != 1:
        raise RefusedValueError(
            what="row", value=len(rows), allowed="must be one, under its record's name"
        )
    row: Record = rows[0]
    return row


@cache
def _rows(kept_by: tuple[str, ...]) -> type[BaseModel]:
    """Return a model of rows, each under its record's name, and their decision."""
    named: dict[str, Any] = {
        table: (record | None, None)
        for table, record in RECORDS.items()
        if record.kept.by in kept_by
    }
    row = create_model("row", __config__=_STRICT, **named)
    return create_model(
        "keep",
        __config__=_STRICT,
        rows=(list[row], ...),
        decision=(Decision | None, None),
    )


@cache
def _model(command: Callable[..., object]) -> type[BaseModel]:
    """Return a model of one command's arguments, from its own signature."""
    hints = get_type_hints(command)
    arguments: dict[str, Any] = {
        one.name: (
            hints[one.name],
            ... if one.default is Argument.empty else one.default,
        )
        for one in signature(command).parameters.values()
        if one.name != "self"
    }
    return create_model(command.__name__, __config__=_STRICT, **arguments)


def encode_parameters(parameters: Mapping[str, Parameter]) -> bytes:
    """Return a question's parameters as JSON, times marked as such."""
    said: dict[str, object] = {}
    for name, value in parameters.items():
        kept = cell(name, value)
        said[name] = {"utc": kept.isoformat()} if isinstance(kept, datetime) else kept
    return json.dumps(said).encode()


def decode_parameters(body: bytes) -> dict[str, Parameter]:
    """Return a question's parameters.

    Raises
    ------
    RefusedValueError
        When `body` is not an object of text, numbers, times and nulls.
    """
    try:
        said = json.loads(body)
        return {str(name): _parameter(value) for name, value in said.items()}
    except (ValueError, AttributeError, TypeError, KeyError, RecursionError) as exc:
        raise RefusedValueError(
            what="parameters",
            value=repr(body[:80]),
            allowed="must be a JSON object of text, numbers, times and nulls",
        ) from exc


def _parameter(value: object) -> Parameter:
    match value:
        case None | str() | int() | float() | bool():
            return value
        case {"utc": str() as text}:
            return datetime.fromisoformat(text)
        case _:
            raise TypeError(value)


def encode_error(error: StorageError) -> dict[str, object]:
    """Return an error's class, sentence and fields."""
    return {
        "error": type(error).__name__,
        "message": str(error),
        "fields": dict(vars(error)),
    }


def decode_error(address: str, body: bytes) -> StorageError:
    """Return the error that a daemon said, as the class it was there."""
    try:
        said = json.loads(body)
        error, given = _ERRORS[said["error"]], said["fields"]
        return error(**given) if given else error(said["message"])
    except (ValueError, KeyError, TypeError):
        return UnreachableError(address=address, reason="it spoke in no known form")
