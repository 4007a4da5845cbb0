"""What enters the watch: units and runs of the check standard, as plain numbers."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Self

import numpy as np
from numpy.typing import NDArray

LEAST_PPM2 = 1e-9
"""Stands for a bench that may not read off at all."""

Errors = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnitErrors:
    """One unit's range errors as watched: ppm of reading, NaN where not measured."""

    number: int
    run: str
    serial: str
    build: str
    errors_ppm: Errors
    at: datetime
    session: str = ""
    variance_ppm2: Errors | None = None
    """Of this unit's own measurement, ppm squared; None for negligible."""
    ambient_c: float | None = None
    """Temperature it was measured at; None where it was not recorded."""

    def over(self, before: Self) -> Self:
        """Return this run laid over an earlier one of the same unit."""
        missing = np.isnan(self.errors_ppm)
        errors = np.where(missing, before.errors_ppm, self.errors_ppm)
        variance = self.variance_ppm2
        if variance is not None and before.variance_ppm2 is not None:
            variance = np.where(missing, before.variance_ppm2, variance)
        return replace(self, errors_ppm=errors, variance_ppm2=variance)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CheckErrors:
    """One run of the check standard: errors less the known ones, ppm, NaN if not run.

    `variance_ppm2` is of the bench's own noise and resolution; `allowed_ppm2` of what
    the meters' specification lets them read off, always alike.
    """

    number: int
    session: str
    errors_minus_known_ppm: Errors
    variance_ppm2: Errors
    allowed_ppm2: Errors
    at: datetime

    def beside(self, earlier: Sequence[Self]) -> Self:
        """Return what this check tells of a change since earlier ones.

        Meters within their specification read off all the time, by an amount that
        earlier checks tell ever better: the posterior of a normal level is taken off.
        """
        errors = np.array([one.errors_minus_known_ppm for one in earlier])
        errors = errors.reshape(-1, self.variance_ppm2.size)
        known = np.nansum(errors, axis=0) / self.variance_ppm2
        precision = 1.0 / np.maximum(self.allowed_ppm2, LEAST_PPM2)
        precision += (~np.isnan(errors)).sum(axis=0) / self.variance_ppm2
        return replace(
            self,
            errors_minus_known_ppm=self.errors_minus_known_ppm - known / precision,
            variance_ppm2=self.variance_ppm2 + 1.0 / precision,
        )
