"""Faults of every kind, injected into a simulated bench while units are measured.

Each unit has to be right within its stated uncertainty, in doubt, or not measured, with
the reason. A session begins and ends with the check standard, as on any bench; the
closing check judges the units between again, as the station does, and units before a
check that is out of control are in doubt: they do not leave before a person decides.

Both meters may move between two checks. Two that move alike cancel each other at the
closing check, and did not before: the check standard cannot tell that. What both read
for what the source was set to can, as far as the source stays what it was. That also
tells of a reference that errs for one unit or a part of it. An output's meter that does
so looks like the unit: nothing here can tell, so that such units are counted apart.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from math import ceil
from multiprocessing import get_context

from numpy.random import Generator, default_rng

from config import CheckStandard
from daemon.bench import (
    BenchError,
    RangeReadings,
    check_range,
    moved_alike_ppm,
    reference_moved_ppm,
)
from daemon.judging import Measured
from daemon.simulator import IN_A_METER, Fault, FaultKind
from daemon.station import OpenRun, check_point, judged_again
from daemon.trials.selftest.benches import bench_of, true_error_ppm
from daemon.trials.selftest.campaign_places import Place, in_memory, over_sockets

__all__ = ["Campaign", "KindRow", "run", "side_by_side"]

FAULTS_A_BENCH = 250
"""Of a campaign on many benches; each has calibration errors of its own."""
CHECK_ATTEMPTS = 3
FROZEN_FOR_GOOD = 0.2
"""Share of frozen meters that stay so until they are mended."""

UNITS_A_SESSION = 5
COVERAGE = 2.0

MESSAGES = {"source": 24, "reference": 40, "output": 40, "selector": 12, "ambient": 1}
"""About how many answers an instrument gives while a unit is measured."""

FOR_ALL_UNITS = frozenset({FaultKind.DRIFT, FaultKind.STEP})
"""These go on until the session ends: only the check standard can tell them."""

ALIKE = 0.3
"""Share of the units after a meter's step before which the other steps alike."""

LONGEST_FREEZE = 40
MOST_PASSING = 4

ALONE = {"reference": 0.2, "output": 0.1}
"""Share of the units for which a meter errs, and not before or after."""
PASSES = 0.5
"""Share of them that err for a part of the unit only."""
LONGEST_PASSING = 120
"""Readings that a step goes on for where it passes within a unit."""
PASSING = tuple(
    kind.value
    for kind in (
        FaultKind.TIMEOUT,
        FaultKind.LATE,
        FaultKind.HALF,
        FaultKind.GARBAGE,
        FaultKind.DISCONNECT,
        FaultKind.POWER_CYCLE,
    )
)
DISAGREED = "in doubt: the reference disagreed with the source's setting"
PASSED_OVER = ("reference", "output")


@dataclass(slots=True)
class KindRow:
    """What units came to while faults of one kind happened."""

    kind: str
    injected: int = 0
    units: int = 0
    right: int = 0
    in_doubt: int = 0
    not_measured: int = 0
    wrong: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Campaign:
    """What a whole campaign came to."""

    rows: tuple[KindRow, ...]
    alike: KindRow
    """Sessions in which the second meter stepped as the first had before, and their
    units."""
    for_one_unit: KindRow
    """Units for which the reference had erred, and not before or after."""
    output_alone: KindRow
    """Units for which the output's meter had, which no reading here can tell.

    They are in no other row, nor among the units of the campaign."""
    reasons: Mapping[str, int]
    """Why units were not measured, or are in doubt."""
    sessions: int
    units: int
    right: int
    in_doubt: int
    """Measured, but the check standard does not stand behind them."""
    wrong: int
    """Units with a recorded value that is off by more than it says."""
    values: int
    """Range errors that were recorded and judged."""

    @property
    def injected(self) -> int:
        """Faults that really happened."""
        return sum(one.injected for one in self.rows)

    @property
    def not_measured(self) -> int:
        """Units without a value."""
        return self.units - self.right - self.in_doubt - self.wrong


