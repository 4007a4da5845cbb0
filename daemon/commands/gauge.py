"""Gauge studies: planned, read in an order drawn at random, worked out."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime

import click

from config import QuantityError, Unit as Quantity, parse, write_whole
from daemon.commands.opened import Opened, opened
from daemon.commands.options import by_person
from daemon.commands.showing import (
    Shown,
    Table,
    interactive,
    listed,
    misuse,
    say,
    shown,
)
from daemon.judging import Cell, Gauge, GaugeError, planned, to_repeat
from daemon.presentation import figures, gauges as words
from daemon.traceability import require_listed
from storage import GaugeReading, GaugeStudy, UnitRow, meant

ERROR_UNIT = "ppm"
"""Of range errors, as the bench reads them."""


@click.command("plan")
@click.argument("name")
@click.option("--part", "parts", multiple=True, required=True, help="Again for each.")
@click.option(
    "--appraiser", "appraisers", multiple=True, required=True,
    help="Who reads; again for each.",
)  # fmt: skip
@click.option(
    "--trials", type=click.IntRange(2, 10), default=3, show_default=True,
    help="How often each reads each part.",
)  # fmt: skip
@click.option("--range", "range_", help="A range whose error is read, in ppm.")
@click.option("--unit", help="Of other readings: V, A, ohm, or any word.")
@click.option("--tolerance", type=float, help="Width between the limits, in that unit.")
@by_person("Who plans it.")
def gauge_plan(
    *,
    name: str,
    parts: tuple[str, ...],
    appraisers: tuple[str, ...],
    trials: int,
    range_: str | None,
    unit: str | None,
    tolerance: float | None,
    person: str,
) -> None:
    """Plan a gauge study; its order is drawn.

    Every appraiser reads every part so many times. Ten parts that span what is built,
    three appraisers and three trials are usual.
    """
    if (range_ is None) == (unit is None):
        misuse("give --range for range errors, or --unit for other readings")
    with opened() as at:
        settings = at.settings
        if range_ is not None:
            if range_ not in settings.product.ranges:
                misuse(f"no range {range_!r}; there are "
                       f"{', '.join(settings.product.ranges)}")  # fmt: skip
            limit = settings.product.ranges[range_].limit
            both = limit.of_reading_ppm + limit.of_full_scale_ppm
            tolerance = 2 * both if tolerance is None else tolerance
        require_listed(person, settings.plan.people)
        if at.store.rows(GaugeStudy, gauge_study=name):
            misuse(f"gauge study {name} is there already; take another name")
        study = planned(
            name,
            product=at.product,
            parts=parts,
            appraisers=appraisers,
            trials=trials,
            unit=unit or ERROR_UNIT,
            range_=range_,
            tolerance=tolerance,
            bench=settings.bench,
            person=person,
            at=datetime.now(UTC),
        )
        at.store.keep(study)
    cells = len(Gauge.of(study, ()).cells)
    say(f"Gauge study {name}: {figures.counted(cells, 'reading')}, in an order drawn "
        f"at random. Go on with: holdpoint gauge read {name}")  # fmt: skip


@click.command("list")
@shown
def gauge_list() -> Shown:
    """List gauge studies, the latest last."""
    with opened() as at:
        found = [_gauge(at, one) for one in at.rows(GaugeStudy)]
        again = to_repeat([one.study for one in found], at.settings.bench)
        titles = {key: one.title for key, one in at.settings.product.ranges.items()}
    rows = [
        {
            "study": one.study.gauge_study,
            "range": titles.get(one.study.range or "", one.study.range or "-"),
            "size": f"{len(one.parts)} x {len(one.appraisers)} x {one.study.trials}",
            "missing": len(one.missing),
            "planned_at": one.study.planned_at,
        }
        for one in found
    ]
    table = listed(rows, {
        "study": "study", "range": "range", "parts x people x trials": "size",
        "missing": "missing", "planned": "planned_at",
    })  # fmt: skip
    for line in words.to_repeat([one.gauge_study for one in again]):
        say(line)
    return table


@click.command("read")
@click.argument("name")
@click.argument("values", nargs=-1)
@click.option("--appraiser", help="Only what this one reads; else whoever is next.")
@click.option("--from-bench", is_flag=True, help="Take the latest run of the unit due.")
def gauge_read(
    *, name: str, values: tuple[str, ...], appraiser: str | None, from_bench: bool
) -> None:
    """Read on in the order that was drawn.

    Without VALUES it asks for one after another and does not show what was read
    before. --from-bench takes the error of the run that was measured since.
    """
    with opened() as at:
        gauge = _named(at, name)
        if appraiser is not None and appraiser not in gauge.appraisers:
            misuse(
                f"{appraiser!r} does not read here; {', '.join(gauge.appraisers)} do"
            )
        if from_bench:
            gauge = _taken(at, gauge, appraiser)
        for text in values:
            gauge = _kept(at, gauge, _due(gauge, appraiser), _number(gauge, text))
        while not values and not from_bench and (cell := gauge.due(appraiser)):
            if not interactive():
                misuse("give the values, or a terminal to ask for them")
            text = click.prompt(f"{_words(gauge, cell)} It shows", err=True)
            try:
                value = _number(gauge, text)
            except (QuantityError, ValueError) as exc:
                say(str(exc))
                continue
            gauge = _kept(at, gauge, cell, value)
    due = gauge.due(appraiser)
    say(f"Nothing more to read: holdpoint gauge show {name}" if due is None
        else _words(gauge, due))  # fmt: skip


@click.command("show")
@click.argument("name")
@click.option("--without", multiple=True, metavar="PART", help="Leave this part out.")
@click.option("--picture", type=click.Path(dir_okay=False), help="Write it as PNG.")
@shown
def gauge_show(*, name: str, without: tuple[str, ...], picture: str | None) -> Shown:
    """Say what a gauge study found.

    Analysis of variance: repeatability, reproducibility, parts. Readings that are
    missing are named; their parts may be left out.
    """
    with opened() as at:
        gauge = _named(at, name)
    found = gauge.result(without=without)
    if picture is not None:
        _drawn(gauge, without, picture)
    unit = gauge.study.unit
    spread = found.spread
    return Shown(
        asdict(found)
        | {
            "gauge": spread.gauge,
            "total": spread.total,
            "share_of_spread": spread.share_of_spread,
            "categories": spread.categories,
            "total_sum_of_squares": found.total_sum_of_squares,
            "mean_squares": {one.source: one.mean_square for one in found.rows},
        },
        Table(
            words.spread(found, unit),
            {"source": "source", "s": "s", "of the total": "share"},
        ),
        *words.said(found, gauge.study.tolerance),
    )


def _gauge(at: Opened, study: GaugeStudy) -> Gauge:
    readings = at.store.rows(GaugeReading, gauge_study=study.gauge_study)
    return Gauge.of(study, readings)


def _named(at: Opened, name: str) -> Gauge:
    studies = {one.gauge_study: one for one in at.rows(GaugeStudy)}
    return _gauge(at, studies[meant(name, studies, kind="gauge study")])


def _due(gauge: Gauge, appraiser: str | None) -> Cell:
    cell = gauge.due(appraiser)
    if cell is None:
        message = "nothing more is to be read here"
        raise GaugeError(message)
    return cell


def _words(gauge: Gauge, cell: Cell) -> str:
    return words.due(
        cell.part,
        cell.appraiser,
        cell.trial,
        read=len(gauge.read),
        cells=len(gauge.cells),
    )


def _number(gauge: Gauge, text: str) -> float:
    unit = gauge.study.unit
    known = {one.value: one for one in Quantity if one is not Quantity.PPM}
    if unit in known:
        return parse(text, known[unit])
    try:
        return float(text)
    except ValueError as exc:
        raise QuantityError(text=text, problem=f"must be a number, in {unit}") from exc


def _kept(
    at: Opened, gauge: Gauge, cell: Cell, value: float, *, run: str | None = None
) -> Gauge:
    at.store.keep(
        GaugeReading(
            gauge_study=gauge.study.gauge_study,
            place=cell.place,
            value=value,
            run=run,
            person=cell.appraiser,
            read_at=datetime.now(UTC),
        )
    )
    return _gauge(at, gauge.study)


def _taken(at: Opened, gauge: Gauge, appraiser: str | None) -> Gauge:
    """Take the latest run of the unit that is due, which no reading has yet."""
    cell = _due(gauge, appraiser)
    if gauge.study.range is None:
        misuse("this study is of readings that are typed")
    used = {
        one.run
        for one in at.store.rows(GaugeReading, gauge_study=gauge.study.gauge_study)
    }
    rows: Sequence[UnitRow] = [
        one
        for one in at.store.rows(UnitRow, serial=cell.part)
        if one.range == gauge.study.range
        and one.started_at >= gauge.study.planned_at
        and one.run not in used
    ]
    if not rows:
        misuse(f"{cell.part} was not measured since: {_words(gauge, cell)}")
    return _kept(at, gauge, cell, rows[-1].error_ppm, run=rows[-1].run)


def _drawn(gauge: Gauge, without: Sequence[str], path: str) -> None:
    from pathlib import Path  # noqa: PLC0415 -- slow to load, and seldom asked for

    import vl_convert  # noqa: PLC0415

    from daemon.presentation import plots  # noqa: PLC0415

    chart = plots.readings_of_gauge(
        gauge.values(without=without),
        [one for one in gauge.parts if one not in without],
        gauge.appraisers,
        gauge.study.unit,
        width=760,
    )
    png = vl_convert.vegalite_to_png(chart.to_dict(validate=False), scale=2)
    write_whole(Path(path), png, for_all=True)
