"""Whatever a public function of the pure rooms is given: an answer or an error.

Arguments are drawn by their annotations: extremes, NaN, nothing, constants, 1e-12 and
1e9 among them. What comes back is kept, and its own methods are called in their turn, a
chart's again and again. Allowed is an error of the room's own tree, or a result without
NaN; never another exception, a warning, or a call that does not end.
"""

import enum
import importlib
import inspect
import pkgutil
import signal
import types
import typing
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, is_dataclass, replace
from math import inf, isnan, nan, prod
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike
from scipy import stats

import daemon.metrology
import daemon.spc
from daemon.metrology.drift import CheckPoint, between_checks_ppm
from daemon.metrology.errors import MetrologyError
from daemon.metrology.monte_carlo import monte_carlo
from daemon.metrology.propagation import Input, second_order_variances
from daemon.metrology.resting_value import fewest_readings
from daemon.metrology.risk import global_risk
from daemon.metrology.uncertainty import coverage_factor
from daemon.spc.capability.indices import Specification, cpm_interval, indices
from daemon.spc.capability.nonnormal import predicted_share_of
from daemon.spc.charts.counts import Count, CountChart, CountLimits
from daemon.spc.charts.cusum import CusumChart
from daemon.spc.charts.ewma import EwmaChart
from daemon.spc.charts.self_starting import QChart
from daemon.spc.control_limits import Limits
from daemon.spc.earlier_builds import against_earlier
from daemon.spc.errors import SpcError
from daemon.spc.false_alarms import chance_of_false_alarm
from daemon.spc.gauge.single import type1_study
from daemon.spc.reel_claim import reel_claim
from daemon.spc.rules import NELSON, Pattern, Rule, RunRules
from daemon.spc.run_length.distribution import solve_for_mean
from daemon.spc.run_length.of_ewma import ewma_width
from daemon.spc.run_length.of_rules import first_firing, ruled_widening
from daemon.spc.run_length.of_shewhart import t2_size
from daemon.spc.sampling.variables import acceptability_constant
from daemon.spc.spot_check import SpotCheck
from daemon.spc.tolerance import distribution_free_interval
from daemon.spc.variance.one_way import one_way_components

ROOMS = (daemon.metrology, daemon.spc)
OURS = tuple(room.__name__ for room in ROOMS)
EXTREMES = (
    0.0, -0.0, 1.0, -1.0, 0.5, 0.05, 0.95, 0.999999, 1e-12, -1e-12, 1e9, -1e9, 1e150,
    1e308, -1e308, 5e-324, nan, inf, -inf, 3.0, 12.0, 100.0,
)  # fmt: skip
LIKELY = (0.05, 0.2, 0.5, 0.9, 0.95, 1.0, 2.0, 3.0, 12.0, 370.0)
"""Numbers that most functions can answer for: else few are asked on."""
WHOLE = (0, 1, 2, 3, 4, 5, 7, 10, 25, 50, -1, 1000, 10**9)
TEXTS = ("", "a", "R1", "R1 + R2", "R1 * (1 + R2 / R3)", "4k7", "x" * 50, "1e9", "0R05")
LONGEST_S = 20
"""A call that takes longer hangs; the slowest that ends takes a few seconds. Of the
processor: on a busy machine a call that ends may wait far longer for its turn."""
APART = {
    # Told one event after another: `spc/detector/test_any_events.py`.
    "daemon.spc.detector",
    # Told what to do, not given numbers: they have tests of their own.
    "daemon.metrology.checks",
    "daemon.metrology.errors",
    "daemon.spc.checks",
    "daemon.spc.errors",
    "daemon.spc.numerics",
    "daemon.spc.variance.intervals",
}
LENT = {"daemon.spc.control_limits.kept", "daemon.spc.control_limits.some_spread"}
"""What modules lend each other, past the checks at the door."""
SLOW = {
    f"daemon.spc.run_length.{name}"
    for name in (
        "of_mewma.design_mewma",
        "of_mewma.mewma_limit",
        "of_ewma.design_ewma",
        "of_ewma.ewma_width",
        "of_cusum.design_cusum",
    )
}
"""They look for the best of many charts, seconds each: in the long form only."""
MISSING = object()
MODELS: tuple[Callable[[list[Any]], Any], ...] = (
    sum,
    prod,
    lambda given: given[0] / given[-1],
    lambda given: given[0] ** 2 - given[-1],
    lambda given: 0 * given[0] + 1.0,
)
"""What a function that is given makes of its arguments, in their order."""
DISTRIBUTIONS = (
    stats.norm(3.0, 1.0), stats.lognorm(0.5), stats.uniform(1e9, 1e-12),
    stats.t(1.0), stats.norm(0.0, 1e-300),
)  # fmt: skip
KEPT = 20
"""Of each class, so many of the newest results are called in their turn."""


