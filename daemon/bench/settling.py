"""When a point is read long enough: at rest, and sure enough; nothing waits blindly."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, inf, sqrt
from statistics import fmean

from daemon.bench.driver import Window
from daemon.bench.measuring_plan import RangeSetup
from daemon.metrology import FEWEST, FEWEST_TO_FIT, MODEL_TRUST, Rest, rest_of

__all__ = ["LOOKS", "OUTPUT_AGREEMENT", "Found", "Record", "same_number"]

LOOKS = 300
"""Readings are not asked for more often than so many times in `settle_s`."""

PATIENCE = 3.0
"""A range that is not at rest after so many times its `settle_s` never will be."""

NEXT_LOOK, NEXT_LATE_LOOK, LATE = 1.05, 1.2, 64
"""The record is looked at again when it has grown by this factor; late ones, of more
readings than the slowest range needs, by the second."""

FEWEST_TO_GIVE_UP = 30

ENOUGH = 30
"""So many readings are taken for what is wanted, whatever the meters' accuracy."""

NEGLIGIBLE = 1 / 4
"""Scatter that is this share of what the meters' accuracy leaves uncertain adds a
twentieth to the whole: after `ENOUGH` readings more of them cannot help."""

OUTPUT_AGREEMENT = 0.01
"""Readings of an output at rest lie within this share of the meter's range of each
other; where they do not, something comes and goes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Where the output of a record is at rest, from reading `first` on."""

    rest: Rest
    first: int


