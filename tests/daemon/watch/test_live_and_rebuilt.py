"""Live and again from rows is the same fold: identical odds, whatever happens when."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from daemon.watch import Accepted, CheckErrors, Fold, UnitErrors
from daemon.watch.fold import Past
from storage.records import Fitting
from tests.daemon.making import demo_product

PRODUCT = demo_product()
PARTS = [one for one in PRODUCT.watched_parts if one is not None]
START = datetime(2026, 1, 5, 8, tzinfo=UTC)
RANGES = len(PRODUCT.ranges)

Event = UnitErrors | CheckErrors | Accepted


class Life:
    """A random life of a bench: what is taken live, and what rows hold in the end."""

    def __init__(self, seed: int, past: Past | None = None) -> None:
        self.rng = np.random.default_rng(seed)
        self.live = Fold(PRODUCT, past)
        self.rows: list[Event] = []
        self.passed_over: set[int] = set()
        self.fittings: list[Fitting] = []
        self.bad: set[tuple[str, str]] = set()
        self.number = 0
        self.session = "S-0"
        self.serials: list[tuple[str, str]] = []

    def _next(self) -> int:
        self.number += 1
        return self.number

    def unit(self, build: str, serial: str) -> UnitErrors:
        errors = self.rng.normal(0.0, 250.0, RANGES)
        errors[self.rng.random(RANGES) < 0.1] = np.nan
        return UnitErrors(
            number=self._next(),
            run=f"run-{self.number}",
            serial=serial,
            build=build,
            errors_ppm=errors,
            at=START + timedelta(hours=self.number),
            session=self.session,
            set_up=bool(self.rng.random() < 0.7),
            seatable=bool(self.rng.random() < 0.7),
            variance_ppm2=np.full(RANGES, 15.0**2),
            ambient_c=None if self.rng.random() < 0.5 else 23.0 + self.rng.normal(),
        )

    def take(self, event: Event) -> None:
        self.live.refit(self.fittings)
        self.rows.append(event)
        self.live.take(event)

    def step(self) -> None:
        what = self.rng.choice(
            ["unit"] * 12
            + ["check", "session", "rerun", "twice", "fit", "late"]
            + ["accept", "bad", "good"]
        )
        build = f"B-{self.number // 12}"
        if what == "unit" or not self.serials:
            serial = f"PA-{self.rng.integers(1000, 1400)}"
            if serial not in dict(self.serials):
                self.serials.append((serial, build))
                self.take(self.unit(build, serial))
        elif what == "check":
            self.take(
                CheckErrors(
                    number=self._next(),
                    session=self.session,
                    errors_minus_known_ppm=self.rng.normal(0, 20.0, RANGES),
                    variance_ppm2=np.full(RANGES, 15.0**2),
                    allowed_ppm2=np.full(RANGES, 60.0**2),
                    at=START + timedelta(hours=self.number),
                    standard="CS-1",
                )
            )
        elif what == "session":
            self.session = f"S-{self.number}"
        elif what == "rerun":
            serial, of = self.serials[self.rng.integers(len(self.serials))]
            self.take(self.unit(of, serial))
        elif what == "twice":
            # Seated again: two runs are there before either is watched.
            serial = f"PA-{2000 + self.number}"
            self.serials.append((serial, build))
            first = self.unit(build, serial)
            first = replace(first, errors_ppm=self.rng.normal(0, 3000.0, RANGES))
            again = self.unit(build, serial)
            again = replace(again, errors_ppm=self.rng.normal(0, 250.0, RANGES))
            self.live.refit(self.fittings)
            self.rows.append(first)
            self.live.pass_over(first)
            self.take(again)
        elif what in {"fit", "late"}:
            part = str(self.rng.choice(PARTS))
            serial = None
            if what == "late":
                serial, build = self.serials[self.rng.integers(len(self.serials))]
            self.fittings.append(
                Fitting(
                    fitting=f"F-{len(self.fittings)}",
                    product=PRODUCT.settings.name,
                    build=build,
                    part=part,
                    reel=f"RL-{self.rng.integers(6)}",
                    from_serial=serial,
                    fitted_at=START + timedelta(hours=self.number),
                )
            )
            self.live.refit(self.fittings)
        elif what == "accept":
            place = int(self.rng.integers(RANGES))
            _, of = self.serials[-1]
            self.take(
                Accepted(
                    number=self.number,
                    signal=f"{of}-F1",
                    taught=True,
                    cause="reel",
                    range=PRODUCT.keys[place],
                    part=PARTS[place],
                    reel=f"RL-{self.rng.integers(6)}",
                    build=of,
                )
            )
        else:
            self.bad = {("reel", "RL-1")} if what == "bad" else set()
            self.live.found_bad(self.bad)


def rebuilt(life: Life) -> Fold:
    """Return the fold as a restart makes it."""
    fold = Fold(PRODUCT)
    fold.refit(life.fittings)
    fold.found_bad(life.bad)
    fold.take_all(life.rows)
    return fold


def odds(fold: Fold) -> dict[Any, Any]:
    return {
        key: (one.line.log_odds, one.line.marginals().tobytes(), len(one.units))
        for key, one in fold.segments.items()
    }


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_a_restart_at_any_event_gives_identical_odds(seed: int) -> None:
    """Reruns, late reels, decisions, holds by hand and restarts: bit for bit."""
    life = Life(seed)
    for _ in range(int(life.rng.integers(30, 110))):
        life.step()
        if life.rng.random() < 0.05:
            assert odds(rebuilt(life)) == odds(life.live)
    assert odds(rebuilt(life)) == odds(life.live)


@pytest.mark.bench
def test_a_thousand_random_histories_are_identical() -> None:
    for seed in range(1000):
        life = Life(seed)
        for _ in range(int(life.rng.integers(20, 90))):
            life.step()
        assert odds(rebuilt(life)) == odds(life.live), seed
