"""Tables and switching rules of ISO 2859-1: code letters, normal and tightened plans.

The acceptance numbers of reduced inspection differ between editions and are not
given; its sample sizes are. Quality limits are per cent nonconforming, 0.01 to 10;
those for nonconformities per hundred units lie outside. Letter S, which tightened
inspection has at 0.025 alone, is left out: a smaller sample that accepts with none
takes its place.

References
----------
ISO 2859-1:1999, tables 1, 2-A and 2-B, clause 9; same values in MIL-STD-105E,
tables I, II-A and II-B.
"""

from bisect import bisect_left
from dataclasses import dataclass, replace
from enum import StrEnum

from daemon.spc.checks import count, finite
from daemon.spc.errors import OutOfRangeError
from daemon.spc.sampling.attributes import SinglePlan

LETTERS = "ABCDEFGHJKLMNPQR"

NORMAL_SIZES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000)
"""Sample sizes of normal and tightened inspection, by code letter."""

REDUCED_SIZES = (2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800)
"""Sample sizes of reduced inspection, by code letter."""

# fmt: off
QUALITY_LIMITS = (
    0.01, 0.015, 0.025, 0.04, 0.065, 0.1, 0.15, 0.25, 0.4, 0.65, 1.0, 1.5, 2.5, 4.0,
    6.5, 10.0,
)
"""Preferred acceptance quality limits (AQL), per cent nonconforming."""

_LARGEST = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000,
            500_000)
# fmt: on


class Level(StrEnum):
    """Inspection levels: three general ones, four special for small samples."""

    S1 = "S-1"
    S2 = "S-2"
    S3 = "S-3"
    S4 = "S-4"
    I = "I"  # noqa: E741 - the standard's name
    II = "II"
    III = "III"


_CODE_LETTERS = {
    Level.S1: "AAAABBBBCCCCDDD",
    Level.S2: "AAABBBCCCDDDEEE",
    Level.S3: "AABBCCDDEEFFGGH",
    Level.S4: "AABCCDEEFGGHJJK",
    Level.I: "AABCCDEFGHJKLMN",
    Level.II: "ABCDEFGHJKLMNPQ",
    Level.III: "BCDEFGHJKLMNPQR",
}


class Severity(StrEnum):
    """How strictly a supplier's builds are inspected at present."""

    NORMAL = "normal"
    TIGHTENED = "tightened"
    REDUCED = "reduced"


# Along a diagonal of the table - one letter up, one quality limit on - the acceptance
# number stays. Steps from the diagonal of 0 to those of the other numbers:
_DIAGONALS = {
    Severity.NORMAL: {0: 0, 3: 1, 4: 2, 5: 3, 6: 5, 7: 7, 8: 10, 9: 14, 10: 21},
    Severity.TIGHTENED: {0: 0, 3: 1, 4: 2, 5: 3, 6: 5, 7: 8, 8: 12, 9: 18},
}
_ZERO_DIAGONAL = {Severity.NORMAL: 14, Severity.TIGHTENED: 15}
"""Letter (A is 0) plus quality limit (0.01 is 0) of the plans that accept with none."""

