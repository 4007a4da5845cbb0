"""Every role is read once with the source off, and what answers is listed."""

from dataclasses import replace

import pytest

from config.model import Bench, Instrument
from config.profile import Profile
from daemon.bench.clock import VirtualClock
from daemon.bench.connection import Connection
from daemon.bench.errors import AbsentError
from daemon.bench.trying import READINGS, Found, Tried, find, try_out
from tests.daemon.bench.fakes import PROFILES, FakeBench, no_answer, settings


def tried(fake: FakeBench, bench: Bench | None = None) -> dict[str, Tried]:
    found = try_out(
        bench or settings(),
        PROFILES,
        connect=fake.connect,
        clock=VirtualClock(),
        selectors={"R11": "103", "R14": "100"},
    )
    return {one.role: one for one in found}


def test_every_role_is_read_once_with_the_source_off_from_the_first() -> None:
    fake = FakeBench(level=1e-3)
    found = tried(fake)
    assert list(found) == ["source", "reference", "output", "selector", "ambient"]
    assert fake.sent[0] == ("source", "OUTP OFF;*OPC?")
    assert not fake.on
    assert "OUTP ON" not in fake.commands("source")
    assert not any("LEV" in one for one in fake.commands("source"))
    assert found["source"].state == "off, and stays off"
    assert len(found["output"].values) == READINGS
    assert (found["output"].unit, found["output"].full_scale) == ("V", 10.0)
    assert found["ambient"].value == pytest.approx(23.4)
    assert found["selector"].state == "chooses R14"
    assert "ROUT:OPEN:ALL" not in fake.commands("selector")
    assert {one.identity for one in found.values()} == {
        f"Holdpoint,fake {role},1,0" for role in found
    }
    assert {one.fault for one in found.values()} == {""}
    assert fake.open_lines == set()


def test_noise_is_the_scatter_of_one_reading() -> None:
    one = Tried(role="output", address="", values=(1.0, 3.0))
    assert one.value == 2.0
    assert one.noise == pytest.approx(2.0**0.5)
    assert replace(one, values=(1.0,)).noise is None


def test_an_error_queue_is_shown_as_it_was_found() -> None:
    fake = FakeBench()
    queue = iter(['-113,"Undefined header"'])
    fake.answers["output", "SYST:ERR?"] = lambda: next(queue, '0,"No error"')
    found = tried(fake)
    assert found["output"].complaints == ('-113,"Undefined header"',)
    assert found["reference"].complaints == ()


def test_one_that_does_not_answer_does_not_keep_the_others_from_being_read() -> None:
    fake = FakeBench()
    fake.answers["reference", "READ?"] = no_answer("reference")
    found = tried(fake)
    assert "no answer in 5 s" in found["reference"].fault
    assert found["reference"].values == ()
    assert len(found["output"].values) == READINGS
    assert fake.open_lines == set()


def test_a_source_that_stays_on_is_to_be_taken_as_live() -> None:
    assert "take it as live" in tried(FakeBench(deaf_to_off=True))["source"].fault


def test_what_a_person_reads_or_sets_is_said() -> None:
    bench = settings().model_copy(
        update={
            "source": Instrument(profile="typed"),
            "output": Instrument(profile="typed"),
        }
    )
    found = tried(FakeBench(), bench)
    assert found["source"].state == "set by hand: leave it at zero"
    assert found["output"].state == "read by hand"


def connect_all(role: str, instrument: Instrument, profile: Profile) -> Connection:
    """Open any address but those of absent instruments."""
    if "absent" in instrument.address:
        raise AbsentError(
            role=role, address=instrument.address, command="", reason="nothing there"
        )
    return FakeBench().connect(role, instrument, profile)


def test_addresses_of_the_bench_file_and_of_the_buses_are_asked() -> None:
    bench = settings().model_copy(
        update={"output": Instrument(address="absent", profile="voltmeter")}
    )
    shown = ["GPIB0::7::INSTR", "GPIB0::8::INSTR absent", "ASRL1::INSTR"]
    found = {
        one.address: one for one in find(bench, PROFILES, shown, connect=connect_all)
    }
    assert found["fake source"].identity == "Holdpoint,fake source,1,0"
    assert found["absent"] == Found(
        address="absent", role="output", fault="nothing there"
    )
    assert found["GPIB0::7::INSTR"].identity == "Holdpoint,fake found,1,0"
    assert found["GPIB0::8::INSTR absent"].fault == "nothing there"
    assert "give it a role" in found["ASRL1::INSTR"].fault


def test_without_a_bench_file_only_what_shows_itself_is_asked() -> None:
    assert list(find(None, {}, [], connect=connect_all)) == []
