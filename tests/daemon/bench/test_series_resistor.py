"""A voltage source through known resistors, and a source without a compliance."""

from pathlib import Path
from threading import Event

import pytest

from config.bench import SeriesResistor
from config.errors import ConfigError
from config.load import load
from config.model import Settings
from config.profile import Profile
from daemon.bench.bench import Bench, cautions
from daemon.bench.clock import VirtualClock
from daemon.bench.errors import LimitError
from daemon.bench.sequence import measure
from daemon.bench.wire import by_address
from daemon.simulator.direct import DirectBench
from daemon.simulator.rig import BenchNature, Rig
from daemon.simulator.scenario import story
from tests.config.folders import changed_sample, faults
from tests.daemon.bench.fakes import profile
from tests.daemon.bench.test_simulated_bench import gain, nominal_transfer, true_gain
from tests.daemon.simulator.benches import CLEAN

OHM = {"1uA": 1e7, "10uA": 1e6, "100uA": 1e5, "1mA": 1e4}


def by_resistor(
    demo: Settings, ohm: dict[str, float], how: Profile | None = None
) -> Settings:
    """Return the demo's settings with a voltage source for its current source."""
    assert demo.bench is not None
    source = demo.bench.source.model_copy(update={"profile": "volts"})
    bench = demo.bench.model_copy(
        update={
            "source": source,
            "series_resistor": SeriesResistor(ohm=ohm, burden_ohm=50.0),
        }
    )
    volts = how or profile("scpi_voltage_source")
    return demo.model_copy(
        update={"bench": bench, "profiles": {**demo.profiles, "volts": volts}}
    )


def opened(settings: Settings) -> tuple[Rig, Bench, VirtualClock]:
    assert settings.bench is not None
    clock = VirtualClock()
    rig = Rig(settings, story(settings, 1, line=CLEAN), clock, nature=BenchNature())
    rig.mount("PA-1001")
    bench = Bench(
        settings.bench,
        settings.product,
        settings.plan.reading,
        profiles=settings.profiles,
        nominal_transfer=nominal_transfer(settings),
        connect=by_address(DirectBench(rig).connect),
        clock=clock,
        guarded=False,
    )
    return rig, bench, clock


def test_a_bench_supply_through_resistors_measures_what_a_current_source_does(
    demo: Settings,
) -> None:
    settings = by_resistor(demo, OHM)
    rig, bench, clock = opened(settings)
    volts: list[float] = []
    with bench:
        taken = measure(
            bench,
            tuple(OHM),
            clock,
            stop=Event(),
            progress=lambda _: volts.append(rig.state().level),
        )
    assert volts[1::3] == pytest.approx([0.9e-6 * (1e7 + 50)] + [9.0] * 3, rel=1e-2)
    for one in taken:
        assert gain(one) == pytest.approx(true_gain(rig, one.range), rel=400e-6)


def test_what_would_stand_at_an_open_input_is_held_to_the_compliance(
    demo: Settings,
) -> None:
    with pytest.raises(LimitError, match=r"its resistor, 18.* compliance_v, 12"):
        opened(by_resistor(demo, {**OHM, "1mA": 2e4}))


def test_a_source_without_a_compliance_is_used_and_what_that_asks_is_stated(
    demo: Settings,
) -> None:
    plain = profile("scpi_voltage_source").model_copy(
        update={"set_compliance": None, "limit_in_circuit": True}
    )
    settings = by_resistor(demo, OHM, plain)
    assert settings.bench is not None
    said = " ".join(cautions(settings.bench, settings.profiles))
    assert "keeps the unit's input at or below 12 V" in said
    assert "With that shorted".lower() in said.lower()
    rig, bench, clock = opened(settings)
    with bench:
        (one,) = measure(bench, ("10uA",), clock, stop=Event())
    assert gain(one) == pytest.approx(true_gain(rig, "10uA"), rel=400e-6)


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("ohm = { 1uA = 1e6 }", "each range of the product needs its ohms"),
        ("burden_ohm = 5.0", "series_resistor.ohm"),
        ("ohm = { 1uA = 0.0 }", "> 0"),
    ],
)
def test_a_resistor_that_is_missing_or_none_is_said(
    tmp_path: object, written: str, said: str
) -> None:
    folder = changed_sample(tmp_path, {})  # type: ignore[arg-type]
    bench = folder / "bench.toml"
    text = bench.read_text(encoding="utf-8")
    bench.write_text(f"{text}\n[series_resistor]\n{written}\n", encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load(folder)
    assert said in str(caught.value)


def test_a_limit_stated_above_the_plans_levels_counts_for_the_resistor_too(
    tmp_path: Path,
) -> None:
    # 1 mA times (12 kΩ + 50 Ω) is 12.05 V; at the plan's 90 % it is 10.8 V.
    ohm = "ohm = { 1uA = 1e6, 10uA = 1e6, 100uA = 1e5, 1mA = 12e3 }"
    folder = changed_sample(
        tmp_path,
        {
            "product.toml": (
                (
                    "450.0 }\nsource_limit = 1.2e-3",
                    "450.0, points = [0.5, 1.0] }\nsource_limit = 1.2e-3",
                ),
            ),
            "bench.toml": (
                ("watched_current_source", "scpi_voltage_source"),
                (
                    "[selector]",
                    f"[series_resistor]\nburden_ohm = 50.0\n{ohm}\n\n[selector]",
                ),
            ),
        },
    )
    (said,) = faults(folder)
    assert said == (
        "bench.toml:34: series_resistor.ohm.1mA = 12e3: needs 12.05 V at its highest "
        "level, which stand at an open input; compliance_v is 12"
    )
