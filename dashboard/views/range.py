"""One range: its long story, units reel by reel, averages, scatter, capability."""

from collections.abc import Iterator, Sequence
from functools import partial
from typing import TypeAlias

import pandas as pd
import streamlit as st

from daemon.judging import MeasuredRuns, RangeCapability
from daemon.presentation import figures, plots, points, ranges, sentences
from dashboard import address, charts, data, look, noticed, pictures
from dashboard.data import Shown
from dashboard.pictures import Drawn
from storage import JudgedPoint, StorageError, worst

COVERAGE = 2.0
"""Coverage factor k of the expanded uncertainty."""
UNCERTAINTIES = (
    "u is the standard uncertainty of an error, U = k u the expanded uncertainty with "
    "the coverage factor k = 2: a level of confidence of about 95 % (JCGM 100)."
)
MOST_ROWS = 2000
SHOWN = data.BUILDS_SHOWN
CHART = "chart"
BASELINE = ("from", "to")
"""In the address: the first and the last, each a build or a serial, of those that all
units are held against."""
NONE = "none"
Ends: TypeAlias = tuple[()] | tuple[str, str]


def one() -> None:
    """Show one range, chosen by the address."""
    page = data.followed()
    titles = {each.key: each.title for each in page.product.ranges}
    # What holds comes before a unit that is odd alone.
    moved = [
        each.range
        for each in sorted(page.current, key=lambda each: each.holds)
        if each.range in titles
    ]
    key = address.choose(
        "Range",
        "range",
        list(titles),
        otherwise=moved[-1] if moved else next(iter(titles)),
        said=titles.__getitem__,
    )
    rows = page.errors[page.errors["range"] == key]
    saying = sentences.one_range(
        titles[key],
        findings=[each for each in page.findings if each.range in (key, None)],
        errors_ppm=rows["error_ppm"].to_list(),
        limit_ppm=None if rows.empty else float(rows["limit_ppm"].iloc[-1]),
        reworked=page.good_again,
    )
    if rows.empty:
        look.say(saying.headline, saying.lines)
        return
    with st.container(key="which chart"):
        kind = address.choose(
            "Chart",
            CHART,
            pictures.RANGE_CHARTS,
            otherwise=pictures.UNITS_CHART,
        )
    builds = page.recent["build"].tolist()
    against: Ends = ()
    if kind in pictures.HELD_AGAINST:
        against = baseline([*builds, *rows["serial"]])
    drawn = draw(page, key, kind, against)
    look.say(saying.headline, saying.lines)
    chart(page, key, kind, drawn, saying.headline, against)
    if kind in pictures.HELD_AGAINST:
        choose_baseline(builds, against)
    if kind == pictures.MEANS_CHART:
        scatter(page, key)
    signals(page, key)
    capability(page, key)
    latest(page, key)


def baseline(among: Sequence[str]) -> Ends:
    """Return the ends of what all units are held against; nothing where none are."""
    first, last = (address.asked(one, among) for one in BASELINE)
    return () if first is None or last is None else (first, last)


def dragged(rows: pd.DataFrame, left: float, right: float) -> None:
    """Hold all units against those that somebody dragged over."""
    ends = plots.ends_between(rows, left, right)
    for name, end in zip(BASELINE, ends or (), strict=False):
        st.query_params[name] = end


def choose_baseline(builds: Sequence[str], against: Ends) -> None:
    """Let a person choose what all units are held against."""
    serials = [one for one in against if one not in builds]
    with st.expander(ranges.WHAT_IF, expanded=any(map(st.query_params.get, BASELINE))):
        look.quiet(ranges.CHOOSE)
        with st.container(key="baseline", horizontal=True, gap="small", width=420):
            for name, word in zip(BASELINE, ("from", "to"), strict=True):
                address.choose(
                    f"Baseline {word}",
                    name,
                    [NONE, *dict.fromkeys(serials), *(() if serials else builds)],
                    otherwise=NONE,
                    said=partial(baseline_word, word),
                    many=True,
                )
        if against:
            st.button("No baseline", on_click=no_baseline)


def baseline_word(word: str, build: str) -> str:
    """Return how an end of the baseline is offered."""
    return f"{word} ..." if build == NONE else f"{word} {build}"


def no_baseline() -> None:
    """Hold each reel against its own mean again."""
    for name in BASELINE:
        st.query_params[name] = NONE


def draw(page: Shown, key: str, kind: str, against: Ends) -> Drawn | None:
    """Draw a chart; None where there is too little for it, or nobody answers."""
    try:
        return pictures.of_range(page, key, kind, against)
    except StorageError as exc:
        look.stands_out(str(exc))
        return None


