"""The bench against a circuit whose truth is known, and where its time goes."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from time import monotonic
from typing import TYPE_CHECKING

import click

from daemon.commands.opened import opened
from daemon.commands.showing import Headline, Table, pairs, say, show

if TYPE_CHECKING:
    from daemon.trials.selftest import Campaign

SAID_EVERY_S = 15.0
QUICK_PARTS = ("campaign", "coverage", "pace")
PARTS = (*QUICK_PARTS, "safe-state")


class SelftestError(Exception):
    """A part of the self-test did not come to what it has to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """How much of everything."""

    faults: int
    socket_faults: int
    benches: int
    units: int
    trials: int

    full: bool
    """Whether it is enough for the stated figures."""


SHORT = Size(faults=20, socket_faults=5, benches=4, units=1, trials=1, full=False)
FULL = Size(
    faults=1000, socket_faults=5000, benches=2000, units=20, trials=200, full=True
)


@click.command("selftest")
@click.option("--full", is_flag=True, help="As much as the stated figures need: hours.")
@click.option(
    "--part", "parts", multiple=True, type=click.Choice(PARTS),
    help="Only this part; may be given again.",
)  # fmt: skip
@click.option(
    "--seed", default=1, show_default=True, help="Another draws other faults."
)
def bench_selftest(*, full: bool, parts: Sequence[str], seed: int) -> None:
    """Test the bench on a simulated circuit.

    It tries faults, whether the stated uncertainty is true, and pace. No instrument
    is needed or touched. It prints a table for each part and fails unless every one
    comes to what it has to.
    """
    size = FULL if full else SHORT
    runs: Mapping[str, Callable[[Size, int], bool]] = {
        "campaign": _campaign,
        "coverage": _coverage,
        "pace": _pace,
        "safe-state": _safe_state,
    }
    asked = parts or (PARTS if full else QUICK_PARTS)
    started_s = monotonic()
    failed = [part for part in asked if not runs[part](size, seed)]
    say(f"Done in {monotonic() - started_s:.1f} s: {', '.join(asked)}.")
    if not full:
        say(
            "Short form: too few for figures, which --full has. --part safe-state "
            "tries a kill and a stop."
        )
    if failed:
        message = f"the self-test failed: {', '.join(failed)}"
        raise SelftestError(message)


def _campaign(size: Size, seed: int) -> bool:
    from daemon.trials.selftest import run, side_by_side  # noqa: PLC0415 -- takes long

    wrong = _campaign_at("in memory", run(size.faults, seed=seed))
    if size.full:
        stages = side_by_side(size.socket_faults, seed=seed)
    else:
        stages = run(size.socket_faults, seed=seed, sockets=True, every_kind=False)
    wrong += _campaign_at("over sockets", stages)
    return not wrong


def _campaign_at(place: str, stages: "Iterator[Campaign]") -> int:
    """Print one campaign; return how many units it recorded wrongly."""
    from daemon.trials.selftest import KindRow  # noqa: PLC0415 -- takes long

    started_s = monotonic()
    said_s = started_s
    done = next(stages)
    for done in stages:
        if monotonic() - said_s > SAID_EVERY_S:
            said_s = monotonic()
            say(f"{done.injected} faults, {done.units} units, {done.wrong} wrong")
    took_s = monotonic() - started_s
    everything = KindRow(
        "all",
        injected=done.injected,
        units=done.units,
        right=done.right,
        in_doubt=done.in_doubt,
        not_measured=done.not_measured,
        wrong=done.wrong,
    )
    show(
        Headline(
            f"Faults, {place}: each unit right as stated, in doubt, or not measured"
        ),
        Table(
            (*done.rows, done.alike, done.for_one_unit, everything, done.output_alone),
            {
                "fault": "kind", "injected": "injected", "units with it": "units",
                "right": "right", "in doubt": "in_doubt",
                "not measured": "not_measured", "wrong": "wrong",
            },
        ),
        f"{done.injected} faults of {sum(one.injected > 0 for one in done.rows)} kinds "
        f"on {done.units} units in {done.sessions} sessions, {done.values} range "
        f"errors judged, {took_s:.1f} s; a unit may have had several faults. In doubt: "
        "measured, but not to leave, since the check after it was not right. An "
        "output's meter that errs for one unit looks like the unit: such units are "
        "counted below all others. What is far off alone is asked to be seated again.",
        pairs(done.reasons.items(), "reason", "units"),
        "",
    )  # fmt: skip
    return done.wrong


