"""The study of years: its table for a person, its figures for a program."""

from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

from daemon.commands.manners import as_table, out, say, to_json
from daemon.trials.studies.tally import Tally, tally
from daemon.trials.studies.year import Year
from daemon.trials.studies.years import live_many

LEGEND = """\
Held by 1, 2, 3: share of builds held by the first, second, third bad unit. Early: held
before anything was wrong. Left: bad units packed before the hold. Named, reel, from:
share of causes named right at the end of the build, with the reel, the first serial."""


def study_years(
    *,
    makers: int,
    seed: int,
    accepted: int,
    workers: int,
    json_: Path | None,
    tell: Callable[[int, str], None],
) -> None:
    """Live the years, print what they came to, and write it with every build."""
    years: list[Year] = []
    seeds = range(seed, seed + makers)
    try:
        for year in live_many(seeds, accepted=accepted, workers=workers):
            years.append(year)
            tell(len(years), f"maker {year.seed}")
    except KeyboardInterrupt:
        say(f"Stopped after {len(years)} of {makers} makers; this is what they lived.")
    found = tally(years, accepted=accepted)
    show(found)
    if json_ is not None:
        body = {"tally": asdict(found), "years": [asdict(one) for one in years]}
        json_.write_text(to_json(body) + "\n", encoding="utf-8")
        say(f"Every build is in {json_}.")


def show(found: Tally) -> None:
    """Print the figures, 80 columns wide."""
    out().print(
        f"{found.makers} makers, {found.builds} builds, {found.runs} runs; one false "
        f"hold in {found.accepted} units is accepted\n",
        style="bold",
    )
    as_table(
        [
            {**asdict(one), "expected": f"{one.expected:.2f}"}
            for one in found.good
            if one.builds
        ],
        {
            "who": "good builds",
            "builds": "builds",
            "units": "units",
            "held": "held",
            "expected": "accepted",
            "most": "most (95 %)",
        },
    )
    if found.held:
        out().print()
        as_table(
            [{"what": what, "is": count} for what, count in found.held.items()],
            {"what": "good builds held by, in", "is": "builds"},
        )
    out().print(f"\n{LEGEND}\n")
    as_table(
        [
            {
                "fault": one.fault,
                "builds": one.builds,
                "first": _percent(one.by_first, one.builds),
                "second": _percent(one.by_second, one.builds),
                "third": _percent(one.by_third, one.builds),
                "never": _percent(one.never, one.builds),
                "early": _percent(one.early, one.builds),
                "left": one.left,
                "named": _percent(one.named, one.causes),
                "reel": _percent(one.reels, one.causes),
                "from": _percent(one.firsts, one.causes),
            }
            for one in found.faults
        ],
        {
            "fault": "fault",
            "builds": "n",
            "first": "1",
            "second": "2",
            "third": "3",
            "never": "never",
            "early": "early",
            "left": "left",
            "named": "named",
            "reel": "reel",
            "from": "from",
        },
    )
    out().print()
    as_table(
        [
            {"what": what, "is": _of(*pair)}
            for what, pair in (
                ("false holds withdrawn", found.withdrawn),
                ("two bad reels at once, both named", found.both_named),
                ("both kept, next build held by unit 2", found.both_kept),
                ("bad reel kept, next build held by unit 2", found.kept),
                ("accepted reel kept, next build held again", found.released),
                ("accepted build held again", found.again),
                ("95 % interval of the size holds the true one", found.covered),
                ("findings in good builds that hold at the end", found.refuted),
                ("slips of the hand seated again", found.slips),
                ("good units seated again", found.asked_for_nothing),
            )
        ]
        + [
            {"what": what, "is": said}
            for what, said in (
                ("builds that wait for a good reel on hold", found.waited),
                ("steps of the bench", found.bench_steps[0]),
                ("  checks out of control because of them", found.bench_steps[1]),
                ("checks out of control for nothing", found.checks_out),
                ("restarts", found.restarts),
                ("  that changed a finding", found.raised_by_restart),
                (
                    "  largest difference of log-odds",
                    "not told" if found.unlike is None else f"{found.unlike:.3g}",
                ),
                ("exceptions", len(found.exceptions)),
                ("ms a run, all in", f"{found.ms_a_run:.1f}"),
            )
        ],
        {"what": "what", "is": "count"},
    )
    for one in found.exceptions:
        say(one)


def _percent(count: int, of: int) -> str:
    return "-" if of == 0 else f"{100.0 * count / of:.0f} %"


def _of(count: int, of: int) -> str:
    return f"{count} of {of}"
