"""What was last measured on a unit, in lines."""

from collections.abc import Collection

from daemon.judging import ProductModel, spelled
from daemon.presentation import figures, points
from storage import CheckRow, LatestResult, Store, UnitRow, Verdict


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
        f"{product.range(one.range).title}: error {_error(one)}, limit "
        f"{figures.allowance(one.limit_ppm)}: {one.verdict}.{_where(one)}"
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
    again = [
        one
        for serial in {one.serial for one in errors}
        for one in store.rows(UnitRow, serial=serial)
        if one.again_drift_ppm and (one.run, one.range) in latest
    ]
    if again and all(_unmoved(one) for one in again):
        return ["It was judged the same: no range had drifted by what can be told."]
    return [
        f"{product.range(one.range).title}: error {_error(one)}: {one.verdict}. The "
        f"bench had drifted by {_drift(one)}."
        for one in again
    ]


def _error(one: LatestResult | UnitRow) -> str:
    """Return an error with its expanded uncertainty, in the unit of its limit."""
    unit = figures.ShareUnit.of((one.limit_ppm,))
    expanded_ppm = figures.COVERAGE * one.uncertainty_ppm
    return (
        f"{figures.measured(one.error_ppm, expanded_ppm, one.limit_ppm)} "
        f"\N{PLUS-MINUS SIGN} {unit.half(expanded_ppm)} {unit.name} (k = 2)"
    )


def _unmoved(one: UnitRow) -> bool:
    """Whether a range that was judged again reads the same, to the digits it has."""
    before, after = (
        figures.measured(error_ppm, figures.COVERAGE * one.uncertainty_ppm, limit_ppm)
        for limit_ppm in [one.limit_ppm]
        for error_ppm in (one.error_ppm, one.again_error_ppm or 0.0)
    )
    return one.again_verdict == one.verdict and before == after


def _drift(one: UnitRow) -> str:
    expanded_ppm = figures.COVERAGE * one.uncertainty_ppm
    return figures.measured(one.again_drift_ppm or 0.0, expanded_ppm, one.limit_ppm)
