"""Gauge studies of references, from plan to result: typed, kept, shown, repeated."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.judging import Gauge, GaugeError, gauge_shown, planned
from daemon.service.home import Home
from storage import GaugeKind, GaugeReading, GaugeStudy, RefusedValueError, open_store
from tests.daemon.making import AT
from tests.daemon.seeded import empty_home
from tests.daemon.spc.test_gauge import LINEARITY
from tests.daemon.test_gauge_study import PERSON, Run, gauge_of, runner
from tests.reference_values import Entry


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return empty_home(tmp_path / "home")


@pytest.fixture
def run(home: Home) -> Run:
    return runner(home)


def plan(run: Run, kind: str, *more: str) -> None:
    run(
        "gauge", "plan", "G-1", "--kind", kind, "--appraiser", "Ada", "--unit", "mm",
        "--person", PERSON, *more,
    )  # fmt: skip


def shown(run: Run) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(run("gauge", "show", "G-1", "--json"))
    return found


def with_readings(study: GaugeStudy, values: list[float], a_day: int = 1000) -> Gauge:
    begin = datetime(2026, 3, 1, 9, tzinfo=UTC)
    return Gauge.of(
        study,
        [
            GaugeReading(
                gauge_study=study.gauge_study, place=place, value=value, run=None,
                person="Ada", read_at=begin + timedelta(days=place // a_day),
            )
            for place, value in enumerate(values)
        ],
    )  # fmt: skip


@pytest.mark.reference("08_measurement_system", "msa.type1")
def test_a_type_1_study_that_is_typed_has_the_cg_and_cgk_of_its_definition(
    run: Run, entry: Entry
) -> None:
    given = entry.inputs
    plan(
        run, "type-1", "--part", "REF", "--known", str(given["reference"]),
        "--tolerance", str(given["tolerance"]), "--known-uncertainty", "0.0005",
    )  # fmt: skip
    run("gauge", "read", "G-1", "--", *map(str, given["x"][:-1]))
    with pytest.raises(GaugeError, match=r"1 of 25 .* trial 25. Read them$"):
        run("gauge", "show", "G-1")
    run("gauge", "read", "G-1", "--", str(given["x"][-1]))
    found = shown(run)
    entry.check("Cg_6s", found["cg"])
    entry.check("Cgk_6s", found["cgk"])
    for name in ("mean", "s", "bias"):
        entry.check(name, found["bias"][name])
    entry.check("t_bias", found["bias"]["t"])
    entry.check("p_bias", found["bias"]["p"])
    said = run("gauge", "show", "G-1")
    assert "Cg is 2.67 and Cgk 2.59" in said
    assert "The gauge will do for limits that are 0.3 mm apart." in said
    assert "chance alone may make as much" in said
    assert "larger than the reference is unsure" in said  # 0.92 against 0.5 um


@pytest.mark.source(
    "Automotive Industry Action Group, Measurement Systems Analysis, linearity example "
    "(data read in a secondary quotation, printed results from memory)"
)
def test_a_linearity_study_is_read_in_a_drawn_order_and_gives_the_printed_line(
    home: Home, run: Run
) -> None:
    words = [
        word
        for known in LINEARITY
        for word in ("--part", f"R{known:g}", "--known", f"{known:g}")
    ]
    plan(run, "linearity", *words, "--trials", "12")
    cells = gauge_of(home).cells
    assert len({one.part for one in cells[:5]}) == 5
    assert [one.part for one in cells] != [f"R{known:g}" for known in LINEARITY] * 12
    typed = [str(LINEARITY[float(one.part[1:])][one.trial - 1]) for one in cells]
    run("gauge", "read", "G-1", "--", *typed)
    found = shown(run)
    assert found["slope"] == pytest.approx(-0.1317, abs=6e-5)
    assert found["intercept"] == pytest.approx(0.7367, abs=6e-5)
    # Half an interval over its standard error is t of 58 degrees: 2.0017 (from memory).
    for name in ("slope", "intercept"):
        both = found[f"{name}_interval"]
        half = (both["upper"] - both["lower"]) / 2
        assert half / found[f"{name}_error"] == pytest.approx(2.0017, abs=6e-5)
    assert found["linear"] is False
    said = run("gauge", "show", "G-1")
    assert "The bias changes over the range." in said
    assert "0.49 mm at 2 mm" in said
    with pytest.raises(GaugeError, match="4 references are left; linearity needs 5"):
        run("gauge", "show", "G-1", "--without", "R2")


@pytest.mark.reference("02_shewhart_charts", "imr.nist.flowrate")
def test_a_stability_study_has_the_published_limits_and_goes_on_from_day_to_day(
    home: Home, run: Run, entry: Entry
) -> None:
    plan(
        run, "stability", "--part", "REF", "--known", "50", "--trials", "1",
        "--times", "12",
    )  # fmt: skip
    values = entry.inputs["x"]

    def keep(first: int, until: int) -> None:
        begin = datetime(2026, 3, 1, 12).astimezone()
        with open_store(home.data) as store:
            store.keep(
                *(
                    GaugeReading(
                        gauge_study="G-1", place=n, value=values[n], run=None,
                        person="Ada", read_at=begin + timedelta(days=n),
                    )
                    for n in range(first, until)
                )
            )  # fmt: skip

    keep(0, 4)
    with pytest.raises(GaugeError, match="4 of 12 days are read; from 5 on"):
        run("gauge", "show", "G-1")
    with pytest.raises(GaugeError, match="REF was read on 2026-03-04"):
        run("gauge", "read", "G-1", "--on", "2026-03-04", "--", "50")
    run("gauge", "read", "G-1", "--on", "2026-03-05", "--", str(values[4]))
    keep(5, len(values))
    found = shown(run)
    entry.check("mean", found["centre"])
    # The source divides by 1.128, which is d2 of two values, 1.12838, rounded.
    rounded = 1.128379167 / 1.128
    for name, ours in (("UCL_x", found["upper"]), ("LCL_x", found["lower"])):
        half = (ours - found["centre"]) * rounded
        entry.check(name, found["centre"] + half)
    assert found["firings"] == []
    said = run("gauge", "show", "G-1")
    assert "No signal in 10 days" in said
    assert "2026-03-10" in said


def test_a_day_that_moved_is_a_signal_and_named() -> None:
    study = planned(
        "G", product="p", parts=["REF"], appraisers=["Ada"], trials=2, unit="mm",
        person=PERSON, at=AT, kind=GaugeKind.STABILITY, known=[5.0], times=12,
    )  # fmt: skip
    chance = np.random.default_rng(3)
    read = [5.0 + 0.01 * chance.normal() + 0.2 * (n // 2 == 8) for n in range(24)]
    gauge = with_readings(study, read, a_day=2)
    found = gauge.result()
    said = " ".join(gauge_shown.sentences(gauge, found))
    day = gauge.by_time()[8][0].astimezone()
    assert f"One beyond three sigma: on {day:%Y-%m-%d}." in said
    rows = gauge_shown.as_text(gauge, found)
    places = [one["drawn"].index("o") for one in rows]
    assert places.index(max(places)) == 8


def test_a_study_on_another_bench_says_so_and_is_planned_again_alike(
    home: Home, run: Run
) -> None:
    run(
        "gauge", "plan", "G-1", "--kind", "bias", "--appraiser", "Ada", "--part", "REF",
        "--known", "10", "--range", "10uA", "--trials", "10", "--person", PERSON,
    )  # fmt: skip
    run("gauge", "read", "G-1", "--", *(str(10 + n % 3) for n in range(10)))
    assert "rests on another bench" not in run("gauge", "show", "G-1")
    bench = home.folder / "bench.toml"
    text = bench.read_text()
    bench.write_text(text.replace("of_reading_ppm = ", "of_reading_ppm = 1", 1))
    assert "rests on another bench" in run("gauge", "show", "G-1")
    assert "Repeat gauge study G-1" in run("status")
    run("gauge", "plan", "G-2", "--like", "G-1", "--person", PERSON)
    assert "Repeat gauge study" not in run("status")
    with open_store(home.data) as store:
        first, second = store.rows(GaugeStudy)
    for name in ("kind", "parts", "known_values", "range", "trials", "times"):
        assert getattr(first, name) == getattr(second, name)
    assert first.bench != second.bench


@pytest.mark.parametrize(
    ("kind", "changed", "allowed"),
    [
        (GaugeKind.TYPE_1, {"tolerance": None}, "needs the width between the limits"),
        (GaugeKind.BIAS, {"known": []}, "needs what each of its 1 parts truly is"),
        (GaugeKind.BIAS, {"trials": 9}, "needs 10 or more"),
        (GaugeKind.BIAS, {"appraisers": ["x", "y"]}, "needs one"),
        (GaugeKind.BIAS, {"known_uncertainty": -1.0}, "needs none below 0"),
        (GaugeKind.LINEARITY, {"parts": list("abcd"), "known": [1, 2, 3, 4]}, "needs "),
        (GaugeKind.LINEARITY, {"parts": list("abcde"), "known": [1] * 5}, "needs 5"),
        (GaugeKind.STABILITY, {"times": 4}, "needs 5 or more"),
        (GaugeKind.BIAS, {"times": 6}, "is read on one day"),
        (GaugeKind.CROSSED, {}, "needs 2 parts"),
    ],
)  # fmt: skip
def test_a_plan_that_its_kind_does_not_allow_is_refused(
    kind: GaugeKind, changed: dict[str, Any], allowed: str
) -> None:
    asked: dict[str, Any] = {
        "product": "p", "parts": ["REF"], "appraisers": ["Ada"], "trials": 10,
        "unit": "mm", "person": PERSON, "at": AT, "kind": kind, "known": [1.0],
        "tolerance": 1.0,
    } | changed  # fmt: skip
    with pytest.raises(RefusedValueError, match=allowed):
        planned("G", **asked).check()


def test_readings_that_never_differ_are_refused_in_a_plain_sentence() -> None:
    study = planned(
        "G", product="p", parts=["REF"], appraisers=["Ada"], trials=10, unit="mm",
        person=PERSON, at=AT, kind=GaugeKind.BIAS, known=[5.0],
    )  # fmt: skip
    with pytest.raises(GaugeError, match="Read them with more digits"):
        with_readings(study, [5.1] * 10).result()


@pytest.mark.parametrize(
    ("kind", "parts", "times", "marks"),
    [
        (GaugeKind.TYPE_1, 1, 1, 10),
        (GaugeKind.BIAS, 1, 1, 10),
        (GaugeKind.LINEARITY, 5, 1, 50),
        (GaugeKind.STABILITY, 1, 6, 6),
    ],
)
def test_each_kind_is_drawn_on_the_page_and_as_text(
    kind: GaugeKind, parts: int, times: int, marks: int
) -> None:
    study = planned(
        "G", product="p", parts=[f"R{n}" for n in range(parts)], appraisers=["Ada"],
        trials=10, unit="V", person=PERSON, at=AT, kind=kind,
        known=[0.1 * (n + 1) for n in range(parts)], times=times, tolerance=0.01,
    )  # fmt: skip
    chance = np.random.default_rng(4)
    places = [one[0] for one in json.loads(study.cells)]
    gauge = with_readings(
        study, [0.1 * (n + 1) + 1e-4 * chance.normal() for n in places], a_day=10
    )
    found = gauge.result()
    drawn = gauge_shown.picture(gauge, found).to_dict(validate=False)
    assert marks in {len(rows) for rows in drawn["datasets"].values()}
    text = gauge_shown.as_text(gauge, found)
    assert len(text) == (parts if kind is GaugeKind.LINEARITY else marks)
    assert all("o" in one["drawn"] for one in text)
