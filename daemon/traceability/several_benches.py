"""Benches that share a record, beside one another, as the shared database has it.

Each bench watches what it measured. What several of them read of the same check
standard, and of units with the same parts, is asked here: a bench that alone reads off
is then said to be the bench, not the reel.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import combinations
from statistics import fmean
from typing import TYPE_CHECKING

from daemon.metrology import (
    BenchOrProduct,
    StandardReading,
    bench_or_product,
    between_benches,
)
from storage import (
    BenchCheck,
    BenchDifference,
    Benches,
    BenchUnit,
    BuildState,
    Cause,
    FindingSeen,
    Fitting,
    ReworkOf,
    SeenAt,
    Signal,
    Store,
    Whose,
    reels_of,
)

if TYPE_CHECKING:  # its library loads only where a record is shared
    from storage import PostgresStore

CHECKS = 10
"""Newest checks of a bench that are held against another's."""
CHECKED_WITHIN = timedelta(days=60)
"""Older ones tell of another bench, or another standard."""
BUILDS = 6
"""Newest builds that a reel is looked for in."""
FINDINGS_OF = 12
"""Newest builds whose findings are looked at, beside those that are held: of a long
history nobody asks any more, and each costs a question."""
SURE_LOG_ODDS = 3.0
"""From which on it is said whose a finding is: twenty to one."""
WIDTH_95 = 3.92
"""Of a normal interval of 95 %, in standard deviations."""
OF_SEVERAL_UNITS = (Cause.REEL, Cause.SHARED, Cause.BENCH, Cause.RANGE)


def benches_of(
    store: Store, shared: "PostgresStore", product: str, *, bench: str, at: datetime
) -> Benches:
    """Return what the shared database says of its benches now.

    Parameters
    ----------
    store
        This bench's own: what it found, and which reels units carry.
    bench
        What it is called there.

    Raises
    ------
    storage.errors.UnreachableError
        The shared database does not answer.
    """
    checks = shared.bench_checks(product, most=CHECKS, since=at - CHECKED_WITHIN)
    differences = tuple(_differences(checks))
    return Benches(
        bench=bench,
        states=tuple(shared.bench_states(product, builds=BUILDS)),
        differences=differences,
        findings=tuple(
            _beside_standard(one, key, differences)
            for key, one in _findings(store, shared, product, bench)
        ),
    )


def _differences(checks: Sequence[BenchCheck]) -> Iterator[BenchDifference]:
    groups: dict[tuple[str, str], dict[str, list[BenchCheck]]] = {}
    for one in checks:
        of_benches = groups.setdefault((one.serial, one.range), {})
        of_benches.setdefault(one.bench, []).append(one)
    for (standard, key), of_benches in sorted(groups.items()):
        for bench, other in combinations(sorted(of_benches), 2):
            mine, theirs = of_benches[bench], of_benches[other]
            found = between_benches([*map(_read, mine)], [*map(_read, theirs)])
            yield BenchDifference(
                standard=standard,
                range=key,
                bench=bench,
                other=other,
                difference_ppm=found.difference_ppm,
                uncertainty_ppm=found.uncertainty_ppm,
                allowed_ppm=found.allowed_ppm,
                checks=len(mine),
                other_checks=len(theirs),
                last_at=mine[0].started_at,
                other_last_at=theirs[0].started_at,
            )


def _read(check: BenchCheck) -> StandardReading:
    own_ppm = check.own_uncertainty_ppm
    return StandardReading(
        error_ppm=check.error_ppm,
        uncertainty_ppm=check.uncertainty_ppm,
        own_ppm=check.uncertainty_ppm if own_ppm is None else own_ppm,
    )


def _findings(
    store: Store, shared: "PostgresStore", product: str, bench: str
) -> Iterator[tuple[str | None, FindingSeen]]:
    """Yield the range of each finding of late, and what benches read of its units."""
    builds = store.rows(BuildState, product=product, newest=FINDINGS_OF)
    near = {one.build for one in builds}
    standing = [
        one
        for one in store.rows(Signal, "signals", product=product)
        if one.standing and one.cause in OF_SEVERAL_UNITS and one.build in near
    ]
    if not standing:
        return
    fittings = store.rows(Fitting, product=product)
    reworks = store.rows(ReworkOf, product=product)
    asked: dict[str, list[BenchUnit]] = {}
    for one in standing:
        units: list[BenchUnit] = []
        for build in _builds(one, fittings):
            if build not in asked:
                asked[build] = shared.bench_units(product, build)
            units += asked[build]
        yield one.range, seen_by_benches(one, units, fittings, reworks, bench=bench)


