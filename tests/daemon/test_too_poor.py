"""A bench that is too poor for a limit says so before any unit, and what would do."""

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from config.ask_bench import _meter_range
from config.dialogue import text
from config.handheld import Meters
from config.load import load
from config.model import Bench, ErrorLimit, Reading, Settings
from config.quantity import Unit
from config.wizard import write_anew
from daemon.judging.product import ProductModel
from daemon.judging.prospects import (
    meters_needed,
    meters_that_would_do,
    prospects,
    too_poor_for,
    too_poor_on,
)
from daemon.judging.verdict import Judge, KnownGood
from daemon.presentation.documents.customer import CustomerNotice
from storage.answers import LatestResult
from storage.points import JudgedPoint, text_of
from storage.records import Verdict
from tests.config.test_form import VOLTS, answered
from tests.daemon.making import AT, demo_settings, readings

GOOD = demo_settings()


def with_output(of_reading_ppm: float, **bench: Any) -> Settings:
    """Return the demo's settings with another meter on the output."""
    assert GOOD.bench is not None
    meter = {
        **GOOD.bench.output.model_dump(exclude_none=True),
        "ranges": [{"full_scale": 1.0, "of_reading_ppm": of_reading_ppm}],
    }
    changed = {**GOOD.bench.model_dump(exclude_none=True), "output": meter, **bench}
    return GOOD.model_copy(update={"bench": Bench.model_validate(changed)})


def test_a_good_bench_has_nothing_to_say() -> None:
    assert too_poor_for(GOOD) == ()


def test_a_poor_meter_is_named_with_the_accuracy_that_would_do() -> None:
    """0.5 % of reading against 0.45 % of reading and 0.045 % of full scale."""
    found = prospects(with_output(5000.0))
    assert [one.title for one in found] == ["1 µA", "10 µA", "100 µA", "1 mA"]
    first = found[0]
    assert first.of_full_scale == pytest.approx(0.9)
    assert first.largest == "output: specification"
    # 0.9 x 5000 ppm of full scale, bounds; the others are small beside it.
    assert first.bound_ppm == pytest.approx(4500.0, rel=1e-3)
    assert first.limit_ppm == pytest.approx(4500.0)
    assert first.needed_ppm == pytest.approx(1500.0)
    said = too_poor_for(with_output(5000.0))[0]
    assert said.startswith(
        "Ranges 1 µA, 10 µA, 100 µA and 1 mA cannot be judged at 90 % of full scale: "
    )
    assert "the accuracy of the meter that reads what comes out" in said


def by_hand(meters: str, output_meter: str | None = None) -> Settings:
    """Return the demo's product, read by meters that these sentences describe."""
    plan = GOOD.plan.model_copy(
        update={"meters": meters, "output_meter": output_meter, "reading": Reading()}
    )
    return Settings.model_construct(
        product=GOOD.product, bench=None, plan=plan, alerts=GOOD.alerts, sharing=None,
        profiles={},
    )  # fmt: skip


def a_bit_poorer(text: str) -> str:
    """Return an accuracy whose share of reading is an eighth larger."""
    share, _, rest = text.partition(" %")
    return f"{float(share) * 1.125:.4g} %{rest}"


HANDHELDS = [
    ("0.5 % + 2 digits", None),
    ("0.05 % + 2 digits, 20000 counts", None),
    ("0.02 % + 2 digits, 200000 counts", "0.5 % + 1 digit, 200000 counts"),
    ("1 %", "0.01 % + 1 digit, 200000 counts"),
]


@pytest.mark.parametrize(
    "typed", HANDHELDS, ids=["usual", "coarse at zero", "output alone", "input alone"]
)
def test_meters_that_would_do_are_taken_when_typed_back(
    typed: tuple[str, str | None],
) -> None:
    settings = by_hand(*typed)
    found = meters_that_would_do(settings)
    assert set(found) == (
        {"reference", "output"} if typed[1] is None
        else {"output"} if typed[1].startswith("0.5")
        else {"reference"}
    )  # fmt: skip
    advised = too_poor_for(settings)[-1]
    assert all(text in advised for text in found.values())

    def with_meters(change: Callable[[str], str]) -> Settings:
        said = {role: text(Meters)(change(one)) for role, one in found.items()}
        both = {"reference": typed[0], "output": typed[1] or typed[0]} | said
        return by_hand(both["reference"], both["output"])

    assert too_poor_for(with_meters(str)) == ()
    assert too_poor_for(with_meters(a_bit_poorer)) != ()


