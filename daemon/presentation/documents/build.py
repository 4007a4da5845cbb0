"""The release record of a build: what it was measured to be, and may it leave."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import sqrt

from daemon.presentation.documents.blocks import (
    Block,
    Column,
    Facts,
    Grid,
    Heading,
    Listed,
    Paper,
    Pictures,
    Prose,
    Signature,
)
from daemon.presentation.documents.content import (
    FailureLine,
    FittedReel,
    HoldLine,
    Image,
    InstrumentLine,
    RangeCapability,
    StandardLine,
)
from daemon.presentation.documents.of_bench import instruments, standards_said
from daemon.presentation.documents.unit import reels
from daemon.presentation.figures import (
    COVERAGE,
    NONE,
    ShareUnit,
    capital,
    counted,
    moment,
    yielded,
)
from daemon.presentation.serials import spans

NOT_RELEASED = "Nobody has released it yet: sign at the end of this record."
HELD = "Not released: decide first on what stands against it, below."
NO_CHECK = "No check standard was measured in these sessions."
NOT_QUOTED = "Where an index must not be quoted, this is why:"
ABOUT_INDICES = (
    "Cpk rests on the scatter inside builds, Ppk on that of all units together; "
    "intervals are of 95 % (ISO 22514). An index is quoted only of a stable process: "
    "the reasons against it stand beside it. The first run of each unit counts: before "
    "a later one it may have been reworked."
)
MOST_NAMED = 12
"""Serials that a sentence names; all failures stand in their table."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildRelease:
    """What a build was measured to be, and whether it may leave."""

    number: str
    issued_at: datetime
    issuer: str
    product: str
    build: str
    planned: int | None
    units: int
    first_pass_yield: float | None
    final_yield: float | None
    reworked: int
    ranges: tuple[RangeCapability, ...]
    holds: tuple[HoldLine, ...] = ()
    doubts: tuple[str, ...] = ()
    """Units of which the bench is in doubt, and why."""
    reels: tuple[FittedReel, ...] = ()
    findings: tuple[str, ...] = ()
    charts: tuple[Image, ...] = ()
    failures: tuple[FailureLine, ...] = ()
    """Units that did not pass at first, by name."""
    bench: tuple[str, ...] = ()
    """Benches and sessions in which it was measured, a sentence each."""
    instruments: tuple[InstrumentLine, ...] = ()
    standards: tuple[StandardLine, ...] = ()
    settings: tuple[str, ...] = ()
    """What was in force: limits, guard band, which settings, a sentence each."""
    released: tuple[str, ...] = ()
    """Who let it go, when and why, a sentence each."""
    by_decision: tuple[str, ...] = ()
    """Who let units leave although something spoke against it, a sentence each."""
    left: str = ""
    """What has left so far, in a sentence."""
    incomplete: tuple[str, ...] = ()
    """Units that were not measured on every range."""

    def paper(self) -> Paper:
        """Return its parts in order."""
        return build_release(self)


def build_release(release: BuildRelease) -> Paper:
    """Return the release record of a build as a paper."""
    planned = "" if release.planned is None else f" of {release.planned} planned"
    blocks: list[Block] = [
        Prose(text=_answer(release), tone="strong"),
        Facts(
            rows=(
                ("Build", release.build),
                ("Measured", f"{counted(release.units, 'unit')}{planned}"),
                ("First-pass yield", yielded(release.first_pass_yield)),
                ("Final yield", yielded(release.final_yield)),
                ("Reworked", f"{counted(release.reworked, 'unit')}"),
                ("Left so far", release.left),
            )
        ),
        Heading(text="Released"),
        Listed(items=_released(release)),
    ]
    if release.findings:
        blocks += [Heading(text="Findings"), Listed(items=release.findings)]
    blocks += [Heading(text="Units that did not pass at first"), _failures(release)]
    blocks += [Heading(text="Holds"), _holds(release.holds)]
    if release.doubts:
        blocks += [Heading(text="The bench is in doubt"), Listed(items=release.doubts)]
    if release.charts:
        blocks += [Heading(text="Units"), Pictures(images=release.charts)]
    if release.ranges:
        blocks += [Heading(text="Capability"), _capability(release.ranges)]
        reasons = tuple(
            f"{one.title}: {reason}."
            for one in release.ranges
            for reason in one.reasons
        )
        if reasons:
            blocks += [Prose(text=NOT_QUOTED), Listed(items=reasons)]
        blocks.append(Prose(text=ABOUT_INDICES, tone="quiet"))
    if release.reels:
        blocks += [Heading(text="Reels"), reels(release.reels)]
    if release.units:
        blocks += [Heading(text="How it was measured")]
        said = (*release.bench, *_standards(release), *release.settings)
        blocks += [Listed(items=said), instruments(release.instruments)]
    blocks.append(Signature(labels=("Released by", "Date", "Reason")))
    return Paper(
        title="Build release record",
        about=f"Build {release.build}, {release.product}",
        number=release.number,
        issuer=release.issuer,
        issued_at=release.issued_at,
        blocks=tuple(blocks),
    )


