"""Receiving a reel: circuits, refusals, how many parts, accepted, rejected and held."""

from collections.abc import Callable
from math import sqrt
from pathlib import Path

import pytest
from click.testing import CliRunner

from config import QuantityError
from daemon.commands.cli import holdpoint
from daemon.holds import NoProofError, NotAllowedError, loose_parts
from daemon.holds.loose_parts import As
from daemon.metrology import Circuit
from daemon.presentation import loose_parts as words
from daemon.service.home import Home
from daemon.spc import Receipt
from daemon.spc.errors import SpcError
from daemon.spc.receiving import Open, received, sample_of
from storage import HoldState, Reel, ReelCheck, ShipRule, Store, open_store
from tests.daemon.making import AT
from tests.daemon.seeded import seeded_home

PERSON = "Ada Moreno"
GOOD = ("4.9902k", "4.9911k", "4.9889k", "4.9896k", "4.9907k")
BAD = ("5.021k", "4.962k", "4.9911k", "5.0152k", "4.951k")


def reel(nominal_ohm: float = 4_990.0, tolerance_ppm: float = 1_000.0) -> Reel:
    return Reel(
        reel="K-300",
        nominal_ohm=nominal_ohm,
        tolerance_ppm=tolerance_ppm,
        received_at=AT,
    )


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return seeded_home(tmp_path / "home")


@pytest.fixture
def run(home: Home) -> Callable[..., str]:
    def call(*words_of: str, fails: bool = False) -> str:
        found = CliRunner().invoke(holdpoint, ["--home", str(home.folder), *words_of])
        assert (found.exit_code != 0) == fails, found.output
        return found.output + (str(found.exception) if fails else "")

    return call


# ---- circuits


def test_volts_and_amperes_reversed_take_thermal_voltage_out() -> None:
    """Ten microvolts that do not reverse lie on every reading."""
    heat_v, true_ohm, amperes = 10e-6, 100.0, 1e-3
    plus, minus = amperes * true_ohm + heat_v, -amperes * true_ohm + heat_v
    how = As(circuit=Circuit.VOLTS_AMPERES)
    texts = [f"{plus!r}/1m/{minus!r}/-1m"] * 2
    found = loose_parts.measured(reel(100.0), texts, how)
    assert found.readings == pytest.approx((true_ohm, true_ohm), rel=1e-12)
    one_way = loose_parts.measured(reel(100.0), [f"{plus!r}/1m"] * 2, how)
    assert one_way.readings[0] == pytest.approx(true_ohm * 1.0001)
    named = {one.name: one.standard_ppm for one in one_way.shares}
    assert named["thermal voltage"] == pytest.approx(50.0 / sqrt(3), rel=1e-3)
    assert "thermal voltage" not in {one.name for one in found.shares}


def test_a_ratio_needs_no_accurate_voltmeter() -> None:
    """A gain error of 1 % is on both voltages."""
    gain, standard_ohm, true_ohm, amperes = 1.01, 5_000.12, 4_993.0, 200e-6
    part, other = gain * amperes * true_ohm, gain * amperes * standard_ohm
    how = As(
        circuit=Circuit.RATIO, meter="20 ppm", standard="5.00012k",
        standard_accuracy="30 ppm",
    )  # fmt: skip
    found = loose_parts.measured(
        reel(), [f"{part!r}/{other!r}/{-part!r}/{-other!r}"] * 2, how
    )
    assert found.readings == pytest.approx((true_ohm, true_ohm), rel=1e-12)
    assert found.uncertainty_ppm == pytest.approx(sqrt(20**2 + 30**2) / sqrt(3))


