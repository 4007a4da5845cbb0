"""How the units scatter, and what that says against their limits."""

from dataclasses import asdict
from typing import Any

import click

from daemon.commands.manners import as_json, as_table, opened, out
from daemon.judging.capability import Measured, RangeCapability, RangeVariation
from daemon.spc.capability import Indices

PPM_PER_PERCENT = 10_000.0
SMALL_SHARE = 1e-4
NO_SHARE = 1e-9
"""No maker builds so many units."""
NOTHING_PPM = 1e-3
"""What a search for the best scatter leaves of none."""


@click.command()
@click.argument("range_", metavar="[RANGE]", required=False)
@click.option(
    "--without", multiple=True, metavar="BUILD", help="Leave a build out; repeatable."
)
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def variance(
    context: click.Context, *, range_: str | None, without: tuple[str, ...], json_: bool
) -> None:
    """Split the scatter of a range, or of all: across builds and inside them.

    What a run adds by itself is told apart once units were run again. Each part is a
    standard deviation with its 95 % interval (restricted maximum likelihood).
    """
    measured, keys = _measured(context, range_, without)
    found = [measured.variation(key) for key in keys]
    if json_:
        as_json({"held": measured.held, "ranges": [asdict(one) for one in found]})
        return
    as_table(
        [row for one in found for row in _parts(one)],
        {
            "range": "range",
            "part": "scatter",
            "s": "s",
            "interval": "95 % interval",
            "share": "of the variance",
        },
    )
    for one in found:
        if one.alike is not None:
            out().print(one.alike)
        elif one.too_few is None:
            out().print(
                f"Range {one.title}: {one.units} units of {one.builds} builds, "
                f"{one.runs} runs, mean error {one.mean_ppm:+.5g} ppm."
            )
        else:
            out().print(f"Range {one.title}: not enough yet; it {one.too_few}.")
    _mind_held(measured)


@click.command()
@click.argument("range_", metavar="[RANGE]", required=False)
@click.option(
    "--without", multiple=True, metavar="BUILD", help="Leave a build out; repeatable."
)
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def capability(
    context: click.Context, *, range_: str | None, without: tuple[str, ...], json_: bool
) -> None:
    """Say how well a range, or each, keeps its error limit.

    Cp and Cpk rest on the scatter inside builds, Pp and Ppk on that of all units
    together (ISO 22514-2). Of a process that is not stable they are given with the
    reason why they must not be quoted. The first run of each unit counts.
    """
    measured, keys = _measured(context, range_, without)
    found = [measured.capability(key) for key in keys]
    if json_:
        as_json({"held": measured.held, "ranges": [_plain(one) for one in found]})
        return
    as_table(
        [_indices(one) for one in found if one.study is not None],
        {
            "range": "range",
            "units": "units",
            "limit": "limit, ppm",
            "inside": "s inside",
            "cp": "Cp, Cpk",
            "overall": "s overall",
            "pp": "Pp, Ppk",
            "predicted": "beyond",
            "counted": "counted",
        },
    )
    for one in found:
        if one.alike is not None:
            out().print(one.alike)
        elif one.study is None:
            out().print(f"Range {one.title}: not enough yet; {one.too_few}.")
        elif one.study.quotable:
            interval = one.study.inside.cpk_interval
            out().print(
                f"Range {one.title}: Cpk between {interval.lower:.2f} and "
                f"{interval.upper:.2f} (95 %)."
            )
        else:
            out().print(f"Range {one.title}: do not quote Cp and Cpk:")
            for reason in one.study.reasons:
                out().print(f"  {reason}")
    _mind_held(measured)


def _measured(
    context: click.Context, range_: str | None, without: tuple[str, ...]
) -> tuple[Measured, list[str]]:
    with opened(context) as at:
        titles = {key: one.title for key, one in at.settings.product.ranges.items()}
        builds = at.store.frame("builds", product=at.product)["build"].tolist()
        for build in without:
            if build not in builds:
                message = f"{build!r}; there are {', '.join(builds) or 'none yet'}"
                raise click.BadParameter(message, param_hint="--without")
        measured = Measured.of(titles, at.product, at.store, without=without)
    if range_ is None:
        return measured, list(titles)
    if range_ not in titles:
        message = f"{range_!r}; the product has {', '.join(titles)}"
        raise click.BadParameter(message, param_hint="RANGE")
    return measured, [range_]


def _mind_held(measured: Measured) -> None:
    if measured.held:
        names = ", ".join(measured.held)
        out().print(f"Held builds are among them: {names}. --without leaves one out.")


def _parts(one: RangeVariation) -> list[dict[str, Any]]:
    return [
        {
            "range": one.title,
            "part": part.name,
            "s": f"{part.s_ppm if part.s_ppm > NOTHING_PPM else 0.0:.4g} ppm",
            "interval": f"{part.low_ppm:.3g} to {part.high_ppm:.3g} ppm",
            "share": f"{100 * part.share:.0f} %",
        }
        for part in one.components
    ]


def _indices(one: RangeCapability) -> dict[str, Any]:
    study = one.study
    assert study is not None  # noqa: S101 -- asked for only where there is one
    return {
        "range": one.title,
        "units": study.n,
        "limit": f"{one.limit_ppm:.5g}",
        "inside": f"{study.inside.s:.4g}",
        "cp": _pair(study.inside.indices),
        "overall": f"{study.overall.s:.4g}",
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