def run(
    faults: int, *, seed: int = 1, sockets: bool = False, every_kind: bool = True
) -> Iterator[Campaign]:
    """Inject at least so many faults; yields how it stands after each session.

    Parameters
    ----------
    faults : int
        That really happen, at least.
    sockets : bool
        Whether instruments are a process of their own behind sockets, as fast as the
        machine; else they are in this process, their time virtual, and the same seed
        gives the same campaign.
    every_kind : bool
        Whether to go on until every kind has really happened.
    """
    with over_sockets(seed) if sockets else in_memory(seed) as bench:
        campaign = _Campaign(bench, default_rng([seed, 11]))
        while campaign.injected < faults or (
            every_kind and not campaign.had_every_kind
        ):
            campaign.session()
            yield campaign.so_far()


def side_by_side(faults: int, *, seed: int = 1, workers: int = 2) -> Iterator[Campaign]:
    """Inject at least so many faults over sockets, on a new bench every few hundred.

    Yields how all stands together after each bench. Which faults are injected follows
    from the seed, whatever the number of workers; whom they hit also from the moment.
    """
    each = min(faults, FAULTS_A_BENCH)
    # spawned, not forked: the caller may run threads
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        begun = [
            pool.submit(_one_bench, each, 1000 * seed + bench)
            for bench in range(ceil(faults / each))
        ]
        ended = []
        for one in as_completed(begun):
            ended.append(one.result())
            yield _together(ended)


def _one_bench(faults: int, seed: int) -> Campaign:
    *_, last = run(faults, seed=seed, sockets=True, every_kind=False)
    return last


def _together(campaigns: Sequence[Campaign]) -> Campaign:
    reasons = Counter[str]()
    for one in campaigns:
        reasons.update(one.reasons)
    return Campaign(
        rows=tuple(
            _added(rows) for rows in zip(*(one.rows for one in campaigns), strict=True)
        ),
        alike=_added(one.alike for one in campaigns),
        for_one_unit=_added(one.for_one_unit for one in campaigns),
        output_alone=_added(one.output_alone for one in campaigns),
        reasons=dict(reasons.most_common()),
        sessions=sum(one.sessions for one in campaigns),
        units=sum(one.units for one in campaigns),
        right=sum(one.right for one in campaigns),
        in_doubt=sum(one.in_doubt for one in campaigns),
        wrong=sum(one.wrong for one in campaigns),
        values=sum(one.values for one in campaigns),
    )


def _added(rows: Iterable[KindRow]) -> KindRow:
    first, *others = rows
    total = replace(first)
    for one in others:
        total.injected += one.injected
        total.units += one.units
        total.right += one.right
        total.in_doubt += one.in_doubt
        total.not_measured += one.not_measured
        total.wrong += one.wrong
    return total