class CannotDrawError(Exception):
    """An annotation that nothing can be drawn for."""


@dataclass(frozen=True, slots=True)
class Own:
    """A method, or a property, of a public class: called on one that was kept."""

    of: type
    name: str


def modules() -> Iterator[types.ModuleType]:
    """Return every module of the pure rooms, by name."""
    for room in ROOMS:
        for found in pkgutil.walk_packages(room.__path__, f"{room.__name__}."):
            parts = found.name.split(".")
            below = {".".join(parts[:end]) for end in range(1, len(parts) + 1)}
            if not found.ispkg and not below & APART and not parts[-1].startswith("_"):
                yield importlib.import_module(found.name)


def functions() -> dict[str, Callable[..., Any]]:
    """Return the public functions of the pure rooms, and what makes their classes."""
    found = {}
    for module in modules():
        for name, value in vars(module).items():
            own = getattr(value, "__module__", None) == module.__name__
            plain = inspect.isfunction(value) or (
                inspect.isclass(value)
                and not issubclass(value, enum.Enum | BaseException)
                and not getattr(value, "_is_protocol", False)
            )
            full = f"{module.__name__}.{name}"
            if own and plain and not name.startswith("_") and full not in LENT:
                found[full] = value
    return found


def methods() -> dict[str, Own]:
    """Return the public methods and properties of the pure rooms' classes."""
    found = {}
    for module in modules():
        for name, one in vars(module).items():
            own = getattr(one, "__module__", None) == module.__name__
            if not own or not inspect.isclass(one) or name.startswith("_"):
                continue
            if issubclass(one, enum.Enum) or getattr(one, "_is_protocol", False):
                continue
            for said, value in vars(one).items():
                called = inspect.isfunction(value) or isinstance(
                    value, property | classmethod | staticmethod
                )
                if called and not said.startswith("_"):
                    found[f"{module.__name__}.{name}.{said}"] = Own(one, said)
    return found


def number(draw: np.random.Generator) -> float:
    """Return a number: an ordinary one in half of the cases, else an extreme."""
    match draw.integers(4):
        case 0:
            return float(draw.normal() * 10.0 ** draw.integers(-3, 4))
        case 1:
            return float(LIKELY[draw.integers(len(LIKELY))])
    return float(EXTREMES[draw.integers(len(EXTREMES))])


def numbers(draw: np.random.Generator) -> list[float]:
    """Return some numbers: none, constant, ordinary, extreme."""
    count = int(draw.choice([0, 1, 2, 3, 5, 8, 20]))
    match draw.integers(4):
        case 0:
            return [number(draw)] * count
        case 1:
            return [number(draw) for _ in range(count)]
        case _:
            scale = 10.0 ** draw.integers(-12, 10)
            return [float(one) for one in scale * draw.normal(1.0, 0.3, count)]


