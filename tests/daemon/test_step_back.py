"""Papers, lists and commands on a build of several findings and on one withdrawn."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from daemon.commands.cli import holdpoint
from daemon.traceability.containment import contain
from daemon.traceability.tracing import Records, trace
from daemon.watch.signals import withdrawn
from storage import Mark
from storage.local import LocalStore
from storage.records import SPEAKS_FOR, Cause, Decision, Evaluation, Signal
from storage.records_shipping import ContainmentStep, Shipment, ShipRule, Step
from tests.daemon.making import AT, demo_product
from tests.daemon.seeded import several_home
from tests.daemon.test_reporting_command import Read

NAME = "photodiode-amplifier"
WITHDRAWN = (
    "Finding B-2-F1 was withdrawn: unit PA-2006 measured again reads like the others."
)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a home whose unit PA-2006 has left, and whose holder was told."""
    made = several_home(tmp_path_factory.mktemp("back") / "home")
    with LocalStore(made.store) as store:
        assert (
            store.ship(
                Shipment(
                    shipment="s-1", serial="PA-2006", product=NAME,
                    destination="order 7", reseller=False, person="Ada Moreno",
                    shipped_at=AT, override_reason="asked for as it is",
                ),
                ShipRule(ranges=demo_product().keys, configurations=()),
                decision("ship against", "PA-2006"),
            )
            == []
        )  # fmt: skip
        store.keep(
            ContainmentStep(
                containment_step="c-1", product=NAME, subject="B-2-F1",
                serial="PA-2006", step=Step.NOTIFIED, person="Ada Moreno",
                note="wrote", noted_at=AT,
            ),
            decision=decision("notified", "PA-2006"),
        )  # fmt: skip
    return made.folder


def decision(action: str, subject: str) -> Decision:
    return Decision(
        person="Ada Moreno", action=action, subject=subject, reason="why", decided_at=AT
    )


def said(home: Path, *words: str) -> Result:
    return CliRunner().invoke(holdpoint, ["--home", str(home), *words])


def page(home: Path, into: Path, *words: str) -> str:
    """Write a document for a mail, and return its text."""
    done = said(home, "report", *words, "--as", "html", "--into", str(into))
    assert done.exit_code == 0, done.output
    (written,) = done.stdout.splitlines()
    return Read(Path(written).read_text(encoding="utf-8")).text


def test_the_report_on_a_withdrawn_finding_says_so_and_claims_nothing(
    home: Path, tmp_path: Path
) -> None:
    text = page(home, tmp_path, "supplier", "B-2-F1")
    assert "Nonconformance report, withdrawn" in text
    assert f"{WITHDRAWN} This report claims nothing of reel RL-13." in text
    assert "Nothing. If you had this report before, take it as withdrawn." in text
    assert "Replace the parts" not in text
    other = page(home, tmp_path, "supplier", "B-3-F1")
    assert "withdrawn" not in other
    assert "Replace the parts" in other


def test_a_release_record_lists_each_finding_and_holds_in_present_words(
    home: Path, tmp_path: Path
) -> None:
    three = page(home, tmp_path, "build", "B-3")
    assert "B-3-F1: range 10 µA, reel RL-12, reads +0.36 %" in three
    assert "B-3-F2: range 1 mA, reel RL-14, reads" in three
    assert "Unit PA-3002 alone is far off on range 1 µA" in three
    assert "as it read when found" not in three
    two = page(home, tmp_path, "build", "B-2")
    assert WITHDRAWN in two
    assert "(finding B-2-F1, withdrawn)" in two


