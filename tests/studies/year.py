"""One simulated maker's year beside its truth: what is kept of it."""

from dataclasses import dataclass, field

__all__ = ["BuildOfYear", "FindingOfYear", "Year"]


@dataclass(slots=True, kw_only=True)
class FindingOfYear:
    """A finding as it stands at the end of its year, beside the truth.

    `true` says that its cause and place are among what was wrong in the build, `good`
    that nothing was; `decided` that it holds nothing now. `covered` is None
    where it has no true size.
    """

    signal: str
    build: str
    cause: str
    standing: bool
    withdrawn: bool
    true: bool
    good: bool = False
    decided: bool = False
    covered: bool | None = None


@dataclass(slots=True, kw_only=True)
class BuildOfYear:
    """One build: what was wrong, and what became of it.

    Places in the order of the test count from 1. `carried` says what it takes on from
    the build before: reels with a fault that was "kept", or "released" by a person; one
    that was released and "drifts on".
    """

    build: str
    units: int
    imported: bool
    shuffled: bool
    fault: str = ""
    carried: str = ""
    recorded: bool = True
    wrong_from: int | None = None
    """First place at which something wrong could be seen; None where nothing is."""
    bad: list[int] = field(default_factory=list)
    """Places of units that something wrong has reached, while it was."""
    held_at: int | None = None
    held_by: str = ""
    """Cause of what held it first; "reel on hold" before its first unit."""
    held_session: int | None = None
    waited: bool = False
    """Whether it waited for a good reel that an earlier finding holds."""
    withdrawn: bool = False
    left: int = 0
    """Bad units that would have left before the hold."""
    ended_by: str = ""
    """How a person ended the first hold."""
    again: bool = False
    """Whether it was held again after a release."""
    named: int = 0
    """Of the causes, how many are named at the end of the build."""
    causes: int = 0
    reels: int = 0
    """Of the causes named, those whose reel is named as it truly is on record."""
    firsts: int = 0
    """Of the causes named, those whose first serial is named."""

    @property
    def good(self) -> bool:
        """Whether nothing was wrong with it."""
        return not self.fault and not self.carried

    @property
    def held_good(self) -> bool:
        """Whether it was held before anything was wrong with it."""
        if self.held_at is None or self.carried:
            return False
        return self.wrong_from is None or self.held_at < self.wrong_from

    @property
    def late(self) -> int | None:
        """Bad units measured when it was held; None where it never was, or before.

        0 where no bad unit was needed: a reel was on hold, a check found the bench.
        """
        if self.held_at is None or self.held_good or self.wrong_from is None:
            return None
        return sum(one <= self.held_at for one in self.bad)


@dataclass(slots=True, kw_only=True)
class Year:
    """All that one maker's year came to."""

    seed: int
    bench: str
    checked: bool
    ranges: int
    builds: list[BuildOfYear] = field(default_factory=list)
    findings: list[FindingOfYear] = field(default_factory=list)
    good_units: int = 0
    """Measured on the bench by somebody who could be asked, and as they should be."""
    asked_for_nothing: int = 0
    """Of these, those that were to be seated again."""
    slips: int = 0
    slips_asked: int = 0
    checks_out: int = 0
    """Checks out of control on a bench that was as it should be."""
    bench_steps: int = 0
    bench_steps_out: int = 0
    """Steps of the bench at which a check was out of control."""
    restarts: int = 0
    unlike: float | None = None
    """Largest difference of log-odds between living on and starting again."""
    raised_by_restart: int = 0
    exceptions: list[str] = field(default_factory=list)
    runs: int = 0
    seconds: float = 0.0
