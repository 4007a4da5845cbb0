"""What a maker's line draws at random: reels, and boards from them."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import exp, hypot, log
from zlib import crc32

from numpy.linalg import lstsq
from numpy.random import Generator, default_rng

from config import Part, Product
from daemon.metrology import NoSolutionError, Transfer, range_parts
from daemon.simulator.circuit import Board
from daemon.simulator.errors import UnfitProductError

__all__ = ["Line", "Reel", "World"]

WIRING_TOLERANCE_PPM = 100_000.0
"""Precision ranges use no resistors this wide: from here on a part is switch and
trace resistance, which comes from no reel (common practice, no source)."""

NEWTON_STEPS = 20
EXACT = 1e-11
"""Errors of a standard are made this well, relatively."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reel:
    """A component lot, and what only the simulation knows of it.

    `mean_ppm` and `spread_ppm` are the true mean and standard deviation of its parts'
    deviations from nominal, `tempco_ppm_per_k` the mean of their coefficients.
    """

    reel: str
    part: str
    nominal_ohm: float
    tolerance_ppm: float
    mean_ppm: float
    spread_ppm: float
    tempco_ppm_per_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """How an ordinary line scatters.

    The shares are standard deviations as a share of the part's tolerance T; the
    shared one is that of the shared stage's gain, to which each of its parts
    contributes by its sensitivity, once by its reel and once by itself.
    `isolated_bad` is the probability that a single part
    is far off, by a standard deviation of `isolated_bad_share` T. What is relative to
    full scale is a standard deviation too.
    """

    reel_share: float = 0.15
    unit_share: float = 0.15
    shared_share: float = 0.10
    isolated_bad: float = 0.0
    isolated_bad_share: float = 3.0
    leakage_ppm: float = 20.0
    offset_ppm: float = 30.0
    drift_ppm_per_h: float = 10.0


