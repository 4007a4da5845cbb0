"""Colours of screens and documents: paper, ink, and what stands out.

The palette is Okabe and Ito's (2008), safe for colour-blind readers; meaning never
rests on colour alone. The dark form is a counterpart, not an inversion.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Colours of one of the two forms."""

    paper: str
    shade: str
    ink: str
    quiet: str
    unit: str
    moved: str
    odd: str


LIGHT = Look(
    paper="#fbfaf7",
    shade="#f0eee8",
    ink="#1b1f24",
    quiet="#6f757c",
    unit="#0072B2",
    moved="#D55E00",
    odd="#CC79A7",
)
DARK = Look(
    paper="#16181b",
    shade="#22252a",
    ink="#eceae4",
    quiet="#9aa0a6",
    unit="#56B4E9",
    moved="#F08A3C",
    odd="#E0A0C4",
)