def drawn(  # noqa: PLR0911, PLR0912 -- a case for each type
    hint: Any, draw: np.random.Generator, depth: int = 0
) -> Any:
    """Return something of a type."""
    if depth > 5:
        raise CannotDrawError(hint)
    origin, args = typing.get_origin(hint), typing.get_args(hint)
    if hint == ArrayLike or ("_SupportsArray" in str(hint) and origin is typing.Union):
        rows = numbers(draw)
        if draw.random() < 0.3:
            return [rows, *([number(draw) for _ in rows] for _ in range(2))]
        return rows
    if hint is float:
        return number(draw)
    if hint is object:
        return drawn((int, str)[draw.integers(2)], draw)
    if hint is bool:
        return bool(draw.integers(2))
    if hint is int:
        return int(WHOLE[draw.integers(len(WHOLE))])
    if hint is str:
        return str(TEXTS[draw.integers(len(TEXTS))])
    if hint is type(None):
        return None
    if inspect.isclass(hint) and issubclass(hint, enum.Enum):
        return list(hint)[draw.integers(len(hint))]
    if inspect.isclass(hint) and hint.__module__.startswith("daemon.spc.detector"):
        raise CannotDrawError(hint)  # what the detector makes nobody else does
    if inspect.isclass(hint) and is_dataclass(hint):
        return made(hint, draw, depth + 1)
    if inspect.isclass(hint) and hint.__name__ == "Distribution" and not args:
        return DISTRIBUTIONS[draw.integers(len(DISTRIBUTIONS))]
    if hint is np.ndarray or origin is np.ndarray:
        return np.array(drawn(ArrayLike, draw))
    if origin is Callable or hint is Callable:
        model = MODELS[draw.integers(len(MODELS))]
        if len(args) > 1 and typing.get_origin(args[1]) is Sequence:
            return lambda *by_place, **named: [model([*by_place, *named.values()])] * 2
        return lambda *by_place, **named: model([*by_place, *named.values()])
    if origin is typing.Literal:
        return args[draw.integers(len(args))]
    if origin in (typing.Union, types.UnionType):
        return drawn(args[draw.integers(len(args))], draw, depth)
    if origin in (list, Sequence, Iterable, tuple, set, frozenset):
        return several(origin, args, draw, depth)
    if origin in (dict, Mapping):
        count = draw.integers(4)
        found = [
            (drawn(args[0], draw, depth + 1), drawn(args[1], draw, depth + 1))
            for _ in range(count)
        ]
        return dict(found)
    raise CannotDrawError(hint)


def several(
    origin: Any, args: tuple[Any, ...], draw: np.random.Generator, depth: int
) -> Any:
    """Return a sequence of a type."""
    if origin is tuple and not (len(args) == 2 and args[1] is Ellipsis):
        return tuple(drawn(one, draw, depth + 1) for one in args)
    if args[0] is float:
        return numbers(draw)
    found = [drawn(args[0], draw, depth + 1) for _ in range(draw.integers(5))]
    return tuple(found) if origin is tuple else found


def made(what: Callable[..., Any], draw: np.random.Generator, depth: int = 0) -> Any:
    """Call something with drawn arguments."""
    given, named = arguments(what, draw, depth)
    return what(*given, **named)


def arguments(
    what: Callable[..., Any], draw: np.random.Generator, depth: int = 0
) -> tuple[list[Any], dict[str, Any]]:
    """Return drawn arguments, by place and by name."""
    hints = typing.get_type_hints(what.__init__ if inspect.isclass(what) else what)
    given: list[Any] = []
    named: dict[str, Any] = {}
    for name, one in inspect.signature(what).parameters.items():
        left_out = one.default is not inspect.Parameter.empty
        if left_out and draw.random() < 0.5:
            continue
        if one.kind in (one.VAR_POSITIONAL, one.VAR_KEYWORD):
            continue
        hint = hints.get(name, MISSING)
        value = drawn(hint, draw, depth)
        if one.kind is one.KEYWORD_ONLY or len(given) < list(
            inspect.signature(what).parameters
        ).index(name):
            named[name] = value
        else:
            given.append(value)
    return given, named