def test_before_meters_are_asked_about_it_is_said_how_good_they_must_be() -> None:
    usual, _ = HANDHELDS[0]
    (said,) = meters_needed(by_hand(usual))
    (advised,) = {*meters_that_would_do(by_hand(usual)).values()}
    assert f"meters of {advised} or better are needed" in said
    assert meters_needed(by_hand(advised)) == ()


def test_a_meter_of_a_bench_that_would_do_is_taken_when_typed_back() -> None:
    settings = with_output(5000.0)
    ((role, told),) = meters_that_would_do(settings).items()
    assert role == "output"
    one = _meter_range(told, Unit.VOLT, [])
    assert told.startswith("1 V: ")
    assert too_poor_for(with_output(one.of_reading_ppm)) == ()
    assert too_poor_for(with_output(1.1 * one.of_reading_ppm)) != ()
    assert (
        f"A meter of {told} for what comes out would do" in too_poor_for(settings)[-1]
    )


def test_a_range_on_which_all_were_judged_is_not_said_to_have_too_poor_meters() -> None:
    """Without a reading at zero a sheet's units are judged at their level alone."""
    poor_at_zero = with_output(5000.0)
    assert "ranges 1 µA, 10 µA, 100 µA and 1 mA." in too_poor_on(poor_at_zero, ())
    assert "of range 1 mA." in too_poor_on(poor_at_zero, {"1 µA", "10 µA", "100 µA"})
    every = {one.title for one in poor_at_zero.product.ranges.values()}
    assert too_poor_on(poor_at_zero, every) == ""


def test_the_limit_that_is_named_can_be_judged() -> None:
    """Two digits, rounded up, and hardly more than is needed."""
    settings = with_output(5000.0)
    first = prospects(settings)[0]
    found = re.search(r"A limit of ±([0-9.]+) % of full", too_poor_for(settings)[0])
    assert found is not None
    wide_ppm = float(found[1]) * 1e4
    assert first.limit_ppm < wide_ppm

    def with_limit(ppm: float) -> Settings:
        limit = ErrorLimit(of_reading_ppm=0.0, of_full_scale_ppm=ppm)
        product = settings.product
        ranges = {
            key: one.model_copy(update={"limit": limit})
            for key, one in product.ranges.items()
        }
        return settings.model_copy(
            update={"product": product.model_copy(update={"ranges": ranges})}
        )

    judged = [one.of_full_scale for one in prospects(with_limit(wide_ppm))]
    assert first.of_full_scale not in judged
    narrow = [one.of_full_scale for one in prospects(with_limit(0.9 * wide_ppm))]
    assert first.of_full_scale in narrow


def poor(draw: np.random.Generator) -> Settings:
    """Return the demo's settings with other meters, and with or without thermometer."""
    assert GOOD.bench is not None
    bench = GOOD.bench.model_dump(exclude_none=True)
    for role in ("reference", "output"):
        worse = float(10.0 ** draw.uniform(0.0, 2.5))
        coarse = float(10.0 ** draw.uniform(0.0, 3.0))
        bench[role]["ranges"] = [
            {
                **one,
                "of_reading_ppm": worse * one["of_reading_ppm"],
                "of_range_ppm": worse * one["of_range_ppm"],
                "resolution": coarse * one["resolution"],
            }
            for one in bench[role]["ranges"]
        ]
    if draw.random() < 0.5:
        del bench["ambient"]
    return GOOD.model_copy(update={"bench": Bench.model_validate(bench)})


PASSES = {Verdict.CONFORMING, Verdict.LIKE_KNOWN_GOOD}


