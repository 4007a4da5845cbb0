"""The factor by which a customer corrects a range whose error is known."""

from dataclasses import dataclass

from daemon.metrology.checks import finite, not_negative
from daemon.metrology.errors import ArgumentError

PPM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """Multiply a reading by `factor`; `uncertainty` is standard (k = 1)."""

    factor: float
    uncertainty: float

    @property
    def expanded(self) -> float:
        """Expanded uncertainty, k = 2."""
        return 2.0 * self.uncertainty


def correction(error_ppm: float, uncertainty_ppm: float) -> Correction:
    """Return the factor 1/(1 + e) of a range with the relative error e.

    Parameters
    ----------
    error_ppm : float
        Of the range, ppm of reading, above minus one million.
    uncertainty_ppm : float
        Standard uncertainty of the error, ppm of reading, >= 0.

    Returns
    -------
    Correction
        Its uncertainty is u(e) / (1 + e)^2 (JCGM 100, 5.1.2: first order).

    Raises
    ------
    ArgumentError
        If a value is not finite or out of its bounds.

    Examples
    --------
    >>> made = correction(3_000.0, 100.0)
    >>> round(made.factor, 6), round(made.expanded, 6)
    (0.997009, 0.000199)
    """
    finite(error_ppm=error_ppm)
    not_negative(uncertainty_ppm=uncertainty_ppm)
    if error_ppm <= -1e6:
        raise ArgumentError(name="error_ppm", value=error_ppm, bound="> -1000000")
    factor = 1.0 / (1.0 + error_ppm * PPM)
    return Correction(factor=factor, uncertainty=uncertainty_ppm * PPM * factor**2)
