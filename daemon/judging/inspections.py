"""Checks beside range errors: what a person is asked, and how each is judged.

Limits stand for the value as it was read; a maker who wants a guard band draws it
into the limit.
"""

from collections.abc import Mapping, Sequence
from math import isfinite, sqrt
from statistics import variance

from config import (
    Beside,
    HoldpointError,
    QuantityError,
    Settings,
    Unit,
    linearity_of,
    parse,
    spell,
)
from daemon.bench import RangeReadings, linearity_ppm, series_of
from storage import CheckResult, CheckRow, Verdict

__all__ = [
    "ANSWERS",
    "YES_OR_NO",
    "AnswerError",
    "answered",
    "asked",
    "failing",
    "linearity",
    "question",
    "results",
    "spelled",
]

YES_OR_NO = "yes/no"
"""What an inspection is answered with."""
ANSWERS = {"yes": 1.0, "y": 1.0, "no": 0.0, "n": 0.0}
FEWEST_FOR_NOISE = 3
"""Readings at zero, at one point, from which noise can be told."""


class AnswerError(HoldpointError, ValueError):
    """An answer that is no value of the check, or a check that the plan has not."""


def asked(
    plan: Mapping[str, Beside],
    *,
    typed: bool,
    ranges: Sequence[str],
) -> dict[str, Beside]:
    """Return the checks that a person is asked for, in the plan's order.

    Parameters
    ----------
    typed
        Whether a person reads the meters too: then noise is not in the readings.
    ranges
        Those that are measured; a check on another one is not made.
    """
    taken = {"offset"} if typed else {"offset", "noise"}
    return {
        name: one
        for name, one in plan.items()
        if one.kind not in taken and (one.range is None or one.range in ranges)
    }


def question(name: str, check: Beside, title: str | None = None) -> str:
    """Return what a person is asked; `title` is how people know the check's range.

    >>> question("supply current", Beside(kind="supply current", high=0.012))
    'supply current, in A (at most 12 mA)'
    >>> question("label is readable", Beside(kind="inspection"))
    'label is readable: yes or no'
    """
    if check.kind == "inspection":
        return f"{name}: yes or no"
    where = "" if check.range is None else f" on range {title or check.range}"
    return f"{name}{where}, in {check.unit} ({_allowed(check)})"


def answered(name: str, check: Beside, text: str) -> float:
    """Return what a person's answer means, in the check's unit.

    >>> answered("supply current", Beside(kind="supply current", high=0.012), "11.2m")
    0.0112
    >>> answered("label", Beside(kind="inspection"), "yes")
    1.0

    Raises
    ------
    AnswerError
        It is no such quantity, or neither yes nor no.
    """
    if check.kind == "inspection":
        found = ANSWERS.get(text.strip().lower())
        if found is None:
            message = f"{name}: answer yes or no, not {text!r}"
            raise AnswerError(message)
        return found
    try:
        return parse(text, Unit(check.unit))
    except QuantityError as exc:
        message = f"{name}: {exc}"
        raise AnswerError(message) from exc


def results(
    run: str,
    plan: Mapping[str, Beside],
    readings: Sequence[RangeReadings],
    answers: Mapping[str, float],
) -> tuple[CheckResult, ...]:
    """Return the checks of one run, each judged, in the plan's order.

    What neither the readings nor the answers tell is left out.

    Raises
    ------
    AnswerError
        An answer to a check that the plan has not, or one that is not finite.
    """
    for name, value in answers.items():
        if name not in plan:
            message = f"plan.toml has no check {name!r}"
            raise AnswerError(message)
        if not isfinite(value):
            message = f"{name} = {value}: must be finite"
            raise AnswerError(message)
    by_range = {one.range: one for one in readings}
    found = []
    for name, check in plan.items():
        if name in answers:
            found.append(_judged(run, name, check, answers[name]))
        elif check.range in by_range:
            read = _read(check.kind, by_range[check.range])
            if read is not None:
                found.append(_judged(run, name, check, read))
    return tuple(found)


def linearity(
    run: str, settings: Settings, readings: Sequence[RangeReadings]
) -> tuple[CheckResult, ...]:
    """Return how straight each range is that was read at further levels, judged.

    In ppm of full scale, the level that lies farthest from the line; a range that was
    read at one level, as a person reads it, has none.
    """
    found = []
    for one in readings:
        limit_ppm = settings.plan.reading.of(one.range).linearity_limit_ppm
        value_ppm = linearity_ppm(
            one, series_of(one), settings.product.ranges[one.range].full_scale
        )
        if limit_ppm is not None and value_ppm is not None:
            found.append(
                _result(
                    run,
                    linearity_of(one.range),
                    value_ppm,
                    unit=Unit.PPM,
                    low=-limit_ppm,
                    high=limit_ppm,
                )
            )
    return tuple(found)


def spelled(check: CheckResult | CheckRow) -> str:
    """Return a check's value and limits in words.

    >>> spelled(CheckResult(run="r", name="supply current", value=0.0131, unit="A",
    ...     low=None, high=0.012, verdict=Verdict.NONCONFORMING))
    'supply current 13.1 mA (at most 12 mA)'
    """
    if not check.unit:
        return f"{check.name}: {'yes' if check.value else 'no'}"
    value = spell(float(f"{check.value:.4g}"), Unit(check.unit))
    return f"{check.name} {value} ({_between(check.low, check.high, check.unit)})"


def failing(checks: Sequence[CheckResult]) -> str | None:
    """Return what failed, in a sentence; None where nothing did."""
    failed = [one for one in checks if one.verdict is Verdict.NONCONFORMING]
    if not failed:
        return None
    return f"nonconforming: {'; '.join(spelled(one) for one in failed)}"


def _read(kind: str, readings: RangeReadings) -> float | None:
    """Return offset or noise of the output, V, its movement towards rest taken off.

    Noise is that at zero, or at all levels where a range is not read at zero; None
    where it was read too seldom.
    """
    if kind == "offset":
        return series_of(readings).output.zero
    if kind == "noise":
        still = [one for one in readings.points if one.level == 0]
        read = [
            one.output if one.rest is None else one.rest.settled
            for one in still or readings.points
        ]
        # Within points alone: a drift from one zero to the next is no noise.
        long = [one for one in read if len(one) >= FEWEST_FOR_NOISE]
        if long:
            freedom = sum(len(one) - 1 for one in long)
            return sqrt(sum((len(one) - 1) * variance(one) for one in long) / freedom)
    return None


def _judged(run: str, name: str, check: Beside, value: float) -> CheckResult:
    low = 1.0 if check.kind == "inspection" else check.low
    return _result(run, name, value, unit=check.unit, low=low, high=check.high)


def _result(
    run: str,
    name: str,
    value: float,
    *,
    unit: str,
    low: float | None,
    high: float | None,
) -> CheckResult:
    within = (low is None or value >= low) and (high is None or value <= high)
    return CheckResult(
        run=run,
        name=name,
        value=value,
        unit=unit,
        low=low,
        high=high,
        verdict=Verdict.CONFORMING if within else Verdict.NONCONFORMING,
    )


def _allowed(check: Beside) -> str:
    return _between(check.low, check.high, check.unit)


def _between(low: float | None, high: float | None, unit: str) -> str:
    if low is None:
        return "at most " + spell(high or 0.0, Unit(unit))
    if high is None:
        return "at least " + spell(low, Unit(unit))
    return f"from {spell(low, Unit(unit))} to {spell(high, Unit(unit))}"
