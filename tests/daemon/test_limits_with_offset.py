"""Where the limit has the offset inside, whatever asks of the limit counts it."""

from dataclasses import dataclass
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm, t as student

from daemon.judging import MeasuredRuns, ProductModel
from daemon.traceability import who_carries
from daemon.traceability.tracing import Records
from daemon.watch.next_build import room_ppm
from storage import JudgedPoint, LatestResult, Verdict, text_of
from tests.daemon.making import demo_settings

LIMIT_PPM = 1_000.0
LEVEL = 0.9


@dataclass(frozen=True, kw_only=True)
class Read:
    """A unit: error of reading, offset of full scale, ppm."""

    error_ppm: float
    offset_ppm: float
    uncertainty_ppm: float = 10.0

    @property
    def points(self) -> str:
        """Zero and the level, each against 0.05 % of reading and of full scale."""
        found = []
        for share in (0.0, LEVEL):
            error_ppm = self.error_ppm * share + self.offset_ppm
            limit_ppm = LIMIT_PPM / 2 * (1 + share)
            found.append(
                JudgedPoint(
                    of_full_scale=share,
                    error_ppm=error_ppm,
                    uncertainty_ppm=self.uncertainty_ppm,
                    low_ppm=-limit_ppm,
                    high_ppm=limit_ppm,
                    verdict="conforming" if abs(error_ppm) < limit_ppm else "undecided",
                )
            )
        return text_of(tuple(found))

    def latest(self, serial: str = "PA-1", range_: str = "10uA") -> LatestResult:
        """Return it as the Store's answer."""
        return LatestResult(
            number=1,
            run="r",
            serial=serial,
            build="B-1",
            position=1,
            started_at=datetime(2026, 1, 1, tzinfo=UTC),
            session="s",
            range=range_,
            error_ppm=self.error_ppm,
            uncertainty_ppm=self.uncertainty_ppm,
            limit_ppm=LIMIT_PPM,
            verdict=Verdict.CONFORMING,
            reruns=0,
            points=self.points,
        )


def measured(units: list[Read], *, points: bool = True) -> MeasuredRuns:
    rows = pd.DataFrame(
        {
            "build": [f"B-{place // 25}" for place in range(len(units))],
            "serial": [f"PA-{place}" for place in range(len(units))],
            "range": "10uA",
            "error_ppm": [one.error_ppm for one in units],
            "limit_ppm": LIMIT_PPM,
            "points": [one.points if points else None for one in units],
        }
    )
    return MeasuredRuns(titles={"10uA": "10 µA"}, rows=rows, findings=(), held=())


def drawn(offset_ppm: float) -> list[Read]:
    chance = np.random.default_rng(3)
    return [
        Read(
            error_ppm=float(chance.normal(0.0, 60.0)),
            offset_ppm=offset_ppm + float(chance.normal(0.0, 40.0)),
        )
        for _ in range(50)
    ]


def test_an_offset_counts_against_the_capability() -> None:
    """By hand at zero: Ppk is (500 - 400) / (3 s), of the units' own offsets."""
    units = drawn(400.0)
    found = measured(units).capability("10uA")
    assert found.study is not None
    assert (found.of_full_scale, found.limit_ppm) == (0.0, 500.0)
    offsets = np.array([one.offset_ppm for one in units])
    by_hand = (500.0 - offsets.mean()) / (3 * offsets.std(ddof=1))
    assert found.study.overall.indices.cpk == pytest.approx(by_hand)
    alone = measured(units, points=False).capability("10uA")
    assert alone.study is not None
    assert alone.of_full_scale is None
    assert alone.study.overall.indices.cpk > 3 * by_hand


def test_without_offset_the_level_decides() -> None:
    """At 0.9 of full scale 950 ppm of it are allowed, 1055.6 of reading."""
    units = [Read(error_ppm=one.error_ppm * 8, offset_ppm=0.0) for one in drawn(0.0)]
    found = measured(units).capability("10uA")
    assert found.study is not None
    assert found.of_full_scale == LEVEL
    assert found.limit_ppm == pytest.approx(950.0 / 0.9)


def test_a_point_that_few_units_were_judged_at_is_left_out() -> None:
    units = drawn(0.0)
    runs = measured(units)
    odd = text_of(
        (
            JudgedPoint(
                of_full_scale=0.1, error_ppm=99.0, uncertainty_ppm=1.0,
                low_ppm=-100.0, high_ppm=100.0, verdict="conforming",
            ),
            *JudgedPoint.of(units[0].points),
        )
    )  # fmt: skip
    runs.rows.loc[0, "points"] = odd
    found = runs.capability("10uA")
    assert found.of_full_scale in {0.0, LEVEL}


def test_a_unit_outside_by_its_offset_alone_is_outside() -> None:
    """100 ppm of reading is far inside; 520 of full scale at zero is 2 s beyond 500."""
    one = Read(error_ppm=100.0, offset_ppm=520.0)
    assert who_carries.outside(one.latest()) == pytest.approx(norm.cdf(2.0), abs=1e-6)
    assert who_carries.of_limit(one.latest()) == pytest.approx(520.0 / 500.0)
    good = Read(error_ppm=100.0, offset_ppm=0.0)
    assert who_carries.outside(good.latest()) < 1e-9


def test_a_unit_that_was_not_measured_is_foretold_with_its_siblings_offset() -> None:
    """By hand at the level: 0.9 of the error, and 300 ppm, against 950."""
    siblings = [
        Read(error_ppm=600.0, offset_ppm=offset).latest(f"PA-{place}")
        for place, offset in enumerate((290.0, 300.0, 310.0))
    ]
    records = cast("Records", SimpleNamespace(errors=siblings))
    levels = who_carries.levels(records, "10uA")
    assert {round(one.of_full_scale, 3) for one in levels} == {0.0, LEVEL}
    for one in levels:
        assert one.offset_ppm == pytest.approx(300.0)
        assert one.offset_scatter_ppm == pytest.approx(10.0)
    told = who_carries.Foretold(centre_ppm=700.0, scale_ppm=50.0, freedom=8.0)
    scale = float(np.hypot(0.9 * 50.0, 10.0))
    by_hand = student(8.0, loc=0.9 * 700.0 + 300.0, scale=scale).sf(950.0)
    assert told.outside(LIMIT_PPM, levels) == pytest.approx(by_hand, rel=1e-6)
    assert told.outside(LIMIT_PPM) < 1e-3


def test_what_a_reel_may_be_off_by_is_the_limit_less_the_offset() -> None:
    model = ProductModel.of(demo_settings().product).range("10uA")
    nominal = model.settings.limit
    assert room_ppm(model, []) == nominal.of_reading_ppm + nominal.of_full_scale_ppm
    reads: Any = [Read(error_ppm=0.0, offset_ppm=offset) for offset in (190.0, 210.0)]
    found = room_ppm(model, [one.latest() for one in reads])
    assert found == pytest.approx((950.0 - 200.0) / LEVEL)
    turned = room_ppm(model, [Read(error_ppm=50.0, offset_ppm=-200.0).latest()])
    assert turned == pytest.approx(found)
    used_up = room_ppm(model, [Read(error_ppm=0.0, offset_ppm=2_000.0).latest()])
    assert 0.0 < used_up < 0.02 * (nominal.of_reading_ppm + nominal.of_full_scale_ppm)