def silent(value: Any, depth: int = 0) -> bool:  # noqa: PLR0911 -- by type
    """Return whether a result holds a NaN."""
    if depth > 4:
        return False
    if isinstance(value, float):
        return isnan(value)
    if isinstance(value, np.ndarray):
        return bool(value.dtype.kind == "f" and np.isnan(value).any())
    if is_dataclass(value) and not isinstance(value, type):
        return any(silent(getattr(value, one.name), depth + 1) for one in fields(value))
    if isinstance(value, dict):
        return any(silent(one, depth + 1) for one in value.values())
    if isinstance(value, list | tuple):
        return any(silent(one, depth + 1) for one in value)
    return False


@contextmanager
def ending() -> Iterator[None]:
    """End what does not end by itself."""

    def hangs(*_: object) -> None:
        message = f"did not end within {LONGEST_S} s of the processor's time"
        raise RuntimeError(message)

    before = signal.signal(signal.SIGPROF, hangs)
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


@dataclass(slots=True)
class Called:
    """What came of many calls."""

    calls: Counter[str] = field(default_factory=Counter)
    """By name of what was called; of what nothing could be drawn for, none."""
    ends: Counter[str] = field(default_factory=Counter)
    """How they ended: with an answer, refused, nothing drawn."""
    faults: list[str] = field(default_factory=list)
    kept: dict[type, list[Any]] = field(default_factory=lambda: defaultdict(list))

    def keep(self, result: Any) -> None:
        """Keep an object of a public class, for its own methods."""
        if isinstance(result, tuple | list):
            for one in result[:KEPT]:
                self.keep(one)
        elif type(result).__module__.startswith(OURS) and type(result) is not type:
            self.kept[type(result)] = [*self.kept[type(result)], result][-KEPT:]
            for one in fields(result) if is_dataclass(result) else ():
                self.keep(getattr(result, one.name))

    def result(self, what: Callable[..., Any] | Own, draw: np.random.Generator) -> Any:
        """Call a function, or one of an object's own."""
        if not isinstance(what, Own):
            return made(what, draw)
        how = inspect.getattr_static(what.of, what.name)
        if isinstance(how, classmethod | staticmethod):
            return made(getattr(what.of, what.name), draw)
        known = self.kept[what.of]
        if not known:
            raise CannotDrawError(what.of)
        one = known[draw.integers(len(known))]
        if isinstance(how, property):
            return getattr(one, what.name)
        return made(getattr(one, what.name), draw)

    def table(self) -> str:
        """Return it for the screen."""
        counted = {
            "functions and classes": len(functions()),
            "their methods and properties": len(methods()),
            "of both called": len(self.calls),
            "calls": self.calls.total(),
            **self.ends,
            "faults": len(self.faults),
        }
        return "\n".join(f"{many:>8}  {what}" for what, many in counted.items())


def called(calls: int, seed: int, *, slow: bool) -> Called:
    """Call all there is so many times together; return what came of it."""
    draw = np.random.default_rng(seed)
    found = Called()
    known: dict[str, Callable[..., Any] | Own] = {}
    known.update(functions())
    known.update(methods())
    names = [name for name in known if slow or name not in SLOW]
    turn = 0
    while found.calls.total() < calls:
        name = names[turn % len(names)]
        turn += 1
        what = known[name]
        try:
            with ending():
                result = found.result(what, draw)
        except CannotDrawError:
            found.ends["not drawn for"] += 1
            continue
        except (MetrologyError, SpcError):
            found.ends["refused with an error of ours"] += 1
        except Exception as exc:  # noqa: BLE001 -- any other is a fault, whatever it is
            found.faults.append(f"{name}, turn {turn}: {type(exc).__name__}: {exc}")
        else:
            found.ends["answered"] += 1
            if not inspect.isclass(what):
                found.keep(result)
                if silent(result):
                    found.faults.append(f"{name}, turn {turn}: NaN in the result")
            elif validates(what):
                found.keep(result)
        found.calls[name] += 1
    return found


def validates(what: type) -> bool:
    """Return whether a class refuses what it could not answer for."""
    return hasattr(what, "__post_init__") or not is_dataclass(what)


