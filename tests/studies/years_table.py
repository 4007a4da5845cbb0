"""The study of years: its table for a person, its figures for a program."""

from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path

from daemon.commands.showing import Headline, Part, Table, pairs, say, show, to_json
from tests.studies.tally import Tally, tally
from tests.studies.year import Year
from tests.studies.years import live_many

LEGEND = """\
Held by 1, 2, 3: share of builds held by the first, second, third bad unit. Early: held
before anything was wrong. Left: bad units packed before the hold. Named, reel, from:
share of causes named right at the end of the build, with the reel, the first serial."""


def studied(
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
    show(*_parts(found))
    for one in found.exceptions:
        say(one)
    if json_ is not None:
        body = {"tally": asdict(found), "years": [asdict(one) for one in years]}
        json_.write_text(to_json(body) + "\n", encoding="utf-8")
        say(f"Every build is in {json_}.")


def _parts(found: Tally) -> Iterator[Part]:
    """Show the figures, 80 columns wide."""
    yield Headline(
        f"{found.makers} makers, {found.builds} builds, {found.runs} runs; one false "
        f"hold in {found.accepted} units is accepted\n"
    )
    yield Table(
        [one for one in found.good if one.builds],
        {
            "good builds": "who", "builds": "builds", "units": "units", "held": "held",
            "accepted": ("expected", ".2f"), "most (95 %)": "most",
        },
    )  # fmt: skip
    if found.held:
        yield ""
        yield pairs(found.held.items(), "good builds held by, in", "builds")
    yield f"\n{LEGEND}\n"
    yield Table(
        found.faults,
        {
            "fault": "fault",
            "n": "builds",
            "1": lambda one: _percent(one.by_first, one.builds),
            "2": lambda one: _percent(one.by_second, one.builds),
            "3": lambda one: _percent(one.by_third, one.builds),
            "never": lambda one: _percent(one.never, one.builds),
            "early": lambda one: _percent(one.early, one.builds),
            "left": "left",
            "named": lambda one: _percent(one.named, one.causes),
            "reel": lambda one: _percent(one.reels, one.causes),
            "from": lambda one: _percent(one.firsts, one.causes),
        },
    )
    yield ""
    yield pairs(_counts(found).items(), "what", "count")


def _counts(found: Tally) -> dict[str, object]:
    return {
        "false holds withdrawn": _of(*found.withdrawn),
        "two bad reels at once, both named": _of(*found.both_named),
        "both kept, next build held by unit 2": _of(*found.both_kept),
        "bad reel kept, next build held by unit 2": _of(*found.kept),
        "accepted reel kept, next build held again": _of(*found.released),
        "accepted build held again": _of(*found.again),
        "95 % interval of the size holds the true one": _of(*found.covered),
        "findings in good builds that hold at the end": _of(*found.refuted),
        "slips of the hand seated again": _of(*found.slips),
        "good units seated again": _of(*found.asked_for_nothing),
        "builds that wait for a good reel on hold": found.waited,
        "steps of the bench": found.bench_steps[0],
        "  checks out of control because of them": found.bench_steps[1],
        "checks out of control for nothing": found.checks_out,
        "restarts": found.restarts,
        "  that changed a finding": found.raised_by_restart,
        "  largest difference of log-odds": (
            "not told" if found.unlike is None else f"{found.unlike:.3g}"
        ),
        "exceptions": len(found.exceptions),
        "ms a run, all in": f"{found.ms_a_run:.1f}",
    }


def _percent(count: int, of: int) -> str:
    return "-" if of == 0 else f"{100.0 * count / of:.0f} %"


def _of(count: int, of: int) -> str:
    return f"{count} of {of}"
