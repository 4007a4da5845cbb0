"""Homes whose store already tells a story: a bad reel, or several findings at once."""

import atexit
import shutil
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import numpy as np

from config.load import fingerprint
from daemon.holds import policy
from daemon.service.home import Home
from daemon.station.cycle import Cycle, RunHeader
from daemon.trials.stories.demo import lay_out
from storage.evidence import Evidence
from storage.local import LocalStore
from storage.records import (
    Build,
    Cause,
    Configuration,
    Evaluation,
    Product,
    Reel,
    Session,
    Signal,
)
from tests.daemon.making import AT, demo_settings, fitting, readings

UNITS = 10
BAD_FROM = 5
BAD_REEL = "K-900"


def empty_home(folder: Path) -> Home:
    """Return a home with the demo's settings and nothing measured."""
    return lay_out(folder)


def seeded_home(folder: Path) -> Home:
    """Return a home with 30 units; build B-3 takes a bad reel for R13 part-way."""
    # Measured once a session of tests: each home after the first is a copy.
    return Home(Path(shutil.copytree(_measured(), folder, dirs_exist_ok=True)))


@cache
def _measured() -> Path:
    kept = Path(mkdtemp(prefix="seeded-"))
    atexit.register(shutil.rmtree, kept, ignore_errors=True)
    home = lay_out(kept / "home")
    home.data.mkdir(parents=True)
    settings = demo_settings()
    name = settings.product.name
    configuration, body = fingerprint(settings)
    chance = np.random.default_rng(4)
    with LocalStore(home.store) as store:
        store.keep(Configuration(configuration=configuration, body=body, stored_at=AT))
        store.keep(Product(product=name, title=settings.product.title))
        store.keep(
            Session(
                session="s", bench="demo", opened_at=AT, configuration=configuration
            )
        )
        for reel in ("K-101", "K-102", "K-103", "K-104", BAD_REEL):
            store.keep(
                Reel(reel=reel, nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT)
            )
        cycle = Cycle(settings, store)
        cycle.resume()
        for build in (1, 2, 3):
            store.keep(
                Build(
                    build=f"B-{build}", product=name, planned_units=UNITS, opened_at=AT
                )
            )
            for n in (1, 2, 3, 4):
                store.keep(fitting(f"B-{build}", f"R1{n}", f"K-10{n}"))
            if build == 3:
                first = f"PA-{3000 + BAD_FROM}"
                store.keep(fitting("B-3", "R13", BAD_REEL, first))
            for unit in range(UNITS):
                errors = chance.normal(0.0, 150.0, 4)
                if build == 3 and unit >= BAD_FROM:
                    errors[2] += 3000.0
                cycle.record(
                    readings(cycle.product, errors.tolist()),
                    RunHeader(
                        serial=f"PA-{1000 * build + unit}",
                        build=f"B-{build}",
                        session="s",
                        origin="bench",
                        started_at=AT,
                        finished_at=AT,
                        configuration=configuration,
                    ),
                    {},
                )
        cycle.watch()
    return home.folder


FAR_PPM = {
    # by build: range, from which unit on, until which, how far
    "B-2": ((1, 6, 7, 4200.0),),
    "B-3": ((1, 4, UNITS, 3600.0), (3, 6, UNITS, -2200.0), (0, 2, 3, 4200.0)),
}
STEPPED_BACK = "Unit PA-2006 measured again reads like the others."


def several_home(folder: Path) -> Home:
    """Return a home in which build B-3 has three findings at once, and B-2 had one.

    B-3-F1 and B-3-F2 each name a reel and hold, B-3-F3 is of one odd unit. B-2-F1 was
    withdrawn; the holds that it placed stand. No detector said so: the findings are
    written down as it would, so that what is shown of them stays the same.
    """
    home = lay_out(folder)
    home.data.mkdir(parents=True)
    settings = demo_settings()
    name = settings.product.name
    configuration, body = fingerprint(settings)
    chance = np.random.default_rng(8)
    with LocalStore(home.store) as store:
        store.keep(Configuration(configuration=configuration, body=body, stored_at=AT))
        store.keep(Product(product=name, title=settings.product.title))
        store.keep(
            Session(
                session="s", bench="demo", opened_at=AT, configuration=configuration
            )
        )
        for reel in ("RL-11", "RL-12", "RL-13", "RL-14"):
            store.keep(
                Reel(
                    reel=reel, nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT,
                    supplier="Parts of the north",
                )
            )  # fmt: skip
        cycle = Cycle(settings, store)
        number = 0
        for build in (1, 2, 3):
            store.keep(
                Build(
                    build=f"B-{build}", product=name, planned_units=UNITS, opened_at=AT
                )
            )
            first = build == 1
            store.keep(fitting(f"B-{build}", "R12", "RL-11" if first else "RL-13"))
            store.keep(fitting(f"B-{build}", "R14", "RL-11"))
            if build == 3:
                store.keep(fitting("B-3", "R12", "RL-12", "PA-3004"))
                store.keep(fitting("B-3", "R14", "RL-14", "PA-3006"))
            for unit in range(UNITS):
                errors = chance.normal(0.0, 150.0, 4)
                for place, begin, end, far in FAR_PPM.get(f"B-{build}", ()):
                    errors[place] += far if begin <= unit < end else 0.0
                number = cycle.record(
                    readings(cycle.product, errors.tolist()),
                    RunHeader(
                        serial=f"PA-{1000 * build + unit}",
                        build=f"B-{build}",
                        session="s",
                        origin="bench",
                        started_at=AT,
                        finished_at=AT,
                        configuration=configuration,
                    ),
                    {},
                ).number
        found = _findings(name, number)
        gone = replace(
            found[0], revision=2, standing=False, withdrawn=STEPPED_BACK, number=number
        )
        placed = [
            hold
            for one in found
            for hold in policy.from_signal(one, f"as it read when found: {one.signal}")
        ]
        store.record_evaluation(
            Evaluation(
                product=name, number=number, signals=(*found, gone), holds=tuple(placed)
            )
        )
    return home


def _findings(product: str, number: int) -> tuple[Signal, ...]:
    def found(**changes: Any) -> Signal:
        title = changes.pop("title")
        size = changes.pop("size_ppm")
        values: dict[str, Any] = {
            "revision": 1,
            "number": number,
            "product": product,
            "cause": Cause.REEL,
            "statistic": "bank",
            "raised_serial": changes["first_serial"],
            "units": 4,
            "size_ppm": size,
            "low_ppm": size - 200.0,
            "high_ppm": size + 200.0,
            "implied_ohm": None,
            "probability": 0.97,
            "holds": True,
            "evidence": Evidence(range_title=title, tolerance_ppm=1000.0).text(),
            "made_at": AT,
        }
        return Signal(**{**values, **changes})

    return (
        found(
            signal="B-2-F1", build="B-2", range="10uA", title="10 µA", part="R12",
            reel="RL-13", first_serial="PA-2006", size_ppm=4200.0, units=1,
        ),
        found(
            signal="B-3-F1", build="B-3", range="10uA", title="10 µA", part="R12",
            reel="RL-12", first_serial="PA-3004", size_ppm=3600.0,
        ),
        found(
            signal="B-3-F2", build="B-3", range="1mA", title="1 mA", part="R14",
            reel="RL-14", first_serial="PA-3006", size_ppm=-2200.0,
        ),
        found(
            signal="B-3-F3", build="B-3", range="1uA", title="1 µA", part=None,
            reel=None, first_serial="PA-3002", size_ppm=4200.0, units=1,
            cause=Cause.UNIT, holds=False,
        ),
    )  # fmt: skip
