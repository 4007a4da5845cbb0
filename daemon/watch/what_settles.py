"""Findings sharpened by the measurements that were made to settle them."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot
from statistics import fmean

from config import Unit
from daemon.judging import ProductModel
from daemon.presentation import NO_STANDARD, counted, ohm, percent, share
from daemon.spc import (
    CAUSES,
    SETTLED,
    Measured,
    Way,
    settling,
    update,
    update_parts,
)
from daemon.spc.detector import TWO_SIDED_95
from storage import Cause, Possible, Proof, ProofKind, Rework, ReworkKind, Signal

__all__ = [
    "PART_OF",
    "UNITS",
    "Step",
    "checklist",
    "narrowed",
    "next_step",
    "part_measured",
    "part_to_read",
    "possible_now",
    "probabilities",
    "replaced_parts",
    "sharpen",
    "sharpened",
    "shown",
    "taken_from",
    "unit_to_read",
]

IMPOSSIBLE = 0.05
"""Of several parts, one less probable than this was measured and found good."""
LEFT_OUT = 0.01
"""Chance that the statistics leave something out; then every cause is alike."""
NAMED = 0.005
"""Causes less probable are not named beside the likeliest."""
PART_SD = 0.15
"""Standard deviation of parts of one reel, as a share of their tolerance."""
REEL_SD = 0.25
"""Of a reel's mean from nominal, likewise."""
USUAL_PPM: Mapping[ProofKind, float] = {
    ProofKind.CHECK_STANDARD: 100.0,
    ProofKind.FOUR_WIRE: 200.0,
    ProofKind.LOOSE_PARTS: 200.0,
    ProofKind.OLDER_UNIT: 100.0,
    ProofKind.SECOND_METER: 300.0,
}
"""Standard uncertainty that a measurement is expected to have before it is made."""
PART_OF = " of "
"""Between a part and the unit or reel that it is of, in what was measured."""
NEW_SHARE = 0.2
"""Of that, so much is new when it is made again with the same means: the rest is of
the meter, the standard, the specification, and stays as it was."""
UNITS: Mapping[ProofKind, Unit] = {
    kind: Unit.OHM if kind in {ProofKind.FOUR_WIRE, ProofKind.LOOSE_PARTS} else Unit.PPM
    for kind in ProofKind
}


Replaced = Collection[tuple[str, str]]
"""Serials, each with a part that is not any more as the finding read it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One line of the checklist under a finding."""

    kind: ProofKind
    words: str
    """What to do."""
    promise: float
    """How probable the likeliest cause will be afterwards, on average."""
    proofs: tuple[Proof, ...]
    """What was measured."""
    telling: bool
    """Whether it still tells something."""
    worth: str | None
    """What it is likely to do to the cause, in words; None where it tells nothing."""


def probabilities(
    signal: Signal, proofs: Sequence[Proof], product: ProductModel
) -> dict[str, float]:
    """Return the probability of each cause after the measurements on a finding."""
    return update(
        _prior(signal),
        _all_measured(signal, proofs, product),
        size_ppm=signal.size_ppm,
        size_sd_ppm=_size_sd_ppm(signal),
        parts=_parts(signal),
    )


def possible_now(
    signal: Signal, proofs: Sequence[Proof], product: ProductModel
) -> tuple[Possible, ...]:
    """Return the parts that may be the one that is off, after the measurements.

    Parameters
    ----------
    signal
        As it was raised.
    proofs
        Those on this signal.

    Returns
    -------
    tuple of Possible
        The likeliest first; one where the others were measured and are good. Empty
        where the readings tell the part by themselves, or it is none.
    """
    parts = signal.basis.possible_parts
    if not parts:
        return ()
    shares = update_parts(
        _prior(signal),
        _all_measured(signal, proofs, product),
        size_ppm=signal.size_ppm,
        size_sd_ppm=_size_sd_ppm(signal),
        parts=_parts(signal),
    )
    possible = [one for one in parts if shares[one.part] >= IMPOSSIBLE]
    # A reel that was seen to be right is not the one, unless all others are good.
    left = [one for one in possible if not one.seen_right] or possible
    return tuple(sorted(left, key=lambda one: -round(shares[one.part], 3)))


