"""A plan that was tried on the past, in words: the same on the page and by command."""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from statistics import fmean
from typing import Any, Self

from daemon.holds.replayed import Checked, Past, Replay
from daemon.presentation import counted, money

__all__ = ["Costs", "Tried"]

Costs = tuple[float, float]
"""Of measuring a unit; of one outside its limit that leaves."""
KEPT_BY_HOLD = "outside a limit: kept back by a hold"
Counts = Callable[[Replay], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What a plan came to on the past, beside every unit measured by today's plan.

    Attributes
    ----------
    builds, units : int
        That it was tried on.
    first, last : str
        Their first build and their last.
    outside : tuple of str
        Units of them outside an error limit.
    checked : Checked
        How many units of each build were measured.
    whole : Replay
        Every unit, today's plan.
    asked : tuple of Replay
        As asked, a draw each.
    """

    builds: int
    units: int
    first: str
    last: str
    outside: tuple[str, ...]
    checked: Checked
    whole: Replay
    asked: tuple[Replay, ...]

    @classmethod
    def on(
        cls, past: Past, whole: Replay, asked: Sequence[Replay], checked: Checked
    ) -> Self:
        """Return what came of a past."""
        names = [*past.builds]
        return cls(
            builds=len(names),
            units=past.units,
            first=names[0],
            last=names[-1],
            outside=tuple(past.outside),
            checked=checked,
            whole=whole,
            asked=tuple(asked),
        )

    @classmethod
    def read(cls, told: Mapping[str, Any]) -> Self:
        """Return what `data` told."""
        return cls(
            builds=told["builds"],
            units=told["units"],
            first=told["first_build"],
            last=told["last_build"],
            outside=tuple(told["outside"]),
            checked=Checked(**told["checked"]),
            whole=_replay(told["every_unit"]),
            asked=tuple(map(_replay, told["as_asked"])),
        )

    def data(self) -> dict[str, Any]:
        """Return it for a program."""
        return {
            "builds": self.builds,
            "first_build": self.first,
            "last_build": self.last,
            "units": self.units,
            "outside": list(self.outside),
            "checked": asdict(self.checked),
            "every_unit": asdict(self.whole),
            "as_asked": [asdict(one) for one in self.asked],
            "missed": dict(self.missed),
            "held_only_as_asked": dict(self.only),
        }

    @property
    def missed(self) -> Counter[str]:
        """Builds held with every unit measured: in how many draws they were not."""
        return Counter(
            build
            for one in self.asked
            for build in self.whole.held
            if build not in one.held
        )

    @property
    def only(self) -> Counter[str]:
        """Builds not held with every unit measured: in how many draws they were."""
        return Counter(
            build
            for one in self.asked
            for build in one.held
            if build not in self.whole.held
        )

    def head(self) -> str:
        """Say on what it was tried."""
        names = self.first if self.builds == 1 else f"{self.first} to {self.last}"
        return (
            f"{counted(self.builds, 'build')} ({names}), "
            f"{counted(self.units, 'unit')}; {len(self.outside)} of them outside an "
            "error limit."
        )

    @property
    def heads(self) -> tuple[str, str, str]:
        """What stands above the columns of `rows`."""
        return "", "every unit", _head(self.checked)

    def rows(self, costs: Costs | None) -> list[dict[str, str]]:
        """Return a row a figure: `what`, with every unit `whole`, and as `asked`."""
        lines: list[tuple[str, Counts, Callable[[float], str]]] = [
            ("units measured", lambda one: one.measured, _number),
            ("builds held", lambda one: len(one.held), _number),
            ("outside a limit: measured", lambda one: len(one.found), _number),
            (KEPT_BY_HOLD, lambda one: len(one.stopped), _number),
            ("outside a limit: would have left", lambda one: len(one.left), _number),
        ]
        if not any(one.stopped for one in (self.whole, *self.asked)):
            # Measured every one: no hold had to keep any back.
            lines = [line for line in lines if line[0] != KEPT_BY_HOLD]
        if costs is not None:
            test, escape = costs
            lines.append(
                ("cost", lambda one: one.cost(test=test, escape=escape), money),
            )
        return [
            {
                "what": what,
                "whole": said(of(self.whole)),
                "asked": _between([of(one) for one in self.asked], said),
            }
            for what, of, said in lines
        ]

    def sentences(self) -> Iterator[str]:
        """Say which builds would have been held otherwise."""
        draws = len(self.asked)
        for build, number in self.missed.items():
            yield (
                f"Build {build}, held when every unit is measured, would not have been "
                f"held{_in_draws(number, draws)}."
            )
        for build, number in self.only.items():
            yield (
                f"Build {build} would have been held{_in_draws(number, draws)}, and "
                "is not when every unit is measured."
            )


def _replay(told: Mapping[str, Any]) -> Replay:
    return Replay(
        measured=told["measured"],
        held=told["held"],
        found=tuple(told["found"]),
        stopped=tuple(told["stopped"]),
        left=tuple(told["left"]),
    )


def _between(values: Sequence[float], said: Callable[[float], str]) -> str:
    """Return a mean, with what it lay between where draws differ."""
    low, high = min(values), max(values)
    if low == high:
        return said(low)
    return f"{said(fmean(values))} ({said(low)} to {said(high)})"


def _number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _head(asked: Checked) -> str:
    if asked.units is not None:
        return f"{asked.units} a build"
    if asked.share is not None:
        return f"{100 * asked.share:g} % of each"
    return "that plan"


def _in_draws(number: int, draws: int) -> str:
    return "" if draws == 1 else f" in {number} of {draws} draws"
