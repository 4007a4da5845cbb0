"""Fitting records that contradict each other: one clear sentence each."""

import re
import shlex
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from pandas.testing import assert_frame_equal

from config.load import fingerprint
from daemon.commands.cli import holdpoint
from daemon.service.home import Home
from daemon.station.cycle import Cycle, RunHeader
from daemon.traceability.kitting import fit_reel, fitting_of
from daemon.traceability.tracing import ContradictionError
from storage import endpoint
from storage.errors import NotFoundError, RefusedValueError
from storage.local import LocalStore
from tests.daemon.making import AT, demo_settings, readings
from tests.daemon.seeded import BAD_FROM, BAD_REEL, seeded_home
from tests.storage.serving import serving


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


def test_a_reel_that_goes_on_to_the_next_build_is_said_and_not_refused(
    home: Home,
) -> None:
    """Boards of the build before are assembled and wait for the bench."""
    add(home, "K-201", "50k")
    run(home, "reel", "fit", "K-201", "R12", "--build", "B-4")
    said = run(home, "reel", "fit", "K-201", "R12", "--build", "B-5")
    assert "comes from reel K-201" in said
    assert "K-201 is on build B-4 too, of which 8 units are still to come." in said


def test_a_fitting_that_begins_after_all_units_of_its_build_is_said(
    home: Home,
) -> None:
    """It is recorded all the same: a reel may be fitted before its units are there."""
    add(home, "K-209", "50k")
    run(home, "build", "boards", "B-4", "PA-4001", "PA-4002")
    fit = ("reel", "fit", "K-209", "R12", "--build", "B-4", "--from")
    said = run(home, *fit, "PA-9409")
    assert "comes from reel K-209 from unit PA-9409 on." in said
    assert "No unit of build B-4 from PA-9409 on is recorded yet; the latest is" in said
    assert "recorded yet" not in run(home, *fit, "PA-4001")


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
    with pytest.raises(
        ContradictionError, match="every part that came is used already: 10"
    ):
        run(home, "reel", "fit", "K-204", "R3", "--build", "B-5")


def test_a_part_that_was_taken_off_is_not_on_its_reel_again(home: Home) -> None:
    add(home, "K-221", "20k", "--quantity", "12")
    add(home, "K-222", "20k", "--quantity", "2")
    # The whole of B-2, ten units, has parts of it.
    run(home, "reel", "fit", "K-221", "R4", "--build", "B-2", "--anyway")
    assert "2 parts left over." in run(home, "trace", "K-221")
    replace = ("rework", "replace", "PA-2001", "R4", "--reel", "K-222")
    run(home, *replace, "--person", "Ada Moreno", "--reason", "burnt")
    told = run(home, "trace", "K-221")
    assert "2 parts left over." in told
    assert "Not counted: 1 part taken off again, of PA-2001." in told
    told = run(home, "trace", "K-222")
    assert "1 part left over." in told
    assert "Not counted" not in told


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


def test_a_reel_of_another_value_than_the_part_is_refused_and_said_anyway(
    home: Home,
) -> None:
    add(home, "K-210", "5k")
    fit = ("reel", "fit", "K-210", "R12", "--build", "B-5")
    # R12 is planned as 49 999.95 ohm with 0.1 %: 49 949.95 to 50 049.95 ohm.
    off = (
        "of the wrong value for part R12: its label says 5 kΩ, the part needs "
        "50 kΩ (49.95 kΩ to 50.05 kΩ)"
    )
    with pytest.raises(ContradictionError) as refused:
        run(home, *fit)
    assert str(refused.value) == (
        f"reel K-210 cannot feed it: it is {off}; with --anyway it is recorded all "
        "the same"
    )
    said = run(home, *fit, "--anyway")
    assert f"Reel K-210 is {off}." in said
    assert "comes from reel K-210" in said