def chart(
    page: Shown,
    key: str,
    kind: str,
    drawn: Drawn | None,
    headline: str,
    against: Ends,
) -> None:
    """Show a chart of the range and what its marks mean."""
    title = page.product.range(key).title
    look.heading(ranges.TITLES[kind].format(title=title))
    if drawn is None:
        look.lines(ranges.TOO_FEW)
    else:
        charts.show(
            drawn.specs,
            words=f"{headline} {ranges.MEANINGS[kind]}",
            key=f"range {key} {kind}",
            rows=drawn.rows,
            columns=drawn.columns,
            clicks=kind in (pictures.UNITS_CHART, pictures.STORY),
            spans=(
                partial(dragged, drawn.rows) if kind in pictures.HELD_AGAINST else None
            ),
        )
        if drawn.thinned:
            look.quiet(ranges.THINNED)
    if against:
        builds = set(page.recent["build"])
        what = "build" if builds.issuperset(against) else "unit"
        look.lines(ranges.held_against(*against, what=what))
    look.quiet(ranges.meaning(kind, baseline=bool(against)))
    if kind != pictures.STORY and page.units > page.errors["serial"].nunique():
        look.quiet(f"Counted and shown are the units of the {SHOWN} newest builds.")


def signals(page: Shown, key: str) -> None:
    """Say in words what was found on the range, and what charts warn of."""
    mine = [each for each in page.findings if each.range in (key, None)]
    warned = [each for each in page.warnings if each.range == key]
    look.heading("Signals")
    if not mine and not warned:
        look.lines("None on this range.")
    for each in mine[::-1][:8]:
        at = look.moment(noticed.measured(page, each, each.raised_serial))
        look.lines(f"{sentences.noticed(each, at)}: {sentences.finding(each).headline}")
        address.link(f"Open finding {each.signal}", "finding", each.signal)
    look.lines(*(sentences.chart_warning(each).headline for each in warned[::-1][:5]))


def runs_of(page: Shown) -> MeasuredRuns:
    """Return the units of the builds shown, to be studied."""
    return MeasuredRuns(
        titles={each.key: each.title for each in page.product.ranges},
        rows=page.errors,
        findings=tuple(page.current),
        held=tuple(each.build for each in page.states if each.state == "held"),
    )


def scatter(page: Shown, key: str) -> None:
    """Split the scatter across builds from that inside them."""
    found = runs_of(page).variation(key)
    if found.alike is not None or found.too_few is not None:
        missing = f"Not enough yet: it {found.too_few}."
        look.heading(ranges.SCATTER, [found.alike or missing])
        return
    look.heading(ranges.SCATTER)
    unit = figures.ShareUnit.of(part.high_ppm for part in found.components)
    look.table(
        ("Part", "s", "Between (95 %)", "Of the variance"),
        [
            (
                figures.capital(part.name),
                ranges.scatter(part.s_ppm, unit),
                " to ".join(
                    ranges.scatter(end, unit) for end in (part.low_ppm, part.high_ppm)
                ),
                f"{100 * part.share:.0f} %",
            )
            for part in found.components
        ],
    )
    look.quiet(ranges.SCATTER_MEANING)


def capability(page: Shown, key: str) -> None:
    """Say how well the range keeps its limit, or why that must not be quoted."""
    found = runs_of(page).capability(key)
    look.heading("Capability", list(said_of(found)))


def said_of(found: RangeCapability) -> Iterator[str]:
    """Say a capability with its interval, or the honest refusal."""
    if found.alike is not None:
        yield found.alike
    elif found.study is None:
        yield f"Not enough yet: {found.too_few}."
    else:
        study = found.study
        interval = study.inside.cpk_interval
        yield (
            f"{figures.counted(study.n, 'unit')} of "
            f"{figures.counted(study.builds, 'build')}; outside the limit: "
            f"{study.counted.below + study.counted.above} counted."
        )
        if study.quotable:
            yield (
                f"Cpk is between {interval.lower:.2f} and {interval.upper:.2f} with "
                "95 % (from the scatter inside builds; ISO 22514-2)."
            )
        else:
            yield "Cp and Cpk must not be quoted, because the range is not stable:"
            yield from (f"{figures.capital(each)}." for each in study.reasons)
            overall = study.overall.indices.cpk
            yield f"What was made, taken as it is: Ppk {overall:.2f}."


def latest(page: Shown, key: str) -> None:
    """Show the rows behind it."""
    rows = page.errors[page.errors["range"] == key].tail(MOST_ROWS)
    with st.expander("Rows"):
        told = rows.assign(
            expanded_ppm=COVERAGE * rows["uncertainty_ppm"],
            worst=[
                points.decided_at(worst(JudgedPoint.of(each or None)))
                for each in rows["points"].fillna("")
            ],
        )
        st.dataframe(
            told[
                [
                    "serial",
                    "error_ppm",
                    "verdict",
                    "worst",
                    "limit_ppm",
                    "uncertainty_ppm",
                    "expanded_ppm",
                    "build",
                ]
            ].iloc[::-1],
            hide_index=True,
            column_config={
                "build": "Build",
                "serial": "Unit",
                "error_ppm": st.column_config.NumberColumn(
                    "Error, ppm", format="%+.0f"
                ),
                "uncertainty_ppm": st.column_config.NumberColumn(
                    "u, ppm", format="%.0f"
                ),
                "expanded_ppm": st.column_config.NumberColumn(
                    "U (k = 2), ppm", format="%.0f"
                ),
                "limit_ppm": st.column_config.NumberColumn("Limit, ppm", format="%.0f"),
                "verdict": "Verdict",
                "worst": "Worst point",
            },
        )
        look.quiet(UNCERTAINTIES)


one()
