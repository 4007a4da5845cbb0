"""The error tree of this package.

SpcError                 argument, value, what is allowed
├── NotFiniteError       NaN or infinity
├── OutOfRangeError      a number outside its bounds, or two in the wrong order
├── TooFewError          fewer values than the question needs
├── NoSpreadError        values without spread, where a standard deviation is needed
└── ShapeError           an array of the wrong shape, or arrays that do not match

"Not enough data yet" while a chart fills up is a value, never one of these.
"""


class SpcError(ValueError):
    """An argument that a calculation cannot use.

    Parameters
    ----------
    argument : str
        Name of the argument, with its position where it is an array.
    value : object
        What was given.
    allowed : str
        What is allowed, completing the words "must be".
    """

    def __init__(self, *, argument: str, value: object, allowed: str) -> None:
        self.argument = argument
        self.value = value
        self.allowed = allowed
        super().__init__(f"{argument} = {value}: must be {allowed}")

    def __reduce__(self) -> tuple[object, ...]:
        return _rebuild, (type(self), self.argument, self.value, self.allowed)


def _rebuild(
    kind: type[SpcError], argument: str, value: object, allowed: str
) -> SpcError:
    return kind(argument=argument, value=value, allowed=allowed)


class NotFiniteError(SpcError):
    """NaN or infinity."""

    def __init__(
        self, *, argument: str, value: object, allowed: str = "a finite number"
    ) -> None:
        super().__init__(argument=argument, value=value, allowed=allowed)


class OutOfRangeError(SpcError):
    """A number outside its bounds, or two numbers in the wrong order."""


class TooFewError(SpcError):
    """Fewer values than the question needs."""


class NoSpreadError(SpcError):
    """Values without spread, where a standard deviation is needed."""


class ShapeError(SpcError):
    """An array of the wrong shape, or arrays that do not match."""