@pytest.mark.parametrize("benches", [25, pytest.param(200, marks=pytest.mark.bench)])
def test_no_bench_too_poor_for_its_limit_judges_in_silence_or_passes_more(
    benches: int,
) -> None:
    """What is not said beforehand is judged, what is said is not; none is laxer.

    Units of any error: what a good bench calls nonconforming no poor one passes, and on
    the whole none passes more.
    """
    draw = np.random.default_rng(20261129)
    product = ProductModel.of(GOOD.product)
    assert GOOD.bench is not None
    good = Judge(product, GOOD.bench, GOOD.plan.judging)
    known = {
        one.key: KnownGood(
            error_ppm=0.0, uncertainty_ppm=20.0, offset_ppm=0.0,
            offset_uncertainty_ppm=5.0,
        )
        for one in product.ranges
    }  # fmt: skip
    counted: Counter[str] = Counter()
    for _ in range(benches):
        settings = poor(draw)
        assert settings.bench is not None
        judge = Judge(product, settings.bench, settings.plan.judging)
        said = {one.title for one in prospects(settings)}
        thermometer = settings.bench.ambient is not None
        errors_ppm = draw.uniform(-12_000.0, 12_000.0, 4).tolist()
        for one in readings(product, errors_ppm):
            by_good = good.unit("r", one, known)
            room_c = one.ambient_c if thermometer else None
            row = judge.unit("r", replace(one, ambient_c=room_c), known)
            compared = row.conformance_probability is None
            # Too poor at one point, a bench may yet see a unit far outside at another.
            silent = row.verdict is not Verdict.NONCONFORMING and not compared
            assert not (silent and product.range(one.range).title in said)
            assert compared <= (product.range(one.range).title in said)
            if by_good.verdict is Verdict.NONCONFORMING:
                assert row.verdict not in PASSES
            counted["compared" if compared else "judged"] += 1
            counted["passed by the good bench"] += by_good.verdict in PASSES
            counted["passed by these"] += row.verdict in PASSES
    print(f"{benches} benches: {dict(counted)}")  # noqa: T201
    assert counted["compared"] > benches
    assert counted["passed by these"] <= counted["passed by the good bench"]


def latest(verdict: Verdict, *points: JudgedPoint) -> LatestResult:
    return LatestResult(
        number=1, run="r", serial="PA-1", build="B-1", position=1, started_at=AT,
        session="s", range="1uA", error_ppm=3000.0, uncertainty_ppm=900.0,
        limit_ppm=5000.0, verdict=verdict, reruns=0,
        points=text_of(points) if points else None,
    )  # fmt: skip


def test_a_range_that_was_only_compared_has_no_known_error() -> None:
    judged = JudgedPoint(
        of_full_scale=0.9, error_ppm=1.0, uncertainty_ppm=1.0, verdict="undecided"
    )
    poor = JudgedPoint(
        of_full_scale=0.0, error_ppm=1.0, uncertainty_ppm=1.0, verdict="not judged"
    )
    assert latest(Verdict.CHANGED).only_compared
    assert latest(Verdict.UNDECIDED, judged, poor).only_compared
    assert not latest(Verdict.UNDECIDED, judged).only_compared
    assert not latest(Verdict.NONCONFORMING, judged).only_compared


def test_the_notice_gives_no_factor_for_what_was_only_compared() -> None:
    notice = CustomerNotice(
        number="CN-1", issued_at=AT, issuer="Maker", product="Amplifier",
        serial="PA-1", destination="order 12", corrections=(),
        only_compared=("1 µA",),
    )  # fmt: skip
    said = str(notice.paper())
    assert "Multiply" not in said
    assert "Correction card" not in said
    assert "Do not rely on range 1 µA of unit PA-1" in said
    assert "Send the unit back" in said


def test_the_bench_that_is_simulated_for_a_product_can_judge_it(tmp_path: Path) -> None:
    """A narrow limit at zero, and full scales that are no decades."""
    begins = VOLTS | {
        "Full scale of each range": "10m, 20m, 50m",
        "Largest error allowed": "0.2 % + 0.02 % with offset",
        "Who reads": "simulated",
    }
    write_anew(tmp_path, answered(tmp_path, begins))
    assert too_poor_for(load(tmp_path)) == ()