def narrowed(signal: Signal, proofs: Sequence[Proof], product: ProductModel) -> Signal:
    """Return a finding on the parts that may still be the one that is off.

    Where one is left, the finding is of that part, its value and its reel.
    """
    left = possible_now(signal, proofs, product)
    if not left or (left == signal.basis.possible_parts and not proofs):
        return signal
    first, alone = left[0], len(left) == 1
    if alone and first.part == signal.part:
        return replace(signal, evidence=replace(signal.basis, possible_parts=()).text())
    planned = product.settings.parts[first.part]
    other = first.part != signal.part
    evidence = replace(signal.basis, possible_parts=() if alone else left)
    if other:
        evidence = replace(
            evidence,
            tolerance_ppm=planned.tolerance_ppm,
            nominal_ohm=planned.nominal_ohm,
            implied_low_ohm=first.low_ohm,
            implied_high_ohm=first.high_ohm,
            label=None,
        )
    return replace(
        signal,
        part=first.part,
        reel=first.reel if other else signal.reel,
        implied_ohm=first.ohm,
        evidence=evidence.text(),
    )


def replaced_parts(reworks: Iterable[Rework]) -> frozenset[tuple[str, str]]:
    """Return which parts of which units were replaced, or have a resistor beside."""
    return frozenset(
        (one.serial, one.part)
        for one in reworks
        if one.part is not None and one.kind is not ReworkKind.REGRADE
    )


def unit_to_read(signal: Signal, replaced: Replaced) -> str | None:
    """Return a unit that still has the part as it was found; None where none is known.

    It is the first one, else the one at which the finding was noticed.
    """
    parts = {signal.part, *_parts(signal)}
    return next(
        (
            one
            for one in (signal.first_serial, signal.raised_serial)
            if not any((one, part) in replaced for part in parts)
        ),
        None,
    )


def part_measured(signal: Signal, proof: Proof, product: ProductModel) -> str | None:
    """Return which part a measurement in ohms was made on.

    Where a finding may be of several it is named before the unit or reel, else told by
    its reel, else by the value that it should have.
    """
    of = proof.subject or ""
    parts = signal.basis.possible_parts
    named = [one.part for one in parts if of.startswith(f"{one.part}{PART_OF}")]
    from_reel = [one.part for one in parts if one.reel is not None and one.reel == of]
    by_value = [
        one.part for one in parts if product.nominal_ohm[one.part] == proof.from_value
    ]
    return next(iter((*named, *from_reel, *by_value)), signal.part)


def part_to_read(
    signal: Signal, kind: ProofKind, proofs: Sequence[Proof], product: ProductModel
) -> str | None:
    """Return the part that is measured next in ohms: one that was not so far."""
    return _read_next(signal, kind, proofs, product)[0]


def _parts(signal: Signal) -> tuple[str, ...]:
    return tuple(one.part for one in signal.basis.possible_parts)


def _all_measured(
    signal: Signal, proofs: Sequence[Proof], product: ProductModel
) -> list[Measured]:
    return [
        _measured(signal, one, product) for one in proofs if not _folded(signal, one)
    ]


def checklist(
    signal: Signal,
    proofs: Sequence[Proof],
    product: ProductModel,
    *,
    replaced: Replaced = (),
) -> list[Step]:
    """Return what would settle a finding, the most telling first, with what is done.

    Parameters
    ----------
    signal
        As it was raised, not sharpened. One that was withdrawn asks for nothing.
    proofs
        Those on this signal.
    replaced
        Nothing is asked for on a unit whose part is another one now.
    """
    if not signal.standing:
        return []
    unit = unit_to_read(signal, replaced)
    measured = _all_measured(signal, proofs, product)
    now = max(probabilities(signal, proofs, product).values())
    # What stands beside the steps: of a finding as it was raised, its own.
    said = now if proofs else max(now, signal.probability)
    left = possible_now(signal, proofs, product)
    kinds = [one for one in ProofKind if _possible(signal, one, unit)]
    promised = dict(
        settling(
            _prior(signal),
            [_ordinary(signal, one, proofs, product) for one in kinds],
            measured=measured,
            size_ppm=signal.size_ppm,
            size_sd_ppm=_size_sd_ppm(signal),
            # Statistics alone settle nothing, however sure they are.
            settled=SETTLED if proofs else 1.0,
            parts=_parts(signal),
        )
    )
    steps = [
        Step(
            kind=kind,
            words=_to_do(signal, kind, product, left, unit),
            promise=promised.get(Way(kind.value), now),
            proofs=tuple(one for one in proofs if one.kind is kind),
            telling=Way(kind.value) in promised,
            worth=_worth(
                promised.get(Way(kind.value)),
                said,
                apart=left if UNITS[kind] is Unit.OHM else (),
            ),
        )
        for kind in kinds
    ]
    order = [way.value for way in promised]
    return sorted(
        steps,
        key=lambda one: order.index(one.kind.value) if one.telling else len(order),
    )


