"""Whether a measurement settles a finding as far as was promised.

Causes, sizes, meters, levels of reels and slips are drawn as the arithmetic has them,
and go the whole way: what a person types, the checklist before it, the probabilities
after it. What the checklist promised is held against what was reached.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import sqrt
from statistics import fmean, stdev

import numpy as np

from daemon.judging import ProductModel
from daemon.spc.causes import RESPONDS, SLIP, SLIP_WIDTH, Measured, _updated, settling
from daemon.watch.what_settles import (
    USUAL_PPM,
    _effect_ppm,
    _measured,
    _ordinary,
    _prior,
    _size_sd_ppm,
    part_to_read,
    probabilities,
)
from storage import Proof, ProofKind, Signal
from tests.daemon.making import AT

__all__ = ["CHAINS", "Promised", "promised", "table"]

CHAINS: Mapping[str, Sequence[ProofKind]] = {
    **{one.value: (one,) * 3 for one in ProofKind},
    "one of each": (
        ProofKind.LOOSE_PARTS,
        ProofKind.FOUR_WIRE,
        ProofKind.CHECK_STANDARD,
        ProofKind.SECOND_METER,
    ),
}
"""What is measured one after another, each with the same means where it can be."""
OHMS = {ProofKind.FOUR_WIRE, ProofKind.LOOSE_PARTS}


@dataclass(frozen=True, slots=True, kw_only=True)
class Promised:
    """Of one step of a chain, what was promised and what was reached, by draw."""

    chain: str
    step: int
    promised: tuple[float, ...]
    reached: tuple[float, ...]

    @property
    def difference(self) -> float:
        """By how much more was reached than promised, on the mean."""
        return fmean(self.reached) - fmean(self.promised)

    @property
    def standard_error(self) -> float:
        """Of `difference`."""
        both = zip(self.reached, self.promised, strict=True)
        return stdev(had - said for had, said in both) / sqrt(len(self.reached))


@dataclass(slots=True)
class World:
    """What truly is, in one draw: what is shared is drawn when it is first felt."""

    draw: np.random.Generator
    cause: str
    part: str | None
    size_ppm: float
    shared: dict[str, float] = field(default_factory=dict)
    slips: dict[object, float | None] = field(default_factory=dict)
    """By what may slip together: where it reads then, ppm; None where it is sound."""

    def read_ppm(self, one: Measured) -> float:
        """Return what a measurement reads."""
        width_ppm = SLIP_WIDTH * (abs(self.size_ppm) + one.sd_ppm)

        def slip() -> float | None:
            slips = self.draw.random() < SLIP
            return float(self.draw.uniform(-width_ppm, width_ppm)) if slips else None

        together = (one.way, one.part, frozenset(one.shared))
        first = together not in self.slips
        if first:
            self.slips[together] = slip()
        own = float(self.draw.normal(0.0, sqrt(one.own_variance)))
        if (read := self.slips[together]) is not None:
            return read + own
        if not first and (alone := slip()) is not None:
            return alone
        for name, sd_ppm in one.shared.items():
            if name not in self.shared:
                self.shared[name] = float(self.draw.normal(0.0, sd_ppm))
            own += self.shared[name]
        same = self.part is None or one.part is None or self.part == one.part
        moved = same and self.cause in RESPONDS[one.way]
        return own + (self.size_ppm if moved else 0.0)


def promised(
    found: Signal, product: ProductModel, chain: str, draws: int, seed: int
) -> list[Promised]:
    """Draw what may be the cause of a finding, and measure along a chain.

    Parameters
    ----------
    found
        As it was raised.
    chain
        One of `CHAINS`.
    """
    draw = np.random.default_rng([seed, list(CHAINS).index(chain)])
    lives = [
        list(_lived(found, product, CHAINS[chain], _world(found, draw)))
        for _ in range(draws)
    ]
    return [
        Promised(
            chain=chain,
            step=step,
            promised=tuple(before for before, _ in pairs),
            reached=tuple(after for _, after in pairs),
        )
        for step, pairs in enumerate(zip(*lives, strict=True), start=1)
    ]


def _world(found: Signal, draw: np.random.Generator) -> World:
    prior = _prior(found)
    shares = np.array(list(prior.values()))
    parts = [one.part for one in found.basis.possible_parts]
    return World(
        draw=draw,
        cause=str(draw.choice(list(prior), p=shares / shares.sum())),
        part=str(draw.choice(parts)) if parts else None,
        size_ppm=float(draw.normal(found.size_ppm, _size_sd_ppm(found))),
    )


def _lived(
    found: Signal, product: ProductModel, kinds: Sequence[ProofKind], world: World
) -> Iterator[tuple[float, float]]:
    """Measure step after step; return what was promised and what was reached."""
    proofs: list[Proof] = []
    for kind in kinds:
        said = _promise(found, product, kind, proofs)
        now = _largest(found, product, kind, proofs)
        proofs.append(_read(found, product, kind, proofs, world))
        yield now if said is None else said, _largest(found, product, kind, proofs)


def _largest(
    found: Signal, product: ProductModel, kind: ProofKind, proofs: Sequence[Proof]
) -> float:
    """Return the largest probability of what a kind is promised to tell apart.

    Causes; where one of several parts is read, each part's. What reads the whole unit
    says nothing of which part it is, and is promised to say of causes alone.
    """
    several = [one.part for one in found.basis.possible_parts]
    if kind not in OHMS or not several:
        return max(probabilities(found, proofs, product).values())
    joint = _updated(
        _prior(found),
        [_measured(found, one, product) for one in proofs],
        found.size_ppm,
        _size_sd_ppm(found),
        several,
    )
    return max(joint.values())


def _promise(
    found: Signal, product: ProductModel, kind: ProofKind, proofs: Sequence[Proof]
) -> float | None:
    """Return what the checklist has beside one kind; the others cost time."""
    said = settling(
        _prior(found),
        [_ordinary(found, kind, proofs, product)],
        measured=[_measured(found, one, product) for one in proofs],
        size_ppm=found.size_ppm,
        size_sd_ppm=_size_sd_ppm(found),
        settled=1.0,
        parts=[one.part for one in found.basis.possible_parts],
    )
    return said[0][1] if said else None


def _read(
    found: Signal,
    product: ProductModel,
    kind: ProofKind,
    proofs: Sequence[Proof],
    world: World,
) -> Proof:
    """Return one reading by the meter that is expected."""
    part = part_to_read(found, kind, proofs, product) if kind in OHMS else None
    value, of = (0.0, "one") if part is None else (product.nominal_ohm[part], part)
    if kind is ProofKind.OLDER_UNIT:
        of = f"unit {len(proofs)}"
    if part is not None:
        alike = {one.part: one.reel for one in found.basis.possible_parts}
        loose = kind is ProofKind.LOOSE_PARTS
        of = str(alike.get(part, found.reel)) if loose else found.first_serial
        of = f"{part} of {of}" if alike else of
    still = Proof(
        proof=f"proof {len(proofs)}",
        signal=found.signal,
        kind=kind,
        subject=of,
        readings=(value,),
        unit="ohm" if kind in OHMS else "ppm",
        from_value=value,
        uncertainty=1.0,
        person="Ada",
        made_at=AT,
    )
    # In units of the readings, what is a ppm of the range.
    _, per_unit = _effect_ppm(found, still, product)
    still = replace(still, uncertainty=USUAL_PPM[kind] / per_unit)
    one, _ = _effect_ppm(found, replace(still, readings=(value + 1.0,)), product)
    off_ppm = world.read_ppm(_measured(found, still, product))
    return replace(still, readings=(value + off_ppm / one,))


def table(found: Sequence[Promised]) -> str:
    """Return what was promised and what was reached, a row a step."""
    rows = [
        "| measured | step | draws | promised | reached | difference | +- |",
        "|---|---|---|---|---|---|---|",
    ]
    rows += [
        f"| {one.chain} | {one.step} | {len(one.reached)} "
        f"| {fmean(one.promised):.3f} | {fmean(one.reached):.3f} "
        f"| {one.difference:+.3f} | {one.standard_error:.3f} |"
        for one in found
    ]
    return "\n".join(rows)
