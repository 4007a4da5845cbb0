"""The line of one product: units, checks and new reels in, what has moved out.

The whole of what was measured so far is one `Line`. It folds one event after another;
the same events give the same line, bit for bit, whether they are folded as they come
or again from rows.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.checks import finite, not_negative, places
from daemon.spc.detector import state as st
from daemon.spc.detector.layout import MOST_PARTS, Layout
from daemon.spc.detector.state import State
from daemon.spc.errors import NotFiniteError, OutOfRangeError, ShapeError

Array = NDArray[np.float64]

ODD_UNITS = 0.008
"""Share of units with one odd part or one poor contact."""
SEATED_AGAIN = 0.4
"""Of these, the share that is as odd once it was seated again."""
SUSPECTED = 2.0
"""Times its usual odds at which a step of the bench is worth another check."""
SUPPOSED = 0.02, 0.9
"""How likely a step is that one check has seen and neither shown nor refuted."""
SETTLED_BY = 2
"""Checks after which a step of the bench is known rather than supposed."""
PLACES = MOST_PARTS + 1
REFERENCE_C = 23.0
COLDEST_C, WARMEST_C = -274.0, 1000.0
RETURNING = 0.02
"""Standard deviation of a known reel's level when it comes back, tolerances."""
FARTHEST = 1e6
"""What is farther off, in tolerances, is taken to be this far: it tells no more, and
reckoned with as it is the digits of all else would be lost beside it."""
WIDEST = 1e3
"""A level that may lie anywhere within so many tolerances is not known at all: a larger
standard deviation of it would lose the digits of what is known."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KnownReel:
    """What is known of a reel that was fitted before and comes back.

    Attributes
    ----------
    level_ppm, variance_ppm2 : float
        Of its level against an average reel.
    bad : float
        How likely it is bad.
    """

    level_ppm: float
    variance_ppm2: float
    bad: float

    def __post_init__(self) -> None:
        finite("level_ppm", self.level_ppm)
        not_negative("variance_ppm2", self.variance_ppm2)
        finite("bad", self.bad)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredReel:
    """What loose parts told of a new reel before it was fitted.

    Attributes
    ----------
    level_ppm : float
        Where its level is expected against an average reel.
    off_factor : float
        How likely it is off or wide against a reel that nobody measured, above 0, at
        most 1.
    """

    level_ppm: float
    off_factor: float

    def __post_init__(self) -> None:
        finite("level_ppm", self.level_ppm)
        finite("off_factor", self.off_factor)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Boundary:
    """What is new with a unit.

    Attributes
    ----------
    new_build : bool
        It is the first of its build.
    reels : mapping of int to KnownReel, MeasuredReel or None
        Parts whose reel is another one than before, with what is known of the new one.
    found_bad : frozenset of int
        Of these, reels that a person found bad: the line learns nothing of them.
    """

    new_build: bool
    reels: Mapping[int, KnownReel | MeasuredReel | None]
    found_bad: frozenset[int] = frozenset()


class Line:
    """One product's line.

    Parameters
    ----------
    layout : Layout

    Notes
    -----
    Sizes cross this door in ppm; inside they are multiples of `layout.unit_ppm`. How
    sessions, checks, slips and releases are modelled is told in `DETECTOR.md`.
    """

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.state = st.new_state(layout)
        self.shape = st.shape_of(layout)
        self._at = st.places_of(layout.ranges, layout.parts, layout.tempco.size)

    def copy(self) -> Self:
        """Return a line that goes on from here by itself."""
        other = object.__new__(type(self))
        other.layout, other.shape, other._at = self.layout, self.shape, self._at
        arrays: list[Any] = [one.copy() for one in self.state]
        other.state = State(*arrays)
        return other

    def rest(self) -> None:
        """Keep no more than is needed; the next fold makes room again."""
        if len(self.state.log_weight) == st.ROOM:
            self.state = st.packed(self.state)

    def _wake(self) -> None:
        if len(self.state.log_weight) != st.ROOM:
            self.state = st.unpacked(self.state)

    def saved(self) -> State:
        """Return what `restored` goes on from."""
        return st.packed(self.state)

    def restore(self, saved: State) -> None:
        """Go back to what was saved, which stays as it is."""
        self.state = saved

    @property
    def units(self) -> int:
        """Units so far, over all builds."""
        return int(self.state.counters[st.UNITS])

    @property
    def checks(self) -> int:
        """Runs of the check standard so far."""
        return int(self.state.counters[st.CHECKED])

    @property
    def units_before_check(self) -> int:
        """Units before the latest run of the check standard; -1 where none was run."""
        return int(self.state.counters[st.LAST_CHECK])

    @property
    def log_odds(self) -> float:
        """Logarithm of how much likelier it is that something is wrong than nothing."""
        return float(folding().log_odds(self.state))

    def session(
        self,
        *,
        walk_ppm: ArrayLike | None = None,
    ) -> dict[int, float]:
        """Set the bench up anew: what a check has seen of it before is known.

        A small step that one check cannot tell from its noise stays supposed.

        Parameters
        ----------
        walk_ppm : (R,) array_like, optional
            Standard deviation of what an ordinary bench walks by meanwhile; left out,
            as assumed.

        Returns
        -------
        dict of int to float
            As of `settle`.
        """
        ranges = self.layout.ranges
        walk = np.full(ranges, self.layout.assumed.bench_walk)
        if walk_ppm is not None:
            walk = np.maximum(walk, self.deviations("walk_ppm", walk_ppm, ranges))
        moved = self._settled(1, undecided=SUPPOSED)
        self._wake()
        folding().session(
            self.state,
            self.shape,
            self._at,
            walk**2,
        )
        self._trim()
        return moved

    def haze(self, parts_ppm: ArrayLike, shared_ppm: float) -> None:
        """Time passed in which nobody recorded the room's temperature.

        Parameters
        ----------
        parts_ppm, shared_ppm : (P,) array_like and float
            Standard deviation of what it may have moved each part, and all ranges
            alike, by.
        """
        parts = self.layout.parts
        own2 = self.deviations("parts_ppm", parts_ppm, parts) ** 2
        shared2 = float(self.deviations("shared_ppm", shared_ppm)) ** 2
        self._wake()
        rows, at = slice(self.hypotheses), self._at
        for part in range(parts):
            self.state.covariance[rows, at[0] + part, at[0] + part] += own2[part]
        self.state.covariance[rows, at[1], at[1]] += shared2

    def check(
        self,
        errors_ppm: ArrayLike,
        variance_ppm2: ArrayLike,
        *,
        allowed_ppm2: ArrayLike | None = None,
        first: bool = False,
    ) -> None:
        """Take a run of the check standard.

        What it says of the bench is in the odds from here on; call `settle` once these
        were looked at.

        Parameters
        ----------
        errors_ppm : (R,) array_like
            Errors less the known ones, NaN where not run.
        variance_ppm2 : (R,) array_like
            Of the bench's own noise and resolution.
        allowed_ppm2 : (R,) array_like, optional
            Of what the meters' specification lets them always read off.
        first : bool
            It is the first of this standard on this bench.
        """
        ranges = self.layout.ranges
        errors = self.sizes("errors_ppm", errors_ppm, ranges, missing=True)
        variance = self.variances("variance_ppm2", variance_ppm2, ranges)
        allowed = np.zeros(ranges)
        if allowed_ppm2 is not None:
            allowed = self.variances("allowed_ppm2", allowed_ppm2, ranges)
            allowed = np.minimum(allowed, WIDEST**2)
        if (variance <= 0).any():
            raise OutOfRangeError(
                argument="variance_ppm2",
                value=np.asarray(variance_ppm2).tolist(),
                allowed="> 0",
            )
        self._wake()
        folding().check(
            self.state, self.shape, self._at, errors, variance, allowed, first
        )
        self.state.counters[st.LAST_CHECK] = self.units

    def settle(self) -> dict[int, float]:
        """Take what two checks have seen of the bench as known.

        Returns
        -------
        dict of int to float
            By range, R for all of them: how likely the bench had moved there, and be it
            that it is back since.
        """
        return self._settled(SETTLED_BY)

    def _settled(
        self, checks: int, undecided: tuple[float, float] = (1.0, 1.0)
    ) -> dict[int, float]:
        """Take what so many checks have seen of the bench as known.

        Not where something is as likely as `undecided`, from the first to the second.
        """
        events = self.state.event[: self.hypotheses]
        seen = np.isin(events[..., st.KIND], (st.BENCH, st.SLOPE))
        seen &= events[..., st.CHECKS] >= checks
        weight = self.weights()
        moved = {
            int(place): float(
                weight @ (seen & (events[..., st.PLACE] == place)).any(axis=1)
            )
            for place in np.unique(events[..., st.PLACE][seen])
        }
        if any(undecided[0] < likely < undecided[1] for likely in moved.values()):
            return {}
        back = (events[..., st.KIND] == st.ENDED) & (
            events[..., st.SIZE] == st.OF_BENCH
        )
        for place in moved:
            moved[place] += float(
                weight @ (back & (events[..., st.PLACE] == place)).any(axis=1)
            )
        if moved:
            self._wake()
            folding().settle(self.state, self._at, checks)
        return moved

    def unit(
        self,
        errors_ppm: ArrayLike,
        variance_ppm2: ArrayLike | None = None,
        *,
        boundary: Boundary | None = None,
        ambient_c: float | None = None,
        seated_again: bool = False,
    ) -> None:
        """Fold one unit.

        Parameters
        ----------
        errors_ppm : (R,) array_like
            Its range errors, NaN where not measured.
        variance_ppm2 : (R,) array_like, optional
            Of its own measurement.
        boundary : Boundary, optional
            What is new with it: a build, reels.
        ambient_c : float, optional
            Temperature it was measured at.
        seated_again : bool
            It was seated and measured once more: a poor contact is unlikely now.
        """
        ranges, parts = self.layout.ranges, self.layout.parts
        errors = self.sizes("errors_ppm", errors_ppm, ranges, missing=True)
        variance = np.zeros(ranges)
        if variance_ppm2 is not None:
            variance = self.variances("variance_ppm2", variance_ppm2, ranges)
        if ambient_c is not None and not COLDEST_C < ambient_c < WARMEST_C:
            raise OutOfRangeError(
                argument="ambient_c",
                value=ambient_c,
                allowed=f"> {COLDEST_C} and < {WARMEST_C}",
            )
        odds = ODD_UNITS / ranges * (SEATED_AGAIN if seated_again else 1.0)
        changed = np.zeros(parts, np.bool_)
        free = np.zeros(parts, np.bool_)
        level, level2 = np.zeros(parts), np.zeros(parts)
        bad = np.full(parts, -1.0)
        reels = {} if boundary is None else boundary.reels
        changed[places("boundary.reels", reels, below=parts)] = True
        for place, known in reels.items():
            if known is None:
                continue
            level[place] = self.sizes("level_ppm", known.level_ppm)
            if isinstance(known, MeasuredReel):
                bad[place] = -min(max(known.off_factor, 1e-6), 1.0)
            else:
                own2 = float(self.variances("variance_ppm2", known.variance_ppm2))
                level2[place] = min(own2, WIDEST**2) + RETURNING**2
                bad[place] = min(max(known.bad, 1e-6), 1.0 - 1e-6)
        found_bad = () if boundary is None else boundary.found_bad
        free[places("boundary.found_bad", found_bad, below=parts)] = True
        self._wake()
        folding().unit(
            self.state,
            self.shape,
            self._at,
            errors,
            variance,
            0.0 if ambient_c is None else ambient_c - REFERENCE_C,
            odds,
            boundary is not None and boundary.new_build,
            changed,
            level,
            level2,
            bad,
            free,
        )

    def excuse(self, kinds: Iterable[int], at: Iterable[int]) -> None:
        """Accept what was found: it is known from here on, a new move of it is new."""
        which, where = np.zeros(st.KINDS, np.bool_), np.zeros(PLACES, np.bool_)
        which[places("kinds", kinds, below=st.KINDS)] = True
        where[places("at", at, below=PLACES)] = True
        self._wake()
        folding().excuse(self.state, self._at, which, where)

    @property
    def tempco_ppm_per_k(self) -> Array:
        """Effect of temperature on each range as it is known, ppm a kelvin; (R,)."""
        start, count = self._at[3], self.layout.tempco.size
        means = self.state.mean[: self.hypotheses, start : start + count]
        effect: Array = self.weights() @ means * self.layout.unit_ppm
        return effect if count else np.zeros(self.layout.ranges)

    def expected_ppm(self) -> Array:
        """Return what the units now read on each range, the bench taken off, (R,)."""
        layout = self.layout
        at, ranges = self._at, layout.ranges
        rows = slice(self.hypotheses)
        level = self.state.mean[rows, :ranges] + self.state.mean[rows, at[1]][:, None]
        level += (
            self.state.mean[rows, at[0] : at[0] + layout.parts] @ layout.sensitivity
        )
        expected: Array = self.weights() @ level * layout.unit_ppm
        return expected

    def scatter_ppm(self, index: int) -> float:
        """Return by how much ordinary units differ on a range, standard deviation."""
        places("index", [index], below=self.layout.ranges)
        rows = slice(self.hypotheses)
        own2 = self.state.part_sum[rows, index] / self.state.part_count[rows, index]
        shared2 = self.state.shared_sum[rows] / self.state.shared_count[rows]
        return float(np.sqrt(self.weights() @ (own2 + shared2))) * self.layout.unit_ppm

    @property
    def beyond_odd_ppm(self) -> float:
        """Twice the standard deviation of odd parts: off by more is no part at all.

        A poor contact, a reading of another range, a slip of the pen.
        """
        return 2.0 * self.shape.odd_part * self.layout.unit_ppm

    def odd(self) -> Array:
        """Return how likely the latest unit alone is odd on each range, (R,)."""
        odd: Array = self.weights() @ self.state.odd[: self.hypotheses]
        return odd

    def marginals(self) -> Array:
        """Return how likely each event is, (KINDS, 64), excused ones left out."""
        found: Array = folding().marginals(self.state)
        return found

    def suspected_bench(self) -> list[tuple[int, float]]:
        """Return where another run of the check standard is worth while.

        A step of the bench may be too small beside the noise of one check to be held,
        and yet be likelier than before. A second run at once tells.

        Returns
        -------
        list of (int, float)
            Range, R for all of them, and how likely the bench has moved there; the
            likeliest first.
        """
        found = self.marginals()
        places = self.layout.ranges + 1
        moved = found[st.BENCH, :places] + found[st.SLOPE, :places]
        usual = self.shape.odds[st.AT_SESSION_BENCH] / places
        return [
            (int(place), float(moved[place]))
            for place in np.argsort(-moved, kind="stable")
            if moved[place] > SUSPECTED * usual
        ]

    @property
    def hypotheses(self) -> int:
        """How many stand side by side."""
        return int(self.state.counters[st.COUNT])

    def weights(self) -> Array:
        """Return how likely each hypothesis is, (hypotheses,)."""
        logs = self.state.log_weight[: self.hypotheses]
        weight: Array = np.exp(logs - logs.max())
        share: Array = weight / weight.sum()
        return share

    def bad(self) -> NDArray[np.bool_]:
        """Return which hypotheses say that something is wrong, (hypotheses,)."""
        events = self.state.event[: self.hypotheses]
        active = (events[..., st.KIND] > 0) & (events[..., st.EXCUSED] == 0)
        wrong: NDArray[np.bool_] = active.any(axis=1)
        return wrong

    @property
    def places(self) -> tuple[int, int, int, int, int]:
        """Where parts, shared stage, bench, temperature and events begin in a state."""
        return self._at

    def _trim(self) -> None:
        """Make room where many sessions follow each other without a unit."""
        if self.state.counters[st.COUNT] > st.ROOM // 2:
            folding().merge(self.state)
            folding().prune(self.state, st.PLACES, True)

    def sizes(
        self, argument: str, given_ppm: ArrayLike, *counts: int, missing: bool = False
    ) -> Array:
        """Return numbers in tolerances; NaN where some may be missing."""
        values = _numbers(argument, given_ppm, counts, missing=missing)
        with np.errstate(over="ignore"):
            return np.clip(values / self.layout.unit_ppm, -FARTHEST, FARTHEST)

    def deviations(self, argument: str, given_ppm: ArrayLike, *counts: int) -> Array:
        """Return standard deviations of levels, in tolerances."""
        values = self.sizes(argument, given_ppm, *counts)
        _not_negative(argument, values)
        return np.minimum(values, WIDEST)

    def variances(self, argument: str, given_ppm2: ArrayLike, *counts: int) -> Array:
        """Return variances of readings, in squares of tolerances."""
        values = _numbers(argument, given_ppm2, counts)
        _not_negative(argument, values)
        with np.errstate(over="ignore"):
            return np.minimum(values / self.layout.unit_ppm**2, FARTHEST**2)


def folding() -> Any:
    """Return the compiled fold; the compiler is loaded when it is first wanted."""
    return import_module("daemon.spc.detector.folding")


def _numbers(
    argument: str, given: ArrayLike, counts: tuple[int, ...], *, missing: bool = False
) -> Array:
    values = np.asarray(given, dtype=np.float64)
    if values.shape != counts:
        raise ShapeError(
            argument=argument,
            value=f"shape {values.shape}",
            allowed=f"{' times '.join(map(str, counts)) or 'one'} numbers",
        )
    wrong = np.isinf(values) | (np.isnan(values) & (not missing))
    if wrong.any():
        raise NotFiniteError(argument=argument, value=values.tolist())
    return values


def _not_negative(argument: str, values: Array) -> None:
    if (values < 0).any():
        raise OutOfRangeError(
            argument=argument, value=values.tolist(), allowed=">= 0 each"
        )
