"""What somebody plants to see when it is noticed, from a unit on that is to come."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from daemon.simulator.circuit import Board
from daemon.simulator.errors import PlantError, UnknownRangeError
from daemon.simulator.world import Reel, World

__all__ = ["Plant", "PlantKind", "Planting", "Workshop", "plant_kind"]

LARGEST_PPM = 500_000.0


class PlantKind(StrEnum):
    """What can be planted."""

    REEL = "reel"
    """The range's own part comes from a reel that is off."""
    SLIP = "slip"
    """One unit is seated badly; once seated again it reads right."""
    METER = "meter"
    """The output meter reads off from then on, on every range."""


def plant_kind(name: str) -> PlantKind:
    """Return the kind of a name.

    Raises
    ------
    PlantError
        Nothing of this kind can be planted.
    """
    try:
        return PlantKind(name)
    except ValueError:
        allowed = ", ".join(PlantKind)
        raise PlantError(problem=f"kind {name!r}: must be one of {allowed}") from None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """One thing that was planted.

    Attributes
    ----------
    range
        The range; "" for the meter, which is off on all.
    size_ppm
        How far the range reads off.
    after
        New units that still come before it.
    first_serial
        The unit with which it came; None before.
    """

    kind: PlantKind
    range: str
    size_ppm: float
    after: int
    first_serial: str | None = None


class Workshop(Mapping[str, Board]):
    """Boards by serial; one that is asked for and was not made is made then.

    Parameters
    ----------
    world
        Draws them.
    boards
        Those that are there.
    fitted
        By part, the reel that boards are made with from now on.
    seed
        Draws each board by its serial: after a restart other units come, and the same
        serial is the same unit. None: one after another, as a story tells them.
    """

    def __init__(
        self,
        world: World,
        boards: Mapping[str, Board],
        fitted: Mapping[str, Reel],
        *,
        seed: int | None = None,
    ) -> None:
        self.world = world
        self._seed = seed
        self._boards = dict(boards)
        self.fitted = dict(fitted)
        self._drawn = 0

    def __getitem__(self, serial: str) -> Board:
        """Return a board, made now where it was not before."""
        found = self._boards.get(serial)
        if found is None:
            if self._seed is None:
                found = self.world.board(serial, self.fitted)
            else:
                found = self.world.board_of(serial, self.fitted, seed=self._seed)
            self._boards[serial] = found
        return found

    def __iter__(self) -> Iterator[str]:
        """Go through the boards that were made."""
        return iter(self._boards)

    def __len__(self) -> int:
        """Return how many were made."""
        return len(self._boards)

    def fit(self, part: str, *, mean_ppm: float | None = None) -> None:
        """Take another reel for a part; an ordinary one where no mean is given."""
        self._drawn += 1
        name = f"planted {self._drawn}"
        self.fitted[part] = self.world.reel(name, part, mean_ppm=mean_ppm)

    def fit_ordinary(self) -> None:
        """Take ordinary reels for all parts."""
        for part in (*self.world.own_parts.values(), *self.world.shared_parts):
            self.fit(part)


class Planting:
    """What was planted on one bench, and what comes of it as units come.

    Parameters
    ----------
    workshop
        Where boards are made; None where none can be made any more.
    """

    def __init__(self, workshop: Workshop | None) -> None:
        self._workshop = workshop
        self._slipped: dict[str, Plant] = {}
        self.plants: list[Plant] = []

    def plant(self, plant: Plant) -> None:
        """Plant something.

        Raises
        ------
        PlantError
            Nothing can be planted here, or not so.
        UnknownRangeError
            The product has no such range with a part of its own.
        """
        if self._workshop is None:
            raise PlantError(problem="no unit is made on this bench any more")
        own = self._workshop.world.own_parts
        if plant.kind is not PlantKind.METER and plant.range not in own:
            raise UnknownRangeError(name=plant.range, known=own)
        if not 0.0 < abs(plant.size_ppm) <= LARGEST_PPM:
            raise PlantError(
                problem=f"size {plant.size_ppm:g} ppm: must not be 0, and at most "
                f"{LARGEST_PPM:g} ppm either way"
            )
        self.plants.append(plant)

    def arrive(self, serial: str) -> list[Plant]:
        """Let a unit come; return the plants that come with it and are the bench's."""
        if self._workshop is None or serial in set(self._workshop):
            return []
        of_bench = []
        for place, one in enumerate(self.plants):
            if one.first_serial is not None:
                continue
            if one.after > 0:
                self.plants[place] = replace(one, after=one.after - 1)
                continue
            came = self.plants[place] = replace(one, first_serial=serial)
            match one.kind:
                case PlantKind.REEL:
                    part, mean_ppm = self._deviation(one)
                    self._workshop.fit(part, mean_ppm=mean_ppm)
                case PlantKind.SLIP:
                    self._slipped[serial] = came
                case PlantKind.METER:
                    of_bench.append(came)
        return of_bench

    def seated(self, board: Board) -> Board:
        """Return a board as it is seated now: badly once, where that was planted."""
        slip = self._slipped.pop(board.serial, None)
        if slip is None:
            return board
        part, off_ppm = self._deviation(slip)
        parts_ohm = dict(board.parts_ohm)
        parts_ohm[part] *= 1.0 + off_ppm * 1e-6
        return replace(board, parts_ohm=parts_ohm)

    def mend(self) -> None:
        """Take ordinary reels, and forget what was planted."""
        self.plants.clear()
        self._slipped.clear()
        if self._workshop is not None:
            self._workshop.fit_ordinary()

    def _deviation(self, plant: Plant) -> tuple[str, float]:
        """Return the part of a plant's range, and how far off it makes it read so."""
        if self._workshop is None:
            raise PlantError(problem="no unit is made on this bench any more")
        world = self._workshop.world
        part = world.own_parts[plant.range]
        value_ohm = world.transfers[plant.range].implied(
            part, plant.size_ppm * 1e-6, world.nominal_ohm
        )
        return part, 1e6 * (value_ohm / world.nominal_ohm[part] - 1.0)
