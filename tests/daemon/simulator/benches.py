"""Simulated benches for tests, and a hand that measures on them."""

from collections.abc import Callable
from pathlib import Path

import config
from config.model import Instrument, MeterRange, Settings
from daemon.bench.clock import Clock, VirtualClock
from daemon.simulator.direct import DirectBench, DirectConnection
from daemon.simulator.rig import BenchNature, Rig
from daemon.simulator.scenario import Scenario
from daemon.simulator.world import Line

DEMO = Path(config.__file__).parent / "demo"

IDEAL = BenchNature(
    meter_noise_ppm=0.0,
    source_noise_ppm=0.0,
    ambient_c=0.0,
    ambient_swing_c=0.0,
    emf_ppm=0.0,
    warm_emf_ppm=0.0,
)
"""A bench whose only errors are the instruments' own."""

CLEAN = Line(leakage_ppm=0.0, offset_ppm=0.0, drift_ppm_per_h=0.0)
"""Boards that are wrong by their parts alone."""


def with_perfect_meters(settings: Settings) -> Settings:
    """Return settings whose meters read the truth, to the last digit they send."""
    assert settings.bench is not None

    def perfect(instrument: Instrument) -> Instrument:
        no_error = {"of_reading_ppm": 0.0, "of_range_ppm": 0.0, "resolution": 0.0}
        ranges = tuple(one.model_copy(update=no_error) for one in instrument.ranges)
        return instrument.model_copy(update={"ranges": ranges})

    bench = settings.bench.model_copy(
        update={
            "reference": perfect(settings.bench.reference),
            "output": perfect(settings.bench.output),
        }
    )
    return settings.model_copy(update={"bench": bench})


def with_ohmmeter(settings: Settings) -> Settings:
    """Return settings whose bench has an ohmmeter too, of no error to speak of."""
    assert settings.bench is not None
    ohmmeter = Instrument(
        address="TCPIP::127.0.0.1::5030::SOCKET",
        profile="scpi_ohmmeter_four_wire",
        ranges=(MeterRange(full_scale=1e7, of_reading_ppm=1e-6),),
    )
    bench = settings.bench.model_copy(update={"ohmmeter": ohmmeter})
    return settings.model_copy(update={"bench": bench})


class Hand:
    """Measures as a careful person would, over anything that speaks SCPI."""

    def __init__(self, rig: Rig, connect: Callable[[str], DirectConnection]) -> None:
        self.rig = rig
        self.lines = {
            role: connect(one.address) for role, one in rig.bench.instruments.items()
        }
        self.lines["source"].write("SOUR:FUNC CURR;:SOUR:VOLT:PROT 12")

    def transfer(self, key: str, *, settle_s: float | None = None) -> float:
        """Return volts over amperes of one range, offset removed."""
        one = self.rig.settings.product.ranges[key]
        self.lines["source"].write("SOUR:CURR 0;:OUTP ON")
        self.lines["selector"].write(f"ROUT:OPEN:ALL;:ROUT:CLOS (@{one.selector})")
        self.lines["reference"].write(f"CONF:CURR:DC {one.full_scale}")
        self.lines["output"].write("CONF:VOLT:DC 1")
        points = []
        for level in (0.0, 0.9 * one.full_scale):
            self.lines["source"].write(f"SOUR:CURR:LEV {level}")
            self.rig.clock.wait_s(one.settle_s if settle_s is None else settle_s)
            points.append(
                [
                    float(self.lines[role].query("READ?"))
                    for role in ("output", "reference")
                ]
            )
        self.lines["source"].write("OUTP OFF")
        complaints = {line.query("SYST:ERR?") for line in self.lines.values()}
        assert complaints == {'0,"No error"'}
        (zero_v, zero_a), (level_v, level_a) = points
        return (level_v - zero_v) / (level_a - zero_a)


def direct_hand(
    settings: Settings,
    scenario: Scenario,
    *,
    clock: Clock | None = None,
    nature: BenchNature = IDEAL,
) -> Hand:
    """Return a hand at a simulated bench in this very process."""
    rig = Rig(settings, scenario, clock or VirtualClock(), nature=nature)
    return Hand(rig, DirectBench(rig).connect)
