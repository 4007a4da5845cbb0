"""Which limits a bench cannot judge, before any unit is there, and what would do."""

from bisect import bisect_left
from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor, log10, sqrt

from config import (
    USUAL_METERS,
    Bench,
    Instrument,
    Settings,
    Unit,
    accuracy,
    accuracy_words,
    handhelds,
    spell,
)
from daemon.bench import NoRangeError, Point, RangeReadings, RangeSetup, range_setups
from daemon.judging.product import ProductModel
from daemon.judging.verdict import Judge
from daemon.metrology import PointError
from daemon.presentation.figures import ShareUnit
from storage import Verdict

EXPANSION = 2.0
SAME = 1e-9
"""What a division leaves over, and nothing else."""
STILL = 2
"""Readings a point: what a good unit gives, read without scatter."""
ROLES = {"reference": "what goes in", "output": "what comes out"}
"""The two meters, in the order in which they are asked for."""
_CAUSES = {
    "specification": "the accuracy",
    "resolution": "the last digit",
    "since its calibration": "the drift since the calibration",
    "bias current": "the bias current",
    "loading": "the load",
}
_BESIDE = {
    "reference: leakage": "the current that passes the unit by",
    "reference: burden": "the current that the volts across the input drive past it",
    "reference: leads": "what the leads to the unit drop",
    "reference: thermal voltage": "thermal voltage where the input is read",
    "output: thermal voltage": "thermal voltage at the output",
    "standard resistor: temperature": "the temperature of the standard resistor",
}
_MORE_COUNTS = (6_000, 20_000, 60_000, 200_000, 2_000_000)
"""Of displays that are sold, where the digits of the typed one are too coarse (common
practice, no source)."""
_LEAST_PPM = 10.0
"""Of reading; what no meter that is read by hand is better than (common practice, no
source)."""
_SHARES_PPM = [
    float(f"{digits}e{power}") for power in range(4) for digits in range(10, 100)
]
"""Of reading, in figures of two digits, up to 10 %."""
_PER_CENT = [float(one) for one in range(1, 100)]
"""Of the accuracies of a bench's meters."""
_TRIES = 3
"""Times that the second digit of an advice is lowered until all can be judged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prospect:
    """A point that a bench cannot judge, however good the unit; ppm of full scale.

    `largest` is the line of the budget that matters most, `share` its part of the
    variance, `bound_ppm` its half-width.
    """

    title: str
    of_full_scale: float
    limit_ppm: float
    expanded_ppm: float
    needed_ppm: float
    largest: str
    share: float
    bound_ppm: float

    @property
    def can_judge_ppm(self) -> float:
        """The smallest limit, ppm of full scale, that the bench judges as it is."""
        return self.limit_ppm * self.expanded_ppm / self.needed_ppm


def prospects(settings: Settings) -> tuple[Prospect, ...]:
    """Return the points of every range that this bench is too poor to judge.

    Without a bench: those that meters read by hand are too poor for.

    At the reference temperature where a thermometer says what the room has, else in
    the least favourable room. What a unit, scatter and drift add comes on top.
    """
    # `meters` is kept by settings; of a copy with another bench it is the old one.
    bench = settings.bench or settings.meters
    product = ProductModel.of(settings.product)
    judge = Judge(product, bench, settings.plan.judging)
    transfers = {one.key: one.nominal_transfer for one in product.ranges}
    try:
        setups = range_setups(bench, settings.product, settings.plan.reading, transfers)
    except NoRangeError:
        return ()  # the settings are refused for it
    return tuple(
        found for one in product.ranges for found in _of_range(judge, setups[one.key])
    )


def too_poor_for(settings: Settings) -> tuple[str, ...]:
    """Say what a bench cannot judge, a sentence or two a point, and what would do."""
    alike: dict[float, list[Prospect]] = {}
    for one in prospects(settings):
        alike.setdefault(round(one.of_full_scale, 6), []).append(one)
    if not alike:
        return ()
    by_hand = settings.bench is None
    said = tuple(_said(some, by_hand=by_hand) for some in alike.values())
    return (*said, _would_do(settings))


def meters_needed(settings: Settings) -> tuple[str, ...]:
    """Say how good meters that are read by hand must be for the limits.

    Nothing where the usual ones will do.

    Parameters
    ----------
    settings
        Without a bench, and without a word on the meters.
    """
    if not prospects(settings):
        return ()
    found = meters_that_would_do(settings)
    if not found:
        return ("No handheld meter is good enough to judge these error limits.",)
    said = (
        f"To judge these error limits, meters of {found['output']} or better are "
        f"needed; those of {USUAL_METERS} are too poor. Without a verdict no unit may "
        "leave."
    )
    return (said,)


def too_poor_on(settings: Settings, judged: Container[str]) -> str:
    """Say on which ranges meters give no verdict; nothing where on none.

    Parameters
    ----------
    judged
        Titles of ranges on which units have one all the same: what they were not read
        at needs no good meters.
    """
    found = dict.fromkeys(one.title for one in prospects(settings))
    titles = [one for one in found if one not in judged]
    if not titles:
        return ""
    *some, last = titles
    which = f"ranges {', '.join(some)} and {last}" if some else f"range {last}"
    return (
        f"These meters are too poor for the error limit of {which}. A unit that is "
        "not judged there must not leave. What moves is found all the same."
    )


def _of_range(judge: Judge, setup: RangeSetup) -> Iterator[Prospect]:
    readings = ideal_readings(judge, setup)
    row = judge.unit("", readings, {})
    measured = judge.error(readings)
    points = {one.of_full_scale: one for one in measured.points}
    for judged in row.judged_points:
        point = points.get(judged.of_full_scale)
        if judged.verdict != Verdict.NOT_JUDGED or point is None:
            continue
        limit_ppm = measured.limits.least_ppm(judged.of_full_scale)
        yield _prospect(
            measured.model.title,
            measured.limits.as_read(point),
            limit_ppm,
            limit_ppm / judge.judging.needed_ratio,
        )


def _prospect(
    title: str, point: PointError, limit_ppm: float, needed_ppm: float
) -> Prospect:
    total2 = sum(one.standard**2 for one in point.components)
    largest = max(point.components, key=lambda one: one.standard)
    return Prospect(
        title=title,
        of_full_scale=point.of_full_scale,
        limit_ppm=limit_ppm,
        expanded_ppm=EXPANSION * point.uncertainty_ppm,
        needed_ppm=needed_ppm,
        largest=largest.name,
        share=largest.standard**2 / total2,
        bound_ppm=sqrt(3.0) * largest.standard,
    )


def ideal_readings(judge: Judge, setup: RangeSetup) -> RangeReadings:
    """Return what a perfect unit would give, without scatter."""
    transfer = setup.nominal_output / setup.level
    thermometer = judge.bench.ambient is not None
    return RangeReadings(
        range=setup.range,
        points=tuple(
            Point(
                level=level,
                reference=(level,) * STILL,
                output=(level * transfer,) * STILL,
                at_s=tuple(float(place) for place in range(STILL)),
            )
            for level in setup.levels
        ),
        reference_full_scale=setup.reference_full_scale,
        output_full_scale=setup.output_full_scale,
        ambient_c=judge.product.settings.reference_temperature_c
        if thermometer
        else None,
    )


def _said(some: Sequence[Prospect], *, by_hand: bool) -> str:
    """Say once what several ranges have in common; the figures are of the worst."""
    worst = max(some, key=lambda one: one.expanded_ppm / one.needed_ppm)
    at = (
        "zero"
        if worst.of_full_scale == 0
        else f"{100 * worst.of_full_scale:.3g} % of full scale"
    )
    *others, last = [one.title for one in some]
    ranges = f"Ranges {', '.join(others)} and {last}" if others else f"Range {last}"
    of = f" on range {worst.title}" if others else ""
    unit = ShareUnit.of((worst.limit_ppm, worst.expanded_ppm))

    def said(value_ppm: float) -> str:
        return f"{value_ppm / unit.ppm:.3g} {unit.name}"

    wide = unit.comes_to(_rounded_up(worst.can_judge_ppm))
    return (
        f"{ranges} cannot be judged at {at}: the limit is "
        f"{unit.comes_to(worst.limit_ppm)} {unit.name} of full scale, the uncertainty "
        f"of {'these meters' if by_hand else 'this bench'} is "
        f"{said(worst.expanded_ppm)} of it (k = 2){of}; {said(worst.needed_ppm)} or "
        f"less is needed. Most of it is {_cause(worst.largest)}, "
        f"{said(worst.bound_ppm)}. A limit of {wide} {unit.name} of full scale could "
        "be judged there."
    )


def _cause(line: str) -> str:
    """Return a line of the budget in words.

    >>> _cause("output: specification")
    'the accuracy of the meter that reads what comes out'
    """
    if line in _BESIDE:
        return _BESIDE[line]
    role, _, what = line.partition(": ")
    if role not in ROLES or what not in _CAUSES:
        return line
    return f"{_CAUSES[what]} of the meter that reads {ROLES[role]}"


def _would_do(settings: Settings) -> str:
    """Say which meters would do, as the question about them is answered."""
    found = meters_that_would_do(settings)
    if not found:
        return (
            "Better accuracies of these meters alone would not do. A wider error limit "
            "would, and often a meter with a range nearer to what it reads."
        )
    if len(found) == len(ROLES):
        first, second = found.values()
        if first == second:
            return f"Two meters of {first} would do, or one of them for both."
        reads = " and ".join(f"{text} for {ROLES[key]}" for key, text in found.items())
        return f"Two better meters would do: {reads}."
    ((role, text),) = found.items()
    return f"A meter of {text} for {ROLES[role]} would do; the other one may stay."


@dataclass(frozen=True, slots=True, kw_only=True)
class _Need:
    """What one point allows the meters, in ppm: standard uncertainties.

    `of_reading` and `of_range` are those of each meter by role; `left2` is what the
    point allows both together, squared: the rest is taken off.
    """

    of_reading: Mapping[str, float]
    of_range: Mapping[str, float]
    left2: float

    def allows(self, times: Mapping[str, tuple[float, float]]) -> bool:
        """Whether it can be judged with these times the two shares of each meter."""
        return self.left2 >= sum(
            (self.of_reading[role] * reading + self.of_range[role] * range_) ** 2
            for role, (reading, range_) in times.items()
        )


def _needs(settings: Settings, bench: Bench) -> tuple[_Need, ...]:
    """Return what each point of each range needs of the meters.

    The two shares of an accuracy are told apart by doubling one of them.
    """
    twice = bench.model_copy(
        update={
            role: _with_accuracy(getattr(bench, role), reading=2.0) for role in ROLES
        }
    )
    product = ProductModel.of(settings.product)
    transfers = {one.key: one.nominal_transfer for one in product.ranges}
    setups = range_setups(bench, settings.product, settings.plan.reading, transfers)
    judges = [Judge(product, one, settings.plan.judging) for one in (bench, twice)]
    return tuple(
        need
        for one in product.ranges
        for need in _needs_of_range(judges, setups[one.key])
    )


def _needs_of_range(judges: Sequence[Judge], setup: RangeSetup) -> Iterator[_Need]:
    judge, _ = judges
    readings = ideal_readings(judge, setup)
    measured = judge.error(readings)
    doubled = judges[1].error(readings).points
    judged = {one.of_full_scale for one in judge.unit("", readings, {}).judged_points}
    for point, other in zip(measured.points, doubled, strict=True):
        limit_ppm = measured.limits.least_ppm(point.of_full_scale)
        if point.of_full_scale not in judged or limit_ppm <= 0:
            continue
        as_read, as_doubled = (
            {
                line.name: line.standard
                for line in measured.limits.as_read(one).components
            }
            for one in (point, other)
        )
        specified = {role: as_read.get(f"{role}: specification", 0.0) for role in ROLES}
        of_reading = {
            role: as_doubled.get(f"{role}: specification", 0.0) - standard
            for role, standard in specified.items()
        }
        needed = limit_ppm / judge.judging.needed_ratio / EXPANSION
        rest2 = sum(one**2 for one in as_read.values())
        rest2 -= sum(one**2 for one in specified.values())
        yield _Need(
            of_reading=of_reading,
            of_range={role: specified[role] - of_reading[role] for role in ROLES},
            left2=needed**2 - rest2,
        )


def _with_accuracy(
    meter: Instrument, *, reading: float = 1.0, range_: float = 1.0
) -> Instrument:
    """Return a meter with so many times its accuracies, else as it is."""
    ranges = tuple(
        one.model_copy(
            update={
                "of_reading_ppm": one.of_reading_ppm * reading,
                "of_range_ppm": one.of_range_ppm * range_,
            }
        )
        for one in meter.ranges
    )
    return meter.model_copy(update={"ranges": ranges})


def meters_that_would_do(settings: Settings) -> dict[str, str]:
    """Return the poorest meters with which every limit could be judged, by role.

    Each in the words in which the wizard asks for it: typed back, it is accepted. One
    meter where one alone does, the one that matters more first; else both; none where
    no meters would do.
    """
    one_for_both = settings.bench is None and settings.plan.output_meter is None
    alone: list[tuple[str, ...]] = [("reference",), ("output",)]
    if one_for_both:
        alone = []
    elif any(one.largest.startswith("output") for one in prospects(settings)):
        alone.reverse()
    better = _better_handhelds if settings.bench is None else _better_instruments
    for roles in (*alone, tuple(ROLES)):
        if found := better(settings, roles):
            return found
    return {}


def _better_handhelds(settings: Settings, roles: Sequence[str]) -> dict[str, str]:
    """Return the sentence of handheld meters in these roles that would do."""
    plan = settings.plan
    typed = {
        "reference": plan.meters or USUAL_METERS,
        "output": plan.output_meter or plan.meters or USUAL_METERS,
    }
    _, digits, usual = accuracy(typed[roles[0]])
    for counts in (usual, *(one for one in _MORE_COUNTS if one > usual)):
        tried = accuracy_words(_LEAST_PPM, digits, counts)
        texts = typed | dict.fromkeys(roles, tried)
        bench = handhelds(settings.product, texts["reference"], texts["output"])
        needs = _needs(settings, bench)

        def allowed(ppm: float, needs: Sequence[_Need] = needs) -> bool:
            times = {
                role: (ppm / _LEAST_PPM if role in roles else 1.0, 1.0)
                for role in ROLES
            }
            return all(one.allows(times) for one in needs)

        steps = bisect_left(_SHARES_PPM, True, key=lambda ppm: not allowed(ppm))
        for ppm in reversed(_SHARES_PPM[max(0, steps - _TRIES) : steps]):
            text = accuracy_words(ppm, digits, counts)
            texts = typed | dict.fromkeys(roles, text)
            bench = handhelds(settings.product, texts["reference"], texts["output"])
            if not prospects(settings.model_copy(update={"bench": bench})):
                return dict.fromkeys(roles, text)
    return {}


def _better_instruments(settings: Settings, roles: Sequence[str]) -> dict[str, str]:
    """Return the ranges and accuracies of the bench's meters that would do."""
    bench = settings.bench
    if bench is None:
        return {}
    needs = _needs(settings, bench)

    def allowed(per_cent: float) -> bool:
        times = dict.fromkeys(ROLES, (1.0, 1.0))
        times |= dict.fromkeys(roles, (per_cent / 100, per_cent / 100))
        return all(one.allows(times) for one in needs)

    steps = bisect_left(_PER_CENT, True, key=lambda one: not allowed(one))
    for per_cent in reversed(_PER_CENT[max(0, steps - _TRIES) : steps]):
        meters = {
            role: _rounded_accuracy(getattr(bench, role), per_cent / 100)
            for role in roles
        }
        better = bench.model_copy(update=meters)
        if not prospects(settings.model_copy(update={"bench": better})):
            volts = (
                settings.product.input_unit == "V" or bench.reference_is.standard_ohm
            )
            reads = dict.fromkeys(ROLES, Unit.VOLT)
            if not volts:
                reads["reference"] = Unit.AMPERE
            return {role: _ranges_words(meters[role], reads[role]) for role in roles}
    return {}