@pytest.mark.parametrize("nominal", ["49.951k", "50k", "50.049k"])
def test_a_label_within_the_tolerance_planned_is_of_the_part_s_value(
    home: Home, nominal: str
) -> None:
    add(home, f"K-{nominal}", nominal)
    said = run(home, "reel", "fit", f"K-{nominal}", "R12", "--build", "B-2")
    assert "wrong" not in said


def test_a_reel_of_a_looser_class_than_planned_is_refused_and_said_anyway(
    home: Home,
) -> None:
    add(home, "K-211", "500", label="5%")
    fit = ("reel", "fit", "K-211", "R14", "--build", "B-4")
    off = "of the wrong class for part R14: its label allows 5 %, the part needs 0.1 %"
    with pytest.raises(
        ContradictionError, match=rf"K-211 cannot feed it: it is {off}; with --anyway"
    ):
        run(home, *fit)
    assert f"Reel K-211 is {off}." in run(home, *fit, "--anyway")


def test_a_reel_of_a_tighter_class_than_planned_is_fitted_without_a_word(
    home: Home,
) -> None:
    add(home, "K-212", "500", label="0.05%")
    said = run(home, "reel", "fit", "K-212", "R14", "--build", "B-5")
    assert "wrong" not in said


def test_a_second_reel_from_the_same_unit_on_says_whose_place_it_takes(
    home: Home,
) -> None:
    run(home, "build", "open", "B-6", "--units", "8")
    fit = ("R13", "--build", "B-6", "--from", "PA-6004")
    for reel in ("K-213", "K-214"):
        add(home, reel, "5k")
    assert "the place of" not in run(home, "reel", "fit", "K-213", *fit)
    said = run(home, "reel", "fit", "K-214", *fit)
    assert (
        "It takes the place of reel K-213, which was recorded from the same unit on."
        in said
    )
    run(home, "build", "boards", "B-6", "PA-6004")
    assert "K-214" in run(home, "trace", "PA-6004")
    assert "K-213" not in run(home, "trace", "PA-6004")


def test_a_reel_may_come_back_and_one_in_place_is_not_recorded_twice(
    home: Home,
) -> None:
    run(home, "build", "open", "B-61", "--units", "8")
    fit = ("R13", "--build", "B-61")
    for reel in ("K-301", "K-302"):
        add(home, reel, "5k")
        run(home, "reel", "fit", reel, *fit)
    back = run(home, "reel", "fit", "K-301", *fit)
    assert "It takes the place of reel K-302" in back
    again = run(home, "reel", "fit", "K-301", *fit)
    assert again.strip() == "Part R13 of build B-61 comes from reel K-301 already."


@pytest.mark.parametrize("day", ["2026-03-09", "2026-03-10"])
def test_a_second_reel_from_the_same_unit_on_that_was_not_fitted_later_is_refused(
    home: Home, day: str
) -> None:
    """It would count for nothing, or nobody could tell which of the two counts."""
    build = f"B-of-{day}"
    run(home, "build", "open", build)
    for reel in (f"K-a-{day}", f"K-b-{day}"):
        add(home, reel, "5k", "--received", "2026-03-01")
    first = ("R13", "--build", build, "--fitted", "2026-03-10")
    run(home, "reel", "fit", f"K-a-{day}", *first)
    second = ("R13", "--build", build, "--fitted", day, "--anyway")
    with pytest.raises(
        RefusedValueError,
        match=rf"must be later than reel K-a-{day} was put on part R13 of build "
        rf"{build} from the same unit on, 2026-03-10.*: say a later day with --fitted",
    ):
        run(home, "reel", "fit", f"K-b-{day}", *second)
    # The very same record once more changes nothing.
    assert "the place of" not in run(home, "reel", "fit", f"K-a-{day}", *first)


