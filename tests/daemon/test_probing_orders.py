"""Orders that settle a finding: what is kept of each, and what is refused."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from typing import Any, Literal
from uuid import uuid4

import pytest

from config.model import Instrument
from daemon.bench.clock import VirtualClock
from daemon.holds.proofs import NoProofError, of_bench
from daemon.station import OutOfControlError, proof_runs
from daemon.station.orders import ProofOrder, SecondMeter
from daemon.station.proof_runs import Prober
from daemon.station.second_meter import Comparison
from daemon.watch.what_settles import probabilities
from storage.errors import NotFoundError
from storage.local import LocalStore
from storage.records import (
    CrossCheck,
    Proof,
    ProofKind,
    RangeResult,
    Run,
    RunKind,
    Signal,
    Verdict,
)
from tests.daemon.bench.fakes import FakeBench
from tests.daemon.making import AT, demo_product, demo_settings
from tests.daemon.seeded import seeded_home
from tests.daemon.test_ohms import OHMMETER, PROFILES, Person

FINDING = "B-3-F1"
PRODUCT = demo_product()
LATER = AT + timedelta(hours=1)


@dataclass
class FakeStation:
    """A bench whose check standard reads as it is told to."""

    store: LocalStore
    check_off_ppm: float = 0.0
    bench_reads: float = 0.9027

    def check(self) -> None:
        """Record a run of the check standard; refuse to judge where it is far off."""
        bench = demo_settings().bench
        assert bench is not None
        assert bench.check_standard is not None
        run = uuid4().hex
        rows = self.store.frame("unit_runs", serial="PA-1001")
        self.store.record_run(
            Run(
                run=run,
                kind=RunKind.CHECK,
                product="photodiode-amplifier",
                serial="CS-1",
                build=None,
                session=str(rows["session"].iloc[0]),
                origin="bench",
                started_at=LATER,
                finished_at=LATER,
                configuration=str(rows["configuration"].iloc[0]),
                ambient_c=23.0,
            ),
            [
                RangeResult(
                    run=run,
                    range=one.key,
                    reference=0.9 * one.settings.full_scale,
                    indicated=0.9 * one.settings.full_scale,
                    error_ppm=bench.check_standard.error_ppm[one.key]
                    + (self.check_off_ppm if one.key == "100uA" else 0.0),
                    offset_ppm=0.0,
                    uncertainty_ppm=60.0,
                    limit_ppm=5_000.0,
                    verdict=Verdict.CONFORMING,
                    conformance_probability=1.0,
                )
                for one in PRODUCT.ranges
            ],
        )
        if self.check_off_ppm:
            raise OutOfControlError(serial="CS-1", ranges=["100 µA"])

    def compare(self, serial: str, second: SecondMeter, *, connect: bool) -> Comparison:
        """Record that the bench's meter reads 0.9027 V and the other 0.9 V."""
        assert connect
        row = CrossCheck(
            cross_check=uuid4().hex,
            product="photodiode-amplifier",
            session="s",
            serial=serial,
            range=second.range,
            role=second.role,
            meter=second.meter,
            unit="V",
            value=self.bench_reads,
            expanded=1e-4,
            other=0.9,
            other_expanded=0.9 * second.accuracy_ppm * 1e-6,
            normalised_error=0.0,
            agree=True,
            measured_at=AT,
            signal=second.signal,
            person=second.person,
        )
        self.store.keep(row)
        return Comparison(row=row, words="Both meters were read.")


@dataclass
class Line:
    """A prober over one store, a fake station and an ohmmeter in memory."""

    store: LocalStore
    station: FakeStation
    person: Person
    ways: list[str] = field(default_factory=list)

    def prober(self, **bench: Any) -> Prober:
        settings = demo_settings()
        assert settings.bench is not None
        told = settings.bench.model_copy(update={"ohmmeter": OHMMETER, **bench})
        fake = FakeBench()
        fake.answers["ohmmeter", "READ?"] = lambda: self.person.now
        return Prober(
            settings=settings.model_copy(update={"bench": told, "profiles": PROFILES}),
            product=PRODUCT,
            store=self.store,
            desk=self.person,
            clock=VirtualClock(),
            connect=fake.connect,
            station=lambda: self.station,  # type: ignore[arg-type,return-value]
            make_way=lambda ohmmeter: self.ways.append(ohmmeter.address),
        )

    def proofs(self) -> list[Proof]:
        return self.store.rows(Proof, "proofs", product="photodiode-amplifier")

    def chance(self, cause: str) -> float:
        """Return how probable a cause is now."""
        (found,) = self.store.rows(Signal, "signals", product="photodiode-amplifier")
        return probabilities(found, self.proofs(), PRODUCT)[cause]


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    home = seeded_home(tmp_path / "home")
    with LocalStore(home.store) as store:
        yield Line(store=store, station=FakeStation(store), person=Person([]))


