"""Before a build: what must be measured, and what a check of some units would miss."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, sqrt
from typing import Any, Self

from config.model import Settings
from daemon.cycle import Cycle
from daemon.spc.sampling.standard import Inspection, Severity
from daemon.spc.spot_check import Costs, SpotCheck, cheapest
from daemon.watch import FindLimit
from storage.records import Scope
from storage.store import Store

SCORE_FOR_REDUCED = 30
SCORE_A_BUILD = 2
"""The switching score of ISO 2859-1 with acceptance number 0: reduced checking is
reached at 30, an accepted build gives 2."""


SHIFTS = ("0.05 %", "0.1 %", "0.2 %", "0.3 %", "0.5 %", "1 %", "2 %")
CHECKED = (3, 5, 8, 13)
"""Units of a check that are asked about unless somebody says otherwise."""
RARE = 0.001
"""A probability below which "less than 0.1 %" says enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeOutlook:
    """How one range of the next build will scatter if its reel is as labelled."""

    key: str
    title: str
    check: SpotCheck

    def asked(
        self,
        shift_ppm: float,
        *,
        build: int,
        carrying: int,
        checked: Sequence[int] = CHECKED,
        missed: float = 0.05,
        costs: Costs | None = None,
    ) -> dict[str, Any]:
        """Return what a reel that is off by a shift would take to be seen.

        Parameters
        ----------
        shift_ppm
            How far its level lies off.
        build, carrying
            Units in the build; those of them that carry the reel.
        checked
            Numbers of units of which is said what they would miss.
        missed
            Accepted chance of missing it, 0 to 1.
        costs
            Of a test and of an escape, for the cheapest number.

        Returns
        -------
        dict
            `off_ppm`; `units_of_the_reel` and `units_at_random` that are enough, None
            where none is; `missed_by_N`; with costs `cheapest`.
        """
        row: dict[str, Any] = {
            "off_ppm": shift_ppm,
            "units_of_the_reel": self.check.units_needed(
                shift_ppm=shift_ppm, missed=missed, most=build
            ),
            "units_at_random": self.check.size_needed(
                shift_ppm=shift_ppm, missed=missed, build=build, carrying=carrying
            ),
        }
        for number in checked:
            row[f"missed_by_{number}"] = self.check.missed(
                number, shift_ppm=shift_ppm, build=build, carrying=carrying
            )
        if costs is not None:
            row["cheapest"] = cheapest(
                self.check, costs, shift_ppm=shift_ppm, build=build, carrying=carrying
            )
        return row


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What is known before the next build.

    Attributes
    ----------
    ranges
        In the product's order.
    units, builds
        What it was learnt from.
    history
        What the next build will be held against, and what speaks against it.
    inspection
        Where the switching rules stand after the builds so far.
    """

    ranges: tuple[RangeOutlook, ...]
    units: int
    builds: int
    history: str
    inspection: Inspection

    @classmethod
    def of(
        cls, settings: Settings, store: Store, *, own_limit: FindLimit | None = None
    ) -> Self:
        """Work it out from the rows; records nothing.

        Parameters
        ----------
        settings, store, own_limit
            As `Cycle` takes them.
        """
        cycle = Cycle(settings, store, own_limit=own_limit)
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
            history=cycle.ahead(),
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
