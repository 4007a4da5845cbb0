"""A build's finding as the row that is kept of it."""

import json
from collections.abc import Callable
from dataclasses import replace

from daemon.evidence import evidence_of
from daemon.proving import next_step
from daemon.serials import serial_order
from daemon.spc.reel_change import Finding
from daemon.watch.build import BuildWatch
from daemon.watch.entering import CheckErrors, UnitErrors
from daemon.watch.suspects import suspects_of
from storage.records import Cause, Reel, Signal

FindLabel = Callable[[str], Reel]

PPM = 1e-6
AS_RECORDED = 0.01
"""A unit carries a reel, or does not, as the record says: nearer than this to it."""

CAUSES = {
    "reel": Cause.REEL,
    "shared stage": Cause.SHARED,
    "bench": Cause.BENCH,
    "unit": Cause.UNIT,
}


def signal_of(
    watch: BuildWatch,
    finding: Finding,
    last: UnitErrors | CheckErrors,
    *,
    check: str | None,
    label_of: FindLabel | None,
    history: str,
) -> Signal:
    """Return what is kept of a build's finding as it stands after a unit or a check.

    Parameters
    ----------
    watch, finding
        The build and what was found in it.
    last
        What was folded last.
    check
        A sentence on the check standard, kept with the finding.
    label_of
        See `daemon.watch.Watcher`.
    history
        What the build is held against, in words.
    """
    product = watch.product
    first = watch.units[finding.first_unit - 1]
    own = None if finding.range_index is None else product.ranges[finding.range_index]
    place = finding.range_index if finding.part_index is None else finding.part_index
    part: str | None = None
    reel: str | None = None
    implied = None
    if place is not None:
        part = watch.parts[place]
        reel = watch.reels_of(first.serial)[place] or None
    if own is not None:
        implied = product.implied_ohm(own.key, finding.size_ppm)
    elif part is not None:
        implied = product.nominal_ohm[part] * (1.0 + finding.size_ppm * PPM)
    units = len(watch.units) - finding.first_unit + 1
    label = None if reel is None or label_of is None else label_of(reel)
    evidence = evidence_of(
        finding, product, watch.baseline, units=units, label=label
    ) | {
        "log_odds_limit": round(watch.limit, 3),
        "limit_is": watch.limit_is,
        "check": check,
        "history": history,
    }
    if told := _beside_the_record(watch, first.serial, reel):
        evidence["carrying"] = told
    signal = Signal(
        signal=f"{watch.build}-F1",
        revision=watch.revision,
        number=last.number,
        product=product.settings.name,
        build=watch.build,
        cause=CAUSES[finding.cause],
        statistic="bank of hypotheses at recorded reel changes",
        range=None if own is None else own.key,
        part=part,
        reel=reel,
        first_serial=first.serial,
        raised_serial=watch.raised_serial or watch.units[-1].serial,
        units=units,
        size_ppm=finding.size_ppm,
        low_ppm=finding.low_ppm,
        high_ppm=finding.high_ppm,
        implied_ohm=implied,
        probability=finding.probability,
        holds=True,
        evidence=json.dumps(evidence, sort_keys=True),
        made_at=last.at,
        causes=json.dumps(causes_of(finding), sort_keys=True),
    )
    evidence["next"] = next_step(signal, (), product)
    return replace(signal, evidence=json.dumps(evidence, sort_keys=True))


def causes_of(finding: Finding) -> dict[str, float]:
    """Return how probable a finding makes each cause, wherever it is."""
    shares = {finding.cause: finding.probability}
    for other in finding.runners_up:
        shares[other.cause] = shares.get(other.cause, 0.0) + other.probability
    return {cause: round(share, 6) for cause, share in shares.items()}


def _beside_the_record(
    watch: BuildWatch, first: str, reel: str | None
) -> list[tuple[str, float]]:
    """Return units of which the measurements say other than the record, and how sure.

    The record says that all units with a named reel carry it; without one, that all
    from the first unit on do.
    """
    begin = serial_order(first)
    told = []
    for one in suspects_of(watch):
        recorded = 1.0 if reel or serial_order(one.serial) >= begin else 0.0
        if not one.recorded:
            recorded = 0.0
        if abs(one.probability - recorded) > AS_RECORDED:
            told.append((one.serial, round(one.probability, 3)))
    return told