def next_step(
    signal: Signal,
    proofs: Sequence[Proof],
    product: ProductModel,
    *,
    replaced: Replaced = (),
) -> str | None:
    """Return the sentence that says what to do next about a finding.

    None where nothing was measured and no measurement would tell anything, and of a
    finding that was withdrawn.
    """
    if not signal.standing:
        return None
    steps = checklist(signal, proofs, product, replaced=replaced)
    telling = [one for one in steps if one.telling]
    if telling:
        return f"Next: {telling[0].words}; it {telling[0].worth}."
    return "The cause is settled; decide on the hold." if proofs else None


def sharpen(
    signal: Signal,
    proofs: Sequence[Proof],
    product: ProductModel,
    *,
    replaced: Replaced = (),
) -> Signal:
    """Return a finding as it stands after the measurements on it.

    Its cause and probability are those after all measurements, and its evidence says
    what they showed (`proven`) and what would settle the rest (`next`).
    """
    own = [one for one in proofs if one.signal == signal.signal]
    further = next_step(signal, own, product, replaced=replaced)
    raised, signal = signal, narrowed(signal, own, product)
    evidence = replace(signal.basis, next=further)
    if not own:
        return replace(signal, evidence=evidence.text())
    after = probabilities(raised, own, product)
    (cause, likeliest), *others = sorted(after.items(), key=lambda pair: -pair[1])
    evidence = replace(
        evidence,
        proven=(
            *(shown(one, raised, product) for one in own),
            *_for_one_alone(raised, signal, Cause(cause), likeliest),
        ),
        runners_up=tuple((other, p) for other, p in others if p >= NAMED),
    )
    return replace(
        signal, cause=Cause(cause), probability=likeliest, evidence=evidence.text()
    )


def _for_one_alone(
    raised: Signal, left: Signal, cause: Cause, probability: float
) -> Iterator[str]:
    """Say why one part that is left of several is less sure than they were together.

    Parameters
    ----------
    left
        As `narrowed` has it.
    """
    several = _parts(raised)
    if cause is not Cause.REEL or not several or left.basis.possible_parts:
        return
    now, before = share(probability), share(raised.probability)
    if probability < raised.probability and now != before:
        yield (
            f"{now} is for part {left.part} alone. Before, {before} was for parts "
            f"{' and '.join(several)} together."
        )


def sharpened(
    signals: Sequence[Signal],
    proofs: Sequence[Proof],
    product: ProductModel,
    *,
    replaced: Replaced = (),
) -> list[Signal]:
    """Return findings as they stand after the measurements on each."""
    return [sharpen(one, proofs, product, replaced=replaced) for one in signals]


def taken_from(signal: Signal, source: str) -> str:
    """Return the name of a proof that is taken from rows: from one, one proof."""
    return f"{signal.signal}:{source}"


def _folded(signal: Signal, proof: Proof) -> bool:
    """Whether the finding, as it was last revised, rests on a measurement already.

    The detector takes each run of the check standard by itself.
    """
    return (
        proof.kind is ProofKind.CHECK_STANDARD
        and proof.proof.startswith(taken_from(signal, ""))
        and proof.made_at <= signal.made_at
    )


def _prior(signal: Signal) -> dict[str, float]:
    """Return what the finding itself says, with what it may leave out.

    What it says of no cause in particular is every cause's alike.
    """
    own = Cause.REEL if signal.cause is Cause.RANGE else signal.cause
    said = signal.shares or {own.value: signal.probability}
    unsaid = max(0.0, 1.0 - sum(said.values()))
    alike = ((1.0 - LEFT_OUT) * unsaid + LEFT_OUT) / len(CAUSES)
    return {one: (1.0 - LEFT_OUT) * said.get(one, 0.0) + alike for one in CAUSES}


def _worth(
    promise: float | None, said: float, *, apart: Sequence[Possible] = ()
) -> str | None:
    """Return what a measurement is likely to do to the cause, beside what is said."""
    if promise is None:
        return None
    if len(apart) > 1:
        return "tells which of these parts it is"
    if promise <= said or share(promise) == share(said):
        return "would confirm the cause"
    return f"is likely to bring the cause to {share(promise)}"


def _size_sd_ppm(signal: Signal) -> float:
    return (signal.high_ppm - signal.low_ppm) / (2 * TWO_SIDED_95)