@pytest.mark.parametrize("day", [(), ("--fitted", "2026-03-02")])
def test_a_reel_that_was_not_recorded_is_refused_with_the_command_that_records_it(
    home: Home, day: tuple[str, ...]
) -> None:
    build = f"B-without-{len(day)}"
    run(home, "build", "open", build)
    reel = f"K-12 {len(day)}"
    fit = ("reel", "fit", reel, "R13", "--build", build, *day)
    with pytest.raises(NotFoundError) as refused:
        run(home, *fit)
    replace = ("rework", "replace", "PA-3001", "R13", "--reel", reel)
    with pytest.raises(NotFoundError) as refused_too:
        run(home, *replace, "--person", "Ada Moreno", "--reason", "burnt")
    assert str(refused.value) == str(refused_too.value)
    command = re.findall(r"`holdpoint ([^`]+)`", str(refused.value))
    assert command == [f"reel add '{reel}' --nominal '5 kΩ' --tolerance '0.1 %'"]
    run(home, *shlex.split(command[0]))
    if day:  # it came in today, as far as is said
        with pytest.raises(RefusedValueError, match="say a later day") as too_early:
            run(home, *fit)
        (edit,) = re.findall(r"`holdpoint ([^`]+)`", str(too_early.value))
        filled = edit.replace("NAME", "'Ada Moreno'").replace("WHY", "came by hand")
        run(home, *shlex.split(filled))
    run(home, *fit)


def test_a_reel_of_the_whole_build_says_where_a_later_one_stays(home: Home) -> None:
    run(home, "build", "open", "B-7", "--units", "8")
    for reel in ("K-215", "K-216"):
        add(home, reel, "5k")
    run(home, "reel", "fit", "K-215", "R13", "--build", "B-7", "--from", "PA-7004")
    said = run(home, "reel", "fit", "K-216", "R13", "--build", "B-7")
    assert "From unit PA-7004 on reel K-215 is kept, as recorded." in said
    assert "measured before" not in said


SINCE_BAD = f"PA-{3000 + BAD_FROM}"
LATE = ("reel", "fit", "K-901", "R13", "--build", "B-3", "--from", SINCE_BAD)


def test_a_reel_recorded_late_is_named_and_held_at_the_next_start(
    tmp_path: Path,
) -> None:
    """An import, of nothing new too, and a unit that is measured both begin with it."""
    late = seeded_home(tmp_path / "home")
    add(late, "K-901", "5k", label="5%")
    # Of the ten units of B-3 the last five carry it.
    assert (
        "5 units with this reel were measured before you recorded it.\nIf a finding is "
        "about this part, it will name this reel as soon as the next unit is measured."
    ) in run(late, *LATE, "--anyway")
    with LocalStore(late.store) as store:
        assert named(store) == BAD_REEL
        assert "K-901" not in held(store)
        Cycle(demo_settings(), store).resume()
        assert named(store) == "K-901"
        assert "K-901" in held(store)
        said = store.frame("signals", product=demo_settings().product.name)
        Cycle(demo_settings(), store).resume()
        again = store.frame("signals", product=demo_settings().product.name)
        assert_frame_equal(said, again)
    assert (
        "Reel K-901 is of the wrong class for part R13: its label allows 5 %, the part "
        "needs 0.1 %."
    ) in run(late, "prove", "B-3-F1")


def test_a_reel_recorded_late_and_rejected_is_named_though_it_is_judged_no_more(
    tmp_path: Path,
) -> None:
    late = seeded_home(tmp_path / "home")
    add(late, "K-901", "5k")
    run(late, *LATE)
    bad = ("5.0152k", "5.0147k", "--person", "Ada Moreno")
    assert "Reject reel K-901" in run(late, "reel", "check", "K-901", *bad)
    with LocalStore(late.store) as store:
        Cycle(demo_settings(), store).resume()
        assert named(store) == "K-901"
        said = store.frame("signals", product=demo_settings().product.name)
        assert said["standing"].all()
        Cycle(demo_settings(), store).resume()
        again = store.frame("signals", product=demo_settings().product.name)
        assert_frame_equal(said, again)


