"""The bench against a circuit whose truth is known, and where its time goes."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from time import monotonic
from typing import TYPE_CHECKING, Any

import click

from daemon.commands.manners import as_table, opened, out, say

if TYPE_CHECKING:
    from daemon.trials.selftest.campaign import Campaign

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
    "--part",
    "parts",
    multiple=True,
    type=click.Choice(PARTS),
    help="Only this part; may be given again.",
)
@click.option(
    "--seed", default=1, show_default=True, help="Another draws other faults."
)
def selftest(*, full: bool, parts: Sequence[str], seed: int) -> None:
    """Put the bench to the test on a simulated circuit: faults, coverage, pace.

    No instrument is needed or touched. Prints a table for each part and fails unless
    every one comes to what it has to.
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
    from daemon.trials.selftest.campaign import run, side_by_side  # noqa: PLC0415 -- takes long

    wrong = _campaign_at("in memory", run(size.faults, seed=seed))
    if size.full:
        stages = side_by_side(size.socket_faults, seed=seed)
    else:
        stages = run(size.socket_faults, seed=seed, sockets=True, every_kind=False)
    wrong += _campaign_at("over sockets", stages)
    return not wrong


def _campaign_at(place: str, stages: "Iterator[Campaign]") -> int:
    """Print one campaign; return how many units it recorded wrongly."""
    from daemon.trials.selftest.campaign import KindRow  # noqa: PLC0415 -- takes long

    started_s = monotonic()
    said_s = started_s
    done = next(stages)
    for done in stages:
        if monotonic() - said_s > SAID_EVERY_S:
            said_s = monotonic()
            say(f"{done.injected} faults, {done.units} units, {done.wrong} wrong")
    took_s = monotonic() - started_s
    out().print(
        f"[bold]Faults, {place}[/bold]: each unit right as stated, in doubt, or not "
        "measured"
    )
    everything = KindRow(
        "all",
        injected=done.injected,
        units=done.units,
        right=done.right,
        in_doubt=done.in_doubt,
        not_measured=done.not_measured,
        wrong=done.wrong,
    )
    as_table(
        [asdict(one) for one in (*done.rows, done.alike, everything)],
        {
            "kind": "fault",
            "injected": "injected",
            "units": "units with it",
            "right": "right",
            "in_doubt": "in doubt",
            "not_measured": "not measured",
            "wrong": "wrong",
        },
    )
    out().print(
        f"{done.injected} faults of {sum(one.injected > 0 for one in done.rows)} kinds "
        f"on {done.units} units in {done.sessions} sessions, {done.values} range "
        f"errors judged, {took_s:.1f} s; a unit may have had several faults. In doubt: "
        "measured, but not to leave, since the check after it was not right."
    )
    as_table(
        [{"reason": reason, "units": n} for reason, n in done.reasons.items()],
        {"reason": "reason", "units": "units"},
    )
    out().print()
    return done.wrong


def _coverage(size: Size, seed: int) -> bool:
    from daemon.trials.selftest.coverage import ALLOWED, study, summary  # noqa: PLC0415

    rows = summary(list(study(size.benches, first_seed=1 + (seed - 1) * size.benches)))
    out().print(
        f"\n[bold]Coverage[/bold]: the truth inside the 95 % interval, "
        f"{size.benches} benches; {ALLOWED[0]:.1%} to {ALLOWED[1]:.1%} are allowed"
    )
    as_table(
        [
            {
                "range": one.range,
                "values": one.benches,
                "inside": f"{one.share:.2%}",
                "interval": f"{one.interval[0]:.2%} to {one.interval[1]:.2%}",
                "rms": f"{one.rms_ppm:.1f}",
                "half": f"{one.half_width_ppm:.1f}",
                "twice": f"{one.inside_twice_standard / one.benches:.2%}",
            }
            for one in rows
        ],
        {
            "range": "range",
            "values": "values",
            "inside": "inside",
            "interval": "95 % interval of it",
            "rms": "off, rms ppm",
            "half": "stated, ppm",
            "twice": "inside twice u",
        },
    )
    return all(one.holds for one in rows)


