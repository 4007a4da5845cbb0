"""What was said of one product: findings by name, and by what they name."""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass

from daemon.judging import ProductModel
from daemon.spc.detector import BENCH, REEL, Culprit
from daemon.watch.events import UnitErrors
from daemon.watch.segment import OddUnit, Segment
from storage import Cause, Signal


@dataclass(slots=True, kw_only=True)
class Open:
    """A finding that was said: as it was last said, and whether it is still revised.

    `closed` once a person decided about it, or checks have settled it: what is found
    afterwards is another finding. `agreed` once a person held what it names by hand.
    """

    signal: Signal
    closed: bool = False
    agreed: bool = False


Key = tuple[str, Culprit, str]
"""Build, cause and place, recorded reel."""


class Register:
    """Findings as they were last said.

    Parameters
    ----------
    product
        Whose.
    """

    def __init__(self, product: ProductModel) -> None:
        self.said: dict[str, Open] = {}
        self.names: dict[Key, str] = {}
        self.odd_names: dict[tuple[str, int], str] = {}
        """Findings of single units, by serial and range."""
        self._product = product

    def named(self) -> list[tuple[Key, Open]]:
        """Return findings of a cause by their keys; of single units they are apart."""
        return [(key, self.said[name]) for key, name in self.names.items()]

    def odd_of(self, build: str) -> list[Open]:
        """Return findings of single units of a build."""
        found = [self.said[name] for name in self.odd_names.values()]
        return [one for one in found if one.signal.build == build]

    def keep(self, signal: Signal) -> None:
        """Keep a finding as it was last said."""
        known = self.said.get(signal.signal)
        if known is None:
            self.said[signal.signal] = Open(signal=signal)
            self._name(signal)
        else:
            known.signal = signal

    def keep_all(self, signals: list[Signal]) -> list[Signal]:
        """Keep findings as they were last said; return them."""
        for one in signals:
            self.keep(one)
        return signals

    def _name(self, signal: Signal) -> None:
        if signal.cause is Cause.UNIT:
            if signal.range is not None:
                place = self._product.keys.index(signal.range)
                self.odd_names[signal.first_serial, place] = signal.signal
            return
        culprit = self._culprit_of(signal)
        if culprit is not None:
            # A bench finding says which reel was fitted too, and is of no reel.
            reel = signal.reel or "" if culprit.cause == REEL else ""
            self.names[signal.build, culprit, reel] = signal.signal

    def _culprit_of(self, signal: Signal) -> Culprit | None:
        if signal.cause is Cause.CHART:
            return None
        place = None
        if signal.range is not None:
            place = self._product.keys.index(signal.range)
        elif signal.part in self._product.watched_parts and signal.part is not None:
            place = self._product.watched_parts.index(signal.part)
        cause = {Cause.REEL: REEL, Cause.BENCH: BENCH}.get(signal.cause)
        if cause is None:
            return Culprit("shared stage", None)
        return Culprit(cause, place)

    def new_name(self, build: str) -> str:
        """Return a name that no finding of a build has had."""
        taken = [name for name, one in self.said.items() if one.signal.build == build]
        taken += [name for key, name in self.names.items() if key[0] == build]
        return f"{build}-F{len(set(taken)) + 1}"

    def follow_records(self, reels_in: Callable[[str, str], Sequence[str]]) -> None:
        """Let findings go by the reel that is now recorded for their first unit."""
        for key, now in self._moved(reels_in):
            name = self.names.pop(key)
            self.names[key[0], key[1], now] = name

    def behind(self, reels_in: Callable[[str, str], Sequence[str]]) -> set[str]:
        """Return builds of findings still revised whose reel is recorded otherwise."""
        closed = {name for name, one in self.said.items() if one.closed}
        return {key[0] for key, _ in self._moved(reels_in, but=closed)}

    def _moved(
        self,
        reels_in: Callable[[str, str], Sequence[str]],
        but: Collection[str] = (),
    ) -> Iterator[tuple[Key, str]]:
        """Yield where the first unit of a finding that stands has another reel now."""
        for key, name in list(self.names.items()):
            build, culprit, reel = key
            signal = self.said[name].signal
            if culprit.cause != REEL or culprit.place is None:
                continue
            if not signal.standing or name in but:
                continue
            now = reels_in(build, signal.first_serial)[culprit.place]
            if now != reel and (build, culprit, now) not in self.names:
                yield key, now

    def standing_on(self, place: int | None) -> Iterator[Key]:
        """Yield what the findings go by that stand on a range."""
        for key, name in self.names.items():
            one = self.said.get(name)
            if key[1].place == place and one is not None and one.signal.standing:
                yield key

    def is_of_reel(self, odd: OddUnit) -> bool:
        """Whether a finding that stands already tells why a unit is off."""
        return any(
            key[0] == odd.unit.build
            and key[1] == Culprit(REEL, odd.place)
            and self.said[name].signal.standing
            for key, name in self.names.items()
        )

    def began(
        self, build: str, place: int, number: int, units: Sequence[UnitErrors]
    ) -> str | None:
        """Return the finding that stands and began with a unit, or before.

        Then the unit is not off alone.

        Parameters
        ----------
        build, place, number
            Of the unit: its build, the range on which it is off, its run.
        units
            Of the build.
        """
        numbers = {u.serial: u.number for u in units}
        return next(
            (
                name
                for key, name in self.names.items()
                if key[:2] == (build, Culprit(REEL, place))
                and self.said[name].signal.standing
                and numbers.get(self.said[name].signal.first_serial, number + 1)
                <= number
            ),
            None,
        )


def key_of(segment: Segment, culprit: Culprit) -> Key:
    """Return what a finding of a cause in a segment goes by."""
    reel = ""
    if culprit.cause == REEL and culprit.place is not None:
        reel = segment.reels[culprit.place]
    return segment.build, culprit, reel


def belongs(key: Key, segment: Segment) -> bool:
    """Whether a segment can tell something of a finding."""
    build, culprit, reel = key
    if culprit.cause == REEL and culprit.place is not None:
        same = segment.reels[culprit.place] == reel
        return same and (build == segment.build or reel != "")
    return build == segment.build
