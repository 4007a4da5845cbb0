"""The control plan and the alerts as the maker writes them."""

from collections import Counter
from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field

from config.detector import Detector
from config.handheld import Meters
from config.strict import KeyPath, Name, Problem, Strict, where_whole

__all__ = [
    "Alerts",
    "Beside",
    "Channel",
    "Charts",
    "FalseHolds",
    "Judging",
    "Plan",
    "RangeReading",
    "Reading",
    "SamplePlan",
    "Watching",
    "linearity_of",
]


FalseHolds = Annotated[int, Field(ge=100, le=10_000_000)]


Share = Annotated[float, Field(gt=0, le=1)]
SignedShares = Annotated[
    tuple[Annotated[float, Field(ge=-1, le=1)], ...], Field(max_length=20, strict=False)
]
Offset = Literal["zero", "reversal", "three-point reversal"]
Readings = Annotated[int, Field(ge=1, le=1000)]
WantedPpm = Annotated[float, Field(gt=0, le=100_000)]
LinearityPpm = Annotated[float, Field(gt=0, le=1_000_000)]
PowerLineCycles = Annotated[float, Field(ge=0.01, le=100)]


class RangeReading(Strict):
    """What one range is read by in place of what holds for all; all may be absent."""

    level_of_full_scale: Share | None = None
    linearity_levels: SignedShares | None = None
    linearity_limit_ppm: LinearityPpm | None = None
    offset: Offset | None = None
    readings_per_point: Readings | None = None
    most_readings_per_point: Readings | None = None
    wanted_uncertainty_ppm: WantedPpm | None = None
    power_line_cycles: PowerLineCycles | None = None


class Reading(Strict):
    """How the ranges of one unit are read."""

    order: Literal["unit", "range"] = "unit"
    level_of_full_scale: Share = 0.9
    """Where a range's error is found."""
    linearity_levels: SignedShares = ()
    """Further shares of full scale, which tell how straight a range is. Negative ones
    and reversals need a range that takes both polarities."""
    linearity_limit_ppm: LinearityPpm | None = None
    """How far such a level may lie from the straight line through zero and the level
    where the error is found, either way: ppm of full scale."""
    offset: Offset = "zero"
    """How the offset is removed: source at 0 before and after; the level reversed;
    or reversed and back again, so that a drift cancels too."""
    readings_per_point: Readings = 3
    """At least."""
    most_readings_per_point: Readings = 200
    wanted_uncertainty_ppm: WantedPpm = 10.0
    """What scatter and settling may leave at each point: standard, ppm of the level."""
    power_line_cycles: PowerLineCycles = 1.0
    """How long a meter integrates, where its profile lets one say."""
    ranges: dict[Name, RangeReading] = Field(default_factory=dict)

    def of(self, range_: str) -> "Reading":
        """Return how one range is read: its own words first, else those of all.

        Examples
        --------
        >>> reading = Reading(ranges={"1uA": RangeReading(readings_per_point=9)})
        >>> [reading.of(one).readings_per_point for one in ("1uA", "1mA")]
        [9, 3]
        """
        said = self.ranges.get(range_, RangeReading())
        own = {key: value for key, value in said if value is not None}
        return self.model_copy(update={**own, "ranges": {}})

    def problems(self) -> Iterator[Problem]:
        """Refuse a least number above the most, and levels that say nothing."""
        yield from self._doubtful(())
        for key in self.ranges:
            with where_whole:
                yield from self.of(key)._doubtful(("ranges", key))  # noqa: SLF001

    def _doubtful(self, path: KeyPath) -> Iterator[Problem]:
        with where_whole:
            if self.most_readings_per_point < self.readings_per_point:
                yield Problem(
                    path=(*path, "most_readings_per_point"),
                    problem=f"must be >= readings_per_point, {self.readings_per_point}",
                )
        with where_whole:
            taken = [0.0, self.level_of_full_scale]
            for place, one in enumerate(self.linearity_levels):
                if one in taken:
                    yield Problem(
                        path=(*path, "linearity_levels", place),
                        problem="is read anyway; name other levels",
                    )
                taken.append(one)


def linearity_of(range_: str) -> str:
    """Return the name of the check that a range's further levels make.

    Examples
    --------
    >>> linearity_of("1uA")
    'linearity of 1uA'
    """
    return f"linearity of {range_}"


class Beside(Strict):
    """A check of every unit beside its range errors, with limits of its own.

    Offset and noise are of the output with the source at zero, in volts; the input
    drop is what the input takes at full scale, in volts; the supply current is in
    ampere. An inspection is answered with yes or no, and yes is good.
    """

    kind: Literal["offset", "noise", "supply current", "input drop", "inspection"]
    range: Name | None = None
    low: Annotated[float, Field(ge=-1_000, le=1_000)] | None = None
    high: Annotated[float, Field(ge=-1_000, le=1_000)] | None = None

    @property
    def unit(self) -> Literal["A", "V", ""]:
        """What its value and its limits are in; nothing for an inspection."""
        if self.kind == "inspection":
            return ""
        return "A" if self.kind == "supply current" else "V"

    def problems(self) -> Iterator[Problem]:
        """Refuse a check without limits, and one that nobody knows how to make."""
        inspected = self.kind == "inspection"
        with where_whole:
            if inspected and (self.low, self.high) != (None, None):
                yield Problem(path=("low",), problem="an inspection is yes or no")
        with where_whole:
            if not inspected and self.low is None and self.high is None:
                yield Problem(
                    path=("high",), problem="missing; this or low must be a number"
                )
        with where_whole:
            if self.low is not None and self.high is not None and self.low > self.high:
                yield Problem(path=("low",), problem=f"must be <= high, {self.high:g}")
        with where_whole:
            of_a_range = self.kind in {"offset", "noise", "input drop"}
            if of_a_range and self.range is None:
                yield Problem(
                    path=("range",),
                    problem=f"missing; {self.kind} is of one range of the product",
                )