def _pace(size: Size, seed: int) -> bool:
    from daemon.trials.selftest.pace import FASTER, WITHIN, study  # noqa: PLC0415

    pace = study(size.units, seed=seed)
    out().print("\n[bold]Pace[/bold]: simulated seconds a unit; ppm off the truth, rms")
    as_table(
        [
            *(
                {
                    "range": one.range,
                    "tau": f"{one.time_constant_s:g}",
                    "best": f"{one.best_s:.2f}",
                    "measured": f"{one.measured_s:.2f}",
                    "fixed": f"{one.fixed_s:.2f}",
                    "off": f"{one.off_ppm:.1f}",
                    "fixed_off": f"{one.fixed_off_ppm:.1f}",
                }
                for one in pace.rows
            ),
            {
                "range": "unit",
                "best": f"{pace.best_s:.2f}",
                "measured": f"{pace.measured_s:.2f}",
                "fixed": f"{pace.fixed_s:.2f}",
                "off": f"{pace.worst_off_ppm:.1f}",
                "fixed_off": f"{pace.fixed_worst_off_ppm:.1f}",
            },
        ],
        {
            "range": "range",
            "tau": "time constant",
            "best": "model's best",
            "measured": "measured",
            "fixed": "fixed waits",
            "off": "off",
            "fixed_off": "off, fixed waits",
        },
    )
    out().print(
        f"{pace.over_best:.2f} times the model's best (at most {WITHIN:g}); "
        f"{pace.faster:.1f} times as fast as waits of ten time constants (at least "
        f"{FASTER:g})"
    )
    return pace.holds


def _safe_state(size: Size, seed: int) -> bool:
    from daemon.trials.selftest.safe_trials import few_trials, trials  # noqa: PLC0415

    made = trials if size.full else few_trials
    rows = made(size.trials, seed=seed)
    out().print("\n[bold]Safe state[/bold]: the source off after a mishap")
    as_table(
        [
            {
                "mishap": one.mishap,
                "watchdog": "yes" if one.watchdog else "no",
                "trials": one.trials,
                "failures": one.failures,
                "slowest": None
                if one.slowest_off_s is None
                else f"{one.slowest_off_s:.2f}",
                "note": one.note,
            }
            for one in rows
        ],
        {
            "mishap": "mishap",
            "watchdog": "own watchdog",
            "trials": "trials",
            "failures": "failures",
            "slowest": "slowest off, s",
            "note": "",
        },
    )
    return not any(one.failures for one in rows)


@click.command("pace")
@click.pass_context
def pace(context: click.Context) -> None:
    """Show where the time of a unit goes: the model's best against the last unit.

    The model knows the time constant that `settle_s` allows; what readings last and
    how much they scatter it learns from the last unit that the bench measured.
    """
    from daemon.station.time_of_unit import NoBenchError, last_unit, paces  # noqa: PLC0415

    with opened(context) as at:
        if at.settings.bench is None:
            raise NoBenchError
        taken = last_unit(at.store, at.product)
        rows = paces(at.settings, taken)
    as_table(
        [_spelled(one) for one in rows],
        {
            "range": "range",
            "tau": "slowest time constant, s",
            "settling": "settling, s",
            "integrating": "reading, s",
            "best": "model's best, s",
            "measured": "measured, s",
            "ratio": "ratio",
        },
    )
    if taken:
        say(f"Measured: unit {taken.serial}. The source's start is not in it.")
    else:
        say("No unit was measured by the bench yet: the model alone.")


def _spelled(one: Any) -> dict[str, str | None]:
    measured = one.measured_s
    return {
        "range": one.range,
        "tau": None if one.time_constant_s is None else f"{one.time_constant_s:.3g}",
        "settling": f"{one.settling_s:.2f}",
        "integrating": f"{one.integrating_s:.2f}",
        "best": f"{one.best_s:.2f}",
        "measured": None if measured is None else f"{measured:.2f}",
        "ratio": None if measured is None else f"{measured / one.best_s:.2f}",
    }