class World:
    """Draws reels and boards of one product, seeded by its generator."""

    def __init__(
        self, product: Product, generator: Generator, line: Line | None = None
    ) -> None:
        self.product = product
        self.transfers = {
            key: Transfer(one.transfer) for key, one in product.ranges.items()
        }
        self.nominal_ohm = {n: part.nominal_ohm for n, part in product.parts.items()}
        self._line = line or Line()
        self._generator = generator
        sorted_parts = range_parts(
            self.transfers,
            self.nominal_ohm,
            {name: part.tolerance_ppm for name, part in product.parts.items()},
        )
        self._shared = {*sorted_parts.shared_by_all, *sorted_parts.shared_by_some}
        self.own_parts = {
            key: part
            for key, part in sorted_parts.own.items()
            if part is not None and self._from_a_reel(part)
        }
        """By range, the part from a reel that no other range uses."""
        self.shared_parts = tuple(
            name
            for name in product.parts
            if name in self._shared and self._from_a_reel(name)
        )
        """Parts from reels that several ranges use, in the product's order."""
        self._shared_share = self._line.shared_share / self._shared_sensitivity()

    @property
    def full_scale_v(self) -> float:
        """Largest output at full scale over the ranges, all parts at nominal."""
        return max(
            abs(self.transfers[key].value(self.nominal_ohm)) * one.full_scale
            for key, one in self.product.ranges.items()
        )

    def reel(
        self,
        reel: str,
        part: str,
        *,
        mean_ppm: float | None = None,
        spread_factor: float = 1.0,
    ) -> Reel:
        """Draw a reel for `part`, ordinary unless a mean or a spread is given."""
        one = self.product.parts[part]
        level, scatter = self._shares(part)
        drawn_ppm = self._generator.normal(0.0, level * one.tolerance_ppm)
        bound = one.temperature_coefficient_ppm_per_k
        return Reel(
            reel=reel,
            part=part,
            nominal_ohm=one.nominal_ohm,
            tolerance_ppm=one.tolerance_ppm,
            mean_ppm=drawn_ppm if mean_ppm is None else mean_ppm,
            spread_ppm=spread_factor * scatter * one.tolerance_ppm,
            tempco_ppm_per_k=self._generator.uniform(-0.5, 0.5) * bound,
        )

    def board(self, serial: str, reels: Mapping[str, Reel]) -> Board:
        """Make a board; each part is of its reel in `reels` (by part) or loose."""
        parts_ohm, tempcos = {}, {}
        for name, part in self.product.parts.items():
            draw = (
                self._drawn(part, reels[name]) if name in reels else self._loose(name)
            )
            deviation_ppm, tempcos[name] = draw
            parts_ohm[name] = part.nominal_ohm * (1 + deviation_ppm * 1e-6)
        smallest = min(one.full_scale for one in self.product.ranges.values())
        leakage, offset, drift = (self._generator.standard_normal(3) * 1e-6).tolist()
        return Board(
            serial=serial,
            parts_ohm=parts_ohm,
            tempco_ppm_per_k=tempcos,
            leakage=leakage * self._line.leakage_ppm * smallest,
            offset_v=offset * self._line.offset_ppm * self.full_scale_v,
            drift_v_per_h=drift * self._line.drift_ppm_per_h * self.full_scale_v,
        )

    def board_of(self, serial: str, reels: Mapping[str, Reel], *, seed: int) -> Board:
        """Make a board that is the same whenever, and after whichever, it is made."""
        with self._drawing_by(serial, seed):
            return self.board(serial, reels)

    def reel_of(self, reel: str, part: str, *, seed: int) -> Reel:
        """Draw an ordinary reel that is the same whenever it is drawn by this name."""
        with self._drawing_by(reel, seed):
            return self.reel(reel, part)

    def with_part(self, board: Board, reel: Reel, *, name: str, seed: int) -> Board:
        """Return a board with one part of `reel` instead of its own.

        The part is the same whenever it is drawn by `name`.
        """
        with self._drawing_by(name, seed):
            off_ppm, tempco = self._drawn(self.product.parts[reel.part], reel)
        value_ohm = self.nominal_ohm[reel.part] * (1 + off_ppm * 1e-6)
        return replace(
            board,
            parts_ohm={**board.parts_ohm, reel.part: value_ohm},
            tempco_ppm_per_k={**board.tempco_ppm_per_k, reel.part: tempco},
        )

    @contextmanager
    def _drawing_by(self, name: str, seed: int) -> Iterator[None]:
        """Draw by a name while the context lasts, and leave the line's draws alone."""
        shared = self._generator
        self._generator = default_rng([seed, crc32(name.encode())])
        try:
            yield
        finally:
            self._generator = shared

    def standard(self, serial: str, error_ppm: Mapping[str, float]) -> Board:
        """Make a board of exactly these range errors, without temperature coefficient.

        A range's own part carries its error; where a range has none, all parts from
        reels share in it, each by as little as will do.

        Raises
        ------
        UnfitProductError
            If no values of the parts make a range's error, which is named.
        """
        if all(key in self.own_parts for key in error_ppm):
            parts_ohm = dict(self.nominal_ohm)
            for key, one_ppm in error_ppm.items():
                part = self.own_parts[key]
                try:
                    parts_ohm[part] = self.transfers[key].implied(
                        part, one_ppm * 1e-6, self.nominal_ohm
                    )
                except NoSolutionError as exc:
                    raise _unfit(key, str(exc)) from exc
        else:
            parts_ohm = self._shared_by_parts(error_ppm)
        return Board(
            serial=serial,
            parts_ohm=parts_ohm,
            tempco_ppm_per_k=dict.fromkeys(parts_ohm, 0.0),
        )

    def _shared_by_parts(self, error_ppm: Mapping[str, float]) -> dict[str, float]:
        """Return part values that make these errors together, by Newton's method."""
        names = [name for name in self.nominal_ohm if self._from_a_reel(name)]
        parts_ohm = dict(self.nominal_ohm)
        wanted = {
            key: self.transfers[key].value(self.nominal_ohm) * (1 + one_ppm * 1e-6)
            for key, one_ppm in error_ppm.items()
        }
        missing = dict.fromkeys(wanted, 0.0)
        for _ in range(NEWTON_STEPS):
            missing = {
                key: log(one / self.transfers[key].value(parts_ohm))
                for key, one in wanted.items()
            }
            if max(map(abs, missing.values())) < EXACT:
                return parts_ohm
            moved = [self.transfers[key].sensitivities(parts_ohm) for key in wanted]
            step, *_ = lstsq(
                [[one.get(name, 0.0) for name in names] for one in moved],
                list(missing.values()),
                rcond=None,
            )
            for name, change in zip(names, step.tolist(), strict=True):
                parts_ohm[name] *= exp(change)
        worst = max(missing, key=lambda key: abs(missing[key]))
        raise _unfit(
            worst, "no values of the parts make it together with the other ranges'"
        )

    def _shared_sensitivity(self) -> float:
        """Return the root sum of squares over the shared parts, 1 without any."""
        each = []
        for transfer in self.transfers.values():
            moved = transfer.sensitivities(self.nominal_ohm)
            each.append(hypot(*(moved.get(one, 0.0) for one in self.shared_parts)))
        return max(each) or 1.0

    def _from_a_reel(self, part: str) -> bool:
        return self.product.parts[part].tolerance_ppm < WIRING_TOLERANCE_PPM

    def _shares(self, part: str) -> tuple[float, float]:
        """Return the standard deviations of reel means and of parts, as shares of T."""
        if part in self._shared:
            return self._shared_share, self._shared_share
        return self._line.reel_share, self._line.unit_share

    def _drawn(self, part: Part, reel: Reel) -> tuple[float, float]:
        """Return deviation (ppm) and coefficient (ppm/K) of a part from `reel`."""
        deviation_ppm = self._generator.normal(reel.mean_ppm, reel.spread_ppm)
        if self._generator.random() < self._line.isolated_bad:
            share = self._line.isolated_bad_share
            deviation_ppm += self._generator.normal(0.0, share * part.tolerance_ppm)
        bound = part.temperature_coefficient_ppm_per_k
        tempco = self._generator.normal(reel.tempco_ppm_per_k, 0.1 * bound)
        return deviation_ppm, min(max(tempco, -bound), bound)

    def _loose(self, name: str) -> tuple[float, float]:
        part = self.product.parts[name]
        share = hypot(*self._shares(name))
        deviation_ppm = self._generator.normal(0.0, share * part.tolerance_ppm)
        return deviation_ppm, part.temperature_coefficient_ppm_per_k


def _unfit(key: str, problem: str) -> UnfitProductError:
    return UnfitProductError(where=f"check_standard.error_ppm.{key}", problem=problem)
