"""Pictures of units for papers: each range, unit by unit, reel by reel."""

from collections.abc import Collection, Sequence

import pandas as pd

from daemon.judging import ProductModel
from daemon.presentation import counted
from daemon.presentation.documents import PAPER, WIDTH_PX, Image, drawn
from daemon.presentation.plots import columns, individuals, laid_out, reel_changes
from storage import Build, Signal, Store, UnitRow

CHART_PX = 150


def by_age(store: Store, product: str) -> list[str]:
    """Return all builds, oldest first."""
    known = store.rows(Build, product=product)
    return [o.build for o in sorted(known, key=lambda o: (o.opened_at, o.build))]


def charts_of(
    store: Store,
    product: ProductModel,
    builds: Sequence[str],
    *,
    ranges: Collection[str] | None = None,
    before_rework: Collection[UnitRow] = (),
    height: int = CHART_PX,
) -> tuple[Image, ...]:
    """Draw ranges of some builds, unit by unit, with what was found on them.

    Parameters
    ----------
    builds
        Oldest first.
    ranges
        Keys; every range where left out.
    before_rework
        What stands in place of what a unit reads since its rework.
    """
    name = product.settings.name
    of_builds = [store.frame("latest_errors", product=name, build=b) for b in builds]
    errors = pd.concat(of_builds, ignore_index=True)
    if errors.empty:
        return ()
    for row in before_rework:
        its = (errors["serial"] == row.serial) & (errors["range"] == row.range)
        errors.loc[its, "error_ppm"] = row.error_ppm
    signals = store.frame("signals", product=name)
    states = pd.concat(
        [store.frame("builds", product=name, build=b) for b in builds],
        ignore_index=True,
    )
    cells = columns(errors, states)
    frame = laid_out(errors, signals[signals["build"].isin(builds)], cells)
    changes = reel_changes(
        frame,
        store.frame("fitting", product=name),
        by_age(store, name),
        {one.key: one.part for one in product.ranges if one.part is not None},
    )
    found = [
        one
        for one in store.rows(Signal, "signals", product=name)
        if one.build in builds and one.standing
    ]
    drawn_as = "one dot a unit as it was measured last"
    if before_rework:
        # Else the picture would look as if the new part read like that.
        drawn_as += ", reworked units as they read with the part that was replaced"
    charts = []
    for one in product.ranges:
        rows = frame[frame["range"] == one.key]
        if rows.empty or (ranges is not None and one.key not in ranges):
            continue
        chart = individuals(
            rows.reset_index(drop=True),
            changes[changes["range"] == one.key],
            cells,
            [s for s in found if s.range in {one.key, None}],
            look=PAPER,
            width=WIDTH_PX,
            height=height,
            # Drawn to the limit, the scatter of good units is a flat line.
            to_limit=False,
        )
        charts.append(
            drawn(
                chart,
                caption=(
                    f"Range {one.title}: {drawn_as}, in "
                    "the order of serials, a triangle where it moved; "
                    "brackets, or an arrow: the error limit; grey: what the units' own "
                    "scatter allows; dotted line: where a reel begins."
                ),
                words=(
                    f"Errors of {counted(rows['serial'].nunique(), 'unit')} on range "
                    f"{one.title}, unit by unit"
                ),
            )
        )
    return tuple(charts)