def test_a_holder_is_told_of_no_range_for_a_withdrawn_finding_or_anothers_odd_unit(
    home: Path, tmp_path: Path
) -> None:
    """PA-3003 was measured between the odd unit and the bad reels: it reads right."""
    assert "reads wrong" not in page(home, tmp_path, "customer", "PA-3003")
    assert "reads wrong" not in page(home, tmp_path, "customer", "PA-2006")
    odd = page(home, tmp_path, "customer", "PA-3002")
    assert "This unit alone was found to read off on range 1 µA." in odd
    assert "Range 1 µA: +0.4" in odd
    for told_nothing in ("PA-3003", "PA-2006"):
        assert "Correction card" not in page(home, tmp_path, "customer", told_nothing)
    both = page(home, tmp_path, "customer", "PA-3007")
    assert "10 µA" in both
    assert "1 mA" in both


def test_no_notices_are_written_for_a_withdrawn_finding(
    home: Path, tmp_path: Path
) -> None:
    done = said(home, "report", "customers", "B-2-F1", "--into", str(tmp_path))
    assert done.exit_code != 0
    assert str(done.exception) == f"{WITHDRAWN} It concerns no unit."
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("paper", ["customers", "supplier"])
def test_a_paper_asked_of_a_finding_that_another_replaced_names_that_one(
    tmp_path: Path, paper: str
) -> None:
    made = several_home(tmp_path / "home")
    with LocalStore(made.store) as store:
        (mark,) = store.rows(Mark, product=NAME)
        every = store.rows(Signal, "signals", product=NAME)
        odd = next(one for one in every if one.cause is Cause.UNIT)
        gone = withdrawn(odd, f"{SPEAKS_FOR}B-3-F2", number=mark.number, at=AT)
        store.record_evaluation(
            Evaluation(product=NAME, number=mark.number, signals=(gone,))
        )
    done = said(made.folder, "report", paper, odd.signal, "--into", str(tmp_path))
    assert str(done.exception) == (
        f"Finding {odd.signal} was replaced by B-3-F2: use that."
    )


def test_a_withdrawn_finding_concerns_nobody_and_who_was_told_is_to_be_told(
    home: Path,
) -> None:
    with LocalStore(home / "data" / "holdpoint.duckdb") as store:
        records = Records.of(store, NAME, demo_product().keys)
        gone = contain(store, records, "B-2-F1")
        by_finding = {
            name: {one.serial for one in contain(store, records, name).concerned}
            for name in ("B-3-F1", "B-3-F2", "B-3-F3")
        }
        told = trace(records, "PA-2006").lines
    assert gone.concerned == gone.noticed == gone.still_open == ()
    (line,) = gone.lines()
    assert line == (
        "Steps were noted for 1 unit before: tell their holders that the finding was "
        "withdrawn."
    )
    assert by_finding == {
        "B-3-F1": {f"PA-{n}" for n in range(3004, 3010)},
        "B-3-F2": {f"PA-{n}" for n in range(3006, 3010)},
        "B-3-F3": {"PA-3002"},
    }
    assert any("(finding B-2-F1, withdrawn)" in line for line in told)


def test_what_keeps_a_unit_is_said_in_present_words(home: Path) -> None:
    done = said(home, "ship", "PA-3007", "--to", "order 8", "--person", "Ada Moreno")
    text = " ".join(done.output.split())
    assert "held (build B-3): range 10 µA, reel RL-12, reads +0.36 %" in text
    assert "held (reel RL-14): range 1 mA reads" in text
    assert "as it read when found" not in text


def test_nothing_is_to_be_measured_for_a_withdrawn_finding(home: Path) -> None:
    done = said(home, "prove", "B-2-F1")
    assert " ".join(done.stdout.split()) == (
        f"{WITHDRAWN} It said of build B-2: range 10 µA, reel RL-13, reads +0.42 % "
        "since unit PA-2006. A hold that it placed stands until a named person ends it."
    )
    assert json.loads(said(home, "prove", "B-2-F1", "--json").stdout)["checklist"] == []
    refused = said(home, "prove", "B-2-F1", "--run", "--person", "Ada Moreno")
    assert str(refused.exception) == f"nothing to run: {WITHDRAWN[:-1]}"
