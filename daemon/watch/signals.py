"""Findings as the rows that are kept of them."""

import json
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from daemon.judging import ProductModel
from daemon.spc.detector import Baseline, Finding
from daemon.watch.events import UnitErrors, reels_of
from daemon.watch.evidence import Off, evidence_of, off_nominal, possible_parts
from daemon.watch.segment import OddUnit, Segment
from daemon.watch.suspects import Suspect
from daemon.watch.what_settles import next_step
from storage import Cause, Evidence, Fitting, LimitIs, Reel, Signal, serial_order

FindLabel = Callable[[str], Reel]

PPM = 1e-6
AS_RECORDED = 0.01
"""A unit carries a reel, or does not, as the record says: nearer than this to it."""
STATISTIC = "events on the line"

CAUSES = {
    "reel": Cause.REEL,
    "shared stage": Cause.SHARED,
    "bench": Cause.BENCH,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """Under which name and as which revision a finding is kept.

    `number` is the run after which it stands so, `at` when that was.
    """

    signal: str
    revision: int
    number: int
    at: datetime
    raised_serial: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """The limit that raised a finding, and what it was held against, in words."""

    log_odds_limit: float
    limit_is: LimitIs
    history: str
    check: str | None


def signal_of(
    segment: Segment,
    finding: Finding,
    product: ProductModel,
    *,
    said: Said,
    judged: Judged,
    first: UnitErrors,
    units: int,
    suspects: Sequence[Suspect],
    fittings: Sequence[Fitting],
    before: Signal | None,
    label_of: FindLabel | None,
    seen_right: Collection[str] = (),
) -> Signal:
    """Return what is kept of a finding as it stands after a unit or a check.

    Parameters
    ----------
    segment, finding
        Where it was found, and what.
    product
        Whose.
    said, judged
        Its name and revision; the limit and what it was held against.
    first, units
        The first unit that it concerns, and how many so far.
    suspects
        Units of the build that were looked at anew, where it names the reel of a range;
        of the others stands what the revision before says.
    fittings
        Of the build, as `in_force` orders them.
    before
        That revision.
    label_of
        Gives a recorded reel by name; left out, parts are held against the plan's
        tolerance, not against their reel's.
    seen_right
        Parts of the range whose reel units before had too, that read as they should.
    """
    own = None if finding.range_index is None else product.ranges[finding.range_index]
    place = finding.culprit.place
    part = reel = implied = None
    if place is not None:
        part = product.watched_parts[place]
        reel = segment.reels[place] or None
    baseline = Baseline.of(segment.line)
    if part is not None:
        off = off_nominal(finding, product, baseline, part)
        implied = (
            product.nominal_ohm[part] * (1.0 + off.size_ppm * PPM)
            if own is None
            else product.implied_ohm(own.key, off.size_ppm)
        )
    label = None if reel is None or label_of is None else label_of(reel)
    known = () if before is None else before.basis.carrying
    told: dict[str, float | None] = dict(known)
    told |= _carrying(suspects, first.serial, reel)
    evidence = replace(
        evidence_of(
            finding, product, baseline, units=units, label=label
        ),
        log_odds_limit=round(judged.log_odds_limit, 3),
        limit_is=judged.limit_is,
        check=judged.check,
        history=judged.history,
        carrying=tuple((one, p) for one, p in told.items() if p is not None),
        possible_parts=()
        if own is None
        else possible_parts(
            product,
            own.key,
            {one: off_nominal(finding, product, baseline, one) for one in own.alike},
            reels=reels_of(first.serial, own.alike, fittings),
            seen_right=seen_right,
        ),
    )  # fmt: skip
    signal = Signal(
        signal=said.signal,
        revision=said.revision,
        number=said.number,
        product=product.settings.name,
        build=segment.build,
        cause=CAUSES[finding.cause],
        statistic=STATISTIC,
        range=None if own is None else own.key,
        part=part,
        reel=reel,
        first_serial=first.serial,
        raised_serial=said.raised_serial,
        units=units,
        size_ppm=finding.size_ppm,
        low_ppm=finding.low_ppm,
        high_ppm=finding.high_ppm,
        implied_ohm=implied,
        probability=finding.probability,
        holds=True,
        evidence=evidence.text(),
        made_at=said.at,
        causes=json.dumps(causes_of(finding), sort_keys=True),
    )
    evidence = replace(evidence, next=next_step(signal, (), product))
    return replace(signal, evidence=evidence.text())


def odd_signal(odd: OddUnit, product: ProductModel, *, said: Said) -> Signal:
    """Return what is kept of one unit that alone is far off on one range."""
    own = product.ranges[odd.place]
    low_ppm, high_ppm = odd.size_ppm - odd.reach_ppm, odd.size_ppm + odd.reach_ppm
    return Signal(
        signal=said.signal,
        revision=said.revision,
        number=said.number,
        product=product.settings.name,
        build=odd.unit.build,
        cause=Cause.UNIT,
        statistic=STATISTIC,
        range=own.key,
        part=own.part,
        reel=None,
        first_serial=odd.unit.serial,
        raised_serial=odd.unit.serial,
        units=1,
        size_ppm=odd.size_ppm,
        low_ppm=low_ppm,
        high_ppm=high_ppm,
        implied_ohm=None,
        probability=odd.probability,
        holds=False,
        evidence=Evidence(
            range_title=own.title,
            measured_again=odd.again,
            possible_parts=possible_parts(
                product, own.key, Off(odd.size_ppm, low_ppm, high_ppm)
            ),
        ).text(),
        made_at=said.at,
    )


def withdrawn(before: Signal, why: str, *, number: int, at: datetime) -> Signal:
    """Return a finding's revision that takes it back."""
    return replace(
        before,
        revision=before.revision + 1,
        number=number,
        standing=False,
        withdrawn=why,
        made_at=at,
    )


def causes_of(finding: Finding) -> dict[str, float]:
    """Return how probable a finding makes each cause, wherever it is."""
    shares = {finding.cause: finding.probability}
    for other in finding.runners_up:
        shares[other.cause] = shares.get(other.cause, 0.0) + other.probability
    return {cause: round(min(share, 1.0), 6) for cause, share in shares.items()}


def _carrying(
    suspects: Sequence[Suspect], first: str, reel: str | None
) -> dict[str, float | None]:
    """Return how sure units carry the reel; None for those that are as recorded.

    The record says that all units with a named reel carry it; without one, that all
    from the first unit on do.
    """
    begin = serial_order(first)
    told: dict[str, float | None] = {}
    for one in suspects:
        recorded = one.recorded and (bool(reel) or serial_order(one.serial) >= begin)
        beside = abs(one.probability - recorded) > AS_RECORDED
        told[one.serial] = round(one.probability, 3) if beside else None
    return told