@pytest.mark.parametrize(
    ("label", "texts", "how", "says"),
    [
        (reel(49.9), ("49.9", "49.9"), As(leads="0.1"), "two wires cannot judge 0.1 %"),
        (reel(49.9), ("49.9", "49.9"), As(circuit=Circuit.TWO_WIRE), "20 mΩ"),
        (reel(), ("4.99k",), As(), "measure two at least"),
        (reel(), ("1/1m", "1"), As(circuit=Circuit.VOLTS_AMPERES), "volts/amperes"),
        (reel(), ("1/0", "1/0"), As(circuit=Circuit.VOLTS_AMPERES), "not 0"),
        (
            reel(),
            ("1/1m/1/1m", "1/1m/1/1m"),
            As(circuit=Circuit.VOLTS_AMPERES),
            "other sign",
        ),
        (reel(), ("1/1", "1/1"), As(circuit=Circuit.RATIO), "standard resistor"),
        (
            reel(),
            ("1/0.01", "1/0.01"),
            As(circuit=Circuit.RATIO, standard="50"),
            "nearly the same value",
        ),
        (reel(), ("4.99k", "4.99k"), As(current="1m"), "needs both"),
        (
            reel(),
            ("4.99k", "4.99k"),
            As(circuit=Circuit.FOUR_WIRE, leads="1"),
            "two-wire",
        ),
        (reel(), ("4.99", "4.99"), As(), "is no part of"),
    ],
)
def test_what_cannot_tell_is_refused_in_one_sentence(
    label: Reel, texts: tuple[str, ...], how: As, says: str
) -> None:
    with pytest.raises((NoProofError, QuantityError), match=says):
        loose_parts.measured(label, texts, how)


def test_two_wires_serve_above_a_hundred_ohm_and_for_coarse_parts() -> None:
    found = loose_parts.measured(reel(), ["4.9903k", "4.9903k"], As(leads="0.3"))
    assert found.readings[0] == pytest.approx(4_990.0)
    coarse = reel(49.9, 10_000.0)
    assert loose_parts.measured(coarse, ["50", "50"], As(leads="0.1")).shares[
        0
    ].name == ("contacts")


def test_megohms_ask_for_a_guard_and_a_guard_takes_the_share_away() -> None:
    label = reel(10e6)
    open_air = loose_parts.measured(label, ["10M", "10M"], As())
    assert "leakage" in {one.name for one in open_air.shares}
    guarded = loose_parts.measured(label, ["10M", "10M"], As(guarded=True))
    assert guarded.uncertainty_ppm < open_air.uncertainty_ppm
    assert "Guard it" in " ".join(words.how_to(10e6, 1_000.0))
    assert "Guard" not in " ".join(words.how_to(10e3, 1_000.0))


def test_self_heating_counts_and_is_said_where_it_is_much() -> None:
    found = loose_parts.measured(
        reel(100.0), ["100", "100"], As(current="20 mA", tempco="25 ppm")
    )
    # 20 mA through 100 ohm are 40 mW, 10 K, 250 ppm: a quarter of 0.1 %
    assert found.heating is not None
    assert found.heating.change_ppm == pytest.approx(250.0)
    assert "a third of the current" in words.heated(found.heating, tolerance_ppm=1e3)


@pytest.mark.parametrize(
    ("two", "four", "says"),
    [
        (100.31, 100.02, "leads and contacts"),
        (99.5, 100.02, "which leads cannot do"),
        (131.0, 100.02, "a contact is bad"),
    ],
)
def test_two_wires_against_four_are_explained(
    two: float, four: float, says: str
) -> None:
    assert says in words.two_wires(two, four)


def test_a_mark_is_held_against_the_label() -> None:
    assert len(words.mark("4991", reel())) == 1
    assert "other parts" in " ".join(words.mark("4701", reel()))
    # a place in E96 is how 1 % parts are marked
    assert "how 1 % parts are marked" in " ".join(words.mark("68b", reel()))


# ---- how many, and what becomes


