"""The error tree of this package.

SimulatorError
    UnfitProductError     the product's settings cannot be simulated
    UnknownRangeError     the product has no such range
    UnknownSerialError    no board carries this serial
    UnknownPartError      the product has no such part
    UnknownReelError      the scenario has no such reel
    UnknownRoleError      the bench has no instrument of this role
    UnknownFaultError     no fault goes by this name
    UnfitFaultError       this instrument cannot have such a fault
    OrderError            the operator was told something that makes no sense
    PortInUseError        somebody else listens on the wanted port
"""

from collections.abc import Iterable

__all__ = [
    "OrderError",
    "PortInUseError",
    "SimulatorError",
    "UnfitFaultError",
    "UnfitProductError",
    "UnknownFaultError",
    "UnknownPartError",
    "UnknownRangeError",
    "UnknownReelError",
    "UnknownRoleError",
    "UnknownSerialError",
]


MOST_SHOWN = 12


class SimulatorError(Exception):
    """The simulated bench cannot do what it was asked."""


class UnfitProductError(SimulatorError):
    """The settings name something that this simulation has no physics for."""

    def __init__(self, *, where: str, problem: str) -> None:
        self.where = where
        self.problem = problem
        super().__init__(f"{where}: {problem}")


class _UnknownNameError(SimulatorError):
    what = "name"

    def __init__(self, *, name: str, known: Iterable[str]) -> None:
        self.name = name
        self.known = tuple(known)
        shown, more = self.known[:MOST_SHOWN], self.known[MOST_SHOWN:]
        allowed = ", ".join(shown) + (", ..." if more else "")
        super().__init__(f"{self.what} {name!r} is unknown; known: {allowed}")


class UnknownRangeError(_UnknownNameError):
    """The product has no such range."""

    what = "range"


class UnknownSerialError(_UnknownNameError):
    """No board of the scenario carries this serial."""

    what = "serial"


class UnknownPartError(_UnknownNameError):
    """The product has no such part."""

    what = "part"


class UnknownReelError(_UnknownNameError):
    """The scenario has no such reel."""

    what = "reel"


class UnknownRoleError(_UnknownNameError):
    """The bench has no instrument of this role."""

    what = "role"


class UnknownFaultError(_UnknownNameError):
    """No fault goes by this name."""

    what = "fault"


class UnfitFaultError(SimulatorError):
    """A meter's fault was asked of an instrument that is none."""

    def __init__(self, *, kind: str, role: str) -> None:
        self.kind = kind
        self.role = role
        super().__init__(f"{role} cannot have the fault {kind!r}: it is no meter")


class OrderError(SimulatorError):
    """The operator was told something that makes no sense."""

    def __init__(self, *, order: str) -> None:
        self.order = order
        super().__init__(f"not an order that the operator understands: {order[:200]}")


class PlantError(SimulatorError):
    """What was to be planted cannot be."""

    def __init__(self, *, problem: str) -> None:
        self.problem = problem
        super().__init__(problem)


class PortInUseError(SimulatorError):
    """Somebody else listens on the wanted port."""

    def __init__(self, *, role: str, port: int) -> None:
        self.role = role
        self.port = port
        super().__init__(
            f"port {port} for {role} is in use; choose another, or 0 for any free one"
        )
