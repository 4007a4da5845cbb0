"""A range's transfer: the formula over part values that makes the reading.

The formula is data, for example ``(R12 + RS) * (1 + R3 / R4)``. Nominal
transfer, sensitivities, tolerance budget and the value a suspect part must
have follow from it.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import product
from math import exp, hypot, isfinite, log
from typing import Any

from uncertainties import ufloat

from daemon.metrology.checks import finite, positive
from daemon.metrology.errors import (
    ArgumentError,
    NoSolutionError,
    UnknownPartError,
)
from daemon.metrology.plain_arithmetic import plain_arithmetic

_WIDEST_LOG_RATIO = log(1e9)
_MOST_TOLERANCED_PARTS = 16
_COMPARABLE = 3.0
"""Own parts of a range whose effects lie within this factor are alike to readings."""
_SAME_EFFECT_PPM = 1e-3
"""Effects nearer than this are equal: what is left is how the formula is written."""
_NO_BUILTINS: dict[str, Any] = {"__builtins__": {}}


class Transfer:
    """Output of a range per unit of its input, as a formula over part values.

    Parameters
    ----------
    formula : str
        Part names, numbers, ``+ - * /`` and parentheses. Powers, attributes,
        calls and comparisons are refused: nothing else is needed for a network
        of resistors, and nothing else can then be smuggled in with a setting.

    Raises
    ------
    FormulaError
        If the formula is anything but plain arithmetic that names a part.

    Examples
    --------
    >>> transfer = Transfer("R12 * (1 + R3 / R4)")
    >>> transfer.names
    ('R12', 'R3', 'R4')
    >>> transfer.value({"R12": 10_000.0, "R3": 9_000.0, "R4": 1_000.0})
    100000.0
    """

    __slots__ = ("_code", "formula", "names")

    def __init__(self, formula: str) -> None:
        self.formula = formula
        tree, self.names = plain_arithmetic(formula)
        self._code = compile(tree, "<transfer>", "eval")

    def __repr__(self) -> str:
        return f"Transfer({self.formula!r})"

    def value(self, values: Mapping[str, float]) -> float:
        """Return the transfer for these part values.

        Parameters
        ----------
        values : mapping of str to float
            Ohm, by part name; parts the formula does not name are ignored.

        Returns
        -------
        float
            Output unit per input unit (volt per ampere for a current input).

        Raises
        ------
        UnknownPartError
            If a part has no value.
        ArgumentError
            If the transfer is not finite with these values.

        Examples
        --------
        >>> Transfer("R4 / (R3 + R4)").value({"R3": 9.0, "R4": 1.0})
        0.1
        """
        result = self._evaluate(values)
        if not isfinite(result):
            raise ArgumentError(name=self.formula, value=result, bound="finite")
        return float(result)

    def sensitivities(self, values: Mapping[str, float]) -> dict[str, float]:
        """Return how strongly each part moves the transfer, relatively.

        Parameters
        ----------
        values : mapping of str to float
            Ohm, by part name.

        Returns
        -------
        dict of str to float
            d ln(transfer) / d ln(part), dimensionless: 1 means that one percent
            of the part is one percent of the reading. In the formula's order.

        Raises
        ------
        UnknownPartError
            If a part has no value.
        ArgumentError
            If a part is not above zero, or the transfer is zero or not finite.

        Notes
        -----
        The derivatives are the linear propagation of the `uncertainties`
        library (JCGM 100, 5.1.3).

        Examples
        --------
        >>> Transfer("R12 * (1 + R3 / R4)").sensitivities(
        ...     {"R12": 10_000.0, "R3": 9_000.0, "R4": 1_000.0}
        ... )
        {'R12': 1.0, 'R3': 0.9, 'R4': -0.9}
        """
        self._require_positive(values)
        nominal = self._not_zero(values)
        parts = {name: ufloat(float(values[name]), 1.0) for name in self.names}
        derivatives = self._evaluate(parts).derivatives
        return {
            name: float(derivatives[part]) * float(values[name]) / nominal
            for name, part in parts.items()
        }

    def implied(
        self, part: str, relative_error: float, values: Mapping[str, float]
    ) -> float:
        """Return the value of a part that explains a relative error.

        Parameters
        ----------
        part : str
            Name of the suspect part; all others keep their `values`.
        relative_error : float
            Relative error of the transfer, dimensionless (0.01 is one percent).
        values : mapping of str to float
            Nominal values, ohm.

        Returns
        -------
        float
            Ohm. The formula is inverted, not linearised; of several solutions
            the one nearest to the nominal value.

        Raises
        ------
        UnknownPartError
            If the part is not in the formula or a part has no value.
        NoSolutionError
            If no value from a billionth to a billion times nominal does it.

        Examples
        --------
        >>> nominal = {"R12": 10_000.0, "R3": 9_000.0, "R4": 1_000.0}
        >>> round(Transfer("R12 * (1 + R3 / R4)").implied("R3", 0.01, nominal), 6)
        9100.0
        """
        if part not in self.names:
            raise UnknownPartError(part=part, known=self.names)
        # Costs more to load than all else that a command needs.
        from scipy.optimize import brentq  # noqa: PLC0415

        finite(relative_error=relative_error)
        self._require_positive(values)
        nominal = self._not_zero(values)
        trial = {name: float(values[name]) for name in self.names}
        nominal_ohm = trial[part]

        def miss(log_ratio: float) -> float:
            trial[part] = nominal_ohm * exp(log_ratio)
            return float(self._evaluate(trial)) / nominal - 1 - relative_error

        if miss(0.0) == 0:
            return nominal_ohm
        bracket = _nearest_sign_change(miss, first=max(abs(relative_error), 1e-9))
        if bracket is None:
            raise NoSolutionError(
                subject=part,
                reason=f"no value of it makes an error of {relative_error * 1e6:g} "
                f"ppm in {self.formula}",
            )
        found = float(brentq(miss, *bracket, xtol=1e-16, rtol=1e-15))
        if not abs(miss(found)) <= 1e-9 * (1 + abs(relative_error)):
            raise NoSolutionError(
                subject=part,
                reason=f"{self.formula} has a pole, no solution, for an error of "
                f"{relative_error * 1e6:g} ppm",
            )
        return nominal_ohm * exp(found)

    def contributions_ppm(
        self, values: Mapping[str, float], bounds_ppm: Mapping[str, float]
    ) -> dict[str, float]:
        """Return |sensitivity| times bound of each part.

        Parameters
        ----------
        values : mapping of str to float
            Nominal values, ohm.
        bounds_ppm : mapping of str to float
            Tolerance in ppm, or temperature coefficient in ppm/K: the result has
            the same unit, of the transfer.

        Returns
        -------
        dict of str to float
            In the formula's order.

        Raises
        ------
        UnknownPartError
            If a part has no value or no bound.
        ArgumentError
            If a value or bound is outside what is allowed.

        Examples
        --------
        >>> Transfer("R12 + RS").contributions_ppm(
        ...     {"R12": 99.0, "RS": 1.0}, {"R12": 25.0, "RS": 4000.0}
        ... )
        {'R12': 24.75, 'RS': 40.0}
        """
        return {
            name: abs(sensitivity) * self._bound_ppm(name, bounds_ppm)
            for name, sensitivity in self.sensitivities(values).items()
        }

    def tolerance_budget(
        self, values: Mapping[str, float], tolerances_ppm: Mapping[str, float]
    ) -> "ToleranceBudget":
        """Return what the parts' tolerances may do to the transfer.

        Parameters
        ----------
        values : mapping of str to float
            Nominal values, ohm.
        tolerances_ppm : mapping of str to float
            Half-width of each part's tolerance, ppm of its value, below 10^6.

        Returns
        -------
        ToleranceBudget
            Worst case from all corners of the tolerances, and root sum of
            squares of the linear contributions, ppm of the transfer.

        Raises
        ------
        UnknownPartError
            If a part has no value or no tolerance.
        ArgumentError
            If a value or tolerance is outside its bound.

        Examples
        --------
        >>> budget = Transfer("R12 * (1 + R3 / R4)").tolerance_budget(
        ...     {"R12": 10_000.0, "R3": 9_000.0, "R4": 1_000.0},
        ...     {"R12": 1000.0, "R3": 1000.0, "R4": 1000.0},
        ... )
        >>> round(budget.worst_case_ppm), round(budget.root_sum_square_ppm)
        (2804, 1619)
        """
        parts_ppm = self.contributions_ppm(values, tolerances_ppm)
        moving = [name for name in self.names if tolerances_ppm[name] > 0]
        if len(moving) > _MOST_TOLERANCED_PARTS:
            raise ArgumentError(
                name="number of parts with a tolerance",
                value=len(moving),
                bound=f"<= {_MOST_TOLERANCED_PARTS}",
            )
        nominal = self.value(values)
        worst = 0.0
        for signs in product((-1, 1), repeat=len(moving)):
            corner = dict(values)
            for name, sign in zip(moving, signs, strict=True):
                corner[name] = values[name] * (1 + sign * tolerances_ppm[name] * 1e-6)
            worst = max(worst, abs(self.value(corner) / nominal - 1))
        return ToleranceBudget(
            worst_case_ppm=worst * 1e6,
            root_sum_square_ppm=hypot(*parts_ppm.values()),
            parts_ppm=parts_ppm,
        )

    def _evaluate(self, values: Mapping[str, Any]) -> Any:
        try:
            # Only names, numbers and + - * / are left in the tree.
            return eval(self._code, _NO_BUILTINS, values)  # noqa: S307
        except NameError as exc:
            raise UnknownPartError(part=exc.name or "?", known=values) from exc
        except (ZeroDivisionError, OverflowError) as exc:
            raise ArgumentError(
                name=self.formula, value=float("inf"), bound="finite"
            ) from exc

    def _require_positive(self, values: Mapping[str, float]) -> None:
        for name in self.names:
            if name not in values:
                raise UnknownPartError(part=name, known=values)
            positive(**{name: values[name]})

    def _not_zero(self, values: Mapping[str, float]) -> float:
        nominal = self.value(values)
        if nominal == 0:
            raise ArgumentError(name=self.formula, value=nominal, bound="not 0")
        return nominal

    def _bound_ppm(self, name: str, bounds_ppm: Mapping[str, float]) -> float:
        if name not in bounds_ppm:
            raise UnknownPartError(part=name, known=bounds_ppm)
        bound_ppm = bounds_ppm[name]
        if not 0 <= bound_ppm < 1e6:
            raise ArgumentError(
                name=f"bound of {name}", value=bound_ppm, bound=">= 0 and < 1e6 ppm"
            )
        return bound_ppm


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceBudget:
    """What part tolerances may do to a transfer, ppm of the transfer."""

    worst_case_ppm: float
    root_sum_square_ppm: float
    parts_ppm: Mapping[str, float]
    """Linear contribution of each part, |sensitivity| times tolerance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeParts:
    """Which parts move one range alone, all ranges, or some.

    A part that only one range uses but that is not its dominant one (a trace in
    series with the range resistor) is in none of the three.
    """

    own: Mapping[str, str | None]
    """Range to the dominant part that no other range uses; None without one. Of equal
    ones the first by name, however the formula is written."""
    alike: Mapping[str, tuple[str, ...]]
    """Range to those of its own parts that its readings cannot tell apart, since each
    may move it about as far as the dominant one: that one first, then by effect.
    Empty where the dominant one stands out."""
    shared_by_all: tuple[str, ...]
    shared_by_some: Mapping[str, tuple[str, ...]]
    """Part to the ranges that use it, at least two but not all."""


