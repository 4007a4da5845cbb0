"""Whether the earlier builds are fit to be learnt from, said with the build."""

from collections.abc import Sequence
from dataclasses import dataclass

from daemon.product import ProductModel
from daemon.spc.baseline import Segment
from daemon.spc.odd_segments import odd_segments
from daemon.watch.build import BuildWatch
from daemon.watch.learning import Learnt

FEWEST = 2
"""Segments from which one can be held against the others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OddBuild:
    """Units of an earlier build, of one set of reels, that the others do not vouch for.

    `range` is the title of the range that is odd; None for all of them.
    """

    build: str
    from_serial: str
    range: str | None
    error_ppm: float


def odd_builds(
    builds: Sequence[BuildWatch],
    product: ProductModel,
    learnt: Learnt,
    *,
    log_odds_limit: float,
) -> tuple[OddBuild, ...]:
    """Return what does not fit the rest of a history, in the order of the builds.

    Parameters
    ----------
    builds
        The history.
    product
        Whose builds they are.
    learnt
        What they teach, effect of temperature included.
    log_odds_limit
        As for a build that is watched.
    """
    segments: list[Segment] = []
    of: list[tuple[str, str]] = []
    for build in builds:
        mine = build.segments()
        at = 0
        for one in mine:
            segments.append(one)
            of.append((build.build, build.units[at].serial))
            at += len(one.errors_ppm)
    if len(segments) < FEWEST:
        return ()
    return tuple(
        OddBuild(
            build=of[one.index][0],
            from_serial=of[one.index][1],
            range=(
                None
                if one.finding.range_index is None
                else product.ranges[one.finding.range_index].title
            ),
            error_ppm=one.finding.level_ppm,
        )
        for one in odd_segments(
            learnt.segments(segments), product.layout, log_odds_limit=log_odds_limit
        )
    )


def remark(builds: int, units: int, odd: Sequence[OddBuild]) -> str:
    """Say what the next units are held against, and what speaks against it.

    Examples
    --------
    >>> remark(1, 30, ())
    'Held against 1 earlier build, 30 units.'
    >>> remark(2, 60, [OddBuild(build="B-2", from_serial="7", range="1 mA",
    ...     error_ppm=4000.0)])[-72:]
    'build B-2 from unit 7 on does not fit the others on range 1 mA (0.40 %).'
    """
    if not builds:
        return "No earlier build to learn from: the parts' tolerances judge alone."
    counted = f"{builds} earlier build{'' if builds == 1 else 's'}"
    said = f"Held against {counted}, {units} units."
    if not odd:
        return said
    named = "; ".join(
        f"build {one.build} from unit {one.from_serial} on does not fit the others on "
        f"{'all ranges' if one.range is None else f'range {one.range}'} "
        f"({one.error_ppm / 1e4:.2f} %)"
        for one in odd
    )
    return f"{said} The history is not all alike: {named}."
