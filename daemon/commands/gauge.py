"""Gauge studies: planned, read in an order drawn at random, worked out."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime, time

import click

from config import QuantityError, write_whole
from daemon.commands.opened import Opened, opened
from daemon.commands.options import DAY, by_person
from daemon.commands.showing import (
    Shown,
    Table,
    interactive,
    listed,
    misuse,
    say,
    shown,
)
from daemon.judging import (
    TIMES,
    TRIALS,
    Cell,
    Gauge,
    GaugeError,
    again,
    gauge_shown,
    number,
    planned,
    rests_on_another,
    to_repeat,
    width_between,
)
from daemon.presentation import figures, gauges as words
from daemon.spc import gauge as studies
from daemon.traceability import require_listed
from storage import GaugeKind, GaugeReading, GaugeStudy, UnitRow, meant

ERROR_UNIT = "ppm"
"""Of range errors, as the bench reads them."""


@click.command("plan")
@click.argument("name")
@click.option(
    "--kind", type=click.Choice([one.value for one in GaugeKind]),
    default=GaugeKind.CROSSED.value, show_default=True, help="What it asks.",
)  # fmt: skip
@click.option("--part", "parts", multiple=True, help="Again for each.")
@click.option(
    "--known", multiple=True, metavar="VALUE",
    help="What that part truly is; again for each.",
)  # fmt: skip
@click.option(
    "--known-uncertainty", metavar="VALUE", help="Expanded (k = 2), of what is known."
)
@click.option(
    "--appraiser", "appraisers", multiple=True, help="Who reads; again for each."
)
@click.option(
    "--trials", type=click.IntRange(1, 100), help="How often each reads each part."
)
@click.option(
    "--times", type=click.IntRange(1, 400), help="Stability: on how many days."
)
@click.option("--range", "range_", help="A range whose error is read, in ppm.")
@click.option("--unit", help="Of other readings: V, A, ohm, or any word.")
@click.option("--tolerance", metavar="VALUE", help="Width between the limits.")
@click.option("--like", metavar="STUDY", help="All as in that study, drawn anew.")
@by_person("Who plans it.")
def gauge_plan(
    *,
    name: str,
    kind: str,
    parts: tuple[str, ...],
    known: tuple[str, ...],
    known_uncertainty: str | None,
    appraisers: tuple[str, ...],
    trials: int | None,
    times: int | None,
    range_: str | None,
    unit: str | None,
    tolerance: str | None,
    like: str | None,
    person: str,
) -> None:
    """Plan a gauge study; its order is drawn.

    crossed: every appraiser reads every part so many times; ten parts that span what is
    built, three appraisers and three trials are usual. The others read references that
    are --known: type-1 and bias one of them in a row, linearity five or more over the
    range, stability one on many days.
    """
    with opened() as at:
        settings = at.settings
        require_listed(person, settings.plan.people)
        if at.store.rows(GaugeStudy, gauge_study=name):
            misuse(f"gauge study {name} is there already; take another name")
        now = datetime.now(UTC)
        if like is not None:
            if parts or known or appraisers or range_ or unit:
                misuse("--like takes all from that study; leave the rest out")
            before = _named(at, like).study
            study = again(name, before, person=person, at=now, bench=settings.bench)
        else:
            if (range_ is None) == (unit is None):
                misuse("give --range for range errors, or --unit for other readings")
            if range_ is not None and range_ not in settings.product.ranges:
                misuse(f"no range {range_!r}; there are "
                       f"{', '.join(settings.product.ranges)}")  # fmt: skip
            meant_kind = GaugeKind(kind)
            in_unit = unit or ERROR_UNIT
            study = planned(
                name,
                product=at.product,
                parts=parts,
                appraisers=appraisers,
                trials=trials or TRIALS[meant_kind],
                unit=in_unit,
                kind=meant_kind,
                known=[number(one, in_unit) for one in known],
                known_uncertainty=None
                if known_uncertainty is None
                else number(known_uncertainty, in_unit),
                times=times or (TIMES if meant_kind is GaugeKind.STABILITY else 1),
                range_=range_,
                tolerance=width_between(
                    at.settings.product,
                    None if tolerance is None else number(tolerance, in_unit),
                    kind=meant_kind,
                    range_=range_,
                ),
                bench=settings.bench,
                person=person,
                at=now,
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
            "kind": one.study.kind,
            "size": f"{len(one.parts)} x {len(one.appraisers)} x "
            f"{one.study.trials * one.study.times}",
            "missing": len(one.missing),
            "planned_at": one.study.planned_at,
        }
        for one in found
    ]
    table = listed(rows, {
        "study": "study", "kind": "kind", "range": "range",
        "parts x people x trials": "size",
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
@click.option("--on", "on_day", type=DAY, help="Day it was read, if not today.")
def gauge_read(
    *,
    name: str,
    values: tuple[str, ...],
    appraiser: str | None,
    from_bench: bool,
    on_day: datetime | None,
) -> None:
    """Read on in the order that was drawn.

    Without VALUES it asks for one after another and does not show what was read
    before. --from-bench takes the error of the run that was measured since.
    """
    at_time = _when(on_day)
    day = at_time.astimezone().date()
    with opened() as at:
        gauge = _named(at, name)
        if appraiser is not None and appraiser not in gauge.appraisers:
            misuse(
                f"{appraiser!r} does not read here; {', '.join(gauge.appraisers)} do"
            )
        if from_bench:
            gauge = _taken(at, gauge, appraiser, at_time)
        for text in values:
            value = number(text, gauge.study.unit)
            gauge = _kept(at, gauge, _due(gauge, appraiser), value, at_time)
        while not values and not from_bench and (cell := gauge.due(appraiser)):
            if gauge.waits_since(cell, day) is not None:
                break
            if not interactive():
                misuse("give the values, or a terminal to ask for them")
            text = click.prompt(f"{_words(gauge, cell)} It shows", err=True)
            try:
                value = number(text, gauge.study.unit)
            except QuantityError as exc:
                say(str(exc))
                continue
            gauge = _kept(at, gauge, cell, value, at_time)
    due = gauge.due(appraiser)
    if due is None:
        say(f"Nothing more to read: holdpoint gauge show {name}")
    elif (last := gauge.waits_since(due, day)) is not None:
        say(words.later(due.part, last))
    else:
        say(_words(gauge, due))


@click.command("show")
@click.argument("name")
@click.option("--without", multiple=True, metavar="PART", help="Leave this part out.")
@click.option("--picture", type=click.Path(dir_okay=False), help="Write it as PNG.")
@shown
def gauge_show(*, name: str, without: tuple[str, ...], picture: str | None) -> Shown:
    """Say what a gauge study found.

    By its kind: repeatability, reproducibility and parts; Cg and Cgk; bias; slope over
    the range; signals and drift over the days. Readings that are missing are named;
    their parts may be left out.
    """
    with opened() as at:
        gauge = _named(at, name)
        another = rests_on_another(gauge.study, at.settings.bench)
    found = gauge.result(without=without)
    if picture is not None:
        _drawn(gauge, found, without, picture)
    said = gauge_shown.sentences(gauge, found)
    return Shown(
        {"kind": gauge.study.kind, "another_bench": another, "said": said}
        | asdict(found)
        | _worked_out(found),
        *([words.ANOTHER_BENCH] if another else []),
        _table(gauge, found),
        Table(
            gauge_shown.as_text(gauge, found, without=without),
            {words.DRAWN[gauge.study.kind]: "name", "": "drawn"},
        ),
        *said,
    )


def _worked_out(found: "gauge_shown.Found") -> dict[str, object]:
    """Return for a program what is no field of a result, but follows from it."""
    match found:
        case studies.CrossedStudy():
            spread = found.spread
            return {
                "gauge": spread.gauge,
                "total": spread.total,
                "share_of_spread": spread.share_of_spread,
                "categories": spread.categories,
                "total_sum_of_squares": found.total_sum_of_squares,
                "mean_squares": {one.source: one.mean_square for one in found.rows},
            }
        case studies.LinearityStudy():
            return {
                "slope_interval": asdict(found.slope_interval),
                "intercept_interval": asdict(found.intercept_interval),
                "linear": found.linear,
            }
        case studies.StabilityStudy():
            limits = found.limits
            return {"lower": limits.lower, "centre": limits.centre,
                    "upper": limits.upper}  # fmt: skip
    return {}


def _table(gauge: Gauge, found: "gauge_shown.Found") -> Table:
    unit = gauge.study.unit
    if isinstance(found, studies.CrossedStudy):
        return Table(
            words.spread(found, unit),
            {"source": "source", "s": "s", "of the total": "share"},
        )
    return Table(words.facts(found, unit), {"": "what", "found": "value"})


def _when(on_day: datetime | None) -> datetime:
    """Return when something was read: now, or noon of a day that was named."""
    now = datetime.now(UTC)
    if on_day is None:
        return now
    noon = datetime.combine(on_day.date(), time(12)).astimezone()
    if noon.date() > now.astimezone().date():
        misuse(f"{on_day:%Y-%m-%d} is yet to come")
    return min(noon.astimezone(UTC), now)


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
        time=cell.time if gauge.over_time else None,
    )


def _kept(
    at: Opened,
    gauge: Gauge,
    cell: Cell,
    value: float,
    read_at: datetime,
    *,
    run: str | None = None,
) -> Gauge:
    gauge.require_day(cell, read_at.astimezone().date())
    at.store.keep(
        GaugeReading(
            gauge_study=gauge.study.gauge_study,
            place=cell.place,
            value=value,
            run=run,
            person=cell.appraiser,
            read_at=read_at,
        )
    )
    return _gauge(at, gauge.study)


def _taken(at: Opened, gauge: Gauge, appraiser: str | None, read_at: datetime) -> Gauge:
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
    last = rows[-1]
    return _kept(at, gauge, cell, last.error_ppm, read_at, run=last.run)


def _drawn(
    gauge: Gauge, found: "gauge_shown.Found", without: Sequence[str], path: str
) -> None:
    from pathlib import Path  # noqa: PLC0415 -- slow to load, and seldom asked for

    import vl_convert  # noqa: PLC0415

    chart = gauge_shown.picture(gauge, found, without=without, width=760)
    png = vl_convert.vegalite_to_png(chart.to_dict(validate=False), scale=2)
    write_whole(Path(path), png, for_all=True)
