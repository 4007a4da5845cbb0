"""What was last measured on a unit, in lines."""

from collections.abc import Collection

from daemon.judging import ProductModel, spelled
from daemon.presentation import MINUS, points
from storage import CheckRow, LatestResult, Store, UnitRow, Verdict

COVERAGE = 2.0
"""Coverage factor of the expanded uncertainty."""


def said(
    store: Store, product: ProductModel, errors: Collection[LatestResult]
) -> list[str]:
    """Return a line a range, and one for each check beside them in the latest run.

    Parameters
    ----------
    errors
        Of one unit.
    """
    lines = [
        f"{product.range(one.range).title}: error {_ppm(one.error_ppm)}, "
        f"U = {COVERAGE * one.uncertainty_ppm:.0f} ppm (k = {COVERAGE:g}, about "
        f"95 %), limit \N{PLUS-MINUS SIGN}{one.limit_ppm:.0f} ppm: "
        f"{one.verdict}.{_where(one)}"
        for one in errors
    ]
    number = max(one.number for one in errors)
    checks = store.rows(CheckRow, product=product.settings.name, after=number - 1)
    return lines + [
        f"{spelled(one)}: {one.verdict}." for one in checks if one.number == number
    ]


def _where(one: LatestResult) -> str:
    """Say by which point a range was judged, where it is not as it must be."""
    if one.verdict is Verdict.CONFORMING or one.decided_by is None:
        return ""
    return f" {points.decided_at(one.decided_by)}"


def before(
    store: Store, product: ProductModel, errors: Collection[LatestResult]
) -> list[str]:
    """Return a line a range that a check judged again: how it was judged before.

    Parameters
    ----------
    errors
        Of one unit.
    """
    latest = {(one.run, one.range) for one in errors}
    return [
        f"{product.range(one.range).title}: error {_ppm(one.error_ppm)}, "
        f"U = {COVERAGE * one.uncertainty_ppm:.0f} ppm: {one.verdict}. The bench "
        f"had drifted by {_ppm(one.again_drift_ppm)}."
        for serial in {one.serial for one in errors}
        for one in store.rows(UnitRow, serial=serial)
        if one.again_drift_ppm and (one.run, one.range) in latest
    ]


def _ppm(value_ppm: float) -> str:
    return f"{'+' if value_ppm >= 0 else MINUS}{abs(value_ppm):.0f} ppm"
