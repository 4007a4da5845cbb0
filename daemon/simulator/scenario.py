"""A story: builds, reels, who fitted what from which unit on, and the truth."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from numpy.random import Generator, default_rng

from config import Settings
from daemon.simulator.circuit import Board
from daemon.simulator.errors import (
    UnfitProductError,
    UnknownReelError,
    UnknownSerialError,
)
from daemon.simulator.planting import Workshop
from daemon.simulator.world import Line, Reel, World

__all__ = ["Build", "Fitting", "Scenario", "Truth", "story", "workshop"]

BAD_REEL_PPM = 3000.0
BAD_REEL_SPREAD = 4.0
MIXED_SHARE = 0.5
FEWEST_UNITS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Build:
    """Units kitted together, in the order in which they are tested."""

    build: str
    serials: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """From `from_serial` on (None: the build's first unit), `part` is of `reel`."""

    build: str
    part: str
    reel: str
    from_serial: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is wrong in a story, in the words of a finding.

    `size_ppm` is the range error that the reel's true mean causes against nominal:
    the mean deviation of the whole reel, not of the parts that happened to be used,
    times the part's sensitivity. `change_ppm` is the same against the reel before.
    `implied_ohm` is the part's value at the reel's true mean.
    """

    build: str
    cause: str
    range: str
    part: str
    reel: str
    first_serial: str
    size_ppm: float
    change_ppm: float
    implied_ohm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """Everything a simulated line does; `boards` has the check standard too."""

    seed: int
    builds: tuple[Build, ...]
    reels: tuple[Reel, ...]
    fittings: tuple[Fitting, ...]
    boards: Mapping[str, Board]
    truth: Truth | None
    suspect_serials: tuple[str, ...]

    def board(self, serial: str) -> Board:
        """Return the board that carries `serial`.

        Raises
        ------
        UnknownSerialError
            If no board of the story does.
        """
        try:
            return self.boards[serial]
        except KeyError:
            raise UnknownSerialError(name=serial, known=self.boards) from None

    def reel(self, reel: str) -> Reel:
        """Return the reel of this name.

        Raises
        ------
        UnknownReelError
            No reel of the story has it.
        """
        for one in self.reels:
            if one.reel == reel:
                return one
        raise UnknownReelError(name=reel, known=[one.reel for one in self.reels])

    def as_json(self) -> dict[str, Any]:
        """Return what the operator knows, and the truth apart, as plain values."""
        return {
            "seed": self.seed,
            "builds": [asdict(one) for one in self.builds],
            "reels": [
                {
                    "reel": one.reel,
                    "nominal_ohm": one.nominal_ohm,
                    "tolerance_ppm": one.tolerance_ppm,
                }
                for one in self.reels
            ],
            "fittings": [asdict(one) for one in self.fittings],
            "truth": None if self.truth is None else asdict(self.truth),
        }


def story(
    settings: Settings,
    seed: int,
    *,
    units: int = 30,
    bad: bool = True,
    mixed: bool = False,
    line: Line | None = None,
    open_ended: bool = False,
) -> Scenario:
    """Tell the demo's story: three builds, and part-way into the last a bad reel.

    Build 2 begins with an ordinary reel change on one range. Build 3 takes over its
    reels; between its first and second quarter one range gets a reel that is 0.3 %
    high with four times the ordinary spread. Shared parts get ordinary reels at each
    build. The operator records every change.

    Parameters
    ----------
    settings : Settings
        Product and, where a check standard is wanted on the bench, bench.
    seed : int
        The same seed tells the same story.
    units : int
        Units a build, four or more.
    bad : bool
        False: the last build's new reel is an ordinary one, and nothing is wrong.
    mixed : bool
        True: from the change on, boards of both reels come in random order.
    line : Line, optional
        How the line scatters.
    open_ended : bool
        True: a board that no build has is made when it is first mounted.

    Raises
    ------
    UnfitProductError
        If no range has a part of its own, or `units` is too small.
    """
    if units < FEWEST_UNITS:
        raise UnfitProductError(
            where=f"units = {units}", problem=f"a story needs {FEWEST_UNITS} or more"
        )
    chance = default_rng(seed)
    world = World(settings.product, chance, line)
    if not world.own_parts:
        raise UnfitProductError(
            where="product.ranges", problem="no range has a part of its own"
        )
    teller = _Teller(world, chance, units)
    teller.first_build()
    teller.second_build()
    truth, suspects = teller.third_build(bad=bad, mixed=mixed)
    boards: Mapping[str, Board] = _with_standard(teller.boards, world, settings)
    if open_ended:
        # What comes after the story is made of good reels.
        boards = Workshop(world, boards, {})
        boards.fit_ordinary()
    return Scenario(
        seed=seed,
        builds=tuple(teller.builds),
        reels=tuple(teller.reels),
        fittings=tuple(teller.fittings),
        boards=boards,
        truth=truth,
        suspect_serials=suspects,
    )


def workshop(settings: Settings, seed: int, *, line: Line | None = None) -> Scenario:
    """Return a line without a story: boards are made of ordinary reels as they come.

    Raises
    ------
    UnfitProductError
        The check standard's errors cannot be made of the product's parts.
    """
    world = World(settings.product, default_rng(seed), line)
    boards = Workshop(world, _with_standard({}, world, settings), {}, seed=seed)
    boards.fit_ordinary()
    return Scenario(
        seed=seed,
        builds=(),
        reels=(),
        fittings=(),
        boards=boards,
        truth=None,
        suspect_serials=(),
    )


def _with_standard(
    boards: Mapping[str, Board], world: World, settings: Settings
) -> dict[str, Board]:
    """Return boards, and the check standards that the bench has."""
    made = dict(boards)
    for known in () if settings.bench is None else settings.bench.standards:
        # Where it is not known it is not read.
        error_ppm = dict.fromkeys(settings.product.ranges, 0.0) | known.error_ppm
        made[known.serial] = world.standard(known.serial, error_ppm)
    return made


class _Teller:
    """Draws the builds one after another."""

    def __init__(self, world: World, chance: Generator, units: int) -> None:
        self._world = world
        self._chance = chance
        self._units = units
        self._fitted: dict[str, Reel] = {}
        self.builds: list[Build] = []
        self.reels: list[Reel] = []
        self.fittings: list[Fitting] = []
        self.boards: dict[str, Board] = {}

    def first_build(self) -> None:
        self._open()
        self._fit_shared()
        for part in self._world.own_parts.values():
            self._fit(part)
        self._make(self.builds[-1].serials)

    def second_build(self) -> None:
        self._open()
        self._fit_shared()
        changed = self._world.own_parts[self._some_range()]
        for part in self._world.own_parts.values():
            if part == changed:
                self._fit(part)
            else:
                self._keep(part)
        self._make(self.builds[-1].serials)

    def third_build(
        self, *, bad: bool, mixed: bool
    ) -> tuple[Truth | None, tuple[str, ...]]:
        self._open()
        self._fit_shared()
        for part in self._world.own_parts.values():
            self._keep(part)
        serials = self.builds[-1].serials
        earliest, latest = -(-self._units // 4), self._units // 2
        turn = int(self._chance.integers(earliest, latest + 1))
        self._make(serials[:turn])
        key = self._some_range()
        part = self._world.own_parts[key]
        before = dict(self._fitted)
        after = self._fit(
            part,
            from_serial=serials[turn],
            mean_ppm=BAD_REEL_PPM if bad else None,
            spread_factor=BAD_REEL_SPREAD if bad else 1.0,
        )
        suspects = []
        for serial in serials[turn:]:
            # The unit from which the operator records the reel does carry it.
            old = (
                mixed
                and serial != serials[turn]
                and self._chance.random() < MIXED_SHARE
            )
            self.boards[serial] = self._world.board(
                serial, before if old else self._fitted
            )
            if bad and not old:
                suspects.append(serial)
        if not bad:
            return None, ()
        sensitivity = self._world.transfers[key].sensitivities(self._world.nominal_ohm)
        truth = Truth(
            build=self.builds[-1].build,
            cause="reel",
            range=key,
            part=part,
            reel=after.reel,
            first_serial=serials[turn],
            size_ppm=sensitivity[part] * after.mean_ppm,
            change_ppm=sensitivity[part] * (after.mean_ppm - before[part].mean_ppm),
            implied_ohm=after.nominal_ohm * (1 + after.mean_ppm * 1e-6),
        )
        return truth, tuple(suspects)

    def _open(self) -> None:
        number = len(self.builds) + 1
        self.builds.append(
            Build(
                build=f"B-{number}",
                serials=tuple(f"PA-{number}{n:03d}" for n in range(1, self._units + 1)),
            )
        )

    def _some_range(self) -> str:
        return str(self._chance.choice(list(self._world.own_parts)))

    def _fit_shared(self) -> None:
        for part in self._world.shared_parts:
            self._fit(part)

    def _fit(
        self,
        part: str,
        *,
        from_serial: str | None = None,
        mean_ppm: float | None = None,
        spread_factor: float = 1.0,
    ) -> Reel:
        prefix = f"K-{len(self.builds)}"
        used = sum(one.reel.startswith(prefix) for one in self.reels)
        reel = self._world.reel(
            f"{prefix}{used + 1:02d}",
            part,
            mean_ppm=mean_ppm,
            spread_factor=spread_factor,
        )
        self.reels.append(reel)
        self._fitted[part] = reel
        self._record(part, from_serial)
        return reel

    def _keep(self, part: str) -> None:
        self._record(part, None)

    def _record(self, part: str, from_serial: str | None) -> None:
        self.fittings.append(
            Fitting(
                build=self.builds[-1].build,
                part=part,
                reel=self._fitted[part].reel,
                from_serial=from_serial,
            )
        )

    def _make(self, serials: tuple[str, ...]) -> None:
        for serial in serials:
            self.boards[serial] = self._world.board(serial, self._fitted)
