"""A home whose store already tells a story: two good builds, then a bad reel."""

import atexit
import shutil
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import numpy as np

from config.load import fingerprint
from daemon.cycle import Cycle, RunHeader
from daemon.demo import lay_out
from daemon.home import Home
from storage.local import LocalStore
from storage.records import Build, Configuration, Product, Reel, Session
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
        store.put_configuration(
            Configuration(configuration=configuration, body=body, stored_at=AT)
        )
        store.add_product(Product(product=name, title=settings.product.title))
        store.open_session(
            Session(
                session="s", bench="demo", opened_at=AT, configuration=configuration
            )
        )
        for reel in ("K-101", "K-102", "K-103", "K-104", BAD_REEL):
            store.add_reel(
                Reel(reel=reel, nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT)
            )
        cycle = Cycle(settings, store)
        cycle.resume()
        for build in (1, 2, 3):
            store.add_build(
                Build(
                    build=f"B-{build}", product=name, planned_units=UNITS, opened_at=AT
                )
            )
            for n in (1, 2, 3, 4):
                store.fit_reel(fitting(f"B-{build}", f"R1{n}", f"K-10{n}"))
            if build == 3:
                first = f"PA-{3000 + BAD_FROM}"
                store.fit_reel(fitting("B-3", "R13", BAD_REEL, first))
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