def _possible(signal: Signal, kind: ProofKind, unit: str | None) -> bool:
    if kind is ProofKind.CHECK_STANDARD:
        return signal.basis.check != NO_STANDARD
    if kind is ProofKind.FOUR_WIRE:
        return signal.part is not None and (unit is not None or _has_others(signal))
    if kind is ProofKind.SECOND_METER:
        return unit is not None
    if kind is ProofKind.LOOSE_PARTS:
        named = any(one.reel for one in signal.basis.possible_parts)
        return signal.part is not None and (signal.reel is not None or named)
    return True


def _has_others(signal: Signal) -> bool:
    """Whether the reel that a finding names is in other units, too, as far as known."""
    return signal.reel is not None and signal.units > 1


def _ordinary(
    signal: Signal, kind: ProofKind, proofs: Sequence[Proof], product: ProductModel
) -> Measured:
    """Return a measurement as it is expected to be before it is made.

    What was measured before in this way is measured again with the same means; an
    older unit is another one.
    """
    part, reel = _read_next(signal, kind, proofs, product)
    earlier = [one for one in proofs if _same_means(one.kind, kind)]
    like = earlier[-1] if earlier and kind is not ProofKind.OLDER_UNIT else None
    return _expected(
        signal,
        kind,
        product,
        off_ppm=0.0,
        readings=1,
        uncertainty_ppm=USUAL_PPM[kind]
        if like is None
        else _effect_ppm(signal, like, product)[1],
        means=_means(like) if like is not None else kind.value,
        part=part,
        reel=reel,
    )


def _read_next(
    signal: Signal, kind: ProofKind, proofs: Sequence[Proof], product: ProductModel
) -> tuple[str | None, str | None]:
    """Return the part that a kind reads next, and its reel: one not read so far."""
    parts = signal.basis.possible_parts
    if kind is ProofKind.LOOSE_PARTS:
        parts = tuple(one for one in parts if one.reel is not None)
    if not parts or UNITS[kind] is not Unit.OHM:
        return signal.part, signal.reel
    read = {
        part_measured(signal, one, product)
        for one in proofs
        if UNITS[one.kind] is Unit.OHM
    }
    first = next((one for one in parts if one.part not in read), parts[0])
    return first.part, first.reel


def _same_means(one: ProofKind, other: ProofKind) -> bool:
    """Whether two kinds are read by one meter."""
    return one is other or UNITS[one] is UNITS[other] is Unit.OHM


def _means(proof: Proof) -> str:
    """Return what a measurement was made with: what stays when it is made again.

    A person says how good a meter is and not which: one as good may be the same.
    """
    if UNITS[proof.kind] is Unit.OHM:
        share_ppm = 1e6 * proof.uncertainty / abs(proof.from_value)
        return f"ohmmeter of {share_ppm:.3g} ppm"
    return f"{proof.kind.value} {proof.subject}"


def _expected(
    signal: Signal,
    kind: ProofKind,
    product: ProductModel,
    *,
    off_ppm: float,
    readings: int,
    uncertainty_ppm: float,
    means: str,
    part: str | None,
    reel: str | None,
) -> Measured:
    """Return a measurement with what it shares: its means, and the reel's level."""
    scatter_ppm, level_ppm = _parts_ppm(signal, kind, product, part)
    shared = {means: (1.0 - NEW_SHARE**2) ** 0.5 * uncertainty_ppm}
    if level_ppm:
        shared[f"level of reel {reel}"] = level_ppm
    return Measured(
        way=Way(kind.value),
        off_ppm=off_ppm,
        readings=readings,
        scatter_ppm=scatter_ppm,
        uncertainty_ppm=NEW_SHARE * uncertainty_ppm,
        shared=shared,
        part=part if signal.basis.possible_parts and UNITS[kind] is Unit.OHM else None,
    )


def _parts_ppm(
    signal: Signal, kind: ProofKind, product: ProductModel, part: str | None
) -> tuple[float, float]:
    """Return how good parts differ, each and reel by reel, ppm; else nothing."""
    if UNITS[kind] is not Unit.OHM or part is None:
        return 0.0, 0.0
    tolerance_ppm = product.settings.parts[part].tolerance_ppm
    effect = abs(_effect(signal, product, part))
    return PART_SD * tolerance_ppm * effect, REEL_SD * tolerance_ppm * effect


def _effect(signal: Signal, product: ProductModel, part: str | None) -> float:
    """Return by how much the range reads more when a suspect part is more."""
    if signal.range is None or part is None:
        return 1.0
    return product.range(signal.range).sensitivities[part]