def test_a_call_that_does_not_end_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    def forever() -> None:
        while True:
            pass

    monkeypatch.setitem(globals(), "LONGEST_S", 0.05)
    with pytest.raises(RuntimeError, match="did not end"), ending():
        forever()


def test_functions_are_found_and_most_can_be_drawn_for() -> None:
    draw = np.random.default_rng(1)
    known = functions()
    assert len(known) > 150
    drawable = 0
    for what in known.values():
        try:
            arguments(what, draw)
        except CannotDrawError:
            continue
        except (MetrologyError, SpcError):
            pass  # what is put into it refuses what was drawn
        drawable += 1
    assert drawable > 0.85 * len(known)


def test_a_few_hundred_calls_end_in_an_answer_or_an_error_of_ours() -> None:
    assert called(900, seed=20261129, slow=False).faults == []


@pytest.mark.parametrize("wrong", [nan, inf, -1.0])
def test_a_share_of_doubt_that_is_no_number_is_refused(wrong: float) -> None:
    with pytest.raises(MetrologyError, match="contacts"):
        daemon.metrology.Share(name="contacts", standard_ppm=wrong, common=True)


def test_an_output_too_small_for_a_number_is_refused() -> None:
    """Full scale times transfer, 1e-200 each, is 0 to the processor."""
    still = daemon.metrology.Readings(zero_before=[0.0], level=[1.0], zero_after=[0.0])
    meter = daemon.metrology.MeterSpecification(full_scale=1.0, of_reading_ppm=1.0)
    with pytest.raises(MetrologyError, match="output at full scale"):
        daemon.metrology.zero_error(
            reference=still,
            output=still,
            nominal_transfer=1e-200,
            full_scale=1e-200,
            reference_meter=meter,
            output_meter=meter,
        )


@pytest.mark.parametrize(
    "asked",
    [
        lambda: indices(
            mean=0.0, s=1e-200,
            specification=Specification(upper=1.0, target=0.0),
        ),
        lambda: cpm_interval(1e150, n=5, off_target=1e100),
        lambda: one_way_components([[1e150, -1e150], [0.0, 1e-150]]),
        lambda: reel_claim(
            size_ppm=1e150, sigma_ppm=1e150, spread_ppm=1e-12, units=5,
            tolerance_ppm=1.0,
        ),
    ],
    ids=["indices", "interval", "components", "claim"],
)  # fmt: skip
def test_numbers_too_far_apart_are_refused_in_words(asked: Callable[[], Any]) -> None:
    with pytest.raises(SpcError, match="closer together"):
        asked()


def test_a_run_length_that_is_none_solves_nothing() -> None:
    with pytest.raises(SpcError, match="mean run length"):
        solve_for_mean(lambda limit: limit - 5.0, arl=370.0, guess=3.0, highest=9.0)
    with pytest.raises(SpcError, match="guess"):
        solve_for_mean(lambda _: 1.0, arl=370.0, guess=5e-324, highest=9.0)


@pytest.mark.parametrize("confidence", [0.0, -1.0, nan])
def test_a_confidence_that_is_none_ends_at_once(confidence: float) -> None:
    with pytest.raises(SpcError, match="confidence"):
        distribution_free_interval([1.0, 2.0, 3.0], confidence=confidence)


def test_a_factor_beyond_all_numbers_is_refused() -> None:
    with pytest.raises(MetrologyError, match="degrees of freedom"):
        coverage_factor(0.999999, 1e-12)


def test_memory_of_other_rules_is_refused() -> None:
    with pytest.raises(SpcError, match=r"len\(up\) = 1: must be 8, one a rule"):
        RunRules(rules=NELSON, up=[0])


def test_a_point_of_no_chart_has_no_shift() -> None:
    chart = CusumChart(limits=Limits(centre=0.0, sigma=1.0), interval=4.0)
    point = chart.update(9.0)
    for wrong in ({"above": nan}, {"since_above": 2}, {"since_above": 0}):
        with pytest.raises(SpcError):
            chart.shift(replace(point, **wrong))


