"""The error tree of this package.

StorageError
├── NotFoundError        what was named is not recorded
├── ConflictError        another row already has this id and says something else
├── RefusedValueError    a value that no row may hold, or no query may be given
├── BusyError            another process owns the file
├── SchemaError          the file is newer than this program, or damaged
├── WriteError           the disk refused; nothing of the transaction was kept
├── RoleError            the caller's token may not do this
└── UnreachableError     no daemon answers at the endpoint, or it refused us

Every field is a string, a number or None, so that an error can cross to another
process and come back as itself.
"""

from config.errors import HoldpointError


class StorageError(HoldpointError):
    """What the Store could not do, in one sentence for a person."""


class NotFoundError(StorageError, LookupError):
    """What was named is not recorded."""

    def __init__(self, *, kind: str, key: str) -> None:
        self.kind = kind
        self.key = key
        super().__init__(f"unknown {kind} {key!r}")


class ConflictError(StorageError):
    """A different row with this id is already recorded."""

    def __init__(self, *, kind: str, key: str, detail: str) -> None:
        self.kind = kind
        self.key = key
        self.detail = detail
        super().__init__(f"{kind} {key!r} is already recorded: {detail}")


class RefusedValueError(StorageError, ValueError):
    """A value that no row may hold, or that no query may be given."""

    def __init__(self, *, what: str, value: object, allowed: str) -> None:
        self.what = what
        self.value = str(value)
        self.allowed = allowed
        super().__init__(f"{what} = {value}: {allowed}")


class BusyError(StorageError):
    """Another process owns the store."""

    def __init__(self, *, path: str, pid: int | None) -> None:
        self.path = path
        self.pid = pid
        owner = "another process" if pid is None else f"process {pid}"
        super().__init__(f"{path} is in use by {owner}")


class SchemaError(StorageError):
    """The store cannot be read by this program."""

    def __init__(self, *, where: str, detail: str) -> None:
        self.where = where
        self.detail = detail
        super().__init__(f"{where} cannot be read by this program: {detail}")


class WriteError(StorageError):
    """The store could not keep a transaction; nothing of it was kept."""

    def __init__(self, *, where: str, reason: str) -> None:
        self.where = where
        self.reason = reason
        super().__init__(f"{where} kept nothing of this transaction: {reason}")


class MemoryLimitError(StorageError):
    """The store may not take so much memory as this needs; nothing was kept.

    `memory_mb` is what the settings say; while everything is copied, `times` as much
    may be taken.
    """

    def __init__(self, *, where: str, memory_mb: int, times: int = 1) -> None:
        self.where = where
        self.memory_mb = memory_mb
        self.times = times
        may_take = (
            "the store may take"
            if times == 1
            else f"a copy may take, {times} times memory_limit_mb"
        )
        super().__init__(
            f"{where}: this needs more than the {times * memory_mb} MB of memory that "
            f"{may_take}; nothing was changed. Write a larger memory_limit_mb in "
            f"[store] of plan.toml: it is {memory_mb} now"
        )


class RoleError(StorageError):
    """The caller's token may not do what it asked for; nothing was done."""

    def __init__(self, *, name: str, role: str, needed: str) -> None:
        self.name = name
        self.role = str(role)
        self.needed = str(needed)
        may = f"the token {name!r} may {_MAY.get(self.role, self.role)}"
        super().__init__(f"{may}; {_NEEDS.get(self.needed, self.needed)}")


_MAY = {
    "read": "only read",
    "record": "read and record, not decide",
    "decide": "read, record and decide",
}
_NEEDS = {
    "record": "this needs a token that may record",
    "decide": "this needs a token that may decide",
    "own": "this is for the user who runs the daemon alone",
}


class UnreachableError(StorageError):
    """No daemon answers, or it refused the request."""

    def __init__(self, *, address: str, reason: str) -> None:
        self.address = address
        self.reason = reason
        super().__init__(f"no answer from {address}: {reason}")


def sentence(error: Exception) -> str:
    r"""Return what a library's error says, without the statement it says it about.

    >>> sentence(ValueError("no such column\nLINE 1: select ..."))
    'no such column'
    """
    return str(error).partition("\n")[0]