def _beside_standard(
    seen: FindingSeen, key: str | None, differences: Sequence[BenchDifference]
) -> FindingSeen:
    """Say of no bench that it is off where it reads a check standard as others do.

    Then such units differ from bench to bench: boards of two reels may be mixed.
    """
    if seen.whose is not Whose.BENCH:
        return seen
    others = {one.bench for one in seen.seen} - {seen.bench}
    compared = [
        one
        for one in differences
        if key in {None, one.range}
        and seen.bench in {one.bench, one.other}
        and others & {one.bench, one.other}
    ]
    near = all(
        abs(one.difference_ppm) + one.uncertainty_ppm < abs(seen.size_ppm) / 2
        for one in compared
    )
    return replace(seen, whose=Whose.UNITS) if compared and near else seen


def _builds(signal: Signal, fittings: Iterable[Fitting]) -> list[str]:
    """Return the builds in which a finding is looked for: its own, and its reel's."""
    if signal.reel is None:
        return [signal.build]
    fitted = [one for one in fittings if one.reel == signal.reel]
    newest = sorted(fitted, key=lambda one: one.fitted_at, reverse=True)
    return [*dict.fromkeys((signal.build, *(one.build for one in newest)))][:BUILDS]


def seen_by_benches(
    signal: Signal,
    units: Sequence[BenchUnit],
    fittings: Sequence[Fitting],
    reworks: Sequence[ReworkOf] = (),
    *,
    bench: str,
) -> FindingSeen:
    """Return what each bench reads of a finding's units, and whose it is.

    Parameters
    ----------
    signal
        The latest revision of a finding of this bench.
    units
        Results of its builds, of all benches, in the order of their numbers.
    """
    errors = _by_unit(units, signal.range)
    begin = next((u.number for u in units if u.serial == signal.first_serial), 0)
    of_build: dict[str, list[Fitting]] = {}
    for one in fittings:
        of_build.setdefault(one.build, []).append(one)
    replaced: dict[str, list[ReworkOf]] = {}
    for rework in reworks:
        if rework.reel is not None:
            replaced.setdefault(rework.serial, []).append(rework)

    def concerned(unit: BenchUnit) -> bool:
        if signal.reel is None:
            return unit.number >= begin
        carried = reels_of(
            unit.serial, of_build.get(unit.build, ()), replaced.get(unit.serial, ())
        )
        return signal.reel in carried.values()

    groups: dict[tuple[str, str, bool], list[float]] = {}
    for unit, error_ppm in errors.values():
        is_concerned = concerned(unit)
        # Other builds of one bench scatter about means of their own.
        group = (unit.bench, "" if is_concerned else unit.build, is_concerned)
        groups.setdefault(group, []).append(error_ppm)
    seen = {of: each for (of, _, is_concerned), each in groups.items() if is_concerned}
    said = bench_or_product(
        signal.size_ppm,
        (signal.high_ppm - signal.low_ppm) / WIDTH_95,
        here=seen.get(bench, ()),
        there=[ppm for of, each in seen.items() if of != bench for ppm in each],
        others=[
            each for (*_, is_concerned), each in groups.items() if not is_concerned
        ],
    )
    return FindingSeen(
        signal=signal.signal,
        bench=bench,
        whose=_whose(said),
        size_ppm=signal.size_ppm,
        seen=tuple(
            SeenAt(bench=of, units=len(each), mean_ppm=fmean(each))
            for of, each in sorted(seen.items())
        ),
        difference_ppm=None if said is None else said.difference_ppm,
        uncertainty_ppm=None if said is None else said.uncertainty_ppm,
        log_odds=None if said is None else said.log_odds,
    )


def _by_unit(
    units: Sequence[BenchUnit], key: str | None
) -> Mapping[str, tuple[BenchUnit, float]]:
    """Return of each unit its error on a range, of no range the mean over all, ppm."""
    read: dict[str, list[BenchUnit]] = {}
    for one in units:
        if key in {None, one.range}:
            read.setdefault(one.serial, []).append(one)
    return {
        serial: (each[-1], fmean(one.error_ppm for one in each))
        for serial, each in read.items()
    }


def _whose(said: BenchOrProduct | None) -> Whose:
    if said is None:
        return Whose.OPEN
    if said.is_neither:
        return Whose.BOTH
    if abs(said.log_odds) <= SURE_LOG_ODDS:
        return Whose.OPEN
    return Whose.BENCH if said.log_odds > 0 else Whose.PRODUCT