@pytest.mark.parametrize("wrong", [nan, inf, 1e308])
def test_a_check_of_a_standard_that_is_no_number_is_refused(wrong: float) -> None:
    given = {"error_ppm": 1.0, "uncertainty_ppm": 1.0, "own_ppm": 1.0}
    for name in given:
        with pytest.raises(MetrologyError, match=name):
            daemon.metrology.StandardReading(**given | {name: wrong})


def test_units_that_differ_by_less_than_a_number_can_tell_have_no_score() -> None:
    """The square of the scatter is there, divided by two it is none."""
    chart = QChart(n=3, squares=5e-324)
    assert chart.update(1.0).q is None
    with pytest.raises(SpcError, match="n = -1"):
        QChart(n=-1)


@pytest.mark.parametrize("confidence", [0.0, 1.0, 100.0, nan])
def test_builds_are_compared_with_a_confidence_that_is_one(confidence: float) -> None:
    with pytest.raises(SpcError, match="confidence"):
        against_earlier([1.0, 2.0], [[1.0, 2.0]], confidence=confidence)


def test_builds_are_compared_however_little_their_units_differ() -> None:
    """The squares of their variances are 0 to the processor."""
    near = against_earlier([1e-90, 2e-90, 4e-90], [[1e-90, 3e-90]])
    plain = against_earlier([1.0, 2.0, 4.0], [[1.0, 3.0]])
    assert near.shift_low == pytest.approx(1e-90 * plain.shift_low, rel=1e-9)


def test_rules_that_no_factor_moves_are_refused_at_once() -> None:
    trend = Rule(pattern=Pattern.TREND, window=50, needed=None, sigmas=0.0)
    with pytest.raises(SpcError, match="line off the centre"):
        ruled_widening([trend], arl=15.8)


def test_a_limit_far_beyond_a_distribution_is_a_right_answer() -> None:
    narrow = stats.norm(0.0, 1e-300)
    found = predicted_share_of(narrow, specification=Specification(upper=1e9))
    assert found.above == 0.0


def test_a_risk_whose_last_digits_are_rounding_is_told() -> None:
    """Of a production within its limits by far, measured far more coarsely."""
    found = global_risk(mean=0.0, deviation=1e-9, uncertainty=0.1, low=-1.0, high=1.0)
    assert found.consumer == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    "asked",
    [
        lambda: type1_study([1.0, 1.1, 1.2], reference=1.0, tolerance=0.5,
                            sigmas=5e-324),
        lambda: t2_size(ranges=1, limit=1e-12, distance=60.0, arl=370.0),
        lambda: SpotCheck(
            sigma_ppm=5e-324, reel_sigma_ppm=0.0, false_share=0.5,
        ).seen(4, shift_ppm=0.0),
    ],
    ids=["gauge", "subgroup", "spot check"],
)  # fmt: skip
def test_what_rounding_leaves_without_a_number_is_refused(
    asked: Callable[[], Any],
) -> None:
    with pytest.raises(SpcError):
        asked()


def test_limits_that_rest_on_hardly_anything_promise_nothing() -> None:
    """At so few degrees of freedom a scatter may be estimated as none."""
    known = Limits(centre=0.0, sigma=1.0)
    few = replace(known.provenance, degrees_of_freedom=1e-3, used=5)
    with pytest.raises(SpcError, match="closer together"):
        chance_of_false_alarm(replace(known, provenance=few), NELSON)


def test_a_model_whose_curvature_is_beyond_all_numbers_is_refused() -> None:
    one = Input(name="x", estimate=1.0, standard=1e-200)
    with pytest.raises(MetrologyError, match="closer together"):
        second_order_variances(lambda x: x * x, [one])
    with pytest.raises(MetrologyError, match="seed"):
        monte_carlo(lambda x: x, [Input(name="x", estimate=0.0, standard=1.0)], seed=-1)


