"""The error tree of this package.

StorageError
├── NotFoundError        what was named is not recorded
├── ConflictError        another row already has this id and says something else
├── BusyError            another process owns the file
├── SchemaError          the file is newer than this program, or damaged
├── WriteError           the disk refused; nothing of the transaction was kept
└── UnreachableError     no daemon answers at the endpoint, or it refused us
"""


class StorageError(Exception):
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


class BusyError(StorageError):
    """Another process owns the store."""


class SchemaError(StorageError):
    """The store cannot be read by this program."""


class WriteError(StorageError):
    """The store could not keep a transaction; nothing of it was kept."""


class UnreachableError(StorageError):
    """No daemon answers, or it refused the request."""
