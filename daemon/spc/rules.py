"""Run rules: patterns that chance rarely draws, said in words.

Three published sets can be chosen whole or rule by rule: the zone tests of the
Western Electric handbook (1956), the eight tests of Nelson (Journal of Quality
Technology 16 (1984) 237-239) and the computable tests of ISO 7870-2:2013.

Texts leave ties open; here a value on a line is not beyond it, a value on the centre
line is on neither side, equal neighbours neither rise nor alternate, only complete
windows count, and a pattern that lasts fires again at each further unit.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

from daemon.spc.checks import count, finite, not_negative
from daemon.spc.errors import OutOfRangeError, ShapeError

# fmt: off
NUMBER_WORDS = [
    "none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine",
    "ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen",
]
# fmt: on


class Pattern(StrEnum):
    """What each unit of a window is asked."""

    ONE_SIDE = "one side"
    """Beyond so many sigma, all on the same side."""
    WITHIN = "within"
    """Nearer to the centre than so many sigma."""
    OUTSIDE = "outside"
    """Farther from the centre than so many sigma, either side."""
    TREND = "trend"
    """Above the unit before, or below it, all in one direction."""
    ALTERNATING = "alternating"
    """The step from the unit before turns back the step before it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """`needed` of `window` successive units show the pattern.

    Parameters
    ----------
    pattern : Pattern
        What is asked of each unit.
    window : int
        Successive units looked at, 1 to 64.
    needed : int or None
        How many of them must comply: more than half; None for all.
    sigmas : float
        Distance of the line from the centre in standard deviations, where the
        pattern has one.

    Raises
    ------
    OutOfRangeError
        For a window or a number needed that no rule can have.

    Examples
    --------
    >>> Rule(pattern=Pattern.ONE_SIDE, window=3, needed=2, sigmas=2.0).words
    'two of three beyond two sigma on one side'
    """

    pattern: Pattern
    window: int
    needed: int | None = None
    sigmas: float = 0.0

    def __post_init__(self) -> None:
        least = {Pattern.TREND: 2, Pattern.ALTERNATING: 3}.get(self.pattern, 1)
        if not least <= count("window", self.window, at_least=least) <= 64:
            raise OutOfRangeError(
                argument="window", value=self.window, allowed=f">= {least} and <= 64"
            )
        not_negative("sigmas", self.sigmas)
        if self.needed is None:
            return
        if self.pattern in {Pattern.TREND, Pattern.ALTERNATING}:
            raise OutOfRangeError(
                argument="needed", value=self.needed, allowed="None for a trend"
            )
        if not self.window / 2 < self.needed < self.window:
            raise OutOfRangeError(
                argument="needed",
                value=self.needed,
                allowed=f"> {self.window / 2:g} and < {self.window}, None for all",
            )

    @property
    def words(self) -> str:
        """The rule as people read it."""
        number = _words(self.window)
        if self.needed is not None:
            number = f"{_words(self.needed)} of {number}"
        line = f"{_words(self.sigmas)} sigma"
        one_side = "" if self.window == 1 else " on one side"
        condition = {
            Pattern.ONE_SIDE: f"beyond {line}{one_side}",
            Pattern.WITHIN: f"within {line}",
            Pattern.OUTSIDE: f"outside {line}, either side",
            Pattern.TREND: "rising or falling",
            Pattern.ALTERNATING: "alternating up and down",
        }[self.pattern]
        if self.pattern is Pattern.ONE_SIDE and self.sigmas == 0.0:
            condition = "on one side"
        return f"{number} {condition}"

    @property
    def sided(self) -> bool:
        """Whether the rule tells above from below, or rising from falling."""
        return self.pattern in {Pattern.ONE_SIDE, Pattern.TREND}

    @property
    def flags(self) -> int:
        """How many successive flags a window holds: steps, for rules on steps."""
        steps = {Pattern.TREND: 1, Pattern.ALTERNATING: 2}
        return self.window - steps.get(self.pattern, 0)


def _words(number: float) -> str:
    if number == int(number) and number < len(NUMBER_WORDS):
        return NUMBER_WORDS[int(number)]
    return f"{number:g}"


ONE_BEYOND_3 = Rule(pattern=Pattern.ONE_SIDE, window=1, sigmas=3.0)
TWO_OF_THREE_BEYOND_2 = Rule(pattern=Pattern.ONE_SIDE, window=3, needed=2, sigmas=2.0)
FOUR_OF_FIVE_BEYOND_1 = Rule(pattern=Pattern.ONE_SIDE, window=5, needed=4, sigmas=1.0)
SEVEN_ON_ONE_SIDE = Rule(pattern=Pattern.ONE_SIDE, window=7)
EIGHT_ON_ONE_SIDE = Rule(pattern=Pattern.ONE_SIDE, window=8)
NINE_ON_ONE_SIDE = Rule(pattern=Pattern.ONE_SIDE, window=9)
SIX_IN_A_TREND = Rule(pattern=Pattern.TREND, window=6)
SEVEN_IN_A_TREND = Rule(pattern=Pattern.TREND, window=7)
FOURTEEN_ALTERNATING = Rule(pattern=Pattern.ALTERNATING, window=14)
FIFTEEN_WITHIN_1 = Rule(pattern=Pattern.WITHIN, window=15, sigmas=1.0)
EIGHT_OUTSIDE_1 = Rule(pattern=Pattern.OUTSIDE, window=8, sigmas=1.0)

WESTERN_ELECTRIC = (
    ONE_BEYOND_3,
    TWO_OF_THREE_BEYOND_2,
    FOUR_OF_FIVE_BEYOND_1,
    EIGHT_ON_ONE_SIDE,
)
"""The zone tests of 1956, in the handbook's order."""

NELSON = (
    ONE_BEYOND_3,
    NINE_ON_ONE_SIDE,
    SIX_IN_A_TREND,
    FOURTEEN_ALTERNATING,
    TWO_OF_THREE_BEYOND_2,
    FOUR_OF_FIVE_BEYOND_1,
    FIFTEEN_WITHIN_1,
    EIGHT_OUTSIDE_1,
)
"""The eight tests of 1984, in the article's order."""

ISO_7870_2 = (ONE_BEYOND_3, SEVEN_ON_ONE_SIDE, SEVEN_IN_A_TREND)
"""ISO 7870-2 adds "any obviously non-random pattern", which a person must judge."""


def checked_rules(rules: Iterable[Rule]) -> tuple[Rule, ...]:
    """Return the rules as a tuple, refusing none at all and the same one twice.

    Examples
    --------
    >>> len(checked_rules(NELSON))
    8
    """
    chosen = tuple(rules)
    if not chosen or len(set(chosen)) < len(chosen):
        raise OutOfRangeError(
            argument="rules",
            value=[rule.words for rule in chosen],
            allowed="at least one rule, each once",
        )
    return chosen


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
        for name in ("up", "down"):
            if len(getattr(self, name)) != len(self.rules):
                raise ShapeError(
                    argument=f"len({name})",
                    value=len(getattr(self, name)),
                    allowed=f"{len(self.rules)}, one a rule",
                )

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