def test_a_quantile_that_the_library_does_not_find_is_refused() -> None:
    with pytest.raises(SpcError, match="not so near to 0 or 1"):
        acceptability_constant(4, good=0.2, accepts=5e-324)


def test_a_time_constant_next_to_nothing_has_long_gone() -> None:
    few = fewest_readings(
        step=1.0, time_constant_s=5e-324, spacing_s=1e9, noise=1.0, wanted=0.5
    )
    assert few == fewest_readings(
        step=0.0, time_constant_s=1.0, spacing_s=1.0, noise=1.0, wanted=0.5
    )


def test_values_that_scatter_by_next_to_nothing_lie_where_they_lie() -> None:
    rule = Rule(pattern=Pattern.OUTSIDE, window=5, needed=None, sigmas=1.0)
    assert first_firing([rule], shift=0.2, scale=5e-324).mean == inf
    assert first_firing([rule], shift=2.0, scale=5e-324).mean == 5.0


def test_a_chart_that_goes_on_from_no_number_is_refused() -> None:
    known = Limits(centre=0.0, sigma=1.0)
    with pytest.raises(SpcError, match="offset"):
        EwmaChart(limits=known, offset=nan)
    with pytest.raises(SpcError, match="n = -1"):
        EwmaChart(limits=known, n=-1)


def test_a_rate_next_to_nothing_has_no_score() -> None:
    limits = CountLimits(rate=5e-324)
    chart = CountChart(kind=Count.C, limits=limits)
    with pytest.raises(SpcError, match="standard deviation of the sample"):
        chart.update(0.0, 1e-12)
    assert chart.n == 0


def test_an_uncertainty_beyond_all_numbers_of_the_scatter_is_refused() -> None:
    """A billion over the smallest number there is: the risk was NaN."""
    with pytest.raises(MetrologyError, match="uncertainty / deviation"):
        global_risk(mean=1.0, deviation=5e-324, uncertainty=1e9, low=1.0, high=inf)


def test_exact_limits_that_would_take_minutes_are_refused_at_once() -> None:
    """Nine thousand points until the limits stand, each of four hundred nodes."""
    with pytest.raises(SpcError, match="larger where limits are exact"):
        ewma_width(weight=0.001, arl=370.0)
    assert ewma_width(weight=0.02, arl=370.0) == pytest.approx(2.23347, abs=1e-4)


@pytest.mark.parametrize(
    ("checks", "name"),
    [
        ([(0.0, 1.0, 1.0), (5e-324, 1.0, 1.0)], "at_s"),
        ([(0.0, 1.0, 1.0), (1.0, 1e150, 1.0)], "difference_ppm"),
        ([(0.0, 1.0, 1.0), (1.0, 1.0, 1e150)], "uncertainty_ppm"),
        ([(-1e150, 1.0, 1.0), (1.0, 1.0, 1.0)], "at_s"),
    ],
)
def test_checks_too_far_apart_to_reckon_with_are_refused(
    checks: list[tuple[float, float, float]], name: str
) -> None:
    with pytest.raises(MetrologyError, match=name):
        between_checks_ppm(
            [
                [
                    CheckPoint(at_s=at_s, difference_ppm=off, uncertainty_ppm=unsure)
                    for at_s, off, unsure in checks
                ]
            ]
        )


def test_checks_that_differ_by_next_to_nothing_show_no_drift() -> None:
    small = [
        CheckPoint(at_s=at_s, difference_ppm=off, uncertainty_ppm=1e-160)
        for at_s, off in ((0.0, 0.0), (3600.0, 1e-200))
    ]
    assert between_checks_ppm([small]) == 0.0


@pytest.mark.bench
def test_twenty_thousand_calls_end_in_an_answer_or_an_error_of_ours() -> None:
    found = called(20_000, seed=1, slow=True)
    print(found.table())  # noqa: T201
    print("never drawn for:", *sorted({*functions(), *methods()} - {*found.calls}))  # noqa: T201
    assert found.faults == []