@pytest.mark.parametrize("since", [SINCE_BAD, f"PA-{3000 + BAD_FROM + 1}"])
def test_a_reel_recorded_late_counts_at_the_next_unit_of_any_build(
    tmp_path: Path, since: str
) -> None:
    """By a daemon that watches on, and by a start that finds the unit there."""
    told = []
    for watches_on in (True, False):
        late = seeded_home(tmp_path / f"home-{watches_on}")
        add(late, "K-901", "5k", "--received", "2026-03-01")
        run(late, "build", "open", "B-4")
        with LocalStore(late.store) as store:
            cycle = Cycle(demo_settings(), store)
            if watches_on:
                cycle.resume()
            fit_reel(
                store,
                demo_settings().product,
                fitting_of(
                    demo_settings().product.name,
                    "B-3",
                    "R13",
                    "K-901",
                    from_serial=since,
                    at=AT + timedelta(hours=1),
                ),
                anyway=True,
            )
            run_unit(cycle, "PA-4001", "B-4")
            if watches_on:
                cycle.watch()
            else:
                cycle.resume()
            # With fewer units the line may go on saying what it said of K-900.
            assert since != SINCE_BAD or "K-901" in held(store)
            told.append(store.frame("signals", product=demo_settings().product.name))
    assert_frame_equal(told[0], told[1])


def run_unit(cycle: Cycle, serial: str, build: str) -> None:
    """Record a good unit, unwatched."""
    cycle.record(
        readings(cycle.product, [0.0, 0.0, 0.0, 0.0]),
        RunHeader(
            serial=serial,
            build=build,
            session="s",
            origin="bench",
            started_at=AT,
            finished_at=AT,
            configuration=fingerprint(cycle.settings)[0],
        ),
        {},
    )


def held(store: LocalStore) -> set[str]:
    """Return the subjects of holds."""
    table = store.table("hold", product=demo_settings().product.name)
    return set(table.column("subject").to_pylist())


def test_a_reel_recorded_late_is_named_at_the_next_look_of_a_daemon(
    tmp_path: Path,
) -> None:
    late = seeded_home(tmp_path / "home")
    add(late, "K-901", "5k")
    with LocalStore(late.store) as store, serving(store) as served:
        endpoint.write(late.data, served)
        cycle = Cycle(demo_settings(), store)
        cycle.resume()
        assert "it will name this reel in a moment." in run(late, *LATE)
        cycle.watch()
        assert named(store) == "K-901"


def named(store: LocalStore) -> str:
    """Return the reel that the finding on B-3 names."""
    found = store.frame("signals", product=demo_settings().product.name)
    (reel,) = found.loc[found["signal"] == "B-3-F1", "reel"]
    return str(reel)


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
    assert "be sure whether it is the bench" not in after


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


def test_whoever_uses_a_held_reel_is_told(home: Home, tmp_path: Path) -> None:
    held = "Reel K-250 is held: no unit with its parts leaves before the hold is ended."
    add(home, "K-250", "5k")
    by = ("--person", "Ada Moreno", "--reason", "bent leads")
    run(home, "hold", "place", "--reel", "K-250", *by)
    fitted = run(
        home, "reel", "fit", "K-250", "R13", "--build", "B-5", "--from", "PA-5005"
    )
    assert fitted.count(held) == 1
    sheet = tmp_path / "units.csv"
    row = "PA-5001,B-5,K-250,90 uA,0.9 V\n"
    sheet.write_text(f"serial,build,R13 reel,100uA in,100uA out\n{row}")
    for how in (("--dry-run",), ()):
        assert run(home, "import", str(sheet), *how).count(held) == 1
    run(home, "hold", "end", "K-250", "--by", "concession", *by)
    assert held not in run(home, "import", str(sheet))
    for reason in ("short leads", "wrong label"):
        run(home, "hold", "place", "--reel", "K-250", *by[:3], reason)
    assert run(home, "import", str(sheet)).count(held) == 1  # however many hold it
