"""Small worlds for tests: the demo's product, fittings and units."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

import config
from config.load import load
from config.model import Settings
from daemon.bench.readings import Point, RangeReadings
from daemon.judging.product import ProductModel
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


def readings(
    product: ProductModel, errors_ppm: Sequence[float], *, from_s: float = 0.0
) -> list[RangeReadings]:
    """Return perfect readings of a unit with these errors, taken from a moment on."""
    made = []
    for one, error in zip(product.ranges, errors_ppm, strict=True):
        true = 0.9 * one.settings.full_scale
        volts = true * one.nominal_transfer * (1 + error * 1e-6)
        zero = Point(
            level=0.0,
            reference=(0.0, 0.0),
            output=(0.0, 0.0),
            at_s=(from_s, from_s + 1),
        )
        level = Point(
            level=true,
            reference=(true, true),
            output=(volts, volts),
            at_s=(from_s + 2, from_s + 3),
        )
        made.append(
            RangeReadings(
                range=one.key,
                points=(zero, level, zero),
                reference_full_scale=one.settings.full_scale,
                output_full_scale=1.0,
                ambient_c=23.0,
            )
        )
    return made


def scattering(
    perfect: Sequence[RangeReadings], chance: np.random.Generator, *, count: int = 10
) -> list[RangeReadings]:
    """Return readings as meters take them: more of them, each 1 ppm of range off."""

    def read(value: float, full_scale: float) -> tuple[float, ...]:
        return tuple((value + chance.normal(0.0, 1e-6 * full_scale, count)).tolist())

    return [
        replace(
            one,
            points=tuple(
                replace(
                    point,
                    reference=read(point.reference[0], one.reference_full_scale),
                    output=read(point.output[0], one.output_full_scale),
                    at_s=tuple(point.at_s[0] + 0.1 * step for step in range(count)),
                )
                for point in one.points
            ),
        )
        for one in perfect
    ]