def _released(release: BuildRelease) -> tuple[str, ...]:
    """Say who let it go; where nobody has, what comes first."""
    if _stands_whole(release) or release.doubts:
        return (*release.released, *release.by_decision, HELD)
    said = (*release.released, *_in_part(release)) or (NOT_RELEASED,)
    return (*said, *release.by_decision)


def _stands_whole(release: BuildRelease) -> list[HoldLine]:
    """Return the holds that stand, where they keep every unit of the build."""
    standing = [one for one in release.holds if one.disposal is None]
    kept = {serial for one in standing for serial in one.keeps or ()}
    whole = any(one.keeps is None for one in standing)
    return standing if whole or 0 < release.units <= len(kept) else []


def _in_part(release: BuildRelease) -> tuple[str, ...]:
    """Say of holds that do not stand on the whole build which units they keep.

    Units that are held each by itself are one sentence.
    """
    said, alone = [], set()
    for one in release.holds:
        if one.disposal is not None or one.keeps is None:
            continue
        if not one.keeps:
            said.append(
                f"{capital(one.on)} is held; no unit of this build has a part of it "
                "now."
            )
        elif one.on == f"unit {one.keeps[0]}":
            alone.add(one.keeps[0])
        else:
            said.append(
                f"{capital(one.on)} is held: {_named(one.keeps)} must not leave."
            )
    if len(alone) == 1:
        said.append(f"Unit {spans(alone)} is held and must not leave.")
    elif alone:
        said.append(f"Units {spans(alone)} are held and must not leave.")
    return tuple(said)


def _standards(release: BuildRelease) -> tuple[str, ...]:
    return tuple(standards_said(release.standards)) or (NO_CHECK,)


def _failures(release: BuildRelease) -> Block:
    """Return each unit that did not pass at first, by name, and what became of it."""
    if not release.failures:
        return Prose(text="None." if release.units else "No unit has been measured.")
    return Grid(
        columns=(
            Column(heading="Unit", share=1.0),
            Column(heading="What failed", share=2.6),
            Column(heading="What became of it", share=2.6),
        ),
        rows=tuple((one.serial, one.failed, one.became) for one in release.failures),
    )


def _answer(release: BuildRelease) -> str:
    standing = _stands_whole(release)
    if standing:
        left = counted(len(standing), "hold")
        return f"Build {release.build} must not leave: {left} to decide on."
    if release.doubts:
        return f"Build {release.build} must not leave: the bench is in doubt."
    if release.units == 0:
        return f"Build {release.build} must not leave: no unit has been measured."
    short = (release.planned or 0) - release.units
    rest = f" {counted(short, 'planned unit')} not measured yet." if short > 0 else ""
    return f"{' '.join(_units_said(release))}{rest}"