class Record:
    """The readings of one point as they come in.

    Parameters
    ----------
    setup : RangeSetup
        Says what is wanted, and how slow the range may be.
    old_reference : float, optional
        What the reference read last before it was set up for this range: a meter that
        repeats an old reading repeats this one.
    returned : float, optional
        What the output showed here before it was seen to move away: where it shows the
        very same again it is at rest, however coarse its meter.
    """

    def __init__(
        self,
        setup: RangeSetup,
        old_reference: float | None = None,
        *,
        returned: float | None = None,
    ) -> None:
        self._setup = setup
        self._old_reference = old_reference
        self._returned = returned
        reading = setup.reading
        self._least = max(reading.readings_per_point, FEWEST)
        self._most = max(reading.most_readings_per_point, self._least)
        share = reading.wanted_uncertainty_ppm * 1e-6
        self._wanted_in = share * setup.level
        self._wanted_out = share * abs(setup.nominal_output)
        self._enough_out = (
            NEGLIGIBLE * setup.accuracy_ppm * 1e-6 * abs(setup.nominal_output)
        )
        self._look = self._least
        self._watched_s = 0.0
        self._moves = True
        self.reference: list[float] = []
        self.output: list[float] = []
        self.at_s: list[float] = []

    def add(self, *, at_s: float, reference: float, output: float) -> None:
        """Take in a pair of readings; `at_s` is when the output was read.

        A pause in which nobody read, however long, counts as one `settle_s`: a
        process that was suspended goes on where it was.
        """
        if self.at_s:
            self._watched_s += min(at_s - self.at_s[-1], self._setup.settle_s)
        self.at_s.append(at_s)
        self.reference.append(reference)
        self.output.append(output)

    @property
    def watched_s(self) -> float:
        """How long the point has been read."""
        return self._watched_s

    @property
    def hopeless(self) -> bool:
        """Whether it should have come to rest long ago."""
        late = self._watched_s > PATIENCE * self._setup.settle_s
        count = len(self.at_s)
        enough = FEWEST_TO_GIVE_UP if self._moves else 2 * self._most
        return late and count >= enough

    @property
    def spread(self) -> float:
        """How far the later half of the output's readings lie apart."""
        later = self.output[len(self.output) // 2 :]
        return max(later) - min(later)

    @property
    def repeats(self) -> bool:
        """Whether the output's newest readings are one number to the last digit.

        A coarse display at rest does that, and so does a meter that repeats a reading.
        """
        return len(self.output) >= FEWEST and len(set(self.output[-FEWEST:])) == 1

    @property
    def is_back(self) -> bool:
        """Whether the output shows again what it showed before it moved away."""
        if self._returned is None or not self.repeats:
            return False
        close = max(2 * self._wanted_out, self._setup.output_step)
        return abs(self.output[-1] - self._returned) <= close

    def found(self, near: Window) -> Found | None:
        """Return where both meters are at rest, once that is known well enough.

        Where the reference still read the level before, or its way from there, later
        readings are taken by themselves. `near` is where it may rest.
        """
        count = len(self.at_s)
        if count < self._look:
            return None
        growth = NEXT_LOOK if count < LATE else NEXT_LATE_LOOK
        self._look = max(count + 1, ceil(growth * count))
        if count < self._most:
            self._look = min(self._look, self._most)
        self._moves = True
        first = self._repeated()
        for start in dict.fromkeys(
            first + share for share in (0, (count - first) // 4, (count - first) // 2)
        ):
            rest = self._output_at_rest(start)
            if rest is None or not self._reference_at_rest(start + rest.first, near):
                continue
            self._moves = False
            if self._is_enough(rest, start):
                return Found(rest=rest, first=start + rest.first)
        return None

    def _is_enough(self, rest: Rest, start: int) -> bool:
        readings = len(self.at_s) - start - rest.first
        if readings < self._least or self._says_nothing(start + rest.first):
            return False
        settled = abs(rest.departure) * MODEL_TRUST / sqrt(3) <= self._wanted_out
        sure = rest.widened <= self._wanted_out or (
            readings >= ENOUGH and rest.widened <= self._enough_out
        )
        return settled and (sure or readings >= self._most)

    def _output_at_rest(self, start: int) -> Rest | None:
        output, at_s = self.output[start:], self.at_s[start:]
        if len(output) < FEWEST:
            return None
        rest = rest_of(at_s, output, slowest_s=self._setup.slowest_s)
        if rest is not None or self._watched_s < self._setup.settle_s:
            return rest
        # Slower than any settling: a drift, which the other points show as well.
        first = len(output) // 2
        later = output[first:]
        spread = max(later) - min(later)
        if spread > 2 * self._wanted_out or len(later) < FEWEST:
            return None
        return Rest(
            value=fmean(later),
            standard=spread / sqrt(12),
            degrees_of_freedom=inf,
            departure=0.0,
            first=first,
            settled=tuple(later),
        )

    def _reference_at_rest(self, first: int, near: Window) -> bool:
        taken, at_s = self.reference[first:], self.at_s[first:]
        inside = [near.low <= one <= near.high for one in taken]
        if any(inside) and not all(inside):
            return False
        if max(taken) - min(taken) <= 4 * self._wanted_in:
            return True
        if len(taken) < FEWEST_TO_FIT:
            return False
        rest = rest_of(at_s, taken, slowest_s=self._setup.slowest_s)
        # A step looks like a quick movement. All that is taken makes the mean.
        return (
            rest is not None
            and abs(rest.departure) <= self._wanted_in
            and abs(fmean(taken) - rest.value) <= self._wanted_in
        )

    def _says_nothing(self, first: int) -> bool:
        """Whether the output shows one number only, which a slow movement may too."""
        return (
            len(set(self.output[first:])) == 1
            and self._watched_s < self._setup.settle_s
        )

    def _repeated(self) -> int:
        """Return how many readings the reference repeated an old one for.

        One that does not end is no repetition but all that the meter shows; a zero
        repeated at zero does no harm.
        """
        old = self._old_reference
        repeats = 0
        while old and repeats < len(self.at_s) and self.reference[repeats] == old:
            repeats += 1
        endless = repeats == len(self.at_s) and self._watched_s >= self._setup.settle_s
        return 0 if endless else repeats


def same_number(before: Sequence[float], now: Sequence[float]) -> bool:
    """Whether readings at a new level are one number, the last one of the old level."""
    return bool(before) and set(now) == {before[-1]}