def test_more_parts_are_asked_for_where_the_supplier_was_bad() -> None:
    fresh = sample_of(1_000.0, suspect_ppm=2_500.0)
    bad = sample_of(1_000.0, suspect_ppm=2_500.0, rejected=8, judged=10)
    good = sample_of(1_000.0, suspect_ppm=2_500.0, rejected=0, judged=60)
    assert fresh.parts is not None
    assert bad.parts is not None
    assert good.parts is not None
    assert good.parts < fresh.parts < bad.parts
    for one in (fresh, bad, good):
        assert one.bad_after <= 0.05


def test_no_number_of_parts_tells_classes_that_lie_too_near() -> None:
    assert sample_of(1_000.0, uncertainty_ppm=400.0, suspect_ppm=1_001.0).parts is None


@pytest.mark.parametrize(
    "call",
    [
        lambda: sample_of(0.0),
        lambda: sample_of(1e3, risk=1.0),
        lambda: sample_of(1e3, suspect_ppm=1e3),
        lambda: sample_of(1e3, rejected=3, judged=2),
        lambda: received([1.0], 1e3, uncertainty_ppm=1.0),
        lambda: received([1.0, 2.0], 1e3, uncertainty_ppm=0.0),
        lambda: received([1.0, float("nan")], 1e3, uncertainty_ppm=1.0),
    ],
    ids=["claim", "risk", "suspect", "counts", "one", "sure", "nan"],
)
def test_what_is_out_of_range_is_refused(call: Callable[[], object]) -> None:
    with pytest.raises(SpcError):
        call()


@pytest.mark.parametrize(
    ("parts", "uncertainty_ppm", "why"),
    [
        ((10.0, 20.0, -30.0, 5.0, 0.0), 200.0, Open.POOR),
        ((10.0, 20.0, 1_050.0, 5.0, 0.0), 60.0, Open.NEAR),
        ((10.0, 20.0), 60.0, Open.FEW),
        ((900.0, -780.0, 640.0, -150.0, -820.0), 20.0, Open.UNLIKE),
    ],
)
def test_why_a_reel_is_undecided(
    parts: tuple[float, ...], uncertainty_ppm: float, why: Open
) -> None:
    found = received(parts, 1_000.0, uncertainty_ppm=uncertainty_ppm)
    assert (found.receipt, found.open) == (Receipt.UNDECIDED, why)


def test_equal_readings_are_no_fault() -> None:
    found = received([0.0] * 5, 1_000.0, uncertainty_ppm=20.0)
    assert found.receipt is Receipt.ACCEPTED


# ---- commands and rows


def held_of(store: Store, name: str) -> list[HoldState]:
    """Return the holds on a reel."""
    holds = store.rows(HoldState, product="photodiode-amplifier")
    return [one for one in holds if one.subject == name]


def added(run: Callable[..., str], name: str, supplier: str = "Resco") -> None:
    run(
        "reel", "add", name, "--nominal", "4k99", "--tolerance", "0.1%",
        "--supplier", supplier,
    )  # fmt: skip


def test_a_rejected_reel_is_held_in_the_same_breath(
    home: Home, run: Callable[..., str]
) -> None:
    added(run, "K-301")
    said = run("reel", "check", "K-301", *BAD, "--person", PERSON)
    assert "Reject reel K-301" in said
    assert "Reel K-301 is held" in said
    with open_store(home.data) as store:
        (held,) = list(held_of(store, "K-301"))
        (check,) = store.rows(ReelCheck, reel="K-301")
    assert held.reason == "rejected at receiving: 4 loose parts outside its 0.1 %"
    assert (check.method, check.incoming) == ("four-wire", True)
    # read once more it is rejected still, and held once
    run("reel", "check", "K-301", *BAD, "--person", PERSON)
    with open_store(home.data) as store:
        assert len(list(held_of(store, "K-301"))) == 1


