"""The test record of one unit, and the sheet that lies on the bench for a build."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from daemon.presentation.budgets import share
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
from daemon.presentation.documents.codes import code_svg
from daemon.presentation.documents.content import (
    Board,
    BudgetLine,
    CheckLine,
    FittedReel,
    Image,
    InstrumentLine,
    JudgedBefore,
    RangeLine,
    RangeToConnect,
    StandardLine,
)
from daemon.presentation.documents.of_bench import instruments, standards_said
from daemon.presentation.figures import (
    COVERAGE,
    NONE,
    ShareUnit,
    capital,
    counted,
    moment,
    prefixed,
    signed,
)
from daemon.presentation.points import (
    allowed,
    decided_at,
    judged_at,
    unit_of,
    why_undecided,
)
from storage import NOT_READ

COMPARED = {"like known-good", "changed"}
ABOUT_FINDINGS = (
    "A finding is a move: the unit reads otherwise than units before it did. The "
    "verdicts above are of the error limit. A unit may keep its limit and yet be one "
    "of those that moved."
)
NOT_ACCREDITED = (
    "This is a record of a production test. It is not a calibration certificate and "
    "not an accredited calibration; no accreditation body stands behind it."
)
AS_MEASURED = "Results are of this unit alone, as it was when it was measured."
OFFSET_OFF = (
    "Errors of ranges are of reading; what the output read at zero is taken off. "
    "Offsets are of full scale."
)
NO_ZERO = (
    "No zero was read{on}. Nothing was taken off there, so an offset of the unit "
    "counts as its error."
)
NOT_GOOD = ("nonconforming", "changed", "undecided", "not judged")
"""Verdicts that a record must name first, the worst first."""
ANSWERS = {
    "nonconforming": "does not conform",
    "changed": "reads otherwise than the known-good unit",
    "undecided": "is undecided: whether it conforms is open",
    "not judged": "is not judged",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildSheet:
    """What lies on the bench while a build is measured."""

    number: str
    issued_at: datetime
    issuer: str
    product: str
    build: str
    planned: int | None
    ranges: tuple[RangeToConnect, ...]
    boards: tuple[Board, ...]
    reels: tuple[FittedReel, ...] = ()
    cautions: tuple[str, ...] = ()
    leads: tuple[tuple[str, str], ...] = ()
    """What is connected to what."""

    def paper(self) -> Paper:
        """Return its parts in order."""
        return build_sheet(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRecord:
    """What was measured on one unit, and how it was judged.

    `guard_band_factor` is the guard band as a multiple of the expanded uncertainty;
    `configuration` the hash of the settings that judged. `ranges` are as they were
    judged last, `judged_before` as before that. `holds` stand now.
    """

    number: str
    issued_at: datetime
    issuer: str
    product: str
    serial: str
    build: str
    run: int
    measured_at: datetime
    origin: str
    bench: str
    session: str
    ambient_c: float | None
    configuration: str
    guard_band_factor: float
    ranges: tuple[RangeLine, ...]
    judged_before: tuple[JudgedBefore, ...] = ()
    checks: tuple[CheckLine, ...] = ()
    instruments: tuple[InstrumentLine, ...] = ()
    holds: tuple[str, ...] = ()
    assumed_ambient_c: tuple[float, float] | None = None
    """Between which temperatures the room is taken where nobody reads it."""
    doubts: tuple[str, ...] = ()
    """Why no good check stands behind the bench that measured it."""
    note: str | None = None
    budget: tuple[BudgetLine, ...] = ()
    """What made each range unsure; none where no bench was described."""
    standards: tuple[StandardLine, ...] = ()
    """Runs of the check standard in the session that measured it."""
    findings: tuple[str, ...] = ()
    """What was found that concerns it, a sentence each."""
    left: str = ""
    """When and for whom it left; empty while it is here."""

    def paper(self) -> Paper:
        """Return its parts in order."""
        return unit_record(self)


def unit_record(record: UnitRecord) -> Paper:
    """Return the test record of a unit as a paper."""
    blocks: list[Block] = [
        Prose(text=_answer(record), tone="strong"),
        Facts(
            rows=(
                ("Serial", record.serial),
                ("Build", record.build),
                ("Measured", f"{moment(record.measured_at)}, run {record.run}"),
                ("Readings", _origin(record.origin)),
                ("Ambient", _ambient(record)),
                ("Bench", f"{record.bench}, session {record.session}"),
                ("Left", record.left),
                ("Note", record.note or ""),
            )
        ),
        Heading(text="Ranges"),
        *_ranges(record),
        *_points(record),
        *_judged_before(record),
    ]
    if undecided := _undecided(record):
        blocks += [Heading(text="Why undecided"), Listed(items=undecided)]
    if record.checks:
        blocks += [Heading(text="Checks"), _checks(record)]
    if record.findings:
        blocks += [
            Heading(text="What was found that concerns this unit"),
            Listed(items=record.findings),
            Prose(text=ABOUT_FINDINGS, tone="quiet"),
        ]
    if record.holds:
        blocks += [Heading(text="Holds that stand"), Listed(items=record.holds)]
    if record.doubts:
        blocks += [Heading(text="The bench is in doubt"), Listed(items=record.doubts)]
    if record.budget:
        blocks += [
            Heading(text="What makes it unsure"),
            _budget(record.budget),
        ]
    blocks += [Heading(text="Instruments"), instruments(record.instruments)]
    if standards := tuple(standards_said(record.standards)):
        blocks.append(Listed(items=standards))
    blocks += [Heading(text="How it was judged"), Listed(items=_rule(record))]
    blocks.append(Prose(text=NOT_ACCREDITED))
    blocks.append(
        Prose(
            text=f"{AS_MEASURED} Judged by settings {record.configuration[:16]}.",
            tone="quiet",
        )
    )
    blocks.append(Signature(labels=("Checked by, date",)))
    return Paper(
        title="Unit test record",
        about=record.product,
        number=record.number,
        issuer=record.issuer,
        issued_at=record.issued_at,
        blocks=tuple(blocks),
    )


def _ambient(record: UnitRecord) -> str:
    degrees = "\N{DEGREE SIGN}C"
    if record.ambient_c is not None:
        return f"{record.ambient_c:.1f} {degrees}"
    if record.assumed_ambient_c is None:
        return ""
    low_c, high_c = record.assumed_ambient_c
    return (
        f"not read; taken as {low_c:.1f} to {high_c:.1f} {degrees}, of which the least "
        "favourable is in U"
    )


def _answer(record: UnitRecord) -> str:
    outside = {
        verdict: mine
        for verdict in NOT_GOOD
        if (mine := [one.title for one in record.ranges if one.verdict == verdict])
    }
    failed = [one.name for one in record.checks if one.verdict == "nonconforming"]
    ranges = counted(len(record.ranges), "range")
    if record.holds:
        away = ", and has left all the same" if record.left else ""
        said = f"Unit {record.serial} is held{away}."
    elif record.doubts:
        said = (
            f"Unit {record.serial} must not leave: the bench that measured it is in "
            "doubt."
        )
    elif failed or outside:
        worst = "nonconforming" if failed else next(iter(outside))
        said = f"Unit {record.serial} {ANSWERS[worst]}."
    else:
        said = f"Unit {record.serial}: all of {ranges} as they must be."
    for verdict, titles in outside.items():
        said += f" {capital(verdict)}: {', '.join(titles)}."
    if failed:
        said += f" Checks outside their limits: {', '.join(failed)}."
    return said


def _origin(origin: str) -> str:
    words = {
        "bench": "taken by the bench",
        "typed": "read and typed by a person",
        "import": "imported from a file",
    }
    return words.get(origin, origin)


def _ranges(record: UnitRecord) -> list[Block]:
    unit = ShareUnit.of(one.limit_ppm for one in record.ranges)
    offsets = ShareUnit.of(one.offset_ppm for one in record.ranges if one.zero_read)
    grid = Grid(
        columns=(
            Column(heading="Range", share=1.15),
            Column(heading="Reference", share=1.45, number=True),
            Column(heading="Output", share=1.45, number=True),
            Column(heading=f"Error, {unit.name}", share=0.95, number=True),
            Column(
                heading=f"U (k = {COVERAGE:g}), {unit.name}", share=0.95, number=True
            ),
            Column(heading=f"Limit here, {unit.name}", share=0.95, number=True),
            Column(heading=f"Offset, {offsets.name}", share=0.85, number=True),
            Column(heading="Verdict", share=1.6),
            Column(heading="Prob. inside", share=1.0, number=True),
        ),
        rows=tuple(
            (
                one.title,
                _quantity(one, one.reference, one.unit),
                _quantity(one, one.output, one.output_unit),
                unit.signed(one.error_ppm, COVERAGE * one.uncertainty_ppm),
                unit.half(COVERAGE * one.uncertainty_ppm),
                unit.comes_to(one.limit_ppm),
                _offset(one, offsets),
                one.verdict,
                _probability(one.conformance_probability),
            )
            for one in record.ranges
        ),
    )
    return [grid, *_limits(record.ranges), *_zeros(record.ranges)]


def _quantity(one: RangeLine, value: float | None, unit: str) -> str:
    """Return what went in or came out, as finely as the error beside it is known."""
    if value is None:
        return NONE
    expanded = COVERAGE * one.uncertainty_ppm * 1e-6 * abs(value)
    return prefixed(value, unit, digits=7, expanded=expanded)


def _zeros(ranges: Sequence[RangeLine]) -> list[Block]:
    """Say what was taken off: what was read at zero, or nothing."""
    without = [one.title for one in ranges if not one.zero_read]
    said = [] if len(without) == len(ranges) else [OFFSET_OFF]
    if without:
        on = f" on {', '.join(without)}" if said else ""
        said.append(NO_ZERO.format(on=on))
    return [Prose(text=" ".join(said), tone="quiet")]


def _offset(one: RangeLine, unit: ShareUnit) -> str:
    """Return an offset as finely as the error beside it is known."""
    if not one.zero_read:
        return "not read"
    return unit.signed(one.offset_ppm, COVERAGE * one.uncertainty_ppm, digits=1)


def _limits(ranges: Sequence[RangeLine]) -> list[Block]:
    """Say the error limit as it is set: of all ranges, or of each."""
    by_limit: dict[str, list[str]] = {}
    for one in ranges:
        by_limit.setdefault(one.limit, []).append(one.title)
    by_limit.pop("", None)
    said = tuple(
        f"{'Error limit' if len(by_limit) == 1 else ', '.join(titles)}: {text}."
        for text, titles in by_limit.items()
    )
    if not said:
        return []
    text = (
        f"{' '.join(said)} \u201cLimit here\u201d is what it comes to at the reference."
    )
    return [Prose(text=text, tone="quiet")]


def _points(record: UnitRecord) -> list[Block]:
    """Return each range point by point, the offset inside unless it is apart."""
    points = [point for one in record.ranges for point in one.points]
    if not points:
        return []
    unit = unit_of(points)
    return [
        Heading(text="Point by point"),
        Grid(
            columns=(
                Column(heading="Range", share=1.25),
                Column(heading="At", share=1.6),
                Column(
                    heading=f"Error, {unit.name} of full scale", share=1.6, number=True
                ),
                Column(heading=f"U (k = {COVERAGE:g}), {unit.name}", number=True),
                Column(heading=f"Allowed, {unit.name}", share=1.5, number=True),
                Column(heading="Verdict", share=1.4),
                Column(heading="Prob. inside", number=True),
            ),
            rows=tuple(
                (
                    one.title,
                    judged_at(point),
                    NONE
                    if point.verdict == NOT_READ
                    else unit.signed(point.error_ppm, COVERAGE * point.uncertainty_ppm),
                    NONE
                    if point.verdict == NOT_READ
                    else unit.half(COVERAGE * point.uncertainty_ppm),
                    allowed(point, unit),
                    point.verdict,
                    _probability(point.conformance_probability),
                )
                for one in record.ranges
                for point in one.points
            ),
        ),
    ]


def _undecided(record: UnitRecord) -> tuple[str, ...]:
    """Say of each range without a decision why there is none."""
    said = []
    for one in record.ranges:
        if one.verdict == "undecided" and one.conformance_probability is None:
            said.append(
                f"{one.title}: this bench only compares, and the difference from the "
                "known-good unit is neither certainly small enough nor certainly too "
                "large."
            )
        elif one.verdict == "undecided":
            said += [
                f"{one.title}: {why_undecided(point)}."
                for point in one.points
                if point.verdict == "undecided"
            ]
        elif one.verdict == "not judged":
            said += [
                f"{one.title}: {decided_at(point)}"
                for point in one.points
                if point.verdict in ("not judged", NOT_READ)
            ]
    return tuple(said)


def _judged_before(record: UnitRecord) -> list[Block]:
    """Say what the check that closed the run showed, and how it was judged before."""
    if not record.judged_before:
        return []
    closed_by = record.judged_before[0].closed_by
    if not any(_moved(one) for one in record.judged_before):
        said = f"The check standard, in run {closed_by}, showed no drift of the bench."
        return [Prose(text=said, tone="quiet")]
    now = {one.title: one for one in record.ranges}
    unit = ShareUnit.of(one.limit_ppm for one in record.ranges)
    return [
        Heading(text="Judged again"),
        Prose(
            text=f"The check standard, in run {closed_by}, showed what the bench had "
            "drifted since its session was opened. Above, the drift is taken off and "
            "what is not known of it is in the uncertainty; this judgement counts. "
            "Before, it was:"
        ),
        Grid(
            columns=(
                Column(heading="Range", share=1.5),
                Column(heading=f"Drift, {unit.name}", number=True),
                Column(heading=f"Error before, {unit.name}", share=1.4, number=True),
                Column(
                    heading=f"U before (k = {COVERAGE:g}), {unit.name}",
                    share=1.6,
                    number=True,
                ),
                Column(heading="Verdict before", share=1.4),
                Column(heading="Verdict now", share=1.4),
            ),
            rows=tuple(
                (
                    one.title,
                    unit.signed(one.drift_ppm, COVERAGE * one.uncertainty_ppm),
                    unit.signed(one.error_ppm, COVERAGE * one.uncertainty_ppm),
                    unit.half(COVERAGE * one.uncertainty_ppm),
                    one.verdict,
                    now[one.title].verdict,
                )
                for one in record.judged_before
            ),
        ),
    ]


def _moved(one: JudgedBefore) -> bool:
    return one.drift_ppm != 0


def _probability(value: float | None) -> str:
    if value is None:
        return NONE
    if value > 0.9995:  # noqa: PLR2004 -- what three decimals can say
        return "> 99.9 %"
    if value < 0.0005:  # noqa: PLR2004 -- what three decimals can say
        return "< 0.1 %"
    return f"{100 * value:.1f} %"


def _checks(record: UnitRecord) -> Grid:
    return Grid(
        columns=(
            Column(heading="Check", share=2.0),
            Column(heading="Found", number=True),
            Column(heading="Allowed", share=1.6, number=True),
            Column(heading="Verdict"),
        ),
        rows=tuple(
            (
                one.name,
                _found(one.value, one.unit),
                _allowed(one.low, one.high, one.unit),
                one.verdict,
            )
            for one in record.checks
        ),
    )


def _found(value: float, unit: str) -> str:
    if not unit:
        return "yes" if value else "no"
    if unit == "ppm":  # a share takes no prefix
        return f"{signed(value, 1)} ppm"
    return prefixed(value, unit, digits=4)


def _allowed(low: float | None, high: float | None, unit: str) -> str:
    if not unit:
        return "yes"
    ends = [_found(one, unit) for one in (low, high) if one is not None]
    if low is not None and high is not None:
        return " to ".join(ends)
    if not ends:
        return NONE
    return f"{'at least' if high is None else 'at most'} {ends[0]}"


def _budget(lines: Sequence[BudgetLine]) -> Grid:
    """Return the largest sources of each range's uncertainty."""
    return Grid(
        columns=(
            Column(heading="Range", share=0.8),
            Column(heading="Largest shares of the variance", share=4.0),
        ),
        rows=tuple(
            (
                one.title,
                ", ".join(f"{name} {share(part)}" for name, part in one.largest),
            )
            for one in lines
        ),
    )


