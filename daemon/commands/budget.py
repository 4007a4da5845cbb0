"""What makes a verdict unsure, line by line."""

from dataclasses import asdict
from typing import Any

import click

from config import load
from daemon.commands.opened import home_here, opened
from daemon.commands.showing import Shown, Table, misuse, shown
from daemon.judging import budgets_of_bench, budgets_of_run, drifts_of
from daemon.metrology import Budget
from daemon.presentation import budgets as words, figures
from storage import RangeResult, Run, UnitRow


@click.command()
@click.argument("range_", metavar="[RANGE]", required=False)
@click.option("--unit", "serial", help="As this unit was read last, its scatter too.")
@shown
def budget(*, range_: str | None, serial: str | None) -> Shown:
    """Say what makes a verdict unsure.

    For one RANGE the table of JCGM 100; without it a line a range. A good unit that
    reads without scatter is taken, so it can be asked before the first one; --unit
    takes one that was measured. What the bench drifts by until the next check is a
    line once the check standard was run twice in one session. Numbers are drawn to
    check it (JCGM 101).
    """
    found = _of_unit(serial) if serial else _of_bench()
    if range_ is None:
        return Shown(
            {"ranges": [_plain(one) for one in found]},
            Table(
                [
                    {
                        "range": one.title,
                        "U": words.part(one.expanded_ppm, one),
                        "limit": figures.allowance(one.limit_ppm),
                        "ratio": f"{one.ratio:.2g}",
                        "judges": "yes" if one.judges else "no",
                        "most": one.help.quantity,
                        "share": words.share(one.help.share),
                    }
                    for one in found
                ],
                {
                    "range": "range", "U (k = 2)": "U", "limit": "limit",
                    "limit / U": "ratio", "judges": "judges", "most of it": "most",
                    "share": "share",
                },
            ),
        )  # fmt: skip
    mine = [one for one in found if range_ in {one.range, one.title}]
    if not mine:
        misuse(f"no range {range_!r}; there are {', '.join(o.range for o in found)}")
    (one,) = mine
    return Shown(
        _plain(one),
        words.summary(one),
        Table(
            words.table(one),
            {head.lower(): key for key, head in words.COLUMNS.items()},
        ),
        words.what_helps(one),
        words.drawn(one),
    )


def _of_bench() -> tuple[Budget, ...]:
    """Return what the bench's settings say, and what it did so far where it did."""
    home = home_here()
    if not home.store.exists():
        return budgets_of_bench(load(home.folder))
    with opened() as at:
        return budgets_of_bench(at.settings, drifts_of(at.settings, at.store))


def _of_unit(serial: str) -> tuple[Budget, ...]:
    with opened() as at:
        rows = at.store.rows(UnitRow, serial=serial)
        if not rows:
            misuse(f"unit {serial} was never measured")
        run = rows[-1].run
        (head,) = at.store.rows(Run, run=run)
        return budgets_of_run(
            at.settings,
            at.store.rows(RangeResult, run=run),
            ambient_c=head.ambient_c,
        )


def _plain(one: Budget) -> dict[str, Any]:
    """Return a budget as plain numbers."""
    return asdict(one) | {
        "expanded_ppm": one.expanded_ppm,
        "ratio": one.ratio,
        "judges": one.judges,
        "help": asdict(one.help),
        "drawn_expanded_ppm": one.drawn_expanded_ppm,
    }