def _rounded_accuracy(meter: Instrument, times: float) -> Instrument:
    """Return a meter with so many times its accuracies, in figures to be typed."""
    ranges = tuple(
        one.model_copy(
            update={
                "of_reading_ppm": _rounded_down(one.of_reading_ppm * times),
                "of_range_ppm": _rounded_down(one.of_range_ppm * times),
            }
        )
        for one in meter.ranges
    )
    return meter.model_copy(update={"ranges": ranges})


def _ranges_words(meter: Instrument, unit: Unit) -> str:
    return ", ".join(
        f"{spell(one.full_scale, unit)}: {spell(one.of_reading_ppm, Unit.PPM)} + "
        f"{spell(one.of_range_ppm, Unit.PPM)}"
        for one in meter.ranges
    )


def _rounded_down(value: float) -> float:
    """Return a number of three digits that is not larger.

    >>> _rounded_down(1239.0), _rounded_down(0.0), _rounded_down(0.12)
    (1230.0, 0.0, 0.12)
    """
    if value <= 0:
        return 0.0
    step = 10.0 ** (floor(log10(value)) - 2)
    return float(f"{floor(value / step + SAME) * step:.3g}")


def _rounded_up(value: float) -> float:
    """Return a number of two digits that is not smaller.

    >>> _rounded_up(996.0), _rounded_up(1201.0), _rounded_up(0.0121)
    (1000.0, 1300.0, 0.013)
    """
    step = 10.0 ** (floor(log10(value)) - 1)
    return float(f"{ceil(value / step - SAME) * step:.2g}")
