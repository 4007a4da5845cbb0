"""The log-odds above which a finding stands."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A limit for each way in which units come.

    Attributes
    ----------
    seated : float
        Where an odd unit was seated and measured again before it counts.
    unseated : float
        Where nobody could be asked: a poor contact may stand among the readings.
    """

    seated: float
    unseated: float
