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
    """Contrast to paper and shade at least 4.5 to 1, like ink (WCAG 2.2, 1.4.3)."""
    unit: str
    on_unit: str
    """Words on a button of the colour `unit`."""
    off: str
    """The button that turns the source off, and nothing else."""
    on_off: str
    said: str
    """`moved`, as words are written in it."""
    moved: str
    odd: str


LIGHT = Look(
    paper="#fbfaf7",
    shade="#f0eee8",
    ink="#1b1f24",
    quiet="#62686f",
    unit="#0072B2",
    on_unit="#ffffff",
    off="#9c3d00",
    on_off="#ffffff",
    said="#b34700",
    moved="#D55E00",
    odd="#CC79A7",
)
DARK = Look(
    paper="#16181b",
    shade="#22252a",
    ink="#eceae4",
    quiet="#9aa0a6",
    unit="#56B4E9",
    on_unit="#10181f",
    off="#ff9b57",
    on_off="#1c0d00",
    said="#F08A3C",
    moved="#F08A3C",
    odd="#E0A0C4",
)