_Check = Mapping[str, Measured]
"""By range, as the check standard read; empty where it could not be measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Unit:
    """A unit as it was measured, or the reason why not."""

    serial: str
    kinds: frozenset[str]
    readings: tuple[RangeReadings, ...] = ()
    disagrees: bool = False
    """Whether its reference read otherwise than the source may have moved."""
    alone: str | None = None
    """The meter that erred for this unit alone."""
    reason: str | None = None


class _Campaign:
    """Sessions on one bench, and what they came to."""

    def __init__(self, bench: Place, chance: Generator) -> None:
        self._bench = bench
        self._chance = chance
        self._rows = {kind.value: KindRow(kind.value) for kind in FaultKind}
        self._alike = KindRow("both meters together")
        self._alone = {
            "reference": KindRow("reference for one unit"),
            "output": KindRow("output for one unit"),
        }
        self._reasons = Counter[str]()
        self._serials = [
            serial for build in bench.scenario.builds for serial in build.serials
        ]
        self._sessions = self._units = self._right = self._wrong = self._values = 0
        self._in_doubt = 0
        self._struck: Mapping[str, int] = {}
        self._deck: list[str] = []
        settings = bench_of(bench.settings)
        self._source_stability_ppm = settings.source_stability_ppm
        standard = settings.check_standard
        if standard is None:
            message = "a campaign needs a check standard"
            raise ValueError(message)
        self._standard: CheckStandard = standard

    @property
    def injected(self) -> int:
        return sum(one.injected for one in self._rows.values())

    @property
    def had_every_kind(self) -> bool:
        return all(one.injected for one in self._rows.values())

    def so_far(self) -> Campaign:
        return Campaign(
            rows=tuple(self._rows.values()),
            alike=self._alike,
            for_one_unit=self._alone["reference"],
            output_alone=self._alone["output"],
            reasons=dict(self._reasons.most_common()),
            sessions=self._sessions,
            units=self._units,
            right=self._right,
            in_doubt=self._in_doubt,
            wrong=self._wrong,
            values=self._values,
        )

    def session(self) -> None:
        """Check, units with faults, check again; then judge the units."""
        self._sessions += 1
        self._bench.hands.clear()
        before = self._check()
        if self._doubt(before, before) is not None:
            return  # no session opens with a check that is out of control
        spoiled: dict[str, float] = {}
        units = []
        alike = self._alike.injected
        for _ in range(UNITS_A_SESSION):
            unit, moved = self._unit(spoiled, before)
            spoiled |= moved
            units.append(unit)
        after = self._check()
        doubt = self._doubt(before, after)
        stepped_alike = self._alike.injected > alike
        for unit in units:
            rows = [self._rows[kind] for kind in unit.kinds]
            if stepped_alike:
                rows.append(self._alike)
            if unit.alone is not None:
                rows.append(self._alone[unit.alone])
            own = DISAGREED if unit.disagrees else None
            self._settle(unit, before, after, doubt or own, rows)

    def _check(self) -> _Check:
        """Return what the check standard reads; empty where nothing was."""
        self._bench.hands.mount(self._standard.serial)
        for _ in range(CHECK_ATTEMPTS):
            try:
                measured = self._bench.measure()
            except BenchError:
                self._bench.bench.source_off()
                continue
            judge = self._bench.judge.learned(measured)
            return {one.range: judge.error(one) for one in measured}
        return {}

    def _doubt(self, before: _Check, check: _Check) -> str | None:
        """Return why units between two checks are not to be believed."""
        if not check:
            return "in doubt: the closing check could not be made"
        for key, one in check.items():
            if not check_range(
                error_ppm=one.error.error_ppm,
                uncertainty_ppm=one.error.uncertainty_ppm,
                known_ppm=self._standard.error_ppm[key],
                known_uncertainty_ppm=self._standard.uncertainty_ppm,
            ).in_control:
                return "in doubt: the check standard is out of control"
        if self._source_stability_ppm is None:
            return None
        for key, one in check.items():
            moved_ppm = moved_alike_ppm(
                before[key].against_source,
                one.against_source,
                source_stability_ppm=self._source_stability_ppm,
            )
            if moved_ppm is not None:
                return "in doubt: both meters moved together against the source"
        return None

    def _disagrees(
        self, readings: Sequence[RangeReadings], before: _Check
    ) -> tuple[str, ...]:
        """Return where the reference reads otherwise than at the opening check."""
        if self._source_stability_ppm is None:
            return ()
        learned = self._bench.judge.learned(readings)
        return tuple(
            one.range
            for one in readings
            if reference_moved_ppm(
                before[one.range].against_source,
                learned.error(one).against_source,
                source_stability_ppm=self._source_stability_ppm,
            )
            is not None
        )

    def _measured(self, before: _Check) -> tuple[tuple[RangeReadings, ...], bool]:
        """Measure as the station does: again where the reference disagrees.

        Returns
        -------
        readings
            Of each range.
        bool
            Whether the reference disagrees still.
        """
        readings = self._bench.measure()
        moved = self._disagrees(readings, before)
        if not moved:
            return tuple(readings), False
        again = {one.range: one for one in self._bench.measure(moved)}
        readings = [again.get(one.range, one) for one in readings]
        return tuple(readings), bool(self._disagrees(readings, before))

    def _unit(
        self, spoiled: Mapping[str, float], before: _Check
    ) -> tuple[_Unit, Mapping[str, float]]:
        """Measure a unit.

        `spoiled` and what is returned: meters that moved, by how much where it was a
        step, 0 where it goes on.
        """
        bench, chance = self._bench, self._chance
        serial = self._serials[int(chance.integers(len(self._serials)))]
        bench.hands.mount(serial)
        lasting: dict[str, float] = {}
        roles = []
        for fault in (self._same_step(spoiled) or self._fault(), *self._passing()):
            moved = {**spoiled, **lasting}
            if fault.role in moved:
                continue  # mending the line would mend the drift as well
            if fault.kind in FOR_ALL_UNITS:
                if fault.role in roles:
                    continue
                lasting[fault.role] = (
                    fault.amount if fault.kind == FaultKind.STEP else 0.0
                )
            self._inject(fault)
            roles.append(fault.role)
        alone = self._step_alone({**spoiled, **lasting}.keys())
        roles += [] if alone is None else [alone[0]]
        readings: tuple[RangeReadings, ...] = ()
        disagrees, reason = False, None
        try:
            readings, disagrees = self._measured(before)
        except BenchError as exc:
            reason = type(exc).__name__
        kinds = self._count_struck()
        if alone is not None and alone[1] not in kinds:
            alone = None  # it never came to a reading
        elif alone is not None and alone[0] == "output":
            self._rows[alone[1]].injected -= 1  # counted apart
        for role in {*roles} - {*lasting, *spoiled}:
            bench.hands.clear(role)
        if reason is not None:
            bench.bench.source_off()
        unit = _Unit(
            serial=serial,
            kinds=kinds,
            readings=readings,
            disagrees=disagrees,
            alone=None if alone is None else alone[0],
            reason=reason,
        )
        return unit, lasting

    def _step_alone(self, spoiled: Iterable[str]) -> tuple[str, FaultKind] | None:
        """Have a meter err for this unit or a part of it; return which, and how."""
        drawn = self._chance.random(len(ALONE))
        for (role, share), chance in zip(ALONE.items(), drawn.tolist(), strict=True):
            if chance >= share or role in spoiled:
                continue
            how: dict[str, float | None] = {"size": self._size_of(FaultKind.STEP)}
            kind = FaultKind.STEP
            if self._chance.random() < PASSES:
                kind = FaultKind.PASSING
                how["after"] = int(self._chance.integers(2 * MESSAGES[role]))
                how["times"] = int(self._chance.integers(1, LONGEST_PASSING))
            self._bench.hands.fault(role, kind.value, **how)
            return role, kind
        return None

    def _fault(self) -> Fault:
        """Draw a fault; every kind comes once before any comes again."""
        if not self._deck:
            self._deck = self._chance.permutation(list(FaultKind)).tolist()
        kind = FaultKind(self._deck.pop())
        roles = ("reference", "output") if kind in IN_A_METER else tuple(MESSAGES)
        times = int(self._chance.choice((1, 2, 5), p=(0.7, 0.15, 0.15)))
        role = str(self._chance.choice(roles))
        return Fault(kind=kind, role=role, times=times, size=self._size_of(kind))

    def _same_step(self, spoiled: Mapping[str, float]) -> Fault | None:
        """Have the other meter step as one did before, now and then."""
        sizes = list(spoiled.values())
        if len(sizes) != 1 or not sizes[0] or self._chance.random() >= ALIKE:
            return None
        (other,) = {*PASSED_OVER} - {*spoiled}
        self._alike.injected += 1
        return Fault(kind=FaultKind.STEP, role=other, size=sizes[0])

    def _passing(self) -> Iterator[Fault]:
        """Draw a few faults in the line that a careful bench may recover from."""
        for _ in range(int(self._chance.integers(MOST_PASSING + 1))):
            kind = FaultKind(str(self._chance.choice(PASSING)))
            role = str(self._chance.choice(PASSED_OVER))
            yield Fault(kind=kind, role=role, times=1, size=self._size_of(kind))

    def _size_of(self, kind: FaultKind) -> float | None:
        """Draw how large a fault is, up or down; None where its kind has no size."""
        match kind:
            case FaultKind.LATE:
                return float(self._chance.uniform(0.0, 3.0)) * self._bench.timeout_s
            case FaultKind.DRIFT:
                low, high = 0.1, 100.0
            case FaultKind.STEP:
                low, high = 10.0, 3000.0
            case _:
                return None
        way = float(self._chance.choice((-1.0, 1.0)))
        return float(way * low * (high / low) ** self._chance.random())

    def _inject(self, fault: Fault) -> None:
        chance, hands = self._chance, self._bench.hands
        how: dict[str, float | None] = {
            "after": int(chance.integers(MESSAGES[fault.role]))
        }
        match fault.kind:
            case FaultKind.LATE:
                how |= {"size": fault.size}
            case FaultKind.FROZEN:
                forever = chance.random() < FROZEN_FOR_GOOD
                times = int(chance.integers(1, LONGEST_FREEZE))
                # In the middle of whatever movement is under way then.
                how |= {"times": None if forever else times}
            case FaultKind.DRIFT | FaultKind.STEP:
                how = {"size": fault.size}
            case FaultKind.WRONG_IDENTITY:
                # Nobody exchanges an instrument without breaking its line.
                hands.fault(fault.role, FaultKind.DISCONNECT.value, **how)
                how = {}
            case kind if kind in IN_A_METER:
                how = {}
            case _:
                how["times"] = fault.times
        hands.fault(fault.role, fault.kind.value, **how)

    def _count_struck(self) -> frozenset[str]:
        """Return the kinds that happened since last asked, and count them."""
        struck: Mapping[str, int] = self._bench.hands.state()["struck"]
        kinds = set()
        for kind, times in struck.items():
            new = times - self._struck.get(kind, 0)
            if new:
                kinds.add(kind)
                self._rows[kind].injected += new
        self._struck = struck
        return frozenset(kinds)

    def _settle(
        self,
        unit: _Unit,
        before: _Check,
        after: _Check,
        doubt: str | None,
        rows: Sequence[KindRow],
    ) -> None:
        apart = unit.alone == "output"
        rows = [self._alone["output"]] if apart else rows
        self._units += not apart
        for row in rows:
            row.units += 1
        if unit.alone is not None:
            self._alone[unit.alone].injected += 1
        if unit.reason is not None:
            self._reasons[unit.reason] += not apart
            for row in rows:
                row.not_measured += 1
            return
        if doubt is not None:
            self._reasons[doubt] += not apart
            self._in_doubt += not apart
            for row in rows:
                row.in_doubt += 1
            return
        wrong = self._is_wrong(unit, before, after)
        self._right += not (wrong or apart)
        self._wrong += wrong and not apart
        for row in rows:
            row.wrong += wrong
            row.right += not wrong

    def _is_wrong(self, unit: _Unit, before: _Check, after: _Check) -> bool:
        """Whether a range is off by more than is stated once the check closes it."""
        board = self._bench.scenario.board(unit.serial)
        known_ppm = self._standard.error_ppm
        watched = self._source_stability_ppm is not None
        checks = {key: (before[key], after[key]) for key in before}
        closed = judged_again(
            self._bench.judge,
            [OpenRun(run=unit.serial, readings=unit.readings)],
            points={
                key: [check_point(one, known_ppm=known_ppm[key]) for one in both]
                for key, both in checks.items()
            },
            opening={
                key: replace(
                    one.known_good,
                    against=tuple(at.against_source for at in checks[key])
                    if watched
                    else (),
                    source_stability_ppm=self._source_stability_ppm or 0.0,
                )
                for key, one in before.items()
            },
            check_run="closing",
            at=self._bench.clock.utc(),
        )
        wrong = False
        for one in closed:
            self._values += unit.alone != "output"
            true_ppm = true_error_ppm(self._bench.product, board, one.range)
            off_ppm = one.error_ppm - true_ppm
            wrong |= abs(off_ppm) > COVERAGE * one.uncertainty_ppm
        return wrong
