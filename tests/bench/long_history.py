"""Stores of a long history, written in bulk and kept between runs of the tests.

Builds of 25 units, each with a session, a check of the standard and reels of its own or
of the builds before; every tenth build has had a finding, a hold that was ended and a
bad check that was cleared; all but the latest builds have left the house. Units read as
good ones do. All of it follows from the number of units.
"""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from hashlib import sha256
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import numpy as np
import pyarrow as pa

from config.load import fingerprint
from daemon.service.home import Home
from daemon.trials.stories.demo import lay_out
from daemon.watch import ProductWatch
from storage.local import LocalStore
from storage.records import Configuration, Product
from tests.daemon.making import AT, demo_settings

SETTINGS = demo_settings()
NAME = SETTINGS.product.name
RANGES = tuple(SETTINGS.product.ranges)
PARTS = ("R11", "R12", "R13", "R14")
A_BUILD = 25
BUILDS_A_REEL = 3
AT_HOME = 4
"""Latest builds that have not left."""
EVERY_TENTH = 10
NOISE_PPM = 15.0

Columns = dict[str, Any]


def cache_folder() -> Path:
    """Return where made stores are kept, outside of the project."""
    base = os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else Path.home() / ".cache") / "holdpoint-histories"


@contextmanager
def long_home(units: int) -> Iterator[Home]:
    """Give a copy of a home whose store has so many units."""
    copy = Path(mkdtemp(prefix="long-"))
    try:
        yield Home(Path(shutil.copytree(_made(units), copy / "home")))
    finally:
        shutil.rmtree(copy, ignore_errors=True)


def _made(units: int) -> Path:
    migrations = sorted(
        (Path(__file__).parents[2] / "storage/sql/migrations").glob("*.sql")
    )
    texts = [Path(__file__).read_bytes(), *(one.read_bytes() for one in migrations)]
    made_by = sha256(b"".join(texts)).hexdigest()[:12]
    folder = cache_folder() / f"{units}-{made_by}"
    if not folder.is_dir():
        cache_folder().mkdir(parents=True, exist_ok=True)
        fresh = Path(mkdtemp(prefix=f"{units}-", dir=cache_folder()))
        try:
            _make(fresh, units)
            fresh.rename(folder)
        except BaseException:
            shutil.rmtree(fresh, ignore_errors=True)
            raise
    with LocalStore(Home(folder).store) as store:
        # Kept by another text of the program, it is worked out again.
        ProductWatch(SETTINGS, store).remember(keep=True)
    return folder


def serial_of(index: int) -> str:
    """Return the serial of a unit, from 0."""
    return f"PA-{index:08d}"


def build_of(index: int) -> str:
    """Return the build of a unit, from 0."""
    return f"B-{index // A_BUILD:06d}"


def _make(folder: Path, units: int) -> None:
    home = lay_out(folder)
    home.data.mkdir(parents=True)
    with LocalStore(home.store) as store:
        fill(store, units)


def fill(store: LocalStore, units: int) -> None:
    """Write the rows of so many units into an empty store; nothing is watched."""
    configuration, body = fingerprint(SETTINGS)
    store.keep(Configuration(configuration=configuration, body=body, stored_at=AT))
    store.keep(Product(product=NAME, title=SETTINGS.product.title))
    for table, columns in _tables(units, configuration).items():
        _insert(store, table, columns)


def _insert(store: LocalStore, table: str, columns: Columns) -> None:
    rows = pa.table(columns)
    connection = store._database._connection
    assert connection is not None
    with connection.cursor() as cursor:
        cursor.register("rows_to_keep", rows)
        cursor.execute(f"insert into {table} by name select * from rows_to_keep")  # noqa: S608
        cursor.unregister("rows_to_keep")


