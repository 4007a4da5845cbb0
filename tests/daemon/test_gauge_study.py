"""A gauge study from plan to result: drawn order, typed, from runs, repeated."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from daemon.commands.cli import holdpoint
from daemon.judging import Gauge, GaugeError, bench_name, planned, to_repeat
from daemon.presentation import plots
from daemon.service.home import Home
from storage import GaugeReading, GaugeStudy, RefusedValueError, open_store
from tests.daemon.making import AT, demo_settings
from tests.daemon.seeded import empty_home, seeded_home
from tests.reference_values import Entry

PERSON = "Ada Moreno"
Run = Callable[..., str]


def runner(home: Home) -> Run:
    def call(*words: str, asked: str | None = None) -> str:
        done = CliRunner().invoke(
            holdpoint, ["--home", str(home.folder), *words], input=asked,
            catch_exceptions=False,
        )  # fmt: skip
        assert done.exit_code == 0, done.output
        return done.output

    return call


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return empty_home(tmp_path / "home")


@pytest.fixture
def run(home: Home) -> Run:
    return runner(home)


def plan(
    run: Run, *more: str, parts: int = 3, people: int = 2, trials: int = 2
) -> None:
    names = [word for n in range(parts) for word in ("--part", f"P{n}")]
    appraisers = [word for n in range(people) for word in ("--appraiser", f"A{n}")]
    run(
        "gauge", "plan", "G-1", *names, *appraisers, "--trials", str(trials),
        "--person", PERSON, *(more or ("--unit", "mm")),
    )  # fmt: skip


def gauge_of(home: Home) -> Gauge:
    with open_store(home.data) as store:
        (study,) = store.rows(GaugeStudy)
        return Gauge.of(study, store.rows(GaugeReading))


@pytest.mark.reference("08_measurement_system", "msa.crossed.10x3x3.anova")
def test_the_published_study_typed_in_the_drawn_order_gives_the_printed_digits(
    home: Home, run: Run, entry: Entry
) -> None:
    """Ninety published readings, through plan, typing, store and result."""
    values = np.array(entry.inputs["data_part_appraiser_trial"])
    plan(run, parts=10, people=3, trials=3)
    cells = gauge_of(home).cells
    assert [(one.part, one.appraiser) for one in cells[:10]] != [
        (f"P{n}", "A0") for n in range(10)
    ]
    typed = [
        str(values[int(one.part[1:]), int(one.appraiser[1:]), one.trial - 1])
        for one in cells
    ]
    run("gauge", "read", "G-1", "--", *typed)
    found = json.loads(run("gauge", "show", "G-1", "--json"))
    for one in found["rows"]:
        source = one["source"]
        entry.check(f"SS.{source}", one["sum_of_squares"])
        entry.check(f"MS.{source}", found["mean_squares"][source])
        assert one["degrees"] == entry.published(f"df.{source}")
    entry.check("SS.total", found["total_sum_of_squares"])
    assert found["pooled"] is True
    spread = found["spread"]
    printed = {
        "EV": spread["repeatability"],
        "AV": spread["reproducibility"],
        "PV": spread["part"],
        "TV": found["total"],
    }
    for name, ours in printed.items():
        entry.check(f"sd.{name}", ours)
    # The printed one carries rounded EV and AV: 0.302373 for 0.3023715.
    assert found["gauge"] == pytest.approx(entry.published("sd.GRR"), abs=2e-6)
    entry.check("percent_study_GRR", 100 * found["share_of_spread"])
    entry.check("ndc", found["categories"])


def test_each_cell_is_read_once_and_one_appraiser_reads_all_parts_in_a_row() -> None:
    study = planned(
        "G", product="p", parts=list("abcde"), appraisers=["x", "y"], trials=3,
        unit="V", person=PERSON, at=AT, seed=1,
    )  # fmt: skip
    cells = Gauge.of(study, ()).cells
    assert len({(o.part, o.appraiser, o.trial) for o in cells}) == len(cells) == 30
    for begin in range(0, 30, 5):
        block = cells[begin : begin + 5]
        assert len({one.appraiser for one in block}) == 1
        assert {one.part for one in block} == set("abcde")
    other = planned(
        "G", product="p", parts=list("abcde"), appraisers=["x", "y"], trials=3,
        unit="V", person=PERSON, at=AT, seed=2,
    )  # fmt: skip
    assert other.cells != study.cells


def test_every_order_is_as_likely_as_any_other() -> None:
    first = [
        Gauge.of(
            planned(
                "G", product="p", parts=list("abc"), appraisers=["x", "y"], trials=2,
                unit="V", person=PERSON, at=AT, seed=seed,
            ),
            (),
        ).cells[0].part
        for seed in range(600)
    ]  # fmt: skip
    for part in "abc":
        assert 150 < first.count(part) < 250  # 200 expected, 4 s are 46


def test_what_is_missing_is_named_and_its_part_may_be_left_out(
    home: Home, run: Run
) -> None:
    plan(run)
    cells = gauge_of(home).cells
    chance = np.random.default_rng(2)
    run(
        "gauge", "read", "G-1", "--",
        *(str(int(one.part[1:]) * 10 + chance.normal()) for one in cells[:-1]),
    )  # fmt: skip
    with pytest.raises(GaugeError, match=f"1 of 12 .* next {cells[-1].part}"):
        run("gauge", "show", "G-1")
    said = run("gauge", "show", "G-1", "--without", cells[-1].part)
    assert "of the spread and tells" in said
    with pytest.raises(GaugeError, match="is no part of the study"):
        run("gauge", "show", "G-1", "--without", "P9")


def test_one_appraiser_reads_what_is_theirs_and_a_wrong_word_is_refused(
    home: Home, run: Run
) -> None:
    plan(run, "--unit", "V")
    said = run("gauge", "read", "G-1", "900.4 mV", "--appraiser", "A1")
    assert "A1 reads" in said
    gauge = gauge_of(home)
    ((place, value),) = gauge.read.items()
    assert gauge.cells[place].appraiser == "A1"
    assert value == pytest.approx(0.9004)
    with pytest.raises(Exception, match="high"):
        run("gauge", "read", "G-1", "high")
    assert len(gauge_of(home).read) == 1


def test_the_bench_reads_a_study_from_the_runs_that_were_made(tmp_path: Path) -> None:
    home = seeded_home(tmp_path / "home")
    run = runner(home)
    run(
        "gauge", "plan", "G-1", "--part", "PA-1001", "--part", "PA-1002",
        "--appraiser", "A", "--appraiser", "B", "--trials", "2", "--range", "10uA",
        "--person", PERSON,
    )  # fmt: skip
    gauge = gauge_of(home)
    limit = demo_settings().product.ranges["10uA"].limit
    both_ppm = 2 * (limit.of_reading_ppm + limit.of_full_scale_ppm)
    assert gauge.study.tolerance == pytest.approx(both_ppm)
    done = CliRunner().invoke(
        holdpoint,
        ["--home", str(home.folder), "gauge", "read", "G-1", "--from-bench"],
    )
    assert done.exit_code != 0
    assert "was not measured since" in done.output


def test_a_study_on_another_bench_is_to_be_repeated() -> None:
    bench = demo_settings().bench
    assert bench is not None
    study = planned(
        "G", product="p", parts=["a", "b"], appraisers=["x", "y"], trials=2,
        unit="ppm", person=PERSON, at=AT, range_="10uA", bench=bench,
    )  # fmt: skip
    assert to_repeat([study], bench) == ()
    moved = bench.reference.model_copy(update={"address": "TCPIP::10.0.0.9::INSTR"})
    assert to_repeat([study], bench.model_copy(update={"reference": moved})) == ()
    better = bench.reference.model_copy(
        update={
            "ranges": tuple(
                one.model_copy(update={"of_reading_ppm": one.of_reading_ppm / 2})
                for one in bench.reference.ranges
            )
        }
    )
    other = bench.model_copy(update={"reference": better})
    assert bench_name(other) != bench_name(bench)
    assert to_repeat([study], other) == (study,)
    again = planned(
        "G2", product="p", parts=["a", "b"], appraisers=["x", "y"], trials=2,
        unit="ppm", person=PERSON, at=AT, range_="10uA", bench=other,
    )  # fmt: skip
    assert to_repeat([study, again], other) == ()


def test_a_study_of_a_bench_that_changed_is_said_by_status(
    home: Home, run: Run
) -> None:
    plan(run, "--range", "10uA")
    assert "Repeat gauge study" not in run("status")
    bench = home.folder / "bench.toml"
    text = bench.read_text()
    changed = text.replace("of_reading_ppm = ", "of_reading_ppm = 1", 1)
    assert changed != text
    bench.write_text(changed)
    assert "Repeat gauge study G-1: the bench has changed since." in run("status")


def test_what_is_no_crossed_study_is_refused(home: Home, run: Run) -> None:
    with pytest.raises(GaugeError, match="named twice"):
        run(
            "gauge", "plan", "G-9", "--part", "a", "--part", "a", "--appraiser", "x",
            "--appraiser", "y", "--unit", "V", "--person", PERSON,
        )  # fmt: skip
    with pytest.raises(RefusedValueError, match="2 appraisers"):
        run(
            "gauge", "plan", "G-9", "--part", "a", "--part", "b", "--appraiser", "x",
            "--unit", "V", "--person", PERSON,
        )  # fmt: skip
    with open_store(home.data) as store:
        assert store.rows(GaugeStudy) == []


def test_the_picture_has_a_mark_a_reading() -> None:
    values = np.arange(12.0).reshape(3, 2, 2)
    values[0, 0, 0] = np.nan
    chart = plots.readings_of_gauge(values, list("abc"), ["x", "y"], "V")
    (rows,) = chart.to_dict(validate=False)["datasets"].values()
    assert len(rows) == 11
