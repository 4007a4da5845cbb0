"""The study of the detector: its command, its table and its picture."""

import csv
import os
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import altair as alt
import pandas as pd
import vl_convert as vlc

from daemon.commands.manners import as_table, out, say
from daemon.look import LIGHT
from daemon.studies.detection import BUILD_UNITS, KNOWN, RATES, FalseHolds, Study, run
from daemon.studies.facts import facts
from daemon.studies.goals import goals

TABLE, FALSE_HOLDS, GOALS, PICTURE = (
    "detection.csv",
    "false-holds.csv",
    "goals.csv",
    "detection.svg",
)
COLUMNS = {
    "delay": "delay",
    "delay_known": "known",
    "held_by_2": "by 2",
    "named": "cause",
    "named_known": "known",
    "named_later": "later",
    "covered": "size",
    "covered_later": "later",
}
LEGEND = """\
Good builds held: share in each world, of what is accepted; worlds beyond those that the
limit was calibrated on come last. Delay: mean units from the first bad one, which is 1,
to the finding; a miss counts as 40. By 2: share found by the second. Cause: share
named right, at once and later, that is 5 units on. Size: share of 95 % intervals that
hold the true one. Known: with the true parameters of the world known."""


Told = Callable[[float, str], None]


def study_detection(
    replicates: int, seed: int, workers: int | None, folder: Path, tell: Told
) -> None:
    """Run it, print it, and write tables and picture into a folder."""
    started_s = time.monotonic()
    study = run(
        replicates=replicates,
        seed=seed,
        workers=workers or len(os.sched_getaffinity(0)),
        progress=tell,
    )
    folder.mkdir(parents=True, exist_ok=True)
    rows = table_of(study)
    false = [one._asdict() for one in study.false_holds]
    reached = [
        {
            "goal": one.what,
            "found": f"{one.found:.4g}",
            "bound": f"{one.kind} {one.bound:g}",
            "met": "yes" if one.met else "no",
        }
        for one in (*goals(study), *facts(seed))
    ]
    for name, lines in ((TABLE, rows), (FALSE_HOLDS, false), (GOALS, reached)):
        _write(folder / name, lines)
    picture(study, folder / PICTURE)
    _print(rows, study.false_holds)
    missed = [one for one in reached if one["met"] == "no"]
    out().print(
        f"\n{len(reached) - len(missed)} of {len(reached)} goals met; every one is in "
        f"{GOALS}.",
        style="bold",
    )
    if missed:
        as_table(missed, {"goal": "not met", "found": "found", "bound": "bound"})
    say(f"{time.monotonic() - started_s:.0f} s; tables and picture are in {folder}")


def table_of(study: Study) -> list[dict[str, Any]]:
    """Return a row a case, rate and fault, with known parameters beside."""
    known = {
        (one.rate, one.outcome.fault): one.outcome
        for one in study.rows
        if one.case == KNOWN
    }
    table = []
    for case, rate, limit, found in study.rows:
        best = None if case == KNOWN else known.get((rate, found.fault))
        table.append(
            {
                "history_or_product": case,
                "units_per_false_hold": rate,
                "log_odds_limit": round(limit, 3),
                "fault": found.fault,
                "builds": found.replicates,
                "delay": round(found.mean_delay, 2),
                "delay_known": round(best.mean_delay, 2) if best else None,
                "held_by_2": round(found.held_by_2, 3),
                "missed": round(found.missed, 4),
                "named": round(found.named, 3),
                "named_known": round(best.named, 3) if best else None,
                "named_later": round(found.named_later, 3),
                "covered": round(found.covered, 3),
                "covered_later": round(found.covered_later, 3),
            }
        )
    return table


def _print(rows: Sequence[dict[str, Any]], false_holds: Sequence[FalseHolds]) -> None:
    """Print every case: good builds held by world, then faults by rate."""
    out().print(LEGEND)
    for case in dict.fromkeys(one["history_or_product"] for one in rows):
        out().print(f"\n{case}", style="bold")
        worlds: dict[str, dict[str, Any]] = {}
        for one in false_holds:
            if one.case == case:
                line = worlds.setdefault(one.world, {"world": one.world})
                line[f"held_{one.rate}"] = f"{one.share:.4f}"
        if worlds:
            as_table(
                list(worlds.values()),
                {
                    "world": "good builds held",
                    **{f"held_{rate}": f"of {BUILD_UNITS / rate:g}" for rate in RATES},
                },
            )
        for rate in RATES:
            as_table(
                [
                    one
                    for one in rows
                    if (one["history_or_product"], one["units_per_false_hold"])
                    == (case, rate)
                ],
                {"fault": f"one false hold in {rate} units", **COLUMNS},
            )


def picture(study: Study, path: Path) -> None:
    """Write mean delays of the three histories, and with known parameters, as SVG."""
    frame = pd.DataFrame(
        [
            {
                "history": one.case,
                "fault": one.outcome.fault,
                "rate": f"one false hold in {one.rate} units",
                "delay": one.outcome.mean_delay,
            }
            for one in study.rows
            if one.case == KNOWN or "segment" in one.case
        ]
    )
    chart = (
        alt.Chart(frame, width=330, height=alt.Step(24))
        .mark_point(filled=True, size=70, opacity=0.9)
        .encode(
            x=alt.X("delay:Q", title="mean units to the finding").scale(
                type="log", domain=[0.9, 40]
            ),
            y=alt.Y("fault:N", title=None, sort=None, axis=alt.Axis(labelLimit=320)),
            color=alt.Color("history:N", title=None, sort=None).scale(
                range=[LIGHT.unit, LIGHT.moved, LIGHT.odd, LIGHT.ink]
            ),
            shape=alt.Shape("history:N", title=None, sort=None),
            column=alt.Column("rate:N", title=None),
        )
        .configure(font="DejaVu Sans", background=LIGHT.paper)
        .configure_legend(orient="bottom", labelLimit=300)
    )
    svg = vlc.vegalite_to_svg(chart.to_dict())
    path.write_text(svg, encoding="utf-8")


def _write(path: Path, rows: Iterable[dict[str, Any]]) -> None:
    listed = list(rows)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(listed[0]) if listed else [])
        writer.writeheader()
        writer.writerows(listed)