def _tables(units: int, configuration: str) -> dict[str, Columns]:
    """Return every table's columns."""
    chance = np.random.default_rng(units)
    builds = -(-units // A_BUILD)
    build = np.arange(units) // A_BUILD
    names = [f"B-{one:06d}" for one in range(builds)]
    begun = [AT + timedelta(hours=one) for one in range(builds)]
    serials = [serial_of(one) for one in range(units)]
    # A check opens each build's session, so that runs are numbered with one more a
    # build.
    number = np.arange(units) + build + 2
    check_number = np.arange(builds) * (A_BUILD + 1) + 1
    reel = np.arange(builds) // BUILDS_A_REEL
    level = chance.normal(0.0, 150.0, (reel[-1] + 1, len(RANGES)))
    errors = (
        level[reel[build]]
        + chance.normal(0.0, 100.0, (builds, 1))[build]
        + chance.normal(0.0, 100.0, (units, 1))
        + chance.normal(0.0, 150.0, (units, len(RANGES)))
    )
    checks = chance.normal(0.0, NOISE_PPM, (builds, len(RANGES)))
    started = [
        begun[b] + timedelta(minutes=int(n)) for b, n in zip(build, number, strict=True)
    ]
    tenth = range(0, builds, EVERY_TENTH)
    left = range(max(units - AT_HOME * A_BUILD, 0))
    return {
        "build": {
            "build": names,
            "product": [NAME] * builds,
            "planned_units": [A_BUILD] * builds,
            "opened_at": begun,
        },
        "session": {
            "session": [f"s-{one:06d}" for one in range(builds)],
            "bench": ["demo"] * builds,
            "opened_at": begun,
            "configuration": [configuration] * builds,
            "set_up": [True] * builds,
        },
        "reel": {
            "reel": [
                f"K-{part}-{one:06d}" for one in range(reel[-1] + 1) for part in PARTS
            ],
            "nominal_ohm": [5e3] * (reel[-1] + 1) * len(PARTS),
            "tolerance_ppm": [1e3] * (reel[-1] + 1) * len(PARTS),
            "received_at": [AT] * (reel[-1] + 1) * len(PARTS),
        },
        "fitting": {
            "fitting": [f"{one}:{part}" for one in names for part in PARTS],
            "product": [NAME] * builds * len(PARTS),
            "build": [one for one in names for _ in PARTS],
            "part": list(PARTS) * builds,
            "reel": [f"K-{part}-{one:06d}" for one in reel for part in PARTS],
            "fitted_at": [one for one in begun for _ in PARTS],
            "after_number": [int(one) - 1 for one in check_number for _ in PARTS],
        },
        "unit": {
            "serial": serials,
            "product": [NAME] * units,
            "build": [names[one] for one in build],
        },
        "run": _ordered(
            {
                "number": np.concatenate([check_number, number]),
                "run": [*(f"check-{b}" for b in names), *(f"run-{s}" for s in serials)],
                "kind": ["check"] * builds + ["unit"] * units,
                "product": [NAME] * (builds + units),
                "serial": ["CS-1"] * builds + serials,
                "build": [None] * builds + [names[one] for one in build],
                "session": [f"s-{one:06d}" for one in (*range(builds), *build)],
                "origin": ["bench"] * (builds + units),
                "started_at": [*begun, *started],
                "finished_at": [*begun, *started],
                "configuration": [configuration] * (builds + units),
                "ambient_c": [23.0] * (builds + units),
            },
            1,
        ),
        "range_result": _results(
            np.concatenate([checks, errors]),
            np.concatenate([check_number, number]),
            builds=[*[None] * builds, *(names[one] for one in build)],
            serials=[*["CS-1"] * builds, *serials],
            runs=[*(f"check-{b}" for b in names), *(f"run-{s}" for s in serials)],
            at=[*begun, *started],
        ),
        "signal": _findings(tenth, names, number, begun),
        "hold": {
            "hold": [f"{names[b]}-F1:{names[b]}" for b in tenth],
            "scope": ["build"] * len(tenth),
            "subject": [names[b] for b in tenth],
            "product": [NAME] * len(tenth),
            "signal": [f"{names[b]}-F1" for b in tenth],
            "reason": ["reads low"] * len(tenth),
            "placed_by": ["holdpoint"] * len(tenth),
            "placed_at": [begun[b] for b in tenth],
            "after_number": [int(number[b * A_BUILD]) for b in tenth],
        },
        "hold_end": {
            "hold": [f"{names[b]}-F1:{names[b]}" for b in tenth[:-1]],
            "disposal": ["rework"] * (len(tenth) - 1),
            "person": ["Ada"] * (len(tenth) - 1),
            "reason": ["reworked"] * (len(tenth) - 1),
            "ended_at": [begun[b] for b in tenth[:-1]],
            "after_number": [int(number[b * A_BUILD]) for b in tenth[:-1]],
        },
        "doubt": {
            "doubt": [f"doubt-{b}" for b in tenth],
            "product": [NAME] * len(tenth),
            "session": [f"s-{b:06d}" for b in tenth],
            "from_number": [int(check_number[b]) for b in tenth],
            "to_number": [
                int(number[min(b * A_BUILD + A_BUILD, units) - 1]) for b in tenth
            ],
            "cause": ["out of control"] * len(tenth),
            "reason": ["the check standard read wrong"] * len(tenth),
            "raised_at": [begun[b] for b in tenth],
        },
        "doubt_end": {
            "doubt": [f"doubt-{b}" for b in tenth[:-1]],
            "ended_by": ["Ada"] * (len(tenth) - 1),
            "reason": ["a loose lead"] * (len(tenth) - 1),
            "ended_at": [begun[b] for b in tenth[:-1]],
        },
        "shipment": {
            "shipment": [f"{serials[one]} out" for one in left],
            "serial": [serials[one] for one in left],
            "product": [NAME] * len(left),
            "destination": [f"order {build[one]}" for one in left],
            "reseller": [False] * len(left),
            "person": ["Ada"] * len(left),
            "shipped_at": [started[one] for one in left],
            "against": ["[]"] * len(left),
        },
        "watermark": {"product": [NAME], "number": [units + builds]},
    }  # fmt: skip


def _results(
    read_ppm: np.ndarray,
    number: np.ndarray,
    *,
    builds: list[str | None],
    serials: list[str],
    runs: list[str],
    at: list[Any],
) -> Columns:
    """Return the columns of every run's ranges; a run of the standard has no build."""
    count, many = len(RANGES), len(read_ppm)
    rows = many * count
    scale = np.array([one.full_scale for one in SETTINGS.product.ranges.values()])

    def each(values: list[Any]) -> list[Any]:
        return [one for one in values for _ in RANGES]

    return _ordered(
        {
            "run": each(runs),
            "range": list(RANGES) * many,
            "reference": np.tile(0.9 * scale, many),
            "indicated": np.full(rows, 0.9),
            "error_ppm": read_ppm.ravel(),
            "offset_ppm": np.zeros(rows),
            "uncertainty_ppm": np.full(rows, 60.0),
            "limit_ppm": np.full(rows, 2000.0),
            "verdict": ["conforming"] * rows,
            "level": [[]] * rows,
            "reference_readings": [[]] * rows,
            "output_readings": [[]] * rows,
            "at_s": [[]] * rows,
            "own_uncertainty_ppm": np.full(rows, NOISE_PPM),
            "number": np.repeat(number, count),
            "place": np.tile(np.arange(1, count + 1), many),
            "repeat": np.zeros(rows, np.int64),
            "kind": each(["check" if one is None else "unit" for one in builds]),
            "product": [NAME] * rows,
            "build": each(builds),
            "serial": each(serials),
            "started_at": each(at),
        },
        count,
    )


def _findings(
    tenth: range, names: list[str], number: np.ndarray, begun: list[Any]
) -> Columns:
    many = len(tenth)
    first = [serial_of(b * A_BUILD) for b in tenth]
    return {
        "signal": [f"{names[b]}-F1" for b in tenth],
        "revision": [1] * many,
        "number": [int(number[b * A_BUILD]) for b in tenth],
        "product": [NAME] * many,
        "build": [names[b] for b in tenth],
        "cause": ["reel"] * many,
        "statistic": ["events on the line"] * many,
        "range": [RANGES[0]] * many,
        "part": [PARTS[0]] * many,
        "reel": [f"K-{PARTS[0]}-{b // BUILDS_A_REEL:06d}" for b in tenth],
        "first_serial": first,
        "raised_serial": first,
        "units": [A_BUILD] * many,
        "size_ppm": [-3000.0] * many,
        "low_ppm": [-3200.0] * many,
        "high_ppm": [-2800.0] * many,
        "probability": [0.99] * many,
        "holds": [True] * many,
        "evidence": ["{}"] * many,
        "made_at": [begun[b] for b in tenth],
        "standing": [True] * many,
    }


def _ordered(columns: Columns, each: int) -> Columns:
    """Return rows in the order of their run numbers, `each` a run."""
    order = np.argsort(np.asarray(columns["number"]), kind="stable")
    rows = pa.table(columns)
    assert len(order) % each == 0
    taken = rows.take(pa.array(order))
    return {name: taken.column(name) for name in rows.column_names}
