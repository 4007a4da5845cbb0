"""Where things stand in a picture, what moved, and what is drawn of it."""

import json
import re
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
import pytest
import scipy
from hypothesis import given, settings, strategies as st

from daemon.presentation import plots
from daemon.presentation.colours import DARK, LIGHT
from daemon.presentation.plots.places import AS_IT_WAS, MOVED, ODD, moved_by, note_on
from storage.records import Cause, Signal
from tests.daemon.making import AT

LIMIT_PPM = 5000.0
TITLES = {"1uA": "1 µA", "10uA": "10 µA"}


def builds(*rows: tuple[str, int | None, str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["build", "planned_units", "state"])


def errors(*units: tuple[str, str, Sequence[float]]) -> pd.DataFrame:
    """Return `latest_errors`: build, serial and the error of each range, ppm."""
    rows = [
        {
            "build": build,
            "serial": serial,
            "range": key,
            "error_ppm": error,
            "limit_ppm": LIMIT_PPM,
            "verdict": "nonconforming" if abs(error) > LIMIT_PPM else "conforming",
        }
        for build, serial, values in units
        for key, error in zip(TITLES, values, strict=False)
    ]
    return pd.DataFrame(rows)


def many(build: str, first: int, count: int, *values: float) -> list[Any]:
    return [(build, f"PA-{first + n}", values or (0.0, 0.0)) for n in range(count)]


def finding(**changes: Any) -> Signal:
    values: dict[str, Any] = {
        "signal": "B-2-F1",
        "revision": 1,
        "number": 9,
        "product": "amplifier",
        "build": "B-2",
        "cause": Cause.REEL,
        "statistic": "bank",
        "range": "10uA",
        "part": "R12",
        "reel": "K-2",
        "first_serial": "PA-12",
        "raised_serial": "PA-13",
        "units": 3,
        "size_ppm": 3000.0,
        "low_ppm": 2800.0,
        "high_ppm": 3200.0,
        "implied_ohm": 50_150.0,
        "probability": 0.99,
        "holds": True,
        "evidence": "{}",
        "made_at": AT,
    }
    return Signal(**{**values, **changes})


def signals(*found: Signal) -> pd.DataFrame:
    names = ["build", "first_serial", "range", "cause", "standing"]
    return pd.DataFrame([[getattr(s, n) for n in names] for s in found], columns=names)


def fittings(*rows: tuple[str, str, str | None]) -> pd.DataFrame:
    """Return `fittings` of R12: build, reel, from which serial."""
    frame = pd.DataFrame(rows, columns=["build", "reel", "from_serial"])
    return frame.assign(part="R12", fitted_at=AT)


TWO = builds(("B-1", 10, "open"), ("B-2", 10, "held"))
UNITS = errors(*many("B-1", 1, 10), *many("B-2", 11, 10))


def test_builds_stand_in_the_order_they_were_opened_with_a_gap() -> None:
    again = errors(*many("B-2", 11, 10), *many("B-1", 1, 10))
    cells = plots.columns(again, TWO)
    assert cells["build"].tolist() == ["B-1", "B-2"]
    assert cells["left"].iloc[1] > cells["right"].iloc[0]


def test_a_build_is_as_wide_as_was_planned_and_fills_up() -> None:
    begun = plots.columns(errors(*many("B-1", 1, 2)), builds(("B-1", 30, "open")))
    done = plots.columns(errors(*many("B-1", 1, 30)), builds(("B-1", 30, "open")))
    assert begun["right"].iloc[0] == done["right"].iloc[0]
    longer = plots.columns(errors(*many("B-1", 1, 31)), builds(("B-1", 30, "open")))
    assert longer["right"].iloc[0] > done["right"].iloc[0]


def test_only_the_newest_builds_are_shown() -> None:
    cells = plots.columns(UNITS, TWO, most=1)
    frame = plots.laid_out(UNITS, signals(), cells)
    assert set(frame["build"]) == {"B-2"}
    assert frame["place"].min() == cells["first"].iloc[0]


def test_a_build_that_has_no_unit_yet_takes_no_room() -> None:
    cells = plots.columns(errors(*many("B-1", 1, 3)), TWO)
    assert cells["build"].tolist() == ["B-1"]


def test_units_stand_in_the_order_of_their_serials_not_of_their_test() -> None:
    units = errors(*reversed(many("B-1", 8, 5)))
    cells = plots.columns(units, TWO)
    frame = plots.laid_out(units, signals(), cells)
    one = frame[frame["range"] == "1uA"]
    assert one["serial"].tolist() == ["PA-8", "PA-9", "PA-10", "PA-11", "PA-12"]
    assert np.diff(one["place"]).tolist() == [1.0] * 4


@given(
    counts=st.lists(st.integers(1, 40), min_size=1, max_size=6),
    planned=st.lists(st.none() | st.integers(1, 40), min_size=6, max_size=6),
)
def test_no_two_units_share_a_place_and_each_is_inside_its_build(
    counts: list[int], planned: list[int | None]
) -> None:
    kept = [
        one
        for index, count in enumerate(counts)
        for one in many(f"B-{index}", 100 * index, count)
    ]
    opened = builds(*[(f"B-{i}", planned[i], "open") for i in range(len(counts))])
    cells = plots.columns(errors(*kept), opened)
    frame = plots.laid_out(errors(*kept), signals(), cells)
    edges = cells.set_index("build")
    for _, row in frame.groupby("range"):
        assert np.diff(np.sort(row["place"])).min(initial=1.0) >= 1.0 - 1e-9
        assert (row["place"] >= row["build"].map(edges["left"]) + 0.5).all()
        assert (row["place"] <= row["build"].map(edges["right"]) - 0.5).all()
    inner = cells["left"].to_numpy()[1:] - cells["right"].to_numpy()[:-1]
    assert (inner > 0).all()


def meanings(*found: Signal, units: pd.DataFrame = UNITS) -> pd.Series:
    frame = plots.laid_out(units, signals(*found), plots.columns(units, TWO))
    marked: pd.Series = frame.set_index(["range", "serial"])["meaning"]
    return marked


def test_what_moved_is_one_range_from_the_first_serial_on() -> None:
    marked = meanings(finding())
    moved = marked[marked == MOVED].index
    assert moved.tolist() == [("10uA", f"PA-{n}") for n in range(12, 21)]


def test_a_finding_on_all_ranges_moves_all_of_them() -> None:
    marked = meanings(finding(range=None))
    assert (marked == MOVED).sum() == 2 * 9


def test_a_finding_starts_though_its_first_unit_was_not_measured_on_that_range() -> (
    None
):
    units = UNITS[~((UNITS["serial"] == "PA-12") & (UNITS["range"] == "10uA"))]
    assert (meanings(finding(), units=units) == MOVED).sum() == 8


def test_an_odd_unit_is_marked_alone() -> None:
    marked = meanings(finding(cause=Cause.UNIT, holds=False))
    assert marked[marked == MOVED].index.tolist() == [("10uA", "PA-12")]


def test_a_withdrawn_finding_marks_nothing() -> None:
    gone = finding(standing=False, withdrawn="measured again")
    assert set(meanings(gone)) == {AS_IT_WAS}


def test_each_of_two_findings_on_one_build_has_the_units_that_it_is_about() -> None:
    """One from the third unit on, one from the seventh; and the fifth is odd."""
    early, late = finding(), finding(signal="B-2-F2", first_serial="PA-17")
    odd = finding(signal="B-2-F3", first_serial="PA-15", cause=Cause.UNIT)
    found = (early, late, odd)
    frame = plots.laid_out(UNITS, signals(*found), plots.columns(UNITS, TWO))
    ten = frame[frame["range"] == "10uA"]
    serials = [moved_by(ten, one)["serial"].tolist() for one in found]
    assert serials == [
        [f"PA-{n}" for n in range(12, 21)],
        [f"PA-{n}" for n in range(17, 21)],
        ["PA-15"],
    ]


def test_units_that_were_reworked_moved_no_more_and_words_over_them_say_so() -> None:
    found = finding()
    units = UNITS.assign(reworked=UNITS["serial"].isin(["PA-12", "PA-13"]))
    frame = plots.laid_out(units, signals(found), plots.columns(units, TWO))
    ten = frame[frame["range"] == "10uA"]
    assert moved_by(ten, found)["serial"].tolist() == [f"PA-{n}" for n in range(14, 21)]
    said = note_on(ten, found)
    assert said is not None
    assert said[1]
    assert said[0].endswith(", 2 units reworked")
    after = frame.assign(reworked=True, meaning=AS_IT_WAS)
    after = after[after["range"] == "10uA"]
    assert note_on(after, found) == ("was moved, 9 units reworked", False)
    assert note_on(after[after["build"] == "B-1"], found) is None


def test_a_finding_on_a_build_that_is_not_shown_marks_nothing() -> None:
    assert set(meanings(finding(build="B-0"))) == {AS_IT_WAS}


def test_a_single_unit_outside_its_limit_stands_out() -> None:
    units = errors(*many("B-1", 1, 3), ("B-1", "PA-9", (0.0, 6000.0)))
    marked = meanings(units=units)
    assert marked[marked == ODD].index.tolist() == [("10uA", "PA-9")]


def changes_of(*rows: tuple[str, str, str | None], most: int = 9) -> pd.DataFrame:
    cells = plots.columns(UNITS, TWO, most=most)
    frame = plots.laid_out(UNITS, signals(), cells)
    return plots.reel_changes(
        frame, fittings(*rows), TWO["build"].tolist(), {"10uA": "R12"}
    )


def test_a_reel_that_goes_on_into_the_next_build_is_no_change() -> None:
    assert changes_of(("B-1", "K-1", None), ("B-2", "K-1", None)).empty


def test_a_new_reel_in_mid_build_stands_before_its_first_unit() -> None:
    found = changes_of(("B-1", "K-1", None), ("B-1", "K-2", "PA-6"))
    first = plots.columns(UNITS, TWO)["first"].iloc[0]
    assert found.to_dict("records") == [
        {"range": "10uA", "place": first + 5 - 0.5, "reel": "K-2"}
    ]


def test_the_build_after_a_change_shows_one_only_when_it_takes_another_reel() -> None:
    fitted = [("B-1", "K-1", None), ("B-1", "K-2", "PA-6")]
    assert len(changes_of(*fitted, ("B-2", "K-2", None))) == 1
    assert len(changes_of(*fitted, ("B-2", "K-1", None))) == 2


def test_a_change_is_told_from_a_build_that_is_no_longer_shown() -> None:
    found = changes_of(("B-1", "K-1", None), ("B-2", "K-2", None), most=1)
    assert found["reel"].tolist() == ["K-2"]


def test_a_reel_that_no_measured_unit_has_yet_is_not_drawn() -> None:
    assert changes_of(("B-1", "K-1", None), ("B-2", "K-2", "PA-99")).empty


def drawn(
    units: pd.DataFrame,
    *found: Signal,
    form: plots.Form = plots.WIDE,
    valid: bool = True,
) -> dict[str, Any]:
    cells = plots.columns(units, TWO)
    frame = plots.laid_out(units, signals(*found), cells)
    changes = plots.reel_changes(
        frame,
        fittings(("B-1", "K-1", None), ("B-2", "K-2", "PA-12")),
        TWO["build"].tolist(),
        {"10uA": "R12"},
    )
    chart = plots.ranges_by_builds(frame, changes, cells, found, TITLES, form=form)
    spec: dict[str, Any] = chart.to_dict(validate=valid)
    return spec


def rows_of(spec: dict[str, Any], mark: str) -> pd.DataFrame:
    """Return the rows of all layers with a mark, each with its layer's colour."""
    pieces = [
        pd.DataFrame(spec["datasets"][layer["data"]["name"]]).assign(
            colour=layer["mark"].get("color")
        )
        for layer in spec["layer"]
        if layer["mark"]["type"] == mark
    ]
    return pd.concat(pieces, ignore_index=True)


@pytest.mark.parametrize("form", [plots.WIDE, plots.NARROW])
def test_what_moved_has_words_over_it_and_nothing_else_has_its_colour(
    form: plots.Form,
) -> None:
    words = rows_of(drawn(UNITS, finding(), form=form), "text")
    loud = words[words["colour"] == LIGHT.moved]
    said = " ".join(loud["text"]).replace("\N{NO-BREAK SPACE}", " ")
    assert said == "since unit PA-12: +0.30 %, R12 ≈ 50.150 kΩ"
    quiet = rows_of(drawn(UNITS, form=form), "text")
    assert LIGHT.moved not in set(quiet["colour"])


@pytest.mark.parametrize("form", [plots.WIDE, plots.NARROW])
def test_a_dotted_line_never_crosses_the_words_over_it(form: plots.Form) -> None:
    spec = drawn(UNITS, finding(), form=form)
    words = rows_of(spec, "text")
    notes = words.loc[words["colour"] == LIGHT.moved, "y"]
    (line,) = rows_of(spec, "rule").dropna(subset=["reel"]).to_dict("records")
    assert notes.max() < line["top"] < line["bottom"]


def test_words_over_what_moved_stay_in_the_column_of_their_build() -> None:
    """A bold letter of 13 px is 7.4 px wide at most on average: from memory."""
    units = errors(*[one for n in range(6) for one in many(f"B-{n}", 100 * n, 25)])
    opened = builds(*[(f"B-{n}", 25, "open") for n in range(6)])
    found = finding(build="B-4", first_serial="PA-410", raised_serial="PA-410")
    cells = plots.columns(units, opened)
    frame = plots.laid_out(units, signals(found), cells)
    none = pd.DataFrame(columns=["range", "place", "reel"])
    for form in (plots.WIDE, plots.NARROW):
        spec = plots.ranges_by_builds(
            frame, none, cells, [found], TITLES, form=form
        ).to_dict(validate=False)
        words = rows_of(spec, "text")
        loud = words[words["colour"] == LIGHT.moved]
        assert len(loud) > 1
        mine = cells[cells["build"] == "B-4"].iloc[0]
        assert (loud["place"] == mine["left"]).all()
        room = (mine["right"] - mine["left"]) * form.least / cells["right"].max()
        longest = max(len(one) for one in loud["text"])
        assert longest <= max(room / 7.4, 12)


def test_only_a_held_build_has_a_word_beside_its_name() -> None:
    words = rows_of(drawn(UNITS, finding()), "text")["text"].tolist()
    assert "B-1" in words
    assert "B-2" in words
    assert "held" in words
    assert words.count("held") == 1


def test_a_build_that_is_not_all_measured_says_how_far_it_is() -> None:
    words = rows_of(drawn(errors(*many("B-1", 1, 4))), "text")["text"].tolist()
    assert "4 of 10" in words
    assert "10 of 10" not in rows_of(drawn(UNITS), "text")["text"].tolist()


def test_a_phone_names_range_limit_and_builds_on_each_card() -> None:
    words = rows_of(drawn(UNITS, form=plots.NARROW), "text")["text"].tolist()
    assert len([one for one in words if one.startswith("limit ±0.5 %")]) == 2
    assert words.count("B-1") == 2


def test_a_unit_on_its_limit_stands_on_the_bracket() -> None:
    spec = drawn(errors(*many("B-1", 1, 9), ("B-1", "PA-10", (5000.0, -5000.0))))
    dots = rows_of(spec, "point")
    brackets = rows_of(spec, "line")
    edges = brackets[brackets["order"].isin([1, 2])]
    upper = edges[edges["bracket"].str.startswith("upper") & _of(edges, "1uA")]
    lower = edges[edges["bracket"].str.startswith("lower") & _of(edges, "10uA")]
    last = dots[dots["serial"] == "PA-10"].set_index("range")["y"]
    assert last["1uA"] == pytest.approx(upper["y"].iloc[0])
    assert last["10uA"] == pytest.approx(lower["y"].iloc[0])


def _of(frame: pd.DataFrame, key: str) -> "pd.Series[bool]":
    return frame["bracket"].str.endswith(f" {key}")


@settings(max_examples=30)
@given(
    values=st.lists(
        st.tuples(st.floats(-3e5, 3e5), st.floats(-8e3, 8e3)), min_size=1, max_size=20
    ),
    findings=st.lists(st.sampled_from(["1uA", "10uA", None]), max_size=3),
    form=st.sampled_from([plots.WIDE, plots.NARROW]),
)
def test_words_never_meet_dots_and_nothing_leaves_the_picture(
    values: list[tuple[float, float]], findings: list[str | None], form: plots.Form
) -> None:
    units = errors(*[("B-1", f"PA-{n}", one) for n, one in enumerate(values)])
    found = [
        finding(build="B-1", first_serial="PA-0", range=one, signal=f"F{n}")
        for n, one in enumerate(findings)
    ]
    spec = drawn(units, *found, form=form, valid=False)
    dots = rows_of(spec, "point")
    words = rows_of(spec, "text")
    for frame in (dots, words):
        assert frame["y"].between(0.0, spec["height"]).all()
    over = words[(words["colour"] == LIGHT.moved) | words["text"].isin(["B-1"])]
    for y in over["y"]:
        assert not dots["y"].between(y - form.type, y + 3.0).any()
    lines = np.unique(over["y"])
    assert np.diff(lines).min(initial=np.inf) >= form.type
    upper, lower = (dots.loc[dots["range"] == key, "y"] for key in TITLES)
    assert upper.max() < lower.min()
    assert spec["height"] < 900


def scattered(sigma_ppm: float, *, units: int = 40, far: float = 0.0) -> pd.DataFrame:
    """Return two builds that scatter so far; the last unit of the second is far off."""
    drawn = np.random.default_rng(11).normal(0.0, sigma_ppm, units)
    drawn[-1] += far
    return errors(
        *[
            ("B-1" if n < units / 2 else "B-2", f"PA-{n + 1}", (float(e), float(e)))
            for n, e in enumerate(drawn)
        ]
    )


@pytest.mark.parametrize("sigma_ppm", [2.0, 20.0, 200.0, 1500.0])
def test_ordinary_scatter_fills_its_row_however_wide_the_limit_is(
    sigma_ppm: float,
) -> None:
    """Twenty units of a normal law span 3.7 sigma on average (d2; NIST/SEMATECH)."""
    dots = rows_of(drawn(scattered(sigma_ppm)), "point")
    mine = dots[dots["range"] == "1uA"]
    assert mine["y"].max() - mine["y"].min() > 50.0, "a flat line shows no drift"


def test_a_drift_well_inside_the_limit_is_seen() -> None:
    """Half a percent is allowed; the second build lies 0.04 % off, two sigma."""
    chance = np.random.default_rng(5).normal(0.0, 200.0, 40)
    chance[20:] += 400.0
    units = errors(
        *[
            ("B-1" if n < 20 else "B-2", f"PA-{n + 1}", (float(e), float(e)))
            for n, e in enumerate(chance)
        ]
    )
    dots = rows_of(drawn(units), "point")
    mine = dots[dots["range"] == "1uA"].groupby("build")["y"].mean()
    assert mine["B-1"] - mine["B-2"] > 15.0


def test_a_limit_outside_of_its_row_is_an_arrow_with_its_distance() -> None:
    spec = drawn(scattered(100.0))
    words = rows_of(spec, "text")["text"].tolist()
    assert [one for one in words if re.match(r"↑ limit \+0.5 %, \d+. as far as", one)]
    assert [one for one in words if re.match(r"↓ limit .0.5 %, \d+. as far as", one)]
    assert not [one for one in spec["layer"] if one["mark"]["type"] == "line"]


def test_a_limit_near_the_scatter_is_a_bracket() -> None:
    spec = drawn(scattered(1500.0))
    assert [one for one in spec["layer"] if one["mark"]["type"] == "line"]
    assert not [one for one in rows_of(spec, "text")["text"] if "as far" in one]


def test_a_unit_far_off_flattens_nobody_and_is_named_with_how_far() -> None:
    spec = drawn(scattered(100.0, far=40_000.0))
    dots = rows_of(spec, "point")
    mine = dots[(dots["range"] == "1uA") & (dots["error_percent"] < 1.0)]
    assert mine["y"].max() - mine["y"].min() > 50.0
    assert [one for one in rows_of(spec, "text")["text"] if one.startswith("↑ +4.0")]


def test_of_very_many_units_the_picture_keeps_extremes_and_what_moved() -> None:
    chance = np.random.default_rng(3).normal(0.0, 150.0, (4000, 2))
    chance[1234, 0], chance[2777, 1] = 900.0, -950.0
    units = errors(
        *[("B-1", f"PA-{n}", (float(a), float(b))) for n, (a, b) in enumerate(chance)]
    )
    cells = plots.columns(units, builds(("B-1", 4000, "held")))
    moved = finding(build="B-1", first_serial="PA-3990")
    frame = plots.laid_out(units, signals(moved), cells)
    kept = plots.thinned(frame, most=1400)
    assert len(kept) <= 1500
    assert {"PA-1234", "PA-2777"} <= set(kept["serial"])
    assert set(kept.loc[kept["meaning"] == MOVED, "serial"]) == {
        f"PA-{n}" for n in range(3990, 4000)
    }
    assert {"PA-0", "PA-3999"} <= set(kept["serial"])


MOST_MARKS = 2000


@pytest.mark.parametrize(
    "draw", [plots.individuals, plots.moving_ranges, plots.averages, plots.sums]
)
def test_no_chart_of_a_range_has_more_marks_however_many_units_there_are(
    draw: Any,
) -> None:
    chance = np.random.default_rng(5).normal(0.0, 150.0, 3000)
    units = errors(*[("B-1", f"PA-{n}", (one,)) for n, one in enumerate(chance)])
    cells = plots.columns(units, builds(("B-1", 3000, "open")))
    frame = plots.laid_out(units, signals(), cells)
    changes = plots.reel_changes(frame, fittings(), ["B-1"], {"1uA": "R12"})
    more: dict[str, Any] = {"findings": []} if draw is plots.individuals else {}
    found = draw(frame, changes, cells, **more)
    chart = found[0] if isinstance(found, tuple) else found
    spec = chart.to_dict(validate=False)
    marks = 0
    for layer in spec["layer"]:
        rows = len(spec["datasets"][layer["data"]["name"]])
        kind = layer["mark"]["type"]
        # A line or an area is one mark, which has all rows as its points.
        marks += 1 if kind in {"line", "area"} else rows
        assert rows <= MOST_MARKS
    assert marks <= MOST_MARKS


def test_a_drag_picks_the_units_between_its_two_ends_and_they_name_it_again() -> None:
    cells = plots.columns(UNITS, TWO)
    frame = plots.laid_out(UNITS, signals(), cells)
    places = frame.drop_duplicates("serial").set_index("serial")["place"]
    left, right = places["PA-3"] - 0.4, places["PA-12"] + 0.4
    assert plots.ends_between(frame, right, left) == ("PA-3", "PA-12")
    assert plots.ends_between(frame, -9.0, -8.0) is None
    named = {f"PA-{n}" for n in range(3, 13)}
    assert set(plots.span_of(frame, ("PA-12", "PA-3"))["serial"]) == named
    # A build stands for all of its units, at either end.
    assert set(plots.span_of(frame, ("PA-8", "B-1"))["serial"]) == {
        f"PA-{n}" for n in range(1, 11)
    }
    assert plots.span_of(frame, ("PA-3", "PA-999")).empty


def test_no_mark_has_a_name_that_is_read_aloud() -> None:
    assert drawn(UNITS)["config"]["aria"] is False


def test_a_click_tells_the_unit_the_cell_the_build_or_the_range() -> None:
    named = {
        one["name"]: tuple(one["select"]["fields"]) for one in drawn(UNITS)["params"]
    }
    assert named == plots.OPENED


def test_notes_of_two_findings_on_a_range_stand_on_lines_of_their_own() -> None:
    words = rows_of(
        drawn(
            UNITS,
            finding(build="B-1", first_serial="PA-2", signal="F1"),
            finding(signal="F2"),
        ),
        "text",
    )
    loud = words[words["colour"] == LIGHT.moved]
    assert not loud.duplicated(["place", "y"]).any()
    assert loud["place"].nunique() == 2


def one_range(
    units: pd.DataFrame, *found: Signal
) -> tuple[dict[str, Any], dict[str, Any] | None]:
    cells = plots.columns(units, TWO)
    frame = plots.laid_out(units, signals(*found), cells)
    frame = frame[frame["range"] == "10uA"]
    changes = plots.reel_changes(
        frame,
        fittings(("B-1", "K-1", None), ("B-1", "K-2", "PA-6"), ("B-2", "K-2", None)),
        ["B-1", "B-2"],
        {"10uA": "R12"},
    )
    chart = plots.individuals(frame, changes, cells, found, look=DARK)
    steps = plots.moving_ranges(frame, changes, cells, look=DARK)
    drawn: dict[str, Any] = chart.to_dict(validate=True)
    return drawn, None if steps is None else steps.to_dict(validate=True)


SCATTER = np.random.default_rng(7).normal(0.0, 150.0, 20)
SCATTERED = errors(
    *[
        ("B-1" if n < 10 else "B-2", f"PA-{n + 1}", (0.0, float(error)))
        for n, error in enumerate(SCATTER)
    ]
)
STRETCHES = (SCATTER[:5], SCATTER[5:10], SCATTER[10:])
"""B-1 until its reel changes at PA-6, B-1 from there, B-2."""
MEAN_STEP = np.concatenate([np.abs(np.diff(s)) for s in STRETCHES]).mean() / 1e4


@pytest.mark.source("NIST/SEMATECH e-Handbook, 6.3.2.2: limits of individuals")
def test_the_band_is_each_stretch_s_mean_and_three_sigma_from_pooled_steps() -> None:
    spec, _ = one_range(SCATTERED)
    band = rows_of(spec, "rect").sort_values("place")
    assert band["centre"].tolist() == pytest.approx([s.mean() / 1e4 for s in STRETCHES])
    half = 3 * MEAN_STEP / 1.128
    assert (band["upper"] - band["centre"]).tolist() == pytest.approx(
        [half] * 3, rel=1e-3
    )


@pytest.mark.source("NIST/SEMATECH e-Handbook, 6.3.2.2: D4 = 3.267 for steps of two")
def test_steps_are_taken_across_no_reel_and_no_build() -> None:
    _, spec = one_range(SCATTERED)
    assert spec is not None
    steps = rows_of(spec, "point")
    assert steps["step"].tolist() == pytest.approx(
        np.concatenate([np.abs(np.diff(s)) for s in STRETCHES]) / 1e4
    )
    (bound,) = rows_of(spec, "rule")["bound"].dropna().unique()
    assert bound == pytest.approx(3.267 * MEAN_STEP, rel=1e-3)


def test_units_stand_in_line_in_both_charts() -> None:
    spec, steps = one_range(SCATTERED)
    assert steps is not None
    domains = [
        {
            json.dumps(layer["encoding"]["x"]["scale"]["domain"])
            for layer in one["layer"]
            if "scale" in layer["encoding"].get("x", {})
        }
        for one in (spec, steps)
    ]
    assert domains[0] == domains[1]
    assert len(domains[0]) == 1


def test_too_few_units_have_no_limits_of_their_own() -> None:
    spec, steps = one_range(SCATTERED.head(8))
    assert steps is None
    assert not [one for one in spec["layer"] if one["mark"]["type"] == "rect"]


def test_stretches_of_one_unit_each_have_no_limits_of_their_own() -> None:
    units = errors(
        *[(f"B-{n}", f"PA-{n}", (0.0, float(SCATTER[n]))) for n in range(10)]
    )
    built = builds(*[(f"B-{n}", 1, "open") for n in range(10)])
    cells = plots.columns(units, built)
    frame = plots.laid_out(units, signals(), cells)
    frame = frame[frame["range"] == "10uA"]
    changes = plots.reel_changes(frame, fittings(), [], {"10uA": "R12"})
    assert plots.moving_ranges(frame, changes, cells, look=DARK) is None


def test_units_that_all_read_the_same_have_no_limits_of_their_own() -> None:
    _, steps = one_range(UNITS)
    assert steps is None


def test_a_finding_is_drawn_as_its_size_with_its_interval() -> None:
    spec, _ = one_range(SCATTERED, finding())
    band = rows_of(spec, "rect").dropna(subset=["low"])
    assert band[["low", "high", "size"]].to_dict("records") == [
        {"low": 0.28, "high": 0.32, "size": 0.30}
    ]
    words = " ".join(rows_of(spec, "text")["text"]).replace("\N{NO-BREAK SPACE}", " ")
    assert "since unit PA-12: +0.30 %, R12 ≈ 50.150 kΩ" in words


def test_each_new_reel_is_named_beside_its_line() -> None:
    spec, _ = one_range(SCATTERED)
    assert "K-2" in set(rows_of(spec, "text")["text"])


def test_each_number_of_units_checked_has_a_line_of_its_own_the_most_unbroken() -> None:
    frame = pd.DataFrame(
        [
            {"off_percent": off, "checked": number, "missed_percent": 50.0}
            for number in (3, 5, 8, 13)
            for off in (0.05, 0.5)
        ]
    )
    spec = plots.missed_by_shift(frame, accepted_percent=5.0).to_dict()
    (curves,) = (one for one in spec["layer"] if one["mark"]["type"] == "line")
    scale = curves["encoding"]["strokeDash"]["scale"]
    assert scale["domain"] == [f"any {n} units" for n in (3, 5, 8, 13)]
    assert len({tuple(dash) for dash in scale["range"]}) == 4
    assert scale["range"][-1] == [1, 0]


def of_one_range() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    cells = plots.columns(SCATTERED, TWO)
    frame = plots.laid_out(SCATTERED, signals(), cells)
    frame = frame[frame["range"] == "10uA"]
    fitted = fittings(("B-1", "K-1", None), ("B-1", "K-2", "PA-6"))
    changes = plots.reel_changes(frame, fitted, ["B-1", "B-2"], {"10uA": "R12"})
    return frame, changes, cells


def axes(part: Any) -> Iterator[tuple[float, float]]:
    """Yield both ends of every axis of a chart that numbers lie along."""
    if isinstance(part, list):
        for one in part:
            yield from axes(one)
    elif isinstance(part, dict):
        match part.get("scale"):
            case {"domain": [int() | float() as low, int() | float() as high]}:
                yield low, high
        for name, one in part.items():
            if name not in {"data", "datasets"}:
                yield from axes(one)


def test_every_axis_has_room_and_begins_with_its_lowest() -> None:
    frame, changes, cells = of_one_range()
    of_units, steps = one_range(SCATTERED)
    told = [of_units, steps, plots.distribution(frame).to_dict()]
    for found in (
        plots.averages(frame, changes, cells),
        plots.sums(frame, changes, cells),
        plots.between_and_within(frame, changes, cells),
    ):
        assert found is not None
        charts = found[0] if isinstance(found[0], list | tuple) else [found[0]]
        told += [one.to_dict() for one in charts]
    for spec in told:
        ends = list(axes(spec))
        assert ends
        assert all(low < high for low, high in ends)


@pytest.mark.source("NIST/SEMATECH e-Handbook, 6.3.2.4: EWMA, lambda 0.2")
def test_the_weighted_average_begins_anew_with_each_reel() -> None:
    found = plots.averages(*of_one_range())
    assert found is not None
    told = found[1].set_index("serial")
    for first in ("PA-1", "PA-6", "PA-11"):
        own = {"PA-1": STRETCHES[0], "PA-6": STRETCHES[1], "PA-11": STRETCHES[2]}[first]
        mean = own.mean() / 1e4
        value = mean + 0.2 * (own[0] / 1e4 - mean)
        assert told.loc[first, "value"] == pytest.approx(value)


def test_units_are_held_against_the_baseline_that_is_named() -> None:
    frame, changes, cells = of_one_range()
    assert plots.baseline_of(frame, changes, []) is None
    found_in = plots.baseline_of(frame, changes, ["B-1", "B-1"])
    assert found_in is not None
    mean = SCATTER[:10].mean() / 1e4
    assert found_in.limits.centre == pytest.approx(mean)
    found = plots.averages(frame, changes, cells, baseline=found_in)
    assert found is not None
    told = found[1].set_index("serial")
    # B-2 has a mean of its own, which does not count here.
    value = mean + 0.2 * (STRETCHES[2][0] / 1e4 - mean)
    assert told.loc["PA-11", "value"] == pytest.approx(value)
    drawn = plots.individuals(frame, changes, cells, [], baseline=found_in).to_dict()
    bands = [o for o in drawn["layer"] if o["mark"].get("type") == "rect"]
    rows, here = (drawn["datasets"][one["data"]["name"]] for one in bands)
    # Where it stands is marked; what is drawn around it are half a place more.
    assert (here[0]["place"], here[0]["right"]) == pytest.approx(
        (frame["place"].min() - 0.5, frame["place"].iloc[9] + 0.5)
    )
    assert [one["centre"] for one in rows] == pytest.approx([mean] * len(STRETCHES))


def test_the_sums_are_of_what_lies_beyond_half_a_sigma() -> None:
    """Page's sums, worked out here again by their definition."""
    found = plots.sums(*of_one_range())
    assert found is not None
    sigma = MEAN_STEP / 1.128
    above = below = 0.0
    values = []
    for error in STRETCHES[2] / 1e4:
        z = (error - STRETCHES[2].mean() / 1e4) / sigma
        above, below = max(0.0, above + z - 0.5), max(0.0, below - z - 0.5)
        values.append(-below if below > above else above)
    told = found[1]
    mine = told[told["build"] == "B-2"]["value"].tolist()
    assert mine == pytest.approx(values, rel=5e-3)  # d2 is rounded


def test_means_and_scatter_of_each_reel_have_their_intervals() -> None:
    found = plots.between_and_within(*of_one_range())
    assert found is not None
    charts, told = found
    assert len(charts) == 2
    assert told["mean"].tolist() == pytest.approx([s.mean() / 1e4 for s in STRETCHES])
    for row, own in zip(told.to_dict("records"), STRETCHES, strict=True):
        low, high = scipy.stats.t.interval(
            0.95, len(own) - 1, loc=own.mean() / 1e4,
            scale=own.std(ddof=1) / 1e4 / np.sqrt(len(own)),
        )  # fmt: skip
        assert (row["mean_low"], row["mean_high"]) == pytest.approx((low, high))


def test_the_distribution_has_a_dot_a_unit() -> None:
    frame, _, _ = of_one_range()
    spec = plots.distribution(frame).to_dict()
    assert len(rows_of(spec, "point")) == len(frame)
    words = rows_of(spec, "text")["text"].tolist()
    assert [one for one in words if "limit +0.5 %" in one and one.endswith("→")]


def test_the_units_of_a_build_stand_at_their_share_of_the_limit() -> None:
    cells = plots.columns(UNITS, TWO)
    frame = plots.laid_out(UNITS, signals(), cells)
    mine = frame[frame["build"] == "B-1"]
    spec = plots.units_by_limit(mine, TITLES).to_dict()
    dots = rows_of(spec, "point")
    assert len(dots) == len(mine)
    assert dots["share"].tolist() == pytest.approx(
        (100.0 * dots["error_ppm"] / dots["limit_ppm"]).tolist()
    )


def test_the_long_story_has_a_mark_a_stretch_and_the_dates_of_its_ends() -> None:
    told = pd.DataFrame(
        {
            "first_build": [f"B-{n}" for n in range(30)],
            "last_build": [f"B-{n}" for n in range(30)],
            "since": pd.date_range("2026-03-02", periods=30, tz="UTC"),
            "until": pd.date_range("2026-03-02", periods=30, tz="UTC"),
            "units": 25, "builds": 1, "outside": 0, "s_ppm": 100.0,
            "mean_ppm": 10.0, "low_mean_ppm": 10.0, "high_mean_ppm": 10.0,
            "low_ppm": -200.0, "high_ppm": 220.0, "limit_ppm": 5000.0,
        }
    )  # fmt: skip
    spec = plots.story(told).to_dict()
    assert all(low < high for low, high in axes(spec))
    # 10 ppm each, in per cent: none is so far that it is drawn at the edge.
    assert rows_of(spec, "point")["mean"].tolist() == pytest.approx([1e-3] * 30)
    words = rows_of(spec, "text")["text"].tolist()
    assert "B-0, 2026-03-02" in words
    assert "B-29, 2026-03-31" in words
