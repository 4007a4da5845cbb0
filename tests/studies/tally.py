"""What many years came to: false holds beside what is accepted, faults beside truth."""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from math import nan

from scipy.stats import binom

from tests.studies.year import BuildOfYear, FindingOfYear, Year

__all__ = ["FaultRow", "HeldRow", "Tally", "tally"]

CONFIDENCE = 0.95
BOTH = 2
FIRST, SECOND, THIRD = 1, 2, 3
KEPT = "reel kept from the build before"


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldRow:
    """Good builds of some makers: how many were held, and how many may be.

    `units` are those measured while nothing was wrong, `expected` what the accepted
    rate makes of them, `most` its 95 % binomial bound.
    """

    who: str
    builds: int
    units: int
    held: int
    expected: float
    most: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRow:
    """Builds with one kind of fault: when each was held, and what was named.

    `by_first`, `by_second` and `by_third` count builds held at that bad unit or
    before; `early` those held before anything was wrong. `named`, `reels` and `firsts`
    are of `causes`: cause and place named right at the end of the build, the reel as
    it is on record, the first serial. `left` counts bad units packed before the hold.
    """

    fault: str
    builds: int
    by_first: int
    by_second: int
    by_third: int
    later: int
    never: int
    early: int
    left: int
    causes: int
    named: int
    reels: int
    firsts: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """All figures over many years."""

    makers: int
    builds: int
    runs: int
    accepted: int
    good: tuple[HeldRow, ...]
    held: dict[str, int]
    """False holds by cause and session of the build."""
    withdrawn: tuple[int, int]
    """Of false holds, those of which a finding was withdrawn."""
    waited: int
    """Builds that waited for a good reel which an earlier finding holds."""
    faults: tuple[FaultRow, ...]
    both_named: tuple[int, int]
    """Of builds with two bad reels at once, those with both named at their end."""
    both_kept: tuple[int, int]
    """Of builds that keep both bad reels, those held by their second unit."""
    kept: tuple[int, int]
    """Of builds that keep a bad reel nobody accepted, the same."""
    released: tuple[int, int]
    """Of builds that keep a reel which was accepted, those held again."""
    again: tuple[int, int]
    """Of builds accepted, those held again later."""
    covered: tuple[int, int]
    """Of true findings with a size, those whose 95 % interval has it."""
    refuted: tuple[int, int]
    """Of findings in builds without any fault, those that hold at the year's end."""
    slips: tuple[int, int]
    """Of slips of the hand, those that were to be seated again."""
    asked_for_nothing: tuple[int, int]
    """Of good units, those that were to be seated again."""
    bench_steps: tuple[int, int]
    """Steps of the bench, and checks that were out of control because of them."""
    checks_out: int
    """Checks out of control on a bench as it should be."""
    restarts: int
    raised_by_restart: int
    unlike: float | None
    """Largest difference of log-odds between living on and starting again."""
    exceptions: tuple[str, ...]
    ms_a_run: float


def tally(years: Sequence[Year], *, accepted: int) -> Tally:
    """Count over years.

    Parameters
    ----------
    years
        One or more.
    accepted
        One false hold in this many units.
    """
    builds = [one for year in years for one in year.builds]
    findings = [one for year in years for one in year.findings]
    kept = [one for one in builds if one.carried == "kept"]
    released = [one for one in builds if one.carried == "released"]
    two = [one for one in builds if one.fault == "two reels"]
    ended = [one for one in builds if one.ended_by in {"release", "concession"}]
    sized = [one for one in findings if one.true and one.covered is not None]
    unlike = [year.unlike for year in years if year.unlike is not None]
    runs = sum(year.runs for year in years)
    return Tally(
        makers=len(years),
        builds=len(builds),
        runs=runs,
        accepted=accepted,
        good=tuple(_good(years, accepted)),
        held=_held(builds),
        withdrawn=_share(
            [one for one in builds if one.held_good], lambda one: one.withdrawn
        ),
        waited=sum(one.waited for one in builds),
        faults=tuple(_faults(builds)),
        both_named=_share(two, lambda one: one.named == BOTH),
        both_kept=_share([one for one in kept if one.causes == BOTH], _soon),
        kept=_share(kept, _soon),
        released=_share(released, lambda one: one.held_at is not None),
        again=_share(ended, lambda one: one.again),
        covered=(sum(bool(one.covered) for one in sized), len(sized)),
        refuted=_refuted(findings),
        slips=(
            sum(year.slips_asked for year in years),
            sum(year.slips for year in years),
        ),
        asked_for_nothing=(
            sum(year.asked_for_nothing for year in years),
            sum(year.good_units for year in years),
        ),
        bench_steps=(
            sum(year.bench_steps for year in years),
            sum(year.bench_steps_out for year in years),
        ),
        checks_out=sum(year.checks_out for year in years),
        restarts=sum(year.restarts for year in years),
        raised_by_restart=sum(year.raised_by_restart for year in years),
        unlike=max(unlike, default=None),
        exceptions=tuple(
            f"maker {year.seed}, {one}" for year in years for one in year.exceptions
        ),
        ms_a_run=1e3 * sum(year.seconds for year in years) / runs if runs else nan,
    )


