"""What a gauge study found, as pages and commands show it."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from daemon.judging.gauge import Gauge
from daemon.presentation import LIGHT, Look, gauges as words, plots
from daemon.spc import gauge as studies

if TYPE_CHECKING:
    import altair as alt

    from daemon.judging.gauge import Found

__all__ = ["Found", "as_text", "in_words", "picture", "sentences"]


def sentences(gauge: Gauge, found: "Found") -> list[str]:
    """Return what it means, in sentences."""
    return words.said(
        found,
        gauge.study.unit,
        tolerance=gauge.study.tolerance,
        known_uncertainty=gauge.study.known_uncertainty,
        days=[at for at, _ in gauge.by_time()],
    )


def picture(
    gauge: Gauge,
    found: "Found",
    *,
    without: Sequence[str] = (),
    look: Look = LIGHT,
    width: int | None = None,
) -> "alt.LayerChart":
    """Return the picture of its kind.

    Parameters
    ----------
    without
        Parts that are left out.
    width
        In px; None takes what room there is.
    """
    unit = gauge.study.unit
    match found:
        case studies.CrossedStudy():
            return plots.readings_of_gauge(
                gauge.values(without=without),
                gauge.left(without),
                gauge.appraisers,
                unit,
                look=look,
                width=width,
            )
        case studies.LinearityStudy():
            biases = gauge.biases(without=without)
            return plots.bias_by_reference(biases, found, unit, look=look, width=width)
        case studies.StabilityStudy():
            days = [at for at, _ in gauge.by_time()]
            return plots.reference_by_day(days, found, unit, look=look, width=width)
        case studies.Type1Study():
            bias, tolerance = found.bias, gauge.study.tolerance
        case _:
            bias, tolerance = found, None
    (known,) = gauge.known.values()
    return plots.readings_in_order(
        gauge.in_order, bias, known, unit, tolerance=tolerance, look=look, width=width
    )


def in_words(gauge: Gauge, found: "Found") -> str:
    """Say what the picture shows, for who cannot see it."""
    name = gauge.study.gauge_study
    match found:
        case studies.CrossedStudy():
            return f"Every reading of study {name}, by part and person."
        case studies.LinearityStudy():
            return f"The bias of every reading of study {name}, by reference."
        case studies.StabilityStudy():
            return f"The mean of each day of study {name}, with its limits."
    return f"Every reading of study {name} in order, with the reference."


def as_text(
    gauge: Gauge, found: "Found", *, without: Sequence[str] = ()
) -> list[dict[str, str]]:
    """Return the picture for a terminal: rows of a name and what is drawn.

    The bar is the mean of a crossed or stability study, else the reference; colons are
    limits.
    """
    match found:
        case studies.CrossedStudy():
            values = gauge.values(without=without)
            return words.as_text(
                zip(
                    gauge.left(without),
                    [one.ravel().tolist() for one in values],
                    strict=True,
                ),
                middle=float(values.mean()),
            )
        case studies.LinearityStudy():
            biases = gauge.biases(without=without)
            return words.as_text(
                [
                    (part, [bias for at, bias in biases if at == known])
                    for part, known in gauge.known.items()
                    if part not in without
                ],
                middle=0.0,
            )
        case studies.StabilityStudy():
            return words.as_text(
                [
                    (f"{at.astimezone():%Y-%m-%d}", [mean])
                    for (at, _), mean in zip(gauge.by_time(), found.means, strict=True)
                ],
                middle=found.limits.centre,
                marks=[found.limits.lower, found.limits.upper],
            )
    (known,) = gauge.known.values()
    return words.as_text(
        [(str(n), [one]) for n, one in enumerate(gauge.in_order, start=1)],
        middle=known,
    )
