"""Log-odds limits for an accepted rate of false holds."""

from daemon.spc.errors import OutOfRangeError

SHIPPED_LIMITS = {500: 1.5, 5000: 3.0}


def shipped_limit(units_per_false_hold: float) -> float:
    """Return a conservative log-odds limit for any product."""
    if not units_per_false_hold >= 1:
        raise OutOfRangeError(
            argument="units_per_false_hold",
            value=units_per_false_hold,
            allowed="at least 1",
        )
    return SHIPPED_LIMITS[500] if units_per_false_hold <= 500 else SHIPPED_LIMITS[5000]
