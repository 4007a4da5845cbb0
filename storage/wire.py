"""How commands, questions and errors cross to another process and back."""

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from inspect import Parameter as Argument
from inspect import signature
from typing import Any, get_type_hints

from pydantic import BaseModel, ConfigDict, ValidationError, create_model
from pydantic_core import PydanticSerializationError

from storage import errors
from storage.errors import (
    NotFoundError,
    RefusedValueError,
    StorageError,
    UnreachableError,
)
from storage.store import Parameter, Store

COMMANDS = (
    "put_configuration",
    "add_product",
    "add_build",
    "add_reel",
    "fit_reel",
    "open_session",
    "record_run",
    "record_evaluation",
    "place_hold",
    "end_hold",
    "note_job",
)
"""The methods of the Store that change rows."""

JSON = "application/json"
ARROW = "application/vnd.apache.arrow.stream"
_TIME = "utc"

_ERRORS: dict[str, type[StorageError]] = {
    name: kind
    for name, kind in vars(errors).items()
    if isinstance(kind, type) and issubclass(kind, StorageError)
}


def encode_command(name: str, /, **arguments: Any) -> bytes:
    """Return a command's arguments as JSON.

    Raises
    ------
    RefusedValueError
        When an argument holds text that is no text. Other refusals are the
        receiver's.
    """
    try:
        model = _command(name).model_construct(_fields_set=None, **arguments)
        return model.model_dump_json().encode()
    except (PydanticSerializationError, UnicodeError) as exc:
        raise RefusedValueError(
            what=name, value=ascii(arguments)[:80], allowed=f"must be rows: {exc}"
        ) from exc


def decode_command(name: str, body: bytes) -> dict[str, Any]:
    """Return a command's arguments, of the types its signature says.

    Raises
    ------
    NotFoundError
        When there is no such command.
    RefusedValueError
        When the arguments are not what the command takes.
    """
    if name not in COMMANDS:
        raise NotFoundError(kind="command", key=name)
    model = _command(name)
    try:
        arguments = model.model_validate_json(body)
    except ValidationError as exc:
        first = exc.errors(include_url=False)[0]
        where = ".".join(str(one) for one in (name, *first["loc"]))
        raise RefusedValueError(
            what=where, value=repr(first["input"])[:80], allowed=first["msg"]
        ) from exc
    return {field: getattr(arguments, field) for field in model.model_fields}


@cache
def _command(name: str) -> type[BaseModel]:
    """Return a model of one command's arguments, from its own signature."""
    method = getattr(Store, name)
    hints = get_type_hints(method)
    arguments: dict[str, Any] = {
        one.name: (hints[one.name], ... if one.default is Argument.empty else None)
        for one in list(signature(method).parameters.values())[1:]
    }
    config = ConfigDict(
        strict=True,
        extra="forbid",
        allow_inf_nan=False,
        # As null, a NaN would pass for a missing value.
        ser_json_inf_nan="constants",
    )
    return create_model(name, __config__=config, **arguments)


def encode_parameters(parameters: Mapping[str, Parameter]) -> bytes:
    """Return a question's parameters as JSON, times marked as such."""
    said = {
        name: {_TIME: value.astimezone(UTC).isoformat()}
        if isinstance(value, datetime)
        else value
        for name, value in parameters.items()
    }
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
    except (ValueError, AttributeError, TypeError, KeyError) as exc:
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
        kind, fields = _ERRORS[said["error"]], said["fields"]
        return kind(**fields) if fields else kind(said["message"])
    except (ValueError, KeyError, TypeError):
        return UnreachableError(address=address, reason="it spoke in no known form")