def _effect_ppm(
    signal: Signal, proof: Proof, product: ProductModel
) -> tuple[float, float]:
    """Return what was measured and its uncertainty, as errors of the range, ppm."""
    off, uncertainty = fmean(proof.readings) - proof.from_value, proof.uncertainty
    if UNITS[proof.kind] is Unit.OHM:
        part = part_measured(signal, proof, product)
        effect = 1e6 * _effect(signal, product, part) / proof.from_value
        return off * effect, abs(uncertainty * effect)
    return off, uncertainty


def _reel_of(signal: Signal, proof: Proof, part: str | None) -> str | None:
    """Return the reel of what was read in ohms, as `_read_next` names it beforehand."""
    if proof.kind is ProofKind.LOOSE_PARTS:
        return (proof.subject or "").removeprefix(f"{part}{PART_OF}")
    parts = signal.basis.possible_parts
    return next((one.reel for one in parts if one.part == part), signal.reel)


def _measured(signal: Signal, proof: Proof, product: ProductModel) -> Measured:
    off_ppm, uncertainty_ppm = _effect_ppm(signal, proof, product)
    part = part_measured(signal, proof, product)
    return _expected(
        signal,
        proof.kind,
        product,
        off_ppm=off_ppm,
        readings=len(proof.readings),
        uncertainty_ppm=uncertainty_ppm,
        means=_means(proof),
        part=part,
        reel=_reel_of(signal, proof, part),
    )


def _to_do(
    signal: Signal,
    kind: ProofKind,
    product: ProductModel,
    left: Sequence[Possible],
    unit: str | None,
) -> str:
    where = f" on range {product.range(signal.range).title}" if signal.range else ""
    match kind:
        case ProofKind.CHECK_STANDARD:
            return f"run the check standard{where}"
        case ProofKind.FOUR_WIRE:
            parts = " and ".join(one.part for one in left) or signal.part
            each = ", each" if len(left) > 1 else ""
            board = f"unit {unit}" if unit else f"another unit with reel {signal.reel}"
            return f"measure {parts} of {board} four-wire{each}"
        case ProofKind.LOOSE_PARTS:
            named = [one for one in left if one.reel]
            reels = " and ".join(f"reel {one.reel} ({one.part})" for one in named)
            reels = reels or f"reel {signal.reel}"
            return f"measure loose parts of {reels} four-wire"
        case ProofKind.OLDER_UNIT:
            return f"measure an older good unit again{where}"
        case ProofKind.SECOND_METER:
            return f"read unit {unit} with a second meter{where}"


def shown(proof: Proof, signal: Signal, product: ProductModel) -> str:
    """Return what one measurement showed, in a sentence."""
    mean = fmean(proof.readings)
    part = part_measured(signal, proof, product)
    if UNITS[proof.kind] is Unit.OHM:
        off_ppm = 1e6 * (mean / proof.from_value - 1)
        half_ppm = 2e6 * proof.uncertainty / proof.from_value
        what = f"read {ohm(mean, 2 * proof.uncertainty)}, "
    else:
        off_ppm, half_ppm, what = (
            mean - proof.from_value,
            2 * proof.uncertainty,
            "read ",
        )
    right = abs(off_ppm) <= hypot(
        half_ppm, 2 * sum(_parts_ppm(signal, proof.kind, product, part))
    )
    as_it_should = "as it should be" if right else "not as it should be"
    if proof.kind is ProofKind.SECOND_METER:
        # What it stands beside is the unit's output: the unit reads off, not the meter.
        return (
            f"Measured: on {proof.subject or 'the second meter'} the unit "
            f"{what}{percent(off_ppm, half_ppm)} off, {as_it_should}."
        )
    name = {
        ProofKind.CHECK_STANDARD: "the check standard",
        ProofKind.FOUR_WIRE: f"{part}, four-wire,",
        ProofKind.LOOSE_PARTS: f"{counted(len(proof.readings), 'loose part')}",
        ProofKind.OLDER_UNIT: "an older unit",
    }[proof.kind]
    subject = (proof.subject or "").removeprefix(f"{part}{PART_OF}")
    of = (
        f" of {subject}"
        if proof.kind is ProofKind.LOOSE_PARTS
        else (f" {subject}" if subject else "")
    )
    return (
        f"Measured: {name}{of} {what}{percent(off_ppm, half_ppm)} off, {as_it_should}."
    )