def _rule(record: UnitRecord) -> tuple[str, ...]:
    """Say the decision rule, as ISO/IEC 17025 asks of a statement of conformity."""
    factor = record.guard_band_factor
    times = "" if factor == 1 else f"{factor:g} times "
    band = (
        "simple acceptance: the guard band is zero"
        if factor == 0
        else f"the guard band is {times}the expanded uncertainty (k = 2) on either "
        "side of the limit"
    )
    said = [
        (
            "Statements of conformity are for the error limit of each range at the "
            "points given above; the verdict of a range is that of its worst point."
        ),
        (
            "Decision rule (ILAC-G8:09/2019, non-binary): conforming inside the limit "
            "by more than the guard band, nonconforming outside it by more than the "
            f"guard band, undecided between; {band}."
        ),
        (
            "Prob. inside: the conformance probability of JCGM 106:2012, that the "
            "true error lies inside the limit, given the reading and its uncertainty."
        ),
        "U is the expanded uncertainty, k = 2, coverage about 95 % (JCGM 100:2008).",
    ]
    if any(map(_is_compared, record.ranges)):
        said.append(
            "Where the bench is too poor for a limit, the range is only compared with "
            "a known-good unit; that is no statement of conformity."
        )
    return tuple(said)


def _is_compared(one: RangeLine) -> bool:
    without = one.conformance_probability is None
    return one.verdict in COMPARED or (one.verdict == "undecided" and without)


