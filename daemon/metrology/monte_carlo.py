"""Propagation of distributions by drawing numbers (JCGM 101)."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, sqrt
from typing import Any

import numpy as np

from daemon.metrology.checks import not_negative, ordered, probability
from daemon.metrology.errors import ArgumentError
from daemon.metrology.propagation import (
    Correlations,
    Floats,
    Input,
    correlation_matrix,
    require_names,
)
from daemon.metrology.uncertainty import HALF_WIDTH_DIVISOR, Distribution

# Two batches, where the standard lets the test begin, agree by chance too often.
_DIGITS = 17
"""Of a number in a machine; more say nothing."""
_FEWEST_BATCHES = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class MonteCarloResult:
    """What the drawn values of a result say, in the unit of the result.

    `symmetric` leaves equal probability on both sides, `shortest` is the
    narrowest interval; both have the coverage probability asked for.
    `stable` is False when the trials ran out before the tolerance was met.
    """

    estimate: float
    standard: float
    symmetric: tuple[float, float]
    shortest: tuple[float, float]
    coverage: float
    trials: int
    tolerance: float
    stable: bool


def monte_carlo(
    model: Callable[..., Any],
    inputs: Sequence[Input],
    *,
    seed: int,
    coverage: float = 0.95,
    significant_digits: int = 2,
    correlations: Correlations | None = None,
    most_trials: int = 10_000_000,
) -> MonteCarloResult:
    """Draw inputs until the result's figures are stable.

    Parameters
    ----------
    model : callable
        Takes the inputs by name, each an array of shape (trials,), and returns
        an array of that shape (numpy functions).
    inputs : sequence of Input
        One or more, names distinct; drawn from their distributions.
    seed : int
        Of the drawing: the same seed gives the same result.
    coverage : float
        Coverage probability, strictly between 0 and 1.
    significant_digits : int
        Of the standard uncertainty that are to be right, 1 to 4.
    correlations : mapping of (str, str) to float, optional
        Correlation coefficients of pairs of normal inputs.
    most_trials : int
        Where to stop whether stable or not, at least ten batches.

    Returns
    -------
    MonteCarloResult

    Raises
    ------
    ArgumentError
        If an argument is outside its bound, a correlated input is not normal,
        or the model gives values that are not finite.
    UnknownQuantityError
        If a correlation names no input.

    Notes
    -----
    The adaptive procedure of JCGM 101, 7.9: batches of max(10^4, 100/(1 - p))
    trials are added until twice the standard deviation of the batches' mean
    of estimate, standard uncertainty and both ends of the symmetric interval
    is below the numerical tolerance, half a unit of the last digit asked for.

    Examples
    --------
    >>> lines = [
    ...     Input(name=n, estimate=0.0, standard=1.0,
    ...           distribution=Distribution.RECTANGULAR)
    ...     for n in ("a", "b", "c", "d")
    ... ]
    >>> result = monte_carlo(lambda a, b, c, d: a + b + c + d, lines, seed=1)
    >>> round(result.standard, 1), round(result.symmetric[1], 1)
    (2.0, 3.9)
    """
    probability(coverage=coverage)
    not_negative(seed=seed)
    if not 1 <= significant_digits <= 4:
        raise ArgumentError(
            name="significant_digits", value=significant_digits, bound=">= 1 and <= 4"
        )
    require_names(inputs)
    root = _root(inputs, correlations or {})
    batch = max(10_000, ceil(100 / (1 - coverage)))
    if most_trials < _FEWEST_BATCHES * batch:
        raise ArgumentError(
            name="most_trials", value=most_trials, bound=f">= {_FEWEST_BATCHES * batch}"
        )
    drawing = np.random.default_rng(seed)
    ends = [(1 - coverage) / 2, (1 + coverage) / 2]
    values: list[Floats] = []
    figures: list[Floats] = []
    tolerance, stable = 0.0, False
    while not stable and (len(values) + 1) * batch <= most_trials:
        results = _results(model, _draw(inputs, root, batch, drawing), batch)
        values.append(results)
        figures.append(
            np.array([results.mean(), results.std(ddof=1), *np.quantile(results, ends)])
        )
        if len(figures) >= _FEWEST_BATCHES:
            standard = _pooled_deviation(figures, batch)
            tolerance = numerical_tolerance(standard, significant_digits)
            scatter = np.std(figures, axis=0, ddof=1) / sqrt(len(figures))
            stable = bool(np.all(2 * scatter <= tolerance))
    drawn = np.sort(np.concatenate(values))
    low, high = np.quantile(drawn, ends)
    return MonteCarloResult(
        estimate=float(drawn.mean()),
        standard=float(drawn.std(ddof=1)),
        symmetric=(float(low), float(high)),
        shortest=_shortest(drawn, coverage),
        coverage=coverage,
        trials=drawn.size,
        tolerance=tolerance,
        stable=stable,
    )


def numerical_tolerance(standard: float, significant_digits: int) -> float:
    """Return half a unit of the last significant digit of an uncertainty.

    Parameters
    ----------
    standard : float
        Standard uncertainty, >= 0.
    significant_digits : int
        How many of its digits count, >= 1 and <= 17.

    Returns
    -------
    float
        In the same unit (JCGM 101, 7.9.2); 0 for an uncertainty of 0.

    Raises
    ------
    MetrologyError
        For an uncertainty that is negative or not finite, or no digit at all.

    Examples
    --------
    >>> numerical_tolerance(0.00035, 2), numerical_tolerance(2.0, 1)
    (5e-06, 0.5)
    """
    not_negative(standard=standard)
    if not 1 <= significant_digits <= _DIGITS:
        raise ArgumentError(
            name="significant_digits",
            value=significant_digits,
            bound=f">= 1 and <= {_DIGITS}",
        )
    if standard == 0:
        return 0.0
    # Through the written form, so that 0.1 is not taken for 0.0999.
    exponent = int(f"{standard:.{significant_digits - 1}e}".partition("e")[2])
    return float(f"5e{exponent - significant_digits}")


def framework_holds(
    expanded: tuple[float, float], drawn: MonteCarloResult, *, shortest: bool = False
) -> bool:
    """Tell whether a first-order interval agrees with the drawn one.

    Parameters
    ----------
    expanded : tuple of float
        Ends of the interval by JCGM 100, same coverage probability.
    drawn : MonteCarloResult
        Its numerical tolerance decides.
    shortest : bool
        Compare with the shortest instead of the symmetric interval.

    Returns
    -------
    bool
        Both ends agree within the tolerance (JCGM 101, 8.1).

    Raises
    ------
    ArgumentError
        If the ends are reversed.

    Examples
    --------
    >>> line = [Input(name="x", estimate=0.0, standard=1.0)]
    >>> drawn = monte_carlo(lambda x: x, line, seed=1)
    >>> framework_holds((-1.96, 1.96), drawn), framework_holds((-2.2, 2.2), drawn)
    (True, False)
    """
    ordered(low=expanded[0], high=expanded[1])
    interval = drawn.shortest if shortest else drawn.symmetric
    return all(
        abs(ours - theirs) <= drawn.tolerance
        for ours, theirs in zip(expanded, interval, strict=True)
    )


def _results(model: Callable[..., Any], drawn: dict[str, Floats], size: int) -> Floats:
    # What is no number is refused below, so numpy need not warn of it.
    with np.errstate(all="ignore"):
        results = np.broadcast_to(np.asarray(model(**drawn), dtype=float), (size,))
    if not np.all(np.isfinite(results)):
        raise ArgumentError(
            name="result of the model", value="nan or inf", bound="finite"
        )
    return results


def _pooled_deviation(figures: Sequence[Floats], batch: int) -> float:
    """Return the deviation of all trials from each batch's mean and deviation."""
    means, deviations = np.array(figures)[:, :2].T
    within = (batch - 1) * np.sum(deviations**2)
    across = batch * np.sum((means - means.mean()) ** 2)
    return sqrt(float(within + across) / (batch * len(figures) - 1))


