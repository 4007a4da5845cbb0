"""Propagation of uncertainty through a measurement model (JCGM 100 and 102)."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import inf, isinf, sqrt
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from uncertainties import nominal_value, ufloat

from daemon.metrology.checks import (
    degrees_of_freedom,
    finite,
    not_negative,
    within_reach,
)
from daemon.metrology.errors import (
    ArgumentError,
    MetrologyError,
    UnknownQuantityError,
)
from daemon.metrology.uncertainty import (
    Distribution,
    coverage_factor,
    of_half_width,
    type_a,
)

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
    smallest = float(min(np.linalg.eigvalsh(matrix), default=1.0))
    if smallest < -1e-9:
        raise ArgumentError(
            name="smallest eigenvalue of the correlations", value=smallest, bound=">= 0"
        )
    return matrix


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """What one input contributes: `contribution` = `sensitivity` * `standard`.

    The sign of the contribution matters where inputs are correlated.
    """

    name: str
    estimate: float
    standard: float
    degrees_of_freedom: float
    sensitivity: float
    contribution: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """A result with its uncertainty, and what each input contributes."""

    estimate: float
    standard: float
    degrees_of_freedom: float
    lines: tuple[Line, ...]

    def expanded(self, coverage: float) -> float:
        """Return the half-width of a coverage interval, by Student's t (G.4).

        >>> volt = Input(name="V", estimate=1.0, standard=0.1)
        >>> round(propagate(lambda V: 2 * V, [volt]).expanded(0.95), 3)
        0.392
        """
        return self.standard * coverage_factor(coverage, self.degrees_of_freedom)


@dataclass(frozen=True, slots=True, kw_only=True)
class JointResult:
    """Several results of the same inputs.

    `estimates` has shape (m,), `covariance` and `correlation` (m, m).
    """

    estimates: Floats
    covariance: Floats

    @property
    def standard(self) -> Floats:
        """Standard uncertainty of each result, shape (m,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> Floats:
        """Correlation of the results, shape (m, m); 0 with one exactly known."""
        both = np.outer(self.standard, self.standard)
        found = np.eye(len(both))
        np.divide(self.covariance, both, out=found, where=both > 0)
        return found


@within_reach
def propagate(
    model: Callable[..., Any],
    inputs: Sequence[Input],
    correlations: Correlations | None = None,
    *,
    second_order: bool = False,
) -> Budget:
    """Return a result's budget from its model and inputs.

    Parameters
    ----------
    model : callable
        Takes the inputs by name and returns one value. Plain arithmetic, and
        functions from `uncertainties.umath` (``sin``, ``sqrt``) for the rest.
    inputs : sequence of Input
        One or more, names distinct.
    correlations : mapping of (str, str) to float, optional
        Correlation coefficients of pairs of inputs, from -1 to 1; pairs that
        are not given are uncorrelated.
    second_order : bool
        Add the second-order terms for a model that is not linear over the
        inputs' uncertainties (JCGM 100, 5.1.2 note; uncorrelated inputs only).

    Returns
    -------
    Budget
        Effective degrees of freedom by Welch and Satterthwaite (G.4.1), from
        first-order contributions. With correlated inputs of finite degrees of
        freedom the formula does not hold: the smallest of them is taken, which
        is never too large a claim.

    Raises
    ------
    ArgumentError
        If an input or correlation is outside its bound, or the correlations
        contradict one another.
    UnknownQuantityError
        If a correlation names no input.

    Notes
    -----
    Law of propagation, JCGM 100, 5.1.2 and 5.2.2; derivatives by the
    `uncertainties` library.

    Examples
    --------
    >>> budget = propagate(
    ...     lambda V, I: V / I,
    ...     [
    ...         Input(name="V", estimate=0.1, standard=1e-5),
    ...         Input(name="I", estimate=0.01, standard=2e-6),
    ...     ],
    ... )
    >>> budget.estimate, round(budget.standard, 6)
    (10.0, 0.002236)
    """
    require_names(inputs)
    matrix = correlation_matrix(inputs, correlations or {})
    estimate, gradient = _linearised(model, inputs)
    contributions = gradient[0] * _standards(inputs)
    variance = float(contributions @ matrix @ contributions)
    if second_order:
        if correlations:
            raise ArgumentError(
                name="second_order", value=True, bound="False for correlated inputs"
            )
        variance += sum(second_order_variances(model, inputs).values())
    standard = sqrt(max(variance, 0.0))
    return Budget(
        estimate=float(estimate[0]),
        standard=standard,
        degrees_of_freedom=_degrees(inputs, contributions, matrix),
        lines=tuple(
            Line(
                name=one.name,
                estimate=one.estimate,
                standard=one.standard,
                degrees_of_freedom=one.degrees_of_freedom,
                sensitivity=float(sensitivity),
                contribution=float(contribution),
            )
            for one, sensitivity, contribution in zip(
                inputs, gradient[0], contributions, strict=True
            )
        ),
    )


@within_reach
def propagate_jointly(
    model: Callable[..., Sequence[Any]],
    inputs: Sequence[Input],
    correlations: Correlations | None = None,
) -> JointResult:
    """Return several results of the same inputs, with their covariance.

    Parameters
    ----------
    model : callable
        As for `propagate`, but returns a sequence of m values.
    inputs : sequence of Input
        One or more, names distinct.
    correlations : mapping of (str, str) to float, optional
        As for `propagate`.

    Returns
    -------
    JointResult
        JCGM 102, 6.2: covariance = C U C' with sensitivities C, shape (m, n).

    Raises
    ------
    ArgumentError
        If an input or correlation is outside its bound.
    UnknownQuantityError
        If a correlation names no input.

    Examples
    --------
    >>> both = propagate_jointly(
    ...     lambda a, b: (a + b, a - b),
    ...     [
    ...         Input(name="a", estimate=1.0, standard=3.0),
    ...         Input(name="b", estimate=1.0, standard=3.0),
    ...     ],
    ... )
    >>> both.covariance.tolist()
    [[18.0, 0.0], [0.0, 18.0]]
    """
    require_names(inputs)
    matrix = correlation_matrix(inputs, correlations or {})
    estimates, gradient = _linearised(model, inputs)
    contributions = gradient * _standards(inputs)
    return JointResult(
        estimates=estimates, covariance=contributions @ matrix @ contributions.T
    )


@within_reach
def second_order_variances(
    model: Callable[..., Any], inputs: Sequence[Input]
) -> dict[tuple[str, str], float]:
    """Return what products of two inputs' deviations add to the variance.

    Parameters
    ----------
    model : callable
        As for `propagate`.
    inputs : sequence of Input
        Uncorrelated.

    Returns
    -------
    dict of (str, str) to float
        For each pair i <= j, unit of the result squared: the terms
        [f_ij^2 / 2 + f_i f_ijj] u_i^2 u_j^2 of JCGM 100, 5.1.2 note, both
        orders of a pair together. They sum to the whole addition.

    Raises
    ------
    ArgumentError
        If an input is outside its bound.

    Notes
    -----
    Second and third derivatives are central differences of exact first ones
    over one standard uncertainty, so they are the model's mean curvature where
    it matters, and exact for a polynomial of third degree.

    Examples
    --------
    >>> pair = [Input(name=n, estimate=0.0, standard=2.0) for n in "xy"]
    >>> second_order_variances(lambda x, y: x * y, pair)[("x", "y")]
    16.0
    """
    require_names(inputs)
    u = _standards(inputs)
    size = len(inputs)
    _, gradient = _linearised(model, inputs)
    first = gradient[0]
    second = np.zeros((size, size))
    third = np.zeros((size, size))
    for j, one in enumerate(inputs):
        if one.standard == 0:
            continue
        above, below = (
            _linearised(model, inputs, shift={one.name: sign * one.standard})[1][0]
            for sign in (1, -1)
        )
        second[:, j] = (above - below) / (2 * one.standard)
        third[:, j] = (above + below - 2 * first) / one.standard**2
    terms = (second**2 / 2 + first[:, None] * third) * np.outer(u**2, u**2)
    return {
        (inputs[i].name, inputs[j].name): float(
            terms[i, j] if i == j else terms[i, j] + terms[j, i]
        )
        for i in range(size)
        for j in range(i, size)
    }


def _linearised(
    model: Callable[..., Any],
    inputs: Sequence[Input],
    shift: Mapping[str, float] | None = None,
) -> tuple[Floats, Floats]:
    """Return the results, shape (m,), and their derivatives, shape (m, n)."""
    moved = shift or {}
    variables = {
        one.name: ufloat(one.estimate + moved.get(one.name, 0.0), 1.0) for one in inputs
    }
    try:
        result = model(**variables)
    except MetrologyError:
        raise
    except (ArithmeticError, ValueError) as exc:
        raise ArgumentError(
            name="result of the model", value=str(exc), bound="finite at the estimates"
        ) from exc
    results = result if isinstance(result, tuple | list) else [result]
    estimates = np.array([float(nominal_value(y)) for y in results])
    # A result that no input moves is a plain number without derivatives.
    slopes: list[dict[Any, float]] = [getattr(y, "derivatives", {}) for y in results]
    gradient = np.array(
        [[float(slope.get(v, 0.0)) for v in variables.values()] for slope in slopes]
    )
    for place, estimate in enumerate(estimates):
        finite(**{f"result[{place}]": float(estimate)})
    for row in gradient:
        for one, sensitivity in zip(inputs, row, strict=True):
            finite(**{f"sensitivity to {one.name}": float(sensitivity)})
    return estimates, gradient


def _standards(inputs: Sequence[Input]) -> Floats:
    return np.array([one.standard for one in inputs])


def _degrees(inputs: Sequence[Input], contributions: Floats, matrix: Floats) -> float:
    finite_ones = [
        (abs(float(contribution)), one.degrees_of_freedom)
        for one, contribution in zip(inputs, contributions, strict=True)
        if contribution != 0 and not isinf(one.degrees_of_freedom)
    ]
    if not finite_ones:
        return inf
    if np.any(matrix != np.eye(len(inputs))):
        return min(degrees for _, degrees in finite_ones)
    total = float(np.linalg.norm(contributions))
    return 1 / sum(
        (contribution / total) ** 4 / degrees for contribution, degrees in finite_ones
    )
