"""Settings as the maker writes them: product, bench, control plan, alerts."""

from collections.abc import Iterator
from functools import cached_property

from pydantic import Field

from config.bench import (
    BY_HAND,
    COMPLIANCE_DEFAULT_MAX_V,
    Bench,
    CheckStandard,
    Instrument,
    KnownStandard,
    MeterRange,
    Reference,
)
from config.detector import Detector
from config.fit import fit, fit_plan
from config.handheld import handhelds
from config.plan import (
    Alerts,
    Beside,
    Channel,
    Charts,
    Judging,
    Plan,
    RangeReading,
    Reading,
    SamplePlan,
    Watching,
)
from config.product import (
    ErrorLimit,
    LimitParts,
    LimitSpan,
    Maker,
    Part,
    Product,
    Range,
)
from config.profile import Profile
from config.sharing import Sharing
from config.strict import Key, Problem, Strict, where_whole

__all__ = [
    "BY_HAND",
    "COMPLIANCE_DEFAULT_MAX_V",
    "Alerts",
    "Bench",
    "Beside",
    "Channel",
    "Charts",
    "CheckStandard",
    "Detector",
    "ErrorLimit",
    "Instrument",
    "Judging",
    "KnownStandard",
    "LimitParts",
    "LimitSpan",
    "Maker",
    "MeterRange",
    "Part",
    "Plan",
    "Product",
    "Range",
    "RangeReading",
    "Reading",
    "Reference",
    "SamplePlan",
    "Settings",
    "Watching",
]


class Settings(Strict):
    """One folder of TOML files, read and checked together.

    `profiles` holds the instrument profiles that the bench names: what an instrument
    was told belongs to what a result can be traced to.
    """

    product: Product
    bench: Bench | None
    plan: Plan
    alerts: Alerts = Alerts()
    sharing: Sharing | None = None
    """None: the bench is alone."""
    profiles: dict[Key, Profile] = Field(default_factory=dict)

    @cached_property
    def meters(self) -> Bench:
        """What typed and imported readings are judged with: the bench where one is."""
        return self.bench or handhelds(
            self.product, self.plan.meters, self.plan.output_meter
        )

    def problems(self) -> Iterator[Problem]:
        """Refuse files that do not fit together."""
        with where_whole:
            yield from fit_plan(self.product, self.plan)
        with where_whole:
            if self.bench is not None:
                yield from fit(self.product, self.bench, self.plan, self.profiles)