def _root(inputs: Sequence[Input], correlations: Correlations) -> Floats | None:
    """Return a matrix that correlates standard normal draws; None if none are."""
    if not correlations:
        return None
    matrix = correlation_matrix(inputs, correlations)
    for one, row in zip(inputs, matrix, strict=True):
        correlated = np.count_nonzero(row) > 1
        if correlated and one.distribution is not Distribution.NORMAL:
            raise ArgumentError(
                name=f"distribution of {one.name}",
                value=str(one.distribution),
                bound="normal, because it is correlated",
            )
    # By eigenvectors: a correlation of exactly 1 has no Cholesky factor.
    eigenvalues, vectors = np.linalg.eigh(matrix)
    return np.asarray(vectors * np.sqrt(np.maximum(eigenvalues, 0.0)))


def _draw(
    inputs: Sequence[Input],
    root: Floats | None,
    size: int,
    drawing: np.random.Generator,
) -> dict[str, Floats]:
    """Return `size` draws of each input (JCGM 101, table 1)."""
    normal = drawing.standard_normal((len(inputs), size))
    if root is not None:
        normal = root @ normal
    return {
        one.name: one.estimate + one.standard * _standard_draw(one, row, drawing)
        for one, row in zip(inputs, normal, strict=True)
    }


def _standard_draw(one: Input, normal: Floats, drawing: np.random.Generator) -> Floats:
    half_width = HALF_WIDTH_DIVISOR.get(one.distribution, 0.0)
    size = normal.size
    match one.distribution:
        case Distribution.RECTANGULAR:
            return drawing.uniform(-half_width, half_width, size)
        case Distribution.TRIANGULAR:
            return drawing.triangular(-half_width, 0.0, half_width, size)
        case Distribution.ARCSINE:
            return half_width * np.sin(drawing.uniform(0.0, 2 * np.pi, size))
        case Distribution.STUDENT if np.isfinite(one.degrees_of_freedom):
            return drawing.standard_t(one.degrees_of_freedom, size)
        case _:
            return normal


def _shortest(drawn: Floats, coverage: float) -> tuple[float, float]:
    """Return the narrowest interval of sorted values (JCGM 101, 7.7.4)."""
    inside = int(coverage * drawn.size + 0.5)
    widths = drawn[inside:] - drawn[: drawn.size - inside]
    start = int(np.argmin(widths))
    return float(drawn[start]), float(drawn[start + inside])
