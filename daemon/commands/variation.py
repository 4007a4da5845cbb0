"""How the units scatter, and what that says against their limits."""

from collections.abc import Callable, Iterator
from dataclasses import asdict
from typing import Any

import click

from daemon.commands.opened import opened
from daemon.commands.options import Command
from daemon.commands.showing import Shown, Table, refuse, shown
from daemon.judging import MeasuredRuns, RangeCapability, RangeVariation
from daemon.presentation import figures, points, ranges
from daemon.spc.capability import Indices
from storage import BuildState

SMALL_SHARE = 1e-4
NO_SHARE = 1e-9
"""No maker builds so many units."""


def _of_ranges(command: Command) -> Command:
    """Ask for a range, or all, and for builds to leave out."""
    left_out: Callable[[Command], Command] = click.option(
        "--without", multiple=True, metavar="BUILD",
        help="Leave this build out; may be given again.",
    )  # fmt: skip
    return click.argument("range_", metavar="[RANGE]", required=False)(
        left_out(command)
    )


@click.command()
@_of_ranges
@shown
def variance(*, range_: str | None, without: tuple[str, ...]) -> Shown:
    """Split how the units scatter.

    The scatter across builds is told from that inside them, for one range or for all;
    what a run adds by itself, once units were run again. Each part is a standard
    deviation with its 95 % interval (restricted maximum likelihood).
    """
    measured, keys = _measured(range_, without)
    found = [measured.variation(key) for key in keys]
    return Shown(
        {"held": measured.held, "ranges": [asdict(one) for one in found]},
        Table(
            [row for one in found for row in _parts(one)],
            {
                "range": "range", "scatter": "part", "s": "s",
                "95 % interval": "interval", "of the variance": "share",
            },
        ),
        *map(_said_of_scatter, found),
        *_mind_held(measured),
    )  # fmt: skip


@click.command()
@_of_ranges
@shown
def capability(*, range_: str | None, without: tuple[str, ...]) -> Shown:
    """Say how well a range keeps its limit.

    Cp and Cpk rest on the scatter inside builds, Pp and Ppk on that of all units
    together (ISO 22514-2). Each point that is judged is compared with its limit, the
    offset inside where the limit has it inside; the one that is kept worst is told. Of
    a process that is not stable they are given with the reason why they must not be
    quoted. The first run of each unit counts.
    """
    measured, keys = _measured(range_, without)
    found = [measured.capability(key) for key in keys]
    return Shown(
        {"held": measured.held, "ranges": [_plain(one) for one in found]},
        Table(
            [_indices(one) for one in found if one.study is not None],
            {
                "range": "range", "at": "at", "units": "units", "limit": "limit",
                "s inside": "inside", "Cp, Cpk": "cp", "s overall": "overall",
                "Pp, Ppk": "pp", "beyond": "predicted", "counted": "counted",
            },
        ),
        *(line for one in found for line in _said_of_limit(one)),
        *_mind_held(measured),
    )  # fmt: skip


def _measured(
    range_: str | None, without: tuple[str, ...]
) -> tuple[MeasuredRuns, list[str]]:
    with opened() as at:
        titles = {key: one.title for key, one in at.settings.product.ranges.items()}
        builds = [one.build for one in at.rows(BuildState)] if without else []
        for build in without:
            if build not in builds:
                refuse(
                    f"{build!r}; there are {', '.join(builds) or 'none yet'}",
                    "--without",
                )
        measured = MeasuredRuns.of(titles, at.product, at.store, without=without)
    if range_ is None:
        return measured, list(titles)
    if range_ not in titles:
        refuse(f"{range_!r}; the product has {', '.join(titles)}", "RANGE")
    return measured, [range_]


def _mean(one: RangeVariation) -> str:
    """Return a range's mean error to the digits that its scatter leaves."""
    mean_ppm = one.mean_ppm or 0.0
    scatter_ppm = sum(part.s_ppm**2 for part in one.components) ** 0.5
    return figures.percent(mean_ppm, scatter_ppm / max(one.units, 1) ** 0.5 or 1.0)


def _said_of_scatter(one: RangeVariation) -> str:
    if one.alike is not None:
        return one.alike
    if one.too_few is not None:
        return f"Range {one.title}: not enough yet; it {one.too_few}."
    return (
        f"Range {one.title}: {figures.counted(one.units, 'unit')} of "
        f"{figures.counted(one.builds, 'build')}, "
        f"{figures.counted(one.runs, 'run')}, mean error {_mean(one)}."
    )


def _said_of_limit(one: RangeCapability) -> Iterator[str]:
    if one.alike is not None:
        yield one.alike
    elif one.study is None:
        yield f"Range {one.title}: not enough yet; {one.too_few}."
    elif one.study.quotable:
        interval = one.study.inside.cpk_interval
        yield (
            f"Range {one.title}: Cpk between {interval.lower:.2f} and "
            f"{interval.upper:.2f} (95 %)."
        )
    else:
        yield f"Range {one.title}: do not quote Cp and Cpk:"
        yield from (f"  {reason}" for reason in one.study.reasons)


def _mind_held(measured: MeasuredRuns) -> Iterator[str]:
    if measured.held:
        names = ", ".join(measured.held)
        yield f"Held builds are among them: {names}. --without leaves one out."


def _parts(one: RangeVariation) -> list[dict[str, Any]]:
    unit = figures.ShareUnit.of(part.high_ppm for part in one.components)
    return [
        {
            "range": one.title,
            "part": part.name,
            "s": ranges.scatter(part.s_ppm, unit),
            "interval": f"{ranges.scatter(part.low_ppm, unit)} to "
            f"{ranges.scatter(part.high_ppm, unit)}",
            "share": f"{100 * part.share:.0f} %",
        }
        for part in one.components
    ]


def _indices(one: RangeCapability) -> dict[str, Any]:
    study = one.study
    assert study is not None  # noqa: S101 -- asked for only where there is one
    limit_ppm = one.limit_ppm or 0.0
    unit = figures.ShareUnit.of((limit_ppm,))
    return {
        "range": one.title,
        "units": study.n,
        "at": "-" if one.of_full_scale is None else points.level(one.of_full_scale),
        "limit": figures.allowance(limit_ppm),
        "inside": ranges.scatter(study.inside.s, unit),
        "cp": _pair(study.inside.indices),
        "overall": ranges.scatter(study.overall.s, unit),
        "pp": _pair(study.overall.indices),
        "predicted": _share(study.predicted.total),
        "counted": study.counted.below + study.counted.above,
    }


def _pair(found: Indices) -> str:
    """Return an index of the width and the one of the nearer limit."""
    return " ".join(
        "-" if value is None else f"{value:.2f}" for value in (found.cp, found.cpk)
    )


def _share(value: float) -> str:
    if value < NO_SHARE:
        return "none"
    if value < SMALL_SHARE:
        return f"{value * 1e6:.2g} ppm"
    return f"{100 * value:.2g} %"


def _plain(one: RangeCapability) -> dict[str, Any]:
    """Return a study with what its properties say too."""
    plain = asdict(one)
    if one.study is not None:
        plain["study"]["quotable"] = one.study.quotable
    return plain