def build_sheet(sheet: BuildSheet) -> Paper:
    """Return the sheet that lies on the bench while a build is measured."""
    planned = "" if sheet.planned is None else f"{counted(sheet.planned, 'unit')}"
    blocks: list[Block] = [
        Facts(rows=(("Build", sheet.build), ("Planned", planned))),
    ]
    if sheet.cautions:
        blocks += [
            Heading(text="Before the source is on"),
            Listed(items=sheet.cautions),
        ]
    if sheet.leads:
        blocks += [Heading(text="Connect"), Facts(rows=sheet.leads)]
    if sheet.ranges:
        blocks += [Heading(text="Range by range"), _to_connect(sheet.ranges)]
    blocks.append(Heading(text="Reels"))
    blocks.append(
        reels(sheet.reels) if sheet.reels else Prose(text="No reel is recorded yet.")
    )
    # Before the codes: they may be many, and whoever signs begins at the top.
    blocks.append(Signature(labels=("Measured by", "From", "To")))
    if sheet.boards:
        blocks.append(Heading(text="Scan before each unit"))
        blocks.append(
            Pictures(
                beside=5,
                images=tuple(
                    Image(
                        data=code_svg(one.serial),
                        caption=f"{one.serial} {one.note}".strip(),
                        words=f"QR code of serial {one.serial}",
                    )
                    for one in sheet.boards
                ),
            )
        )
    return Paper(
        title="Bench sheet",
        about=f"Build {sheet.build}, {sheet.product}",
        number=sheet.number,
        issuer=sheet.issuer,
        issued_at=sheet.issued_at,
        blocks=tuple(blocks),
    )


