"""Fitting records that contradict each other: one clear sentence each."""

import pytest
from click.testing import CliRunner

from daemon.cli import holdpoint
from daemon.home import Home
from daemon.whereabouts.tracing import ContradictionError
from storage.errors import RefusedValueError
from tests.daemon.seeded import BAD_REEL, seeded_home


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """Return a home with three full builds; B-4 and B-5 are open beside them."""
    made = seeded_home(tmp_path_factory.mktemp("fitting") / "home")
    for build in ("B-4", "B-5"):
        run(made, "build", "open", build, "--units", "8")
    return made


def run(home: Home, *arguments: str) -> str:
    """Return what a command says."""
    done = CliRunner().invoke(holdpoint, ["--home", str(home.folder), *arguments])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done.output


def add(home: Home, reel: str, nominal: str, *more: str, label: str = "0.1%") -> None:
    run(home, "reel", "add", reel, "--nominal", nominal, "--tolerance", label, *more)


def test_a_reel_fitted_before_it_was_received_is_refused(home: Home) -> None:
    add(home, "K-200", "5k", "--received", "2026-03-10")
    fit = ("reel", "fit", "K-200", "R13", "--build", "B-4")
    with pytest.raises(
        RefusedValueError, match="not be before reel K-200 was received, 2026-03-10"
    ):
        run(home, *fit, "--fitted", "2026-03-09")
    with pytest.raises(RefusedValueError):
        run(home, *fit, "--fitted", "2026-03-09", "--anyway")
    assert "comes from reel K-200" in run(home, *fit, "--fitted", "2026-03-10")


def test_a_reel_on_two_builds_at_once_is_refused_and_recorded_anyway(
    home: Home,
) -> None:
    add(home, "K-201", "50k")
    run(home, "reel", "fit", "K-201", "R12", "--build", "B-4")
    fit = ("reel", "fit", "K-201", "R12", "--build", "B-5")
    with pytest.raises(
        ContradictionError,
        match=r"K-201 .* on build B-4, of which 8 units are still to come",
    ):
        run(home, *fit)
    assert "comes from reel K-201" in run(home, *fit, "--anyway")


def test_a_reel_that_was_replaced_may_go_to_another_build(home: Home) -> None:
    for reel in ("K-202", "K-203"):
        add(home, reel, "500k")
        run(home, "reel", "fit", reel, "R11", "--build", "B-4")
    assert "comes from reel K-202" in run(
        home, "reel", "fit", "K-202", "R11", "--build", "B-5"
    )


def test_a_reel_of_which_no_part_is_left_is_refused(home: Home) -> None:
    add(home, "K-204", "10k", "--quantity", "10")
    # The whole of B-1, ten units, carries it.
    run(home, "reel", "fit", "K-204", "R3", "--build", "B-1")
    with pytest.raises(ContradictionError, match="10 parts of it are in units already"):
        run(home, "reel", "fit", "K-204", "R3", "--build", "B-5")


def test_fewer_parts_than_a_build_needs_are_said_and_not_refused(home: Home) -> None:
    add(home, "K-205", "10k", "--quantity", "5")
    said = run(home, "reel", "fit", "K-205", "R4", "--build", "B-5")
    assert "Build B-5 needs 8 parts; 5 came on reel K-205." in said


def test_a_reel_whose_loose_parts_spoke_against_it_is_said(home: Home) -> None:
    add(home, "K-206", "500")
    run(home, "reel", "check", "K-206", "501.5", "501.4", "--person", "Ada Moreno")
    assert "not what its label says" in run(home, "trace", "K-206")
    said = run(home, "reel", "fit", "K-206", "R14", "--build", "B-5")
    assert "2 loose parts read +0.29 %, by Ada Moreno" in said
    assert "not what its label says" in said


def test_parts_measured_before_a_finding_speak_for_it(home: Home) -> None:
    before = run(home, "prove", "B-3-F1")
    assert "Measured: 2 loose parts" not in before
    judged = run(home, "reel", "check", BAD_REEL, "5.0152k", "5.0147k")
    assert "Not kept" in judged
    assert run(home, "prove", "B-3-F1") == before
    run(home, "reel", "check", BAD_REEL, "5.0152k", "5.0147k", "--person", "Ada Moreno")
    after = run(home, "prove", "B-3-F1")
    assert f"Measured: 2 loose parts of {BAD_REEL} read" in after
    assert "The cause is settled; decide on the hold." in after
    assert "cannot be told apart" not in after


@pytest.mark.parametrize(
    ("readings", "says"),
    [
        (("5.01k",), "measure two at least"),
        (("5.01", "5.02"), "5.01 ohm is no part of 5000 ohm"),
        (("high", "5k"), "high"),
        (("5k", "5k", "--meter", "0 ppm"), "accuracy must be above 0"),
    ],
)
def test_a_slip_is_refused_in_one_sentence(
    home: Home, readings: tuple[str, ...], says: str
) -> None:
    with pytest.raises(Exception, match=says):
        run(home, "reel", "check", BAD_REEL, *readings, "--person", "Ada Moreno")
