"""Watching standardised values with run rules: unit by unit, or all at once."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.checks import Floats, finite, finite_array
from daemon.spc.errors import OutOfRangeError
from daemon.spc.rules import Pattern, Rule, checked_rules

BLOCK = 1 << 17
"""Units worked on at a time: the flags of a block stay in the processor's cache."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Firing:
    """A rule that fired at unit `n` (counted from 1), over the units since `first_n`.

    `side` is +1 for above or rising, -1 for below or falling, 0 where the rule has
    no side.
    """

    rule: Rule
    n: int
    first_n: int
    side: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RulesPoint:
    """What the rules say of one unit, counted from 1."""

    n: int
    z: float
    firings: tuple[Firing, ...]

    @property
    def signal(self) -> bool:
        """Whether any rule fired."""
        return bool(self.firings)


@dataclass(frozen=True, slots=True, kw_only=True)
class RulesHistory:
    """What the rules say of many units.

    `up` and `down` have shape (rules, n): whether a rule fired at a unit, above or
    rising in the one, below or falling in the other. A rule without sides is in
    `up`. `first_n` is the number of the first unit, counted from 1.
    """

    rules: tuple[Rule, ...]
    first_n: int
    up: NDArray[np.bool_]
    down: NDArray[np.bool_]

    @property
    def signal(self) -> NDArray[np.bool_]:
        """Whether any rule fired at each unit, shape (n,)."""
        return np.asarray(self.up.any(axis=0) | self.down.any(axis=0))

    def at(self, rule: Rule) -> NDArray[np.intp]:
        """Return the positions (from 0, in what was given) at which `rule` fired.

        Parameters
        ----------
        rule : Rule
            One of the chosen ones.

        Raises
        ------
        OutOfRangeError
            For a rule that was not chosen.

        Examples
        --------
        >>> from daemon.spc.rules import NELSON
        >>> history = RunRules(rules=NELSON).extend([0.2, 3.4, -0.1, -3.1])
        >>> history.at(NELSON[0]).tolist()
        [1, 3]
        """
        if rule not in self.rules:
            raise OutOfRangeError(
                argument="rule", value=rule.words, allowed="one of the chosen rules"
            )
        row = self.rules.index(rule)
        return np.flatnonzero(self.up[row] | self.down[row])

    def firings(self) -> Iterator[Firing]:
        """Yield each firing, unit by unit, in the order of the rules.

        Examples
        --------
        >>> from daemon.spc.rules import NELSON
        >>> history = RunRules(rules=NELSON).extend([0.2, 3.4, -0.1, -3.1])
        >>> [(firing.n, firing.side) for firing in history.firings()]
        [(2, 1), (4, -1)]
        """
        fired = self.up | self.down
        for i, row in np.argwhere(fired.T):
            rule, n = self.rules[row], self.first_n + int(i)
            side = int(self.up[row, i]) - int(self.down[row, i])
            yield Firing(
                rule=rule, n=n, first_n=n - rule.window + 1, side=side * rule.sided
            )


