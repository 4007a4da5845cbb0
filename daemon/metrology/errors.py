"""The error tree of this package.

MetrologyError
├── ArgumentError        a value outside what is allowed
├── FormulaError         a transfer formula that is not plain arithmetic
├── MarkError            a mark or preferred-value series that IEC does not know
├── UnknownPartError     a part that a formula does not know
├── UnknownQuantityError an input that a measurement model does not have
└── NoSolutionError      no value of a part does what was asked
"""

from collections.abc import Iterable


class MetrologyError(ValueError):
    """What cannot be computed, in one sentence for a person."""


class ArgumentError(MetrologyError):
    """An argument outside its bound."""

    def __init__(self, *, name: str, value: object, bound: str) -> None:
        self.name = name
        self.value = value
        self.bound = bound
        super().__init__(f"{name} = {value!r}: must be {bound}")


class FormulaError(MetrologyError):
    """A transfer formula that is not plain arithmetic over part names."""

    def __init__(self, *, formula: str, reason: str) -> None:
        self.formula = formula
        self.reason = reason
        super().__init__(f"transfer {formula!r}: {reason}")


class MarkError(MetrologyError):
    """A mark that cannot be read, or a value that cannot be marked."""

    def __init__(self, *, mark: str, reason: str) -> None:
        self.mark = mark
        self.reason = reason
        super().__init__(f"mark {mark!r}: {reason}")


class UnknownPartError(MetrologyError, LookupError):
    """A part without a value, or outside the formula."""

    def __init__(self, *, part: str, known: Iterable[str]) -> None:
        self.part = part
        self.known = tuple(known)
        super().__init__(f"unknown part {part!r}; known: {', '.join(self.known)}")


class UnknownQuantityError(MetrologyError, LookupError):
    """A name that is no input of the measurement model."""

    def __init__(self, *, name: str, known: Iterable[str]) -> None:
        self.name = name
        self.known = tuple(known)
        super().__init__(f"unknown input {name!r}; known: {', '.join(self.known)}")


class NoSolutionError(MetrologyError):
    """No value of a part does what was asked."""

    def __init__(self, *, subject: str, reason: str) -> None:
        self.subject = subject
        self.reason = reason
        super().__init__(f"{subject}: {reason}")