def test_an_accepted_reel_is_kept_and_not_held(
    home: Home, run: Callable[..., str]
) -> None:
    added(run, "K-302")
    assert "Accept reel K-302" in run(
        "reel", "check", "K-302", *GOOD, "--person", PERSON
    )
    with open_store(home.data) as store:
        assert not list(held_of(store, "K-302"))
        assert store.rows(ReelCheck, reel="K-302")[0].incoming


def test_nobody_who_is_not_listed_keeps_a_check(
    home: Home, run: Callable[..., str]
) -> None:
    added(run, "K-303")
    for texts in (GOOD, BAD):
        with pytest.raises(NotAllowedError):
            CliRunner().invoke(
                holdpoint,
                ["--home", str(home.folder), "reel", "check", "K-303", *texts,
                 "--person", "Nobody"],
                catch_exceptions=False,
            )  # fmt: skip
    with open_store(home.data) as store:
        assert not store.rows(ReelCheck, reel="K-303")


def test_a_reel_that_is_rejected_after_it_was_fitted_is_held_too(
    home: Home, run: Callable[..., str]
) -> None:
    added(run, "K-310")
    run("build", "open", "B-310")
    run("build", "boards", "B-310", "PA-31001")
    run("reel", "fit", "K-310", "R13", "--build", "B-310", "--anyway")
    held = "Reel K-310 is held: no unit with its parts leaves before the hold is ended."
    assert held not in run("reel", "check", "K-310", *GOOD[:2], "--person", PERSON)
    said = run("reel", "check", "K-310", *BAD, "--person", PERSON, "--anew")
    assert "Reject reel K-310" in said
    assert held in said
    with open_store(home.data) as store:
        *_, check = store.rows(ReelCheck, reel="K-310")
        (hold,) = held_of(store, "K-310")
        against = store.reasons_against(
            "PA-31001", hold.product, ShipRule(ranges=(), titles=(), configurations=())
        )
    assert not check.incoming
    assert hold.reason == (
        "rejected when it fed a part already: 4 loose parts outside its 0.1 %"
    )
    assert f"held (reel K-310): {hold.reason}" in against
    run("build", "open", "B-311")
    fit = ("reel", "fit", "K-310", "R13", "--build", "B-311", "--anyway")
    assert held in run(*fit)


def test_more_parts_of_an_undecided_reel_add_up(run: Callable[..., str]) -> None:
    added(run, "K-304")
    said = run("reel", "check", "K-304", *GOOD[:2], "--person", PERSON)
    assert "undecided: measure 3 more parts" in said
    said = run("reel", "check", "K-304", *GOOD[2:], "--person", PERSON)
    assert "Accept reel K-304" in said
    assert "may still be bad" not in said
    assert "at most 10 % are outside, read 29 parts (with 95 %)" in said
    # what was a slip counts no more once it is said so
    run("reel", "check", "K-304", "4.91k", "4.92k", "--person", PERSON)
    said = run("reel", "check", "K-304", *GOOD, "--person", PERSON, "--anew")
    assert "Accept reel K-304" in said


def test_the_sample_goes_by_the_suppliers_reels(run: Callable[..., str]) -> None:
    added(run, "K-305")
    suspect = ("--suspect", "0.25%")
    first = run("reel", "sample", "K-305", *suspect)
    for name in ("K-306", "K-307", "K-308"):
        added(run, name)
        run("reel", "check", name, *BAD, "--person", PERSON)
    after = run("reel", "sample", "K-305", *suspect)
    assert int(first.split()[1]) < int(after.split()[1])
    other = run("reel", "sample", "K-305", *suspect, "--risk", "0.2")
    assert int(other.split()[1]) < int(after.split()[1])


def test_two_wires_and_marks_are_told_by_the_command(run: Callable[..., str]) -> None:
    added(run, "K-309")
    said = run(
        "reel", "check", "K-309", *GOOD, "--two-wire", "4.99045k", "--marking", "4991",
    )  # fmt: skip
    assert "leads and contacts" in said
    assert "4991 is 4.99 kΩ." in said
    assert "Not kept" in said
