"""Input quantities of a measurement model, and how they are correlated."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Self

import numpy as np
from numpy.typing import NDArray

from daemon.metrology.checks import degrees_of_freedom, finite, not_negative
from daemon.metrology.errors import ArgumentError, UnknownQuantityError
from daemon.metrology.uncertainty import Distribution, of_half_width, type_a

Floats = NDArray[np.float64]
Correlations = Mapping[tuple[str, str], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One input quantity of a measurement model, any unit.

    `standard` is its standard uncertainty; for Student's t the scale of the
    distribution, as the deviation of a mean is.
    """

    name: str
    estimate: float
    standard: float
    distribution: Distribution = Distribution.NORMAL
    degrees_of_freedom: float = inf

    def __post_init__(self) -> None:
        finite(**{self.name: self.estimate})
        not_negative(**{f"standard uncertainty of {self.name}": self.standard})
        degrees_of_freedom(
            **{f"degrees of freedom of {self.name}": self.degrees_of_freedom}
        )

    @classmethod
    def of_readings(cls, name: str, readings: Sequence[float]) -> Self:
        """Return the mean of two or more readings (JCGM 100, 4.2).

        >>> Input.of_readings("V", [4.99, 5.00, 5.01]).degrees_of_freedom
        2
        """
        series = type_a(readings)
        return cls(
            name=name,
            estimate=series.mean,
            standard=series.standard,
            distribution=Distribution.STUDENT,
            degrees_of_freedom=series.degrees_of_freedom,
        )

    @classmethod
    def of_bounds(
        cls,
        name: str,
        estimate: float,
        half_width: float,
        distribution: Distribution = Distribution.RECTANGULAR,
    ) -> Self:
        """Return a quantity known to lie within a half-width (JCGM 100, 4.3.7).

        >>> round(Input.of_bounds("R", 10.0, 0.01).standard, 5)
        0.00577
        """
        return cls(
            name=name,
            estimate=estimate,
            standard=of_half_width(half_width, distribution),
            distribution=distribution,
        )


def require_names(inputs: Sequence[Input]) -> None:
    """Refuse no inputs, or two of one name.

    Parameters
    ----------
    inputs : sequence of Input
        Of a measurement model.

    Returns
    -------
    None

    Raises
    ------
    ArgumentError
        If there are none or a name comes twice.

    Examples
    --------
    >>> require_names([Input(name="V", estimate=1.0, standard=0.1)])
    """
    if not inputs:
        raise ArgumentError(name="number of inputs", value=0, bound=">= 1")
    names = [one.name for one in inputs]
    if len(set(names)) < len(names):
        raise ArgumentError(name="names of inputs", value=names, bound="distinct")


def correlation_matrix(inputs: Sequence[Input], correlations: Correlations) -> Floats:
    """Return correlations as a matrix, refusing impossible ones.

    Parameters
    ----------
    inputs : sequence of Input
        n of them, names distinct.
    correlations : mapping of (str, str) to float
        Coefficients of pairs, from -1 to 1.

    Returns
    -------
    ndarray, shape (n, n)
        Symmetric, 1 on the diagonal, 0 where nothing is given.

    Raises
    ------
    ArgumentError
        If a coefficient is outside its bound, or no quantities could be
        correlated like that.
    UnknownQuantityError
        If a pair names no input.

    Examples
    --------
    >>> pair = [Input(name=name, estimate=0.0, standard=1.0) for name in "xy"]
    >>> correlation_matrix(pair, {("x", "y"): 0.5}).tolist()
    [[1.0, 0.5], [0.5, 1.0]]
    """
    places = {one.name: place for place, one in enumerate(inputs)}
    matrix = np.eye(len(inputs))
    for pair, coefficient in correlations.items():
        for name in pair:
            if name not in places:
                raise UnknownQuantityError(name=name, known=places)
        if pair[0] == pair[1] or not -1 <= coefficient <= 1:
            raise ArgumentError(
                name=f"correlation of {pair[0]} and {pair[1]}",
                value=coefficient,
                bound=">= -1 and <= 1, of two inputs",
            )
        i, j = places[pair[0]], places[pair[1]]
        matrix[i, j] = matrix[j, i] = coefficient
    smallest = float(np.linalg.eigvalsh(matrix)[0])
    if smallest < -1e-9:
        raise ArgumentError(
            name="smallest eigenvalue of the correlations", value=smallest, bound=">= 0"
        )
    return matrix
