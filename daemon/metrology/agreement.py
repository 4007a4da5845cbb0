"""Agreement of two meters on the same thing."""

from dataclasses import dataclass
from math import hypot

from daemon.metrology.checks import finite, not_negative, positive


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Two results compared: `normalised_error` is E_n, dimensionless."""

    difference: float
    normalised_error: float

    @property
    def agree(self) -> bool:
        """Whether the difference is within its expanded uncertainty, |E_n| <= 1."""
        return abs(self.normalised_error) <= 1


def agreement(
    value: float, expanded: float, other: float, other_expanded: float
) -> Agreement:
    """Return the normalised error of one meter against another.

    Parameters
    ----------
    value, other : float
        What both read, one unit; `other` is the better known.
    expanded, other_expanded : float
        Their expanded uncertainties (k = 2), independent, >= 0, not both 0.

    Returns
    -------
    Agreement
        E_n = (value - other) / sqrt(expanded^2 + other_expanded^2) (ISO/IEC
        17043:2010, B.3.1.3; ISO 13528). What both meters have in common, a
        standard resistor for one, must not be in the uncertainties.

    Raises
    ------
    ArgumentError
        If an argument is outside its bound.

    Examples
    --------
    >>> result = agreement(50.021, 0.004, 50.020, 0.003)
    >>> round(result.normalised_error, 6), result.agree
    (0.2, True)
    """
    finite(value=value, other=other)
    not_negative(expanded=expanded, other_expanded=other_expanded)
    together = hypot(expanded, other_expanded)
    positive(**{"combined expanded uncertainty": together})
    return Agreement(
        difference=value - other, normalised_error=(value - other) / together
    )
