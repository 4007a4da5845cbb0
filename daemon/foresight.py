"""Before a build: what must be measured, and what a check of some units would miss."""

from dataclasses import dataclass
from math import hypot, sqrt
from typing import Self

from config.model import Settings
from daemon.cycle import Cycle
from daemon.spc.sampling.standard import Inspection, Severity
from daemon.spc.spot_check import SpotCheck
from storage.records import Scope
from storage.store import Store

SCORE_FOR_REDUCED = 30
SCORE_A_BUILD = 2
"""The switching score of ISO 2859-1 with acceptance number 0: reduced checking is
reached at 30, an accepted build gives 2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeOutlook:
    """How one range of the next build will scatter if its reel is as labelled."""

    key: str
    title: str
    check: SpotCheck


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What is known before the next build.

    Attributes
    ----------
    ranges
        In the product's order.
    units, builds
        What it was learnt from.
    inspection
        Where the switching rules stand after the builds so far.
    """

    ranges: tuple[RangeOutlook, ...]
    units: int
    builds: int
    inspection: Inspection

    @classmethod
    def of(cls, settings: Settings, store: Store) -> Self:
        """Work it out from the rows; records nothing."""
        cycle = Cycle(settings, store)
        baseline = cycle.baseline()
        prior = baseline.level_prior()
        first = baseline.layout.parts + 1
        false_share = 1.0 / settings.plan.watching.accepted_false_holds_per_units
        ranges = tuple(
            RangeOutlook(
                key=one.key,
                title=one.title,
                check=SpotCheck(
                    sigma_ppm=hypot(
                        baseline.sigma_ppm[index], baseline.shared_sigma_ppm
                    ),
                    reel_sigma_ppm=sqrt(prior.covariance[first + index, first + index]),
                    # Each range is looked at by itself.
                    false_share=false_share / len(cycle.product.ranges),
                ),
            )
            for index, one in enumerate(cycle.product.ranges)
        )
        return cls(
            ranges=ranges,
            units=baseline.units,
            builds=len(baseline.builds),
            inspection=_inspection(settings.product.name, store),
        )

    def hardest(self) -> RangeOutlook:
        """Return the range in which a bad reel is seen last."""
        return max(
            self.ranges, key=lambda o: hypot(o.check.sigma_ppm, o.check.reel_sigma_ppm)
        )

    def checking(self) -> str:
        """Say how much of the next build to check, and what would change that."""
        now = self.inspection
        if now.discontinued:
            return (
                "Five builds in a row were held under full checking: stop building "
                "until the cause is found."
            )
        if now.severity is Severity.REDUCED:
            return (
                "A check of some units is enough for the next build; the first held "
                "build ends that."
            )
        if now.severity is Severity.TIGHTENED:
            return (
                "Measure every unit: two of five builds in a row were held. Five good "
                "builds in a row end that."
            )
        missing = -(-(SCORE_FOR_REDUCED - now.score) // SCORE_A_BUILD)
        return (
            f"Measure every unit; after {missing} more good builds in a row a check of "
            "some units is enough."
        )


def _inspection(product: str, store: Store) -> Inspection:
    """Return where the switching rules stand; a build that was ever held counts."""
    holds = store.frame("holds", product=product)
    ever_held = set(holds.loc[holds["scope"] == Scope.BUILD, "subject"])
    builds = store.frame("builds", product=product)
    inspection = Inspection()
    for build in builds.loc[builds["units"] > 0, "build"]:
        if inspection.discontinued:
            break
        inspection = inspection.after(
            accepted=build not in ever_held, acceptance_number=0
        )
    return inspection
