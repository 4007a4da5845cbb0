"""The control plan and the alerts as the maker writes them."""

from collections import Counter
from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field

from config.strict import Name, Problem, Strict

__all__ = ["Alerts", "Channel", "FalseHolds", "Judging", "Plan", "Reading", "Watching"]


FalseHolds = Annotated[int, Field(ge=100, le=10_000_000)]


class Reading(Strict):
    """How one range of one unit is read."""

    order: Literal["unit", "range"] = "unit"
    level_of_full_scale: Annotated[float, Field(gt=0, le=1)] = 0.9
    readings_per_point: Annotated[int, Field(ge=1, le=1000)] = 3


class Judging(Strict):
    """How a range error is judged against its limit (ILAC-G8, JCGM 106)."""

    guard_band_factor: Annotated[float, Field(ge=0, le=10)] = 1.0
    """Guard band as a multiple of the expanded uncertainty (k = 2)."""
    needed_ratio: Annotated[float, Field(gt=0, le=1_000)] = 3.0
    """Limit over expanded uncertainty below which the bench only compares."""


class Watching(Strict):
    """What raises a finding."""

    accepted_false_holds_per_units: FalseHolds = 5000
    """One false hold in this many units is accepted."""


class Plan(Strict):
    """The control plan: how to read, how to judge, when to hold."""

    reading: Reading = Reading()
    judging: Judging = Judging()
    watching: Watching = Watching()
    people: Annotated[tuple[Name, ...], Field(min_length=1, strict=False)]
    """Who may release a hold."""

    def problems(self) -> Iterator[Problem]:
        """Refuse a person named twice: decisions are told apart by name."""
        for place in _doubled(self.people):
            yield Problem(path=("people", place), problem="is named twice")


class Channel(Strict):
    """Where alerts go."""

    name: Name
    url: Annotated[str, Field(min_length=1, max_length=2_000, repr=False)]
    """Often holds a password: never shown."""
    from_severity: Literal["notice", "warning", "hold"] = "hold"


class Alerts(Strict):
    """Channels, none by default."""

    channels: tuple[Channel, ...] = Field(default=(), strict=False)

    def problems(self) -> Iterator[Problem]:
        """Refuse two channels of one name: what was delivered is told by name."""
        for place in _doubled([one.name for one in self.channels]):
            yield Problem(
                path=("channels", place, "name"),
                problem="another channel has this name; each needs its own",
            )


def _doubled(names: tuple[str, ...] | list[str]) -> list[int]:
    """Return the places of the second and later mention of a name."""
    seen = Counter[str]()
    places = []
    for place, name in enumerate(names):
        seen[name] += 1
        if seen[name] > 1:
            places.append(place)
    return places
