"""Frames to Altair, for screens and documents alike.

Dots for what was measured, brackets for limits, a dotted line where a reel
changed, a band for an estimate's interval. Only what moved gets colour, another
shape and words beside it.
"""

from daemon.presentation.plots.by_builds import NARROW, WIDE, Form, ranges_by_builds
from daemon.presentation.plots.check_standard import check_frame, checks_of_range
from daemon.presentation.plots.missed import missed_by_shift
from daemon.presentation.plots.one_range import individuals, moving_ranges
from daemon.presentation.plots.places import columns, laid_out, reel_changes

__all__ = [
    "NARROW",
    "WIDE",
    "Form",
    "check_frame",
    "checks_of_range",
    "columns",
    "individuals",
    "laid_out",
    "missed_by_shift",
    "moving_ranges",
    "ranges_by_builds",
    "reel_changes",
]