RECENT_BUILDS = 5
"""Builds in a row on which the switching rules look back; so many accepted ones end
tightened inspection."""
REJECTED_TO_TIGHTEN = 2
"""Rejected ones among the recent builds that begin tightened inspection."""
REJECTED_TO_STOP = 5
"""Builds rejected under tightened inspection after which acceptance stops."""
SCORE_TO_REDUCE = 30
"""Switching score that leads to reduced inspection."""
SCORE_SMALL = 2
"""What an accepted build adds to it with acceptance number 0 or 1."""
SCORE_LARGE = 3
"""What it adds with acceptance numbers from 2 on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardPlan:
    """A plan of the tables: `letter` is that of the plan an arrow may lead to."""

    letter: str
    quality_limit: float
    severity: Severity
    plan: SinglePlan

    @property
    def rejection_number(self) -> int:
        """Smallest number of nonconforming units that rejects (Re)."""
        return self.plan.c + 1


def code_letter(build: int, *, level: Level = Level.II) -> str:
    """Return the sample size code letter of a build.

    Parameters
    ----------
    build : int
        Units in the build, at least 2.
    level : Level
        Inspection level; II is usual.

    Raises
    ------
    SpcError
        For fewer than two units.

    Examples
    --------
    >>> code_letter(100), code_letter(100, level=Level.I)
    ('F', 'D')
    """
    row = bisect_left(_LARGEST, count("build", build, at_least=2))
    return _CODE_LETTERS[level][row]


def tabled_plan(
    letter: str, *, quality_limit: float, severity: Severity = Severity.NORMAL
) -> SinglePlan | None:
    """Return the plan in one cell of the tables; None where the cell holds an arrow.

    Parameters
    ----------
    letter : str
        Code letter, A to R without I and O.
    quality_limit : float
        One of `QUALITY_LIMITS`, per cent nonconforming.
    severity : Severity
        Normal or tightened.

    Raises
    ------
    SpcError
        For a letter, a quality limit or a severity that the tables do not have.

    Examples
    --------
    >>> tabled_plan("K", quality_limit=1.0)
    SinglePlan(n=125, c=3)
    >>> tabled_plan("F", quality_limit=1.0) is None
    True
    """
    row, column = _row(letter), _column(quality_limit)
    return _cell(row, column, _checked_severity(severity))


def standard_plan(
    build: int,
    *,
    quality_limit: float,
    level: Level = Level.II,
    severity: Severity = Severity.NORMAL,
) -> StandardPlan:
    """Return the plan for a build, following the arrows of the tables.

    Parameters
    ----------
    build : int
        Units in the build, at least 2.
    quality_limit : float
        One of `QUALITY_LIMITS`, per cent nonconforming.
    level : Level
        Inspection level.
    severity : Severity
        Normal or tightened.

    Returns
    -------
    StandardPlan
        Its sample may be as large as the build or larger: then inspect all units.

    Raises
    ------
    SpcError
        For what the tables do not have.

    Examples
    --------
    >>> found = standard_plan(100, quality_limit=1.0)
    >>> found.letter, found.plan
    ('E', SinglePlan(n=13, c=0))
    """
    severity = _checked_severity(severity)
    row = _row(code_letter(build, level=level))
    column = _column(quality_limit)
    # An arrow points up right after the diagonal of 0 (normal) and past the last one,
    # else down; where it would leave the table it points the other way.
    place = row + column - _ZERO_DIAGONAL[severity]
    up = place > max(_DIAGONALS[severity])
    up = up or (place == 1 and severity is Severity.NORMAL)
    above, below = range(row, -1, -1), range(row, len(LETTERS))
    row, plan = next(
        (each, plan)
        for each in ((*above, *below) if up else (*below, *above))
        if (plan := _cell(each, column, severity)) is not None
    )
    return StandardPlan(
        letter=LETTERS[row], quality_limit=quality_limit, severity=severity, plan=plan
    )


def _cell(row: int, column: int, severity: Severity) -> SinglePlan | None:
    step = row + column - _ZERO_DIAGONAL[severity]
    c = _DIAGONALS[severity].get(step)
    return None if c is None else SinglePlan(n=NORMAL_SIZES[row], c=c)


def _row(letter: str) -> int:
    if len(letter) != 1 or letter not in LETTERS:
        raise OutOfRangeError(
            argument="letter", value=letter, allowed=f"one of {LETTERS}"
        )
    return LETTERS.index(letter)


def _column(quality_limit: float) -> int:
    if finite("quality_limit", quality_limit) not in QUALITY_LIMITS:
        raise OutOfRangeError(
            argument="quality_limit",
            value=quality_limit,
            allowed=f"one of {', '.join(f'{each:g}' for each in QUALITY_LIMITS)}",
        )
    return QUALITY_LIMITS.index(quality_limit)


def _checked_severity(severity: Severity) -> Severity:
    if severity not in _DIAGONALS:
        raise OutOfRangeError(
            argument="severity", value=severity, allowed="normal or tightened"
        )
    return severity


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """Where the switching rules stand; each judged build gives the next.

    Parameters
    ----------
    severity : Severity
        At present.
    recent : tuple of bool
        Acceptance of the latest builds under this severity, newest last.
    rejected_tightened : int
        Builds rejected since tightened inspection began.
    score : int
        Switching score, which leads to reduced inspection.
    discontinued : bool
        Whether acceptance has stopped until the supplier has improved.

    Examples
    --------
    >>> now = Inspection()
    >>> for accepted in (True, False, True, False):
    ...     now = now.after(accepted=accepted, acceptance_number=1)
    >>> now.severity
    <Severity.TIGHTENED: 'tightened'>
    """

    severity: Severity = Severity.NORMAL
    recent: tuple[bool, ...] = ()
    rejected_tightened: int = 0
    score: int = 0
    discontinued: bool = False

    def after(
        self,
        *,
        accepted: bool,
        acceptance_number: int,
        accepted_one_tighter: bool = False,
        steady: bool = True,
    ) -> "Inspection":
        """Return where the rules stand after one build at original inspection.

        Parameters
        ----------
        accepted : bool
            Whether the build was accepted.
        acceptance_number : int
            That of the plan in use.
        accepted_one_tighter : bool
            Whether it would have been accepted at the next smaller quality limit;
            counts with acceptance numbers from 2 on.
        steady : bool
            Production is steady and reduced inspection is wanted.

        Raises
        ------
        SpcError
            After inspection was discontinued, or for a number below 0.
        """
        count("acceptance_number", acceptance_number, at_least=0)
        if self.discontinued:
            raise OutOfRangeError(
                argument="accepted", value=accepted, allowed="none: discontinued"
            )
        now = replace(self, recent=(*self.recent, accepted)[-RECENT_BUILDS:])
        if self.severity is Severity.TIGHTENED:
            return _after_tightened(now, accepted=accepted)
        if self.severity is Severity.REDUCED:
            return self if accepted and steady else Inspection()
        if now.recent.count(False) >= REJECTED_TO_TIGHTEN:
            return Inspection(severity=Severity.TIGHTENED)
        score = self.score + (SCORE_SMALL if acceptance_number <= 1 else SCORE_LARGE)
        if not accepted or (acceptance_number >= 2 and not accepted_one_tighter):
            score = 0
        if score >= SCORE_TO_REDUCE and steady:
            return Inspection(severity=Severity.REDUCED)
        return replace(now, score=score)


def _after_tightened(now: Inspection, *, accepted: bool) -> Inspection:
    if len(now.recent) == RECENT_BUILDS and all(now.recent):
        return Inspection()
    rejected = now.rejected_tightened + (not accepted)
    return replace(
        now,
        rejected_tightened=rejected,
        discontinued=rejected >= REJECTED_TO_STOP,
    )