def _to_connect(ranges: Sequence[RangeToConnect]) -> Grid:
    """Return each range's switch position, levels and limit; the position if any."""
    switched = any(one.selector for one in ranges)
    columns = [Column(heading="Range", share=1.0)]
    if switched:
        columns.append(Column(heading="Switch at", share=0.9))
    columns += [
        Column(heading="Goes in, in this order", share=2.2),
        Column(heading="Comes out at the highest level", share=1.5, number=True),
        Column(heading="Error limit", share=2.4),
        Column(heading="Done", share=0.7),
    ]
    return Grid(
        columns=tuple(columns),
        rows=tuple(
            (
                one.title,
                *((one.selector or NONE,) if switched else ()),
                one.levels,
                one.expected,
                one.limit,
                "\N{BALLOT BOX}",
            )
            for one in ranges
        ),
    )


def reels(lines: Sequence[FittedReel]) -> Grid:
    """Return which reel feeds each part."""
    return Grid(
        columns=(
            Column(heading="Part", share=0.8),
            Column(heading="Reel", share=1.5),
            Column(heading="From unit", share=1.5),
            Column(heading="Supplier", share=1.5),
            Column(heading="Lot code", share=1.2),
        ),
        rows=tuple(
            (
                one.part,
                one.reel,
                one.from_serial or "the first",
                one.supplier or NONE,
                one.lot_code or NONE,
            )
            for one in lines
        ),
    )
