"""The study of the detector: its command, its table and its picture."""

import csv
import os
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import altair as alt
import pandas as pd
import vl_convert as vlc

from daemon.commands.manners import as_table, out, say
from daemon.look import LIGHT
from daemon.studies.detection import KNOWN, RATES, Study, run
from daemon.studies.facts import facts
from daemon.studies.goals import goals

TABLE, FALSE_HOLDS, GOALS, PICTURE = (
    "detection.csv",
    "false-holds.csv",
    "goals.csv",
    "detection.svg",
)


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
    as_table(rows, {key: key.replace("_", " ") for key in rows[0]})
    out().print()
    as_table(reached, {key: key for key in reached[0]} if reached else {})
    met = sum(one["met"] == "yes" for one in reached)
    out().print(f"\n{met} of {len(reached)} goals met.", style="bold")
    say(f"{time.monotonic() - started_s:.0f} s; tables and picture are in {folder}")


def table_of(study: Study) -> list[dict[str, Any]]:
    """Return a row a case and fault, both rates and the known parameters beside."""
    rows = {(one.case, one.rate, one.outcome.fault): one for one in study.rows}
    table = []
    for case, rate, fault in rows:
        if rate != RATES[0] or case == KNOWN:
            continue
        line: dict[str, Any] = {"history or product": case, "fault": fault}
        for each in RATES:
            found = rows[case, each, fault].outcome
            known = rows.get((KNOWN, each, fault))
            line[f"delay_1/{each}"] = round(found.mean_delay, 2)
            line[f"by_2_1/{each}"] = round(found.held_by_2, 3)
            line[f"named_1/{each}"] = round(found.named, 3)
            line[f"known_1/{each}"] = (
                round(known.outcome.mean_delay, 2) if known else None
            )
        table.append(line)
    return table


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