def _good(years: Sequence[Year], accepted: int) -> Iterable[HeldRow]:
    """Count false holds over all makers, then over parts of them."""

    def row(
        who: str,
        of: Callable[[Year], bool] = lambda _: True,
        only: Callable[[BuildOfYear, int], bool] = lambda *_: True,
    ) -> HeldRow:
        counted = [
            one
            for year in years
            if of(year)
            for place, one in enumerate(year.builds)
            if not one.carried and only(one, place)
        ]
        units = sum(_units_before(one) for one in counted)
        return HeldRow(
            who=who,
            builds=len(counted),
            units=units,
            held=sum(one.held_good for one in counted),
            expected=units / accepted,
            most=int(binom.ppf(CONFIDENCE, units, 1.0 / accepted)) if units else 0,
        )

    yield row("all")
    for bench in ("laboratory", "handheld"):
        for checked in (True, False):
            yield row(
                f"{bench}, {'checked' if checked else 'no check standard'}",
                of=partial(_has, bench, checked),
            )
    yield row("first builds", only=lambda _, place: place == 0)
    yield row("imported", only=lambda one, _: one.imported)
    yield row("measured out of order", only=lambda one, _: one.shuffled)


def _has(bench: str, checked: bool, year: Year) -> bool:
    return (year.bench, year.checked) == (bench, checked)


def _units_before(build: BuildOfYear) -> int:
    """Return how many units were measured while nothing was wrong."""
    return build.units if build.wrong_from is None else build.wrong_from - 1


def _held(builds: Iterable[BuildOfYear]) -> dict[str, int]:
    counts: Counter[str] = Counter()
    for one in builds:
        if one.held_good:
            when = (
                "after the build"
                if one.held_session is None
                else f"session {one.held_session}"
            )
            counts[f"{one.held_by}, {when}"] += 1
    return dict(counts.most_common())


def _kind(build: BuildOfYear) -> str:
    if build.carried:
        return KEPT
    if "reel" in build.fault:
        return f"{build.fault}, {'recorded' if build.recorded else 'not recorded'}"
    return build.fault


def _faults(builds: Sequence[BuildOfYear]) -> Iterable[FaultRow]:
    wrong = [
        one
        for one in builds
        if one.wrong_from is not None and one.carried in {"", "kept"}
    ]
    for kind in sorted(
        {_kind(one) for one in wrong}, key=lambda one: (one == KEPT, one)
    ):
        mine = [one for one in wrong if _kind(one) == kind]
        late = Counter(one.late for one in mine if one.late is not None)
        by = [sum(late[n] for n in range(last + 1)) for last in (FIRST, SECOND, THIRD)]
        yield FaultRow(
            fault=kind,
            builds=len(mine),
            by_first=by[0],
            by_second=by[1],
            by_third=by[2],
            later=late.total() - by[2],
            never=sum(one.held_at is None for one in mine),
            early=sum(one.held_good for one in mine),
            left=sum(one.left for one in mine),
            causes=sum(one.causes for one in mine),
            named=sum(one.named for one in mine),
            reels=sum(one.reels for one in mine),
            firsts=sum(one.firsts for one in mine),
        )


def _soon(build: BuildOfYear) -> bool:
    return build.late is not None and build.late <= SECOND


def _share(
    builds: Sequence[BuildOfYear], which: Callable[[BuildOfYear], bool]
) -> tuple[int, int]:
    return sum(which(one) for one in builds), len(builds)


def _refuted(findings: Iterable[FindingOfYear]) -> tuple[int, int]:
    false = [one for one in findings if one.good and one.cause != "unit"]
    return sum(one.standing and not one.decided for one in false), len(false)
