"""Small worlds for tests: the demo's product, fittings and units."""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

import config
from config.load import load
from config.model import Settings
from daemon.product import ProductModel
from daemon.watch import UnitErrors
from storage.records import Fitting

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
DEMO = Path(config.__file__ or "").parent / "demo"


def demo_settings() -> Settings:
    """Return the demo's settings."""
    return load(DEMO)


def demo_product() -> ProductModel:
    """Return the demo's product."""
    return ProductModel.of(demo_settings().product)


def fitting(
    build: str, part: str, reel: str, from_serial: str | None = None
) -> Fitting:
    """Return the record that a part of a build comes from a reel."""
    return Fitting(
        fitting=f"{build}:{part}:{from_serial}:{reel}",
        product="photodiode-amplifier",
        build=build,
        part=part,
        reel=reel,
        from_serial=from_serial,
        fitted_at=AT,
    )


def unit(
    number: int, serial: str, build: str, errors_ppm: Sequence[float]
) -> UnitErrors:
    """Return one unit's errors."""
    return UnitErrors(
        number=number,
        run=f"run-{number}",
        serial=serial,
        build=build,
        errors_ppm=np.array(errors_ppm, dtype=float),
        at=AT,
    )