def order(kind: ProofKind, **more: Any) -> ProofOrder:
    return ProofOrder(
        **{"signal": FINDING, "kind": kind, "person": "Ada Moreno", **more}
    )


def test_a_check_standard_that_reads_wrong_is_kept_as_evidence(line: Line) -> None:
    line.station.check_off_ppm = 3_000.0
    before = line.chance("bench")
    said = line.prober().prove(order(ProofKind.CHECK_STANDARD))
    assert said.startswith("Check standard CS-1 is outside its limits on 100 µA")
    assert "read +0.30 % off, not as it should be" in said
    (proof,) = line.proofs()
    assert proof.kind is ProofKind.CHECK_STANDARD
    assert line.chance("bench") > before


def test_a_second_meter_that_reads_what_the_unit_should_give_names_the_bench(
    line: Line,
) -> None:
    """The bench reads 3000 ppm more than the other: nothing of +0.3 % is the unit's."""
    before = line.chance("bench")
    said = line.prober().prove(
        order(ProofKind.SECOND_METER, subject="handheld 2", accuracy_ppm=100.0)
    )
    assert said.startswith("Both meters were read.")
    (proof,) = line.proofs()
    assert proof.subject == "handheld 2"
    assert abs(proof.readings[0]) < 100.0
    assert line.chance("bench") > before


@pytest.mark.parametrize(("role", "reads"), [("output", 0.9027), ("reference", 0.8973)])
def test_what_a_meter_reads_too_high_a_unit_has_less_and_its_input_more(
    line: Line, role: Literal["output", "reference"], reads: float
) -> None:
    """0.3 % too much at the output, or too little at the input: both are +0.3 %."""
    (found,) = line.store.rows(Signal, "signals", product="photodiode-amplifier")
    line.station.bench_reads = reads
    second = SecondMeter(
        range="100uA", meter="handheld 2", accuracy_ppm=100.0, person="Ada Moreno",
        signal=FINDING, role=role,
    )  # fmt: skip
    line.station.compare(found.first_serial, second, connect=True)
    proof = of_bench(
        found, ProofKind.SECOND_METER, line.store, demo_settings().bench,
        person="Ada Moreno",
    )  # fmt: skip
    assert proof.readings == pytest.approx((found.size_ppm - 3000.0,), abs=0.1)


def test_a_part_on_its_board_is_read_with_the_source_off(line: Line) -> None:
    line.person.reads = ["0.1", "5015.1"]
    said = line.prober().prove(order(ProofKind.FOUR_WIRE))
    (proof,) = line.proofs()
    assert proof.readings == pytest.approx((5015.0,))
    assert (proof.subject, proof.from_value) == ("PA-3005", PRODUCT.nominal_ohm["R13"])
    assert line.ways == [OHMMETER.address], "the source was turned off first"
    assert "R13 on the board of unit PA-3005" in line.person.asked[1][1]
    assert "R13, four-wire, PA-3005 read 5.0150" in said


def test_of_a_reel_that_nobody_recorded_the_part_on_its_board_is_read_all_the_same(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Loose parts of it cannot be: which packet they are from, nobody knows."""
    (found,) = line.store.rows(Signal, "signals", product="photodiode-amplifier")
    unnamed = replace(found, reel=None)
    monkeypatch.setattr(proof_runs, "finding_of", lambda *_: unnamed)
    with pytest.raises(NoProofError):
        line.prober().prove(order(ProofKind.LOOSE_PARTS, parts=2))
    line.person.reads = ["0.1", "5015.1"]
    line.prober().prove(order(ProofKind.FOUR_WIRE))
    (proof,) = line.proofs()
    assert (proof.kind, proof.subject) == (ProofKind.FOUR_WIRE, "PA-3005")


@pytest.mark.parametrize(
    ("asked", "bench", "says"),
    [
        (order(ProofKind.OLDER_UNIT, subject="PA-3001"), {}, "is of build B-3 itself"),
        (order(ProofKind.OLDER_UNIT, subject="PA-9"), {}, "was never measured before"),
        (order(ProofKind.FOUR_WIRE), {"ohmmeter": None}, "names no ohmmeter"),
        (order(ProofKind.CHECK_STANDARD), {"check_standard": None}, "type what"),
    ],
)
def test_what_cannot_be_measured_is_refused_and_nothing_kept(
    line: Line, asked: ProofOrder, bench: dict[str, Instrument | None], says: str
) -> None:
    with pytest.raises(NoProofError, match=says):
        line.prober(**bench).prove(asked)
    assert line.proofs() == []


def test_an_unknown_finding_is_named(line: Line) -> None:
    with pytest.raises(NotFoundError, match="finding 'B-9-F1'"):
        line.prober().prove(order(ProofKind.FOUR_WIRE, signal="B-9-F1"))