class Judging(Strict):
    """How a range error is judged against its limit (ILAC-G8, JCGM 106)."""

    guard_band_factor: Annotated[float, Field(ge=0, le=10)] = 1.0
    """Guard band as a multiple of the expanded uncertainty (k = 2)."""
    needed_ratio: Annotated[float, Field(gt=0, le=1_000)] = 3.0
    """Limit over expanded uncertainty below which the bench only compares."""


class Watching(Strict):
    """What raises a finding."""

    accepted_false_holds_per_units: FalseHolds = 5000
    """One false hold in this many units is accepted."""


class Charts(Strict):
    """Which charts warn; none of them ever holds anything.

    Limits are of three standard deviations, from the earlier builds.
    """

    units: bool = False
    """A unit beyond what units of its reel do."""
    reels: bool = False
    """The mean of a reel's units beyond what reels do."""
    steps: bool = False
    """From one unit of a reel to the next."""

    @property
    def kinds(self) -> tuple[str, ...]:
        """Those that warn, by name."""
        return tuple(name for name, warns in self if warns)


class SamplePlan(Strict):
    """What lets units leave that were not measured on every range."""

    full_share: Annotated[float, Field(gt=0, lt=1)]
    """Of each build: so many units are measured on every range, and good."""
    ranges: Annotated[tuple[Name, ...], Field(max_length=100, strict=False)] = ()
    """What the other units are measured on; none: they may leave unmeasured."""

    def problems(self) -> Iterator[Problem]:
        """Refuse a range named twice."""
        for place in _doubled(self.ranges):
            yield Problem(path=("ranges", place), problem="is named twice")


class StoreUse(Strict):
    """What the store may take of this machine; no result changes by it."""

    memory_limit_mb: Annotated[int, Field(ge=128, le=1_000_000)] = 256
    threads: Annotated[int, Field(ge=1, le=64)] = 2
    history_folder: Annotated[str, Field(min_length=1, max_length=2_000)] | None = None
    """Where each night adds what is new as Parquet by month; None: nowhere."""


class Plan(Strict):
    """The control plan: how to read, how to judge, when to hold."""

    reading: Reading = Reading()
    judging: Judging = Judging()
    watching: Watching = Watching()
    charts: Charts | None = None
    """None: no chart warns."""
    detector: Detector | None = None
    """None: the standing values."""
    sample: SamplePlan | None = None
    """None: each unit is measured on every range before it leaves."""
    checks: dict[Name, Beside] = Field(default_factory=dict)
    """By the name that people know each by."""
    store: StoreUse | None = None
    """None: what it takes unless somebody says otherwise."""
    people: Annotated[tuple[Name, ...], Field(min_length=1, strict=False)]
    """Who may release a hold."""
    meters: Meters | None = None
    """How good the meters are that readings are typed or imported from, where no
    bench.toml says it; None: as good as handheld ones usually are."""
    output_meter: Meters | None = None
    """How good the one is that reads what comes out; None: as `meters` says."""

    def problems(self) -> Iterator[Problem]:
        """Refuse a person named twice: decisions are told apart by name."""
        for place in _doubled(self.people):
            yield Problem(path=("people", place), problem="is named twice")


class Channel(Strict):
    """Where alerts go."""

    name: Name
    url: Annotated[str, Field(min_length=1, max_length=2_000, repr=False)]
    """Often holds a password: never shown."""
    from_severity: Literal["notice", "warning", "hold"] = "hold"


class Alerts(Strict):
    """Channels, none by default."""

    channels: tuple[Channel, ...] = Field(default=(), strict=False)
    doubt_severity: Literal["notice", "warning", "hold"] = "warning"
    """How much it matters that runs are in doubt."""
    remind_every_hours: Annotated[float, Field(gt=0, le=8_760)] = 24.0
    """Until somebody takes note, or the hold or the doubt ends."""
    give_up_after_tries: Annotated[int, Field(ge=1, le=10_000)] = 60
    """About two days; then the message is a dead letter, and others are told."""
    alive_url: Annotated[
        str | None, Field(min_length=1, max_length=2_000, repr=False)
    ] = None
    """Asked for again and again while the daemon lives: whoever watches it from
    another machine hears of its silence. Often holds a secret: never shown."""
    alive_every_s: Annotated[float, Field(ge=1, le=86_400)] = 60.0

    def problems(self) -> Iterator[Problem]:
        """Refuse two channels of one name: what was delivered is told by name."""
        for place in _doubled([one.name for one in self.channels]):
            yield Problem(
                path=("channels", place, "name"),
                problem="another channel has this name; each needs its own",
            )


def _doubled(names: tuple[str, ...] | list[str]) -> list[int]:
    """Return the places of the second and later mention of a name."""
    seen = Counter[str]()
    places = []
    for place, name in enumerate(names):
        seen[name] += 1
        if seen[name] > 1:
            places.append(place)
    return places