@dataclass(slots=True, kw_only=True)
class RunRules:
    """Watch standardised values with a chosen set of rules.

    The state is the last answers to each rule's question, a bit a unit, so a unit
    costs the same however long the history is. After a boundary (another reel)
    start a fresh one: a run across it means nothing.

    Parameters
    ----------
    rules : tuple of Rule
        Such as `NELSON`, or any rules of one's own; the order is kept.

    Examples
    --------
    >>> from daemon.spc.rules import NELSON
    >>> watch = RunRules(rules=NELSON)
    >>> points = [watch.update(z) for z in (0.1, 2.4, 0.3, 2.2)]
    >>> [(firing.rule.words, firing.first_n) for firing in points[-1].firings]
    [('two of three beyond two sigma on one side', 2)]
    """

    rules: tuple[Rule, ...]
    n: int = 0
    previous: float = 0.0
    step: int = 0
    up: list[int] = field(default_factory=list)
    down: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rules = checked_rules(self.rules)
        self.up = self.up or [0] * len(self.rules)
        self.down = self.down or [0] * len(self.rules)

    def update(self, z: float) -> RulesPoint:
        """Take one value, in standard deviations from the centre; constant cost.

        Raises
        ------
        NotFiniteError
            For NaN or infinity; the state is left as it was.
        """
        finite("z", z)
        rises = self.n > 0 and z > self.previous
        falls = self.n > 0 and z < self.previous
        step = int(rises) - int(falls)
        turned = step * self.step < 0
        self.n += 1
        firings = []
        for i, rule in enumerate(self.rules):
            match rule.pattern:
                case Pattern.ONE_SIDE:
                    up, down = z > rule.sigmas, z < -rule.sigmas
                case Pattern.WITHIN:
                    up, down = abs(z) < rule.sigmas, False
                case Pattern.OUTSIDE:
                    up, down = abs(z) > rule.sigmas, False
                case Pattern.TREND:
                    up, down = rises, falls
                case _:
                    up, down = turned, False
            mask = (1 << rule.flags) - 1
            needed = rule.needed or rule.flags
            self.up[i] = (self.up[i] << 1 | up) & mask
            self.down[i] = (self.down[i] << 1 | down) & mask
            above = self.up[i].bit_count() >= needed
            below = self.down[i].bit_count() >= needed
            if self.n >= rule.window and (above or below):
                firings.append(
                    Firing(
                        rule=rule,
                        n=self.n,
                        first_n=self.n - rule.window + 1,
                        side=(int(above) - int(below)) * rule.sided,
                    )
                )
        self.previous, self.step = z, step
        return RulesPoint(n=self.n, z=z, firings=tuple(firings))

    def extend(self, z: ArrayLike) -> RulesHistory:
        """Take many values at once: the same firings and state as one by one.

        Parameters
        ----------
        z : array_like, shape (n,)
            In the order they were taken, in standard deviations from the centre.

        Raises
        ------
        SpcError
            For a value that is not finite, or another shape; the state is left as
            it was.

        Examples
        --------
        >>> from daemon.spc.rules import ONE_BEYOND_3, WESTERN_ELECTRIC
        >>> RunRules(rules=WESTERN_ELECTRIC).extend([0.4, -3.2]).at(ONE_BEYOND_3)
        array([1])
        """
        values = finite_array("z", z)
        shape = (len(self.rules), len(values))
        up, down = np.zeros(shape, dtype=np.bool_), np.zeros(shape, dtype=np.bool_)
        first_n = self.n + 1
        for start in range(0, len(values), BLOCK):
            block = slice(start, start + BLOCK)
            self._extend_block(values[block], up[:, block], down[:, block])
        return RulesHistory(rules=self.rules, first_n=first_n, up=up, down=down)

    def _extend_block(
        self, z: Floats, up: NDArray[np.bool_], down: NDArray[np.bool_]
    ) -> None:
        ask = _Questions(z, self.previous if self.n else None, self.step)
        for i, rule in enumerate(self.rules):
            needed = rule.needed or rule.flags
            sides = ask(rule)
            for side, register, fired in zip(
                sides, (self.up, self.down), (up, down), strict=False
            ):
                flags = np.concatenate([_bits(register[i], rule.flags - 1), side])
                _count_in_windows(flags, rule.flags, needed, fired[i])
                register[i] = _register(flags, rule.flags)
                if needed < rule.window and self.n < rule.window - 1:
                    fired[i, : rule.window - 1 - self.n] = False
        self.n += len(z)
        self.previous, self.step = float(z[-1]), ask.last_step


class _Questions:
    """The flags of one block, each question asked once."""

    def __init__(self, z: Floats, previous: float | None, step: int) -> None:
        self.z = z
        before = z[:1] if previous is None else np.array([previous])
        # A first unit equals itself: no step.
        rise = np.concatenate([before, z])
        self.rises, self.falls = rise[1:] > rise[:-1], rise[1:] < rise[:-1]
        self.step = step
        self.known: dict[tuple[Pattern, float], tuple[NDArray[np.bool_], ...]] = {}

    @property
    def last_step(self) -> int:
        return int(self.rises[-1]) - int(self.falls[-1])

    def __call__(self, rule: Rule) -> tuple[NDArray[np.bool_], ...]:
        key = rule.pattern, rule.sigmas
        if key not in self.known:
            self.known[key] = self._ask(*key)
        return self.known[key]

    def _ask(self, pattern: Pattern, sigmas: float) -> tuple[NDArray[np.bool_], ...]:
        match pattern:
            case Pattern.ONE_SIDE:
                return self.z > sigmas, self.z < -sigmas
            case Pattern.WITHIN:
                return (np.abs(self.z) < sigmas,)
            case Pattern.OUTSIDE:
                return (np.abs(self.z) > sigmas,)
            case Pattern.TREND:
                return self.rises, self.falls
            case _:
                rose = np.concatenate([[self.step > 0], self.rises])
                fell = np.concatenate([[self.step < 0], self.falls])
                return ((rose[:-1] & fell[1:]) | (fell[:-1] & rose[1:]),)


def _bits(register: int, length: int) -> NDArray[np.bool_]:
    """Return the last `length` flags of a register, oldest first."""
    return np.array(
        [register >> i & 1 for i in reversed(range(length))], dtype=np.bool_
    )


def _register(flags: NDArray[np.bool_], length: int) -> int:
    """Return the last `length` flags as a register."""
    register = 0
    for flag in flags[-length:].tolist():
        register = register << 1 | flag
    return register


def _count_in_windows(
    flags: NDArray[np.bool_], window: int, needed: int, out: NDArray[np.bool_]
) -> None:
    """Write whether `needed` of each `window` successive flags are set."""
    if needed == window:
        # All of a window by doubling: log2(window) passes instead of window.
        width = 1
        while width < window:
            by = min(width, window - width)
            flags = flags[by:] & flags[:-by]
            width += by
        out[:] = flags
        return
    total = flags[: len(out)].astype(np.uint8)
    for shift in range(1, window):
        total += flags[shift : shift + len(out)]
    np.greater_equal(total, needed, out=out)
