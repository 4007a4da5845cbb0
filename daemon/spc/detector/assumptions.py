"""What the detector holds possible, as multiples of the parts' tolerance."""

from dataclasses import dataclass, fields

from daemon.spc.errors import OutOfRangeError

__all__ = ["WALK_OF_NOISE", "Assumptions"]

WALK_OF_NOISE = 0.6
"""What a bench is taken to walk by between set-ups, as a share of a run's own noise."""
SMALLEST, LARGEST = 1e-6, 1e3
"""Beyond these, digits are lost; the settings allow far less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumptions:
    """Sizes in tolerances: standard deviations, but where another thing is said.

    The standing values are the project's own, chosen by simulation over worlds whose
    reels are ordinary, twice as different, heavy-tailed, uniform, or coarser than
    expected.

    Attributes
    ----------
    part_scatter : float
        Of parts inside one reel, before any unit told.
    reel_scatter, most_reel_scatter : float
        Of the means of ordinary reels, before any reel told; what is never exceeded
        however much earlier reels differed.
    build_scatter : float
        Of the level that all ranges share, from build to build.
    range_level : float
        Of the mean of a range over all reels.
    odd_part : float
        Of one odd part, or of a poor contact, in an otherwise ordinary unit.
    reel_shifts : tuple of three float
        Of a bad reel: little off, off, far off.
    wide_reel_shifts : tuple of two float
        Of a bad reel whose parts spread 3 and 6 times as wide as ordinary ones.
    mixed_differences : tuple of two float
        Between two reels mixed in unknown order: means, either way.
    tape_drift : float
        Of a reel whose parts drift along its tape, a unit.
    shared_shifts : tuple of two float
        Of a bad shared stage: off, far off.
    bench_steps : tuple of two float
        Of a bench that was set up anew: small, large.
    bench_slopes : tuple of two float
        Of a drifting bench, a unit: slow, fast.
    bench_walk : float
        What an ordinary bench is off by from session to session.

    Examples
    --------
    >>> Assumptions(reel_scatter=0.3).reel_scatter
    0.3
    """

    part_scatter: float = 0.15
    reel_scatter: float = 0.15
    most_reel_scatter: float = 0.45
    build_scatter: float = 0.12
    range_level: float = 0.4
    odd_part: float = 3.0
    reel_shifts: tuple[float, float, float] = (0.8, 2.5, 10.0)
    wide_reel_shifts: tuple[float, float] = (0.25, 0.4)
    mixed_differences: tuple[float, float] = (1.1, 3.0)
    tape_drift: float = 0.03
    shared_shifts: tuple[float, float] = (0.8, 3.0)
    bench_steps: tuple[float, float] = (0.3, 1.5)
    bench_slopes: tuple[float, float] = (0.025, 0.06)
    bench_walk: float = 0.02

    def __post_init__(self) -> None:
        for one in fields(self):
            value = getattr(self, one.name)
            for size in value if isinstance(value, tuple) else (value,):
                none = one.name == "bench_walk" and size == 0.0
                if not (none or SMALLEST <= size <= LARGEST):
                    raise OutOfRangeError(
                        argument=one.name,
                        value=value,
                        allowed=f">= {SMALLEST:g} and <= {LARGEST:g}",
                    )
