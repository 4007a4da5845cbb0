"""The bench in a strip: check standard, temperature, instruments, next check."""

from datetime import date, timedelta

import pandas as pd

from daemon.presentation import figures
from dashboard import data, look
from dashboard.data import Shown
from storage import BenchInstrument, StorageError

SOON_DAYS = 30
NOT_KNOWN = "not known"


def show(shown: Shown) -> None:
    """Show the strip; without a bench file there is none."""
    bench = shown.connection.settings.bench
    if bench is None:
        return
    standing = data.doing()
    state = {} if standing is None else standing[1]
    due = state.get("check_due")
    if state.get("bench") is None:
        next_check = "when a bench is open"
    elif due:
        next_check = f"now: {due}"
    else:
        next_check = every(shown, left=state.get("check_after_units"))
    look.heading("The bench")
    look.answers(
        [
            ("Check standard", standard(shown)),
            ("Temperature", temperature(shown)),
            ("Instruments", instruments(shown, bench.name)),
            ("Next check", next_check),
        ]
    )


def standard(shown: Shown) -> str:
    """Say when the check standard read right last, or where it read wrong."""
    bench = shown.connection.settings.bench
    if bench is None or bench.check_standard is None:
        return "none: a drifting meter looks like a drifting product"
    checks = shown.checks
    if checks.empty:
        return f"{bench.check_standard.serial}, not run yet"
    last = checks[checks["number"] == checks["number"].max()]
    at = look.moment(last["started_at"].iloc[0].to_pydatetime())
    wrong = last[last["verdict"] != "conforming"]["range"].tolist()
    if not wrong:
        return f"{last['serial'].iloc[0]} read right, {at}"
    titles = [shown.product.range(one).title for one in wrong]
    return f"{last['serial'].iloc[0]} read wrong on {', '.join(titles)}, {at}"


def temperature(shown: Shown) -> str:
    """Say how warm it was at the latest run, and what the bench allows."""
    bench = shown.connection.settings.bench
    numbers = [one["number"].max() for one in (shown.errors, shown.checks) if len(one)]
    if bench is None or not numbers:
        return NOT_KNOWN
    try:
        rows = data.asked(shown, "range_rows", after=int(max(numbers)) - 1, kind=None)
    except StorageError:
        return NOT_KNOWN
    low, high = bench.ambient_c
    allowed = f"{low:g} to {high:g} \N{DEGREE SIGN}C allowed"
    if rows.empty or pd.isna(rows["ambient_c"].iloc[-1]):
        return f"not read; {allowed}"
    return (
        f"{rows['ambient_c'].iloc[-1]:.1f} \N{DEGREE SIGN}C at the last run; {allowed}"
    )


def instruments(shown: Shown, bench: str) -> str:
    """Say how many instruments there are, and which calibration ends first."""
    try:
        rows = data.told(shown, BenchInstrument, "latest_instruments", bench=bench)
    except StorageError:
        return NOT_KNOWN
    if not rows:
        return "none met yet"
    text = figures.counted(len(rows), "instrument")
    dues = sorted((one.due_at, one.role) for one in rows if one.due_at)
    if not dues:
        return f"{text}; no calibration date is known"
    first, role = dues[0]
    verb = "was due" if date.fromisoformat(first) < date.today() else "is due"  # noqa: DTZ011 -- a certificate names a day where the bench stands
    return f"{text}; the calibration of the {role} {verb} {first}"


def every(shown: Shown, *, left: int | None) -> str:
    """Say when the check standard is run next; `left` units may come before it."""
    bench = shown.connection.settings.bench
    known = None if bench is None else bench.check_standard
    if known is None:
        return "none"
    said = []
    if left:
        said.append(f"after {figures.counted(left, 'more unit')}")
    if known.every_hours is not None:
        last = shown.checks["started_at"].max()
        if not pd.isna(last):
            at = last.to_pydatetime() + timedelta(hours=known.every_hours)
            said.append(f"at {look.moment(at)}")
    if left == 0:
        return "before the next unit"
    return " or ".join(said) or "at the end of the session"
