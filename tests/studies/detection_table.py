"""The study of the detector: its command, its table and its picture."""

import csv
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import altair as alt
import pandas as pd
import vl_convert as vlc

from daemon.commands.showing import Headline, Part, Table, say, show
from daemon.presentation import LIGHT
from tests.studies.detection import RATES, SIMPLEST, WAYS, FalseHolds, Study, run
from tests.studies.facts import facts
from tests.studies.faults import Outcome
from tests.studies.goals import goals

TABLE, FALSE_HOLDS, GOALS, PICTURE = (
    "detection.csv",
    "false-holds.csv",
    "goals.csv",
    "detection.svg",
)
COLUMNS = {
    "delay": "delay",
    "simplest": "simplest",
    "by 2": "held_by_2",
    "missed": "missed",
    "cause": "named",
    "place": "place",
    "cause, end": "named_last",
    "size": "covered",
    "size, end": "covered_last",
}
BENCH_COLUMNS = {
    "by check 1": "bench_by_1",
    "by check 2": "bench_by_2",
    "suspected": "suspected_by_2",
}
SHARES = (
    "held_by_1", "held_by_2", "missed", "named", "place", "named_last",
    "standing_last", "covered", "covered_last", "bench_by_1", "bench_by_2",
    "suspected_by_2",
)  # fmt: skip
LEGEND = """\
Good builds held: share in each world and habit. Delay: mean units from the first bad
one, which is 1, to the hold; a miss counts as 40. Simplest: that of a mean since the
change of reel, at equal false holds. By 2: share held by the second unit. Cause, place:
share named right at the hold, and at the end of the build. Size: share of 95 %
intervals that hold the true one. Seated: odd units were seated again before they
count."""


Told = Callable[[float, str], None]


def studied(
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
    show(*_parts(rows, study.false_holds))
    missed = [one for one in reached if one["met"] == "no"]
    show(
        Headline(
            f"\n{len(reached) - len(missed)} of {len(reached)} goals met; every one is "
            f"in {GOALS}."
        )
    )
    if missed:
        show(Table(missed, {"not met": "goal", "found": "found", "bound": "bound"}))
    say(f"{time.monotonic() - started_s:.0f} s; tables and picture are in {folder}")


def table_of(study: Study) -> list[dict[str, Any]]:
    """Return a row a fault, rate and way."""
    return [_row(study, one) for one in study.rows]


def _row(study: Study, one: Outcome) -> dict[str, Any]:
    arm = next(a for a in study.arms if (a.rate, a.seated) == (one.rate, one.seated))
    return {
        "units_per_false_hold": one.rate,
        "way": WAYS[0] if one.seated else WAYS[1],
        "log_odds_limit": round(arm.log_odds, 2),
        "fault": one.name,
        "builds": one.replicates,
        "early": round(one.early, 3),
        "delay": round(one.mean_delay, 2),
        "simplest": round(one.simplest_delay, 2),
        **{name: round(getattr(one, name), 3) for name in SHARES},
    }


def _parts(
    rows: Sequence[dict[str, Any]], false_holds: Sequence[FalseHolds]
) -> Iterator[Part]:
    """Show good builds held by world and habit, then faults, by rate and way."""
    yield LEGEND
    for rate in RATES:
        for way in WAYS:
            yield Headline(f"\none false hold in {rate} units, {way}")
            for which in (way, f"{SIMPLEST}, {way}"):
                yield from _held(
                    [o for o in false_holds if (o.rate, o.way) == (rate, which)], which
                )
            mine = [
                one
                for one in rows
                if (one["units_per_false_hold"], one["way"]) == (rate, way)
            ]
            yield Table(mine, {"fault": "fault", **COLUMNS})
            bench = [one for one in mine if one["fault"].startswith("bench")]
            if bench:
                yield Table(bench, {"bench named": "fault", **BENCH_COLUMNS})


def _held(rows: Sequence[FalseHolds], which: str) -> Iterator[Table]:
    worlds: dict[str, dict[str, Any]] = {}
    habits = list(dict.fromkeys(one.habit for one in rows))
    for one in rows:
        line = worlds.setdefault(one.world, {"world": one.world})
        line[one.habit] = f"{one.share:.3f}"
    if worlds:
        yield Table(
            list(worlds.values()),
            {f"good builds held, {which}": "world", **{one: one for one in habits}},
        )


def picture(study: Study, path: Path) -> None:
    """Write mean delays at each rate, seated and not, beside the simplest test's."""
    frame = pd.DataFrame(
        [
            {
                "judged by": judged,
                "fault": one.name,
                "rate": f"one false hold in {one.rate} units",
                "delay": delay,
            }
            for one in study.rows
            for judged, delay in (
                (WAYS[0] if one.seated else WAYS[1], one.mean_delay),
                *(((SIMPLEST, one.simplest_delay),) if one.seated else ()),
            )
        ]
    )
    chart = (
        alt.Chart(frame, width=330, height=alt.Step(24))
        .mark_point(filled=True, size=70, opacity=0.9)
        .encode(
            x=alt.X("delay:Q", title="mean units to the hold").scale(
                type="log", domain=[0.9, 40]
            ),
            y=alt.Y("fault:N", title=None, sort=None, axis=alt.Axis(labelLimit=320)),
            color=alt.Color("judged by:N", title=None, sort=None).scale(
                range=[LIGHT.unit, LIGHT.moved, LIGHT.odd]
            ),
            shape=alt.Shape("judged by:N", title=None, sort=None),
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