def _coverage(size: Size, seed: int) -> bool:
    from daemon.trials.selftest import ALLOWED, benches_covered, summary  # noqa: PLC0415

    rows = summary(
        list(benches_covered(size.benches, first_seed=1 + (seed - 1) * size.benches))
    )
    show(
        Headline(
            f"\nCoverage: the truth inside the 95 % interval, {size.benches} benches; "
            f"{ALLOWED[0]:.1%} to {ALLOWED[1]:.1%} are allowed"
        ),
        Table(
            rows,
            {
                "range": "range",
                "values": "benches",
                "inside": ("share", ".2%"),
                "95 % interval of it": lambda one: "{:.2%} to {:.2%}".format(
                    *one.interval
                ),
                "off, rms ppm": ("rms_ppm", ".1f"),
                "stated, ppm": ("half_width_ppm", ".1f"),
                "inside twice u": lambda one: (
                    f"{one.inside_twice_standard / one.benches:.2%}"
                ),
            },
        ),
    )
    return all(one.holds for one in rows)


def _pace(size: Size, seed: int) -> bool:
    from daemon.trials.selftest import FASTER, WITHIN, paced  # noqa: PLC0415

    pace = paced(size.units, seed=seed)
    unit = {
        "range": "unit",
        "best_s": pace.best_s,
        "measured_s": pace.measured_s,
        "fixed_s": pace.fixed_s,
        "off_ppm": pace.worst_off_ppm,
        "fixed_off_ppm": pace.fixed_worst_off_ppm,
    }
    show(
        Headline("\nPace: simulated seconds a unit; ppm off the truth, rms"),
        Table(
            (*pace.rows, unit),
            {
                "range": "range", "time constant": ("time_constant_s", "g"),
                "model's best": ("best_s", ".2f"), "measured": ("measured_s", ".2f"),
                "fixed waits": ("fixed_s", ".2f"), "off": ("off_ppm", ".1f"),
                "off, fixed waits": ("fixed_off_ppm", ".1f"),
            },
        ),
        f"{pace.over_best:.2f} times the model's best (at most {WITHIN:g}); "
        f"{pace.faster:.1f} times as fast as waits of ten time constants (at least "
        f"{FASTER:g})",
    )  # fmt: skip
    return pace.holds


def _safe_state(size: Size, seed: int) -> bool:
    from daemon.trials.selftest import few_trials, trials  # noqa: PLC0415

    made = trials if size.full else few_trials
    rows = made(size.trials, seed=seed)
    show(
        Headline("\nSafe state: the source off after a mishap"),
        Table(
            rows,
            {
                "mishap": "mishap",
                "own watchdog": lambda one: "yes" if one.watchdog else "no",
                "trials": "trials",
                "failures": "failures",
                "slowest off, s": ("slowest_off_s", ".2f"),
                "": "note",
            },
        ),
    )
    return not any(one.failures for one in rows)


@click.command("pace")
def bench_pace() -> None:
    """Show where the time of a unit goes.

    The model's best stands beside the last unit. The model knows the time constant that
    `settle_s` allows; what readings last and how much they scatter it learns from the
    last unit that the bench measured.
    """
    from daemon.station import NoBenchError, last_unit, paces  # noqa: PLC0415

    with opened() as at:
        if at.settings.bench is None:
            raise NoBenchError
        taken = last_unit(at.store, at.product)
        rows = paces(at.settings, taken)
        titles = {key: one.title for key, one in at.settings.product.ranges.items()}
    show(
        Table(
            rows,
            {
                "range": lambda one: titles.get(one.range, one.range),
                "slowest time constant, s": ("time_constant_s", ".3g"),
                "settling, s": ("settling_s", ".2f"),
                "reading, s": ("integrating_s", ".2f"),
                "model's best, s": ("best_s", ".2f"),
                "measured, s": ("measured_s", ".2f"),
                "ratio": lambda one: (
                    None
                    if one.measured_s is None
                    else f"{one.measured_s / one.best_s:.2f}"
                ),
            },
        )
    )
    if taken:
        say(f"Measured: unit {taken.serial}. The source's start is not in it.")
    else:
        say("No unit was measured by the bench yet: the model alone.")