def range_parts(
    transfers: Mapping[str, Transfer],
    values: Mapping[str, float],
    tolerances_ppm: Mapping[str, float],
) -> RangeParts:
    """Tell which parts belong to one range and which to several.

    Parameters
    ----------
    transfers : mapping of str to Transfer
        By range, one or more.
    values : mapping of str to float
        Nominal values of the parts, ohm.
    tolerances_ppm : mapping of str to float
        Half-width of each part's tolerance, ppm.

    Returns
    -------
    RangeParts
        With a single range nothing is shared: its strongest part is its own.

    Raises
    ------
    ArgumentError
        Without a range.
    UnknownPartError
        If a part has no value or tolerance.

    Examples
    --------
    >>> parts = range_parts(
    ...     {"low": Transfer("R11 * R3 / R4"), "high": Transfer("R12 * R3 / R4")},
    ...     {"R11": 1e6, "R12": 1e5, "R3": 9e3, "R4": 1e3},
    ...     {"R11": 1e3, "R12": 1e3, "R3": 1e3, "R4": 1e3},
    ... )
    >>> parts.own
    {'low': 'R11', 'high': 'R12'}
    >>> parts.shared_by_all
    ('R3', 'R4')
    >>> range_parts(
    ...     {"high": Transfer("R4 / (R3 + R4)"), "low": Transfer("R2 / (R1 + R2)")},
    ...     {"R1": 9e3, "R2": 1e3, "R3": 9e3, "R4": 1e3},
    ...     {"R1": 1e3, "R2": 1e4, "R3": 1e3, "R4": 1e3},
    ... ).alike
    {'high': ('R3', 'R4'), 'low': ()}
    """
    if not transfers:
        raise ArgumentError(name="number of ranges", value=0, bound=">= 1")
    users: dict[str, list[str]] = {}
    for key, transfer in transfers.items():
        for name in transfer.names:
            users.setdefault(name, []).append(key)
    own: dict[str, str | None] = {}
    alike: dict[str, tuple[str, ...]] = {}
    for key, transfer in transfers.items():
        effect_ppm = {
            name: round(effect / _SAME_EFFECT_PPM)
            for name, effect in transfer.contributions_ppm(
                values, tolerances_ppm
            ).items()
        }
        alone = sorted(
            (name for name in transfer.names if users[name] == [key]),
            key=lambda name: (-effect_ppm[name], name),
        )
        own[key] = alone[0] if alone else None
        near = tuple(
            name
            for name in alone
            if _COMPARABLE * effect_ppm[name] >= effect_ppm[alone[0]]
        )
        alike[key] = near if len(near) > 1 else ()
    several = {name: keys for name, keys in users.items() if len(keys) > 1}
    return RangeParts(
        own=own,
        alike=alike,
        shared_by_all=tuple(
            name for name, keys in several.items() if len(keys) == len(transfers)
        ),
        shared_by_some={
            name: tuple(keys)
            for name, keys in several.items()
            if len(keys) < len(transfers)
        },
    )


def _nearest_sign_change(
    miss: Callable[[float], float], *, first: float
) -> tuple[float, float] | None:
    """Return the log-ratio interval nearest to 0 in which `miss` changes sign."""
    at_zero = miss(0.0)
    inner = {-1: 0.0, 1: 0.0}
    step = first / 4
    while True:
        for side, near in inner.items():
            far = side * min(step, _WIDEST_LOG_RATIO)
            if miss(far) * at_zero <= 0:
                return (near, far)
            inner[side] = far
        if step >= _WIDEST_LOG_RATIO:
            return None
        step *= 2


__all__ = ["RangeParts", "ToleranceBudget", "Transfer", "range_parts"]
