"""The words that screens, papers, messages and commands use, each with one meaning.

A sentence for users takes its words from here. What stands in `INNER` is how the
program speaks to itself: no sentence says it.
"""

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["INNER", "TERMS", "Term"]


@dataclass(frozen=True, slots=True)
class Term:
    """One word.

    Parameters
    ----------
    name
        As it stands in sentences.
    means
        In words that need no other.
    where
        Where a reader meets it.
    """

    name: str
    means: str
    where: str


TERMS: tuple[Term, ...] = (
    Term("unit", "One finished product with a serial of its own.", "everywhere"),
    Term(
        "build",
        "Units that are made together; its units are compared with those of "
        "earlier builds.",
        "everywhere",
    ),
    Term("part", "A place on the board, such as R13.", "everywhere"),
    Term(
        "reel",
        "Parts that came together under one label; a reel feeds a part.",
        "everywhere",
    ),
    Term("range", "One measuring range of the unit.", "everywhere"),
    Term(
        "error",
        "How far a range reads off, as a share of the reading. What the output read at "
        "zero is taken off; nothing is where no zero was read.",
        "everywhere",
    ),
    Term(
        "error limit",
        "How large the error may be. It is said as the product sets it, "
        "or with \N{PLUS-MINUS SIGN} as what that comes to at one reading.",
        "everywhere",
    ),
    Term(
        "uncertainty",
        "How far what was measured may be from what is true: the "
        "expanded uncertainty, k = 2, about 95 % (JCGM 100).",
        "papers, bench",
    ),
    Term(
        "conforming",
        "Inside the error limit, the uncertainty reckoned with.",
        "papers, bench",
    ),
    Term(
        "nonconforming",
        "Outside the error limit, the uncertainty reckoned with.",
        "papers, bench",
    ),
    Term(
        "undecided",
        "So near the error limit that the uncertainty leaves it open.",
        "papers, bench",
    ),
    Term(
        "like known-good",
        "As the check standard reads; said where the bench is too poor for the error "
        "limit. It may leave.",
        "papers, bench",
    ),
    Term(
        "changed",
        "Not as the check standard reads; said where the bench is too poor for the "
        "error limit. It must not leave.",
        "papers, bench",
    ),
    Term(
        "move",
        "How far a range reads off from what it read before; a unit that moved "
        "may still keep its error limit.",
        "findings",
    ),
    Term(
        "finding",
        "The program says that something moved: what, how far, since which "
        "unit, and most likely why.",
        "everywhere",
    ),
    Term(
        "threshold", "How clear a move must be to make a finding.", "findings, status"
    ),
    Term(
        "withdrawn",
        "Said of a finding that later measurements do not bear out.",
        "findings",
    ),
    Term(
        "concerned",
        "Said of a unit that has, or may have, what a finding names; "
        "wherever the unit is.",
        "recall, papers",
    ),
    Term(
        "measured",
        "Said of an error that was measured on this very unit.",
        "recall, papers",
    ),
    Term(
        "predicted",
        "Said of an error that is expected from other units with the same "
        "parts; this unit was not measured.",
        "recall, papers",
    ),
    Term(
        "hold",
        "What is held must not leave until a named person ends the hold.",
        "everywhere",
    ),
    Term("release", "Ends a hold: what conforms may leave.", "holds, papers"),
    Term(
        "concession",
        "Ends a hold: of one unit, it may leave although it does not conform.",
        "holds, papers",
    ),
    Term(
        "rework",
        "Ends a hold: each unit is measured again before it leaves.",
        "holds, papers",
    ),
    Term("scrap", "Ends a hold: no unit of it ever leaves.", "holds, papers"),
    Term(
        "in doubt",
        "Said of units that were measured on a bench that may have read wrong.",
        "bench, holds, papers",
    ),
    Term(
        "check standard",
        "A unit of known error that shows whether the bench reads right.",
        "bench, papers",
    ),
    Term(
        "session",
        "Units measured one after another, nothing on the bench changed.",
        "bench, papers",
    ),
    Term(
        "first-pass yield",
        "The share of units that passed when they were measured first.",
        "builds, papers",
    ),
)

INNER: Mapping[str, str] = {
    r"shipped limit|came with the program|\bserves\b": "the general threshold",
    r"held against": "compared with",
    r"^Stays\b|\bwhy they stay\b|\bunits stay\b": "must not leave",
    r"(?<!--)\bfitted\b": "a reel feeds a part; a part is on the board",
    r"\brows? (is|are) shown\b": "units are shown",
    r"\balike\b": "the same",
    r"\bcarr(y|ies) (it|\d|the reel|the new reel|reel)": "has such a part",
    r"\b(posterior|prior|log odds|folded again)\b": "what it means to a reader",
    r"\b(uA|kOhm|Ohm|kohm)\b": "\N{MICRO SIGN} and \N{GREEK CAPITAL LETTER OMEGA}",
}
"""Regular expressions of what no sentence says, and what it says in its place."""
