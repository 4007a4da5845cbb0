"""Which range is truly active, by a small level, before the full one goes on.

A relay that sticks, or a switch that says what it did not do, would have the full level
of a coarse range drive a sensitive one. So each range that is selected is first driven
by a level that no range minds, and its output tells.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from math import copysign, inf, log1p, sqrt

from daemon.bench.bench import Bench
from daemon.bench.clock import Clock
from daemon.bench.errors import NotSwitchedError, OverrangeError
from daemon.bench.measuring_plan import RangeSetup

__all__ = ["RangeProof"]

PROBE_SHARE = 0.8
"""Level of a probe, as a share of the full scale of the most sensitive range."""
APART = sqrt(10)
"""A range whose output is off by less than this factor is the one that was asked for:
neighbours are a decade apart, and a part of the wrong decade is seen as such."""
AGREE = 2
"""So many readings in a row must be where the range should be."""
ALIKE = 0.05
"""Gains this close, relatively, are those of one range."""
LOOKS = 300
"""Readings are not asked for more often than so many times in `settle_s`."""
OTHERS = 2
"""So many other ranges are selected to see whether the unit follows."""
FLOOR = 10.0
"""What an output meter can tell from zero: so many of its steps, or of its offsets."""


class RangeProof:
    """Proves the ranges of one unit.

    Parameters
    ----------
    bench : Bench
        Open, its source on, with a selector.
    clock : Clock
        For the time that a range has had to move.
    go_on : Callable
        Called before each reading; raises to end the measurement.
    stands : Callable, optional
        Asks whoever turns the unit's switch whether it stands at a range, after a level
        that says otherwise; False once it was turned. None where the bench switches.
    """

    def __init__(
        self,
        bench: Bench,
        clock: Clock,
        *,
        go_on: Callable[[], None],
        stands: Callable[[RangeSetup], bool] | None = None,
    ) -> None:
        self._bench = bench
        self._clock = clock
        self._go_on = go_on
        self._stands = stands
        setups = bench.setups.values()
        self._slowest_s = max(one.settle_s for one in setups)

    def share(
        self, setup: RangeSetup, zero: float | None, shares: Sequence[float]
    ) -> float:
        """Return the share of the planned levels that the unit takes as it is.

        1 where the range that was selected is active. Less where the unit makes more
        of its input than the range can, though it follows the switch: a part of the
        wrong decade is measured at a lower level. 0 where even the lowest of them is
        too much. The source is left at the probe's level, or where it was.

        Parameters
        ----------
        setup : RangeSetup
            Of the range that was selected; the output's meter is set up for it.
        zero : float, optional
            What the output reads at level zero; read here where it is not known.
        shares : sequence of float
            Falling, below 1.

        Raises
        ------
        NotSwitchedError
            The unit is in another range, whatever is selected.
        """
        more = self._more_sensitive(setup)
        while more:
            level = PROBE_SHARE * min(one.full_scale for one in more)
            if level >= setup.highest:
                break
            if zero is None:
                zero = self._zero(setup)
            level = copysign(level, next(one for one in setup.levels if one))
            least_s = self._shows_itself_s(setup, more)
            gain = self._gain(setup, level, zero, least_s)
            if not self._is_own(setup, gain, level):
                # A zero that was still moving makes a good unit look like a wrong one.
                with suppress(OverrangeError):
                    zero = self._zero(setup)
                gain = self._gain(setup, level, zero, least_s)
            if not self._is_own(setup, gain, level):
                if self._stands is None:
                    self._require_switched(setup, gain, level)
                else:
                    self._set_level(setup, 0.0)  # a hand is at the switch
                    if not self._stands(setup):
                        return self.share(setup, None, shares)
                return self._lowered(setup, gain, level, shares)
            floor = _floor(setup)
            told = APART * abs(level * _gain_of(setup)) + floor
            left = [one for one in more if abs(level * _gain_of(one)) <= told]
            if len(left) == len(more):
                break  # no level tells them apart, since they make the same of it
            more = left
        return 1.0

    def _more_sensitive(self, setup: RangeSetup) -> list[RangeSetup]:
        return [
            one
            for one in self._bench.setups.values()
            if abs(_gain_of(one)) > APART * abs(_gain_of(setup))
        ]

    def _is_own(self, setup: RangeSetup, gain: float, level: float) -> bool:
        """Whether a gain is that of this range, as far as its meter can tell."""
        own, slack = abs(_gain_of(setup)), _floor(setup) / abs(level)
        return own / APART - slack <= abs(gain) <= own * APART + slack

    def _shows_itself_s(self, setup: RangeSetup, more: Sequence[RangeSetup]) -> float:
        """Return how long one of the others needs to make more than this range may."""
        own = APART * abs(_gain_of(setup))
        return max(
            min(
                -one.slowest_s * log1p(-own / abs(_gain_of(one))),
                one.settle_s,
            )
            for one in more
        )

    def _gain(
        self, setup: RangeSetup, level: float, zero: float, least_s: float
    ) -> float:
        """Return what the output makes of a level, as soon as it is this range's own.

        Another range has shown itself after `least_s`. One that is none of it is given
        the time that the slowest one takes.
        """
        self._set_level(setup, level)
        self._bench.output.expect(
            f"{setup.at(level)}, a small one that proves the range",
            zero + level * _gain_of(setup),
            setup.nominal_output,
        )
        if self._bench.output.by_hand:
            self._hold()
            try:
                return (self._bench.output.read() - zero) / level
            except OverrangeError:
                return inf
        began_s = self._clock.now_s()
        own = 0
        while True:
            self._go_on()
            self._bench.source.keep_on()
            read_s = self._clock.now_s()
            try:
                gain = (self._bench.output.read() - zero) / level
            except OverrangeError:
                return inf
            passed_s = self._clock.now_s() - began_s
            own = own + 1 if self._is_own(setup, gain, level) else 0
            if (own >= AGREE and passed_s >= least_s) or passed_s > self._slowest_s:
                return gain
            ahead_s = read_s + self._slowest_s / LOOKS - self._clock.now_s()
            if ahead_s > 0:  # a far quicker meter sees nothing move
                self._clock.wait_s(min(ahead_s, self._bench.source.patience_s))

    def _zero(self, setup: RangeSetup) -> float:
        """Return what the output comes to at level zero, whatever it was before.

        Raises
        ------
        OverrangeError
            It is more than the meter reads, even in the end.
        """
        self._set_level(setup, 0.0)
        self._hold()
        self._bench.output.expect(setup.at(0.0), 0.0, setup.nominal_output)
        return self._bench.output.read()

    def _hold(self) -> None:
        """Wait for the time that the slowest range takes, the source kept on."""
        until_s = self._clock.now_s() + self._slowest_s
        while (left_s := until_s - self._clock.now_s()) > 0:
            self._go_on()
            self._bench.source.keep_on()
            self._clock.wait_s(min(left_s, self._bench.source.patience_s))

    def _settled(self) -> float:
        """Return what the output reads after the time that the slowest range takes."""
        if self._bench.output.by_hand:
            self._hold()
            try:
                return self._bench.output.read()
            except OverrangeError:
                return inf
        began_s = self._clock.now_s()
        while True:
            self._go_on()
            self._bench.source.keep_on()
            try:
                output = self._bench.output.read()
            except OverrangeError:
                return inf
            left_s = began_s + self._slowest_s - self._clock.now_s()
            if left_s <= 0:
                return output
            self._clock.wait_s(min(left_s, self._bench.source.patience_s))

    def _require_switched(self, setup: RangeSetup, gain: float, level: float) -> None:
        """Raise where the unit makes the same of the level when another is selected.

        Raises
        ------
        NotSwitchedError
            It does, so that it is no part of one range that is wrong.
        """
        if abs(gain) * abs(level) <= _floor(setup):
            return  # nothing comes out, which is a fault of the unit
        setups = self._bench.setups.values()
        others = [one for one in setups if one.range != setup.range]
        # Two: a part that is wrong by decades makes of one range what another is.
        for other in others[:OTHERS]:
            self._set_level(setup, 0.0)
            self._bench.choose(other)
            self._expect(other, 0.0)
            zero = self._settled()
            self._set_level(setup, level)
            self._expect(other, level)
            there = (self._settled() - zero) / level
            if not _alike(gain, there):
                self._set_level(setup, 0.0)
                self._bench.choose(setup)
                return
        raise NotSwitchedError(range_=setup.title, other=others[0].title)

    def _expect(self, other: RangeSetup, level: float) -> None:
        """Say what a person is to read with another range selected."""
        self._bench.output.expect(
            f"{other.at(level)}, to see whether the unit follows",
            level * _gain_of(other),
            other.nominal_output,
        )

    def _lowered(
        self, setup: RangeSetup, gain: float, level: float, shares: Sequence[float]
    ) -> float:
        """Return the largest share at which the output stays within its range.

        One that asks for no more than the probe did may be tried in any case.
        """
        for share in (1.0, *shares):
            highest = share * setup.highest
            fits = highest * abs(gain) <= setup.output_full_scale
            if fits or highest <= abs(level):
                return share
        return 0.0

    def _set_level(self, setup: RangeSetup, level: float) -> None:
        self._bench.source.set_level(
            level,
            limit=setup.source_limit,
            setting=f"ranges.{setup.range}.source_limit",
        )


def _alike(gain: float, other: float) -> bool:
    if inf in {gain, other}:
        return gain == other
    return abs(other - gain) <= ALIKE * abs(gain)


def _gain_of(setup: RangeSetup) -> float:
    """Return what a range nominally makes of its input."""
    return setup.nominal_output / setup.level


def _floor(setup: RangeSetup) -> float:
    """Return what the output's meter cannot tell from zero, in its unit."""
    return FLOOR * max(setup.output_step, setup.output_offset)