def _units_said(release: BuildRelease) -> Iterator[str]:
    """Say how many units pass, and name those that do not and those not decided on."""
    build, measured = release.build, counted(release.units, "unit")
    by_state = {
        state: [one.serial for one in release.failures if one.now == state]
        for state in ("open", "let go", "scrapped", "passed")
    }
    in_part = _in_part(release)
    waits = (
        by_state["open"]
        or release.incomplete
        or any(one.keeps for one in release.holds if one.disposal is None)
    )
    if waits:
        yield f"Build {build} must not leave as a whole."
    elif not in_part:
        yield f"No hold stands on build {build}."
    yield from in_part
    failed = sum(len(by_state[state]) for state in ("open", "let go", "scrapped"))
    if failed or waits:
        good = release.units - len(
            {*by_state["open"], *by_state["let go"], *by_state["scrapped"]}
            | {*release.incomplete}
        )
        yield f"{good} of {measured} passed."
    else:
        yield f"All {measured} passed." if release.units > 1 else "The unit passed."
    if again := by_state["passed"]:
        yield f"Only when measured again: {_named(again)}."
    if by_state["open"]:
        yield f"Did not pass, and must not leave: {_named(by_state['open'])}."
    if release.incomplete:
        yield f"Not measured on every range: {_named(release.incomplete)}."
    if by_state["let go"]:
        yield f"Let go by a named person all the same: {_named(by_state['let go'])}."
    if by_state["scrapped"]:
        yield f"Scrapped: {_named(by_state['scrapped'])}."


def _named(serials: Sequence[str]) -> str:
    if len(serials) <= MOST_NAMED:
        return ", ".join(serials)
    return f"{len(serials)} units, named below"


def _holds(lines: Sequence[HoldLine]) -> Block:
    if not lines:
        return Prose(text="None was placed.")
    return Grid(
        columns=(
            Column(heading="On", share=1.1),
            Column(heading="Why", share=2.6),
            Column(heading="Placed", share=1.4),
            Column(heading="Ended by", share=1.4),
            Column(heading="Reason", share=2.0),
        ),
        rows=tuple(
            (
                one.on,
                one.reason,
                f"{one.placed_by}, {moment(one.placed_at)}",
                "stands"
                if one.disposal is None or one.ended_at is None
                else f"{one.disposal} by {one.person}, {moment(one.ended_at)}",
                _why(one),
            )
            for one in lines
        ),
    )


def _why(ended: HoldLine) -> str:
    """Say why a hold was ended, and on what evidence."""
    if ended.end_reason is None:
        return NONE
    if ended.evidence is None:
        return ended.end_reason
    return f"{ended.end_reason} (evidence: {ended.evidence})"


def _capability(ranges: Sequence[RangeCapability]) -> Grid:
    unit = ShareUnit.of(one.limit_ppm for one in ranges)
    return Grid(
        columns=(
            Column(heading="Range", share=1.1),
            Column(heading="Units", share=0.7, number=True),
            Column(heading=f"Mean, {unit.name}", number=True),
            Column(heading=f"s, {unit.name}", number=True),
            Column(heading=f"Limit, {unit.name}", number=True),
            Column(heading="Cpk", share=1.7, number=True),
            Column(heading="Ppk", share=1.7, number=True),
            Column(heading="Quotable", share=0.9),
        ),
        rows=tuple(
            (
                one.title,
                str(one.units),
                _mean(one, unit),
                NONE if one.s_ppm is None else unit.half(one.s_ppm),
                unit.comes_to(one.limit_ppm),
                _index(one.cpk, one.cpk_low, one.cpk_high),
                _index(one.ppk, one.ppk_low, one.ppk_high),
                "no" if one.reasons or one.cpk is None else "yes",
            )
            for one in ranges
        ),
    )


def _mean(one: RangeCapability, unit: ShareUnit) -> str:
    """Return a mean to the digits that its own standard error allows."""
    s_ppm = one.s_ppm or one.limit_ppm / 50
    return unit.signed(one.mean_ppm, COVERAGE * s_ppm / sqrt(max(one.units, 1)))


def _index(value: float | None, low: float | None, high: float | None) -> str:
    if value is None or low is None or high is None:
        return "too few units"
    return f"{value:.2f} ({low:.2f} to {high:.2f})"
