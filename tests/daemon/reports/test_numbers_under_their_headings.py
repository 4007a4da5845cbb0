"""Each number of a document stands under its own heading, beside its own name."""

from dataclasses import replace
from datetime import timedelta

import pytest

from daemon.presentation import documents
from daemon.presentation.documents.blocks import Document, Facts, Grid
from daemon.presentation.documents.content import Correction
from storage import NOT_READ, JudgedPoint
from tests.daemon.reports.documents import AT, NOTICE, RECORD, RELEASE, SUPPLIER

MINUS = "\N{MINUS SIGN}"
NONE = "\N{EN DASH}"
PLUS_MINUS = "\N{PLUS-MINUS SIGN}"


def lines(document: Document, heading: str) -> list[dict[str, str]]:
    """Return the rows of the table that has a heading, by their headings."""
    (grid,) = (
        one
        for one in document.paper().blocks
        if isinstance(one, Grid) and heading in {c.heading for c in one.columns}
    )
    keys = [one.heading for one in grid.columns]
    return [dict(zip(keys, row, strict=True)) for row in grid.rows]


def facts(document: Document, place: int = 0) -> dict[str, str]:
    """Return names and values of a list of facts, of the first where none is named."""
    lists = [one for one in document.paper().blocks if isinstance(one, Facts)]
    return dict(lists[place].told)


def test_a_units_range_has_error_uncertainty_limit_and_offset() -> None:
    far = replace(
        RECORD.ranges[2],
        error_ppm=-5904.0,
        uncertainty_ppm=31.0,
        limit_ppm=5000.0,
        offset_ppm=-12.0,
    )
    (row,) = lines(replace(RECORD, ranges=(far,)), "Offset, ppm")
    assert row == {
        "Range": "100 µA",
        "Reference": f"90.0000 {chr(0xB5)}A",
        # 1e4 * 9e-5 * (1 + 5904 ppm): what documents.line says that it read, to the
        # second digit of 62 ppm of it.
        "Output": "905.314 mV",
        # To the second digit of U, 2 * 31 ppm = 0.0062 %.
        "Error, %": f"{MINUS}0.5904",
        "U (k = 2), %": "0.0062",
        "Limit here, %": f"{PLUS_MINUS}0.5",
        "Offset, ppm": f"{MINUS}12",
        "Verdict": "nonconforming",
        "Prob. inside": "1.3 %",
    }


@pytest.mark.parametrize(
    ("verdict", "inside", "said"),
    [
        ("like known-good", None, True),
        ("changed", None, True),
        ("undecided", None, True),
        ("undecided", 0.6, False),
        ("conforming", 1.0, False),
    ],
)
def test_what_was_only_compared_is_said_to_be_no_statement_of_conformity(
    verdict: str, inside: float | None, said: bool
) -> None:
    one = replace(RECORD.ranges[0], verdict=verdict, conformance_probability=inside)
    text = documents.html(replace(RECORD, ranges=(one,), judged_before=()))
    assert ("that is no statement of conformity" in text) == said


def test_a_point_has_its_place_its_error_and_what_is_allowed_there() -> None:
    low = JudgedPoint(
        of_full_scale=0.1, error_ppm=-5904.0, uncertainty_ppm=31.0, low_ppm=-5200.0,
        high_ppm=4800.0, verdict="nonconforming", conformance_probability=0.013,
    )  # fmt: skip
    missed = JudgedPoint(
        of_full_scale=0.9, error_ppm=0.0, uncertainty_ppm=0.0, low_ppm=-6000.0,
        high_ppm=6000.0, verdict=NOT_READ,
    )  # fmt: skip
    judged = replace(RECORD.ranges[2], points=(low, missed))
    first, second = lines(replace(RECORD, ranges=(judged,)), "Allowed, %")
    assert first == {
        "Range": "100 µA",
        "At": "10 % of full scale",
        # To the second digit of U, 2 * 31 ppm = 0.0062 %.
        "Error, % of full scale": f"{MINUS}0.5904",
        "U (k = 2), %": "0.0062",
        "Allowed, %": f"{MINUS}0.52 to +0.48",
        "Verdict": "nonconforming",
        "Prob. inside": "1.3 %",
    }
    assert (second["At"], second["Allowed, %"]) == (
        "90 % of full scale",
        f"{PLUS_MINUS}0.6",
    )
    # What was not read has no numbers, least of all zero.
    assert (second["Error, % of full scale"], second["U (k = 2), %"]) == (NONE, NONE)
    assert second["Verdict"] == NOT_READ


def test_a_range_judged_again_has_its_first_judgement_and_what_counts_now() -> None:
    (row,) = lines(RECORD, "Verdict before")
    assert row == {
        "Range": "100 µA",
        "Drift, %": f"{MINUS}0.008",
        "Error before, %": "+0.582",
        "U before (k = 2), %": "0.012",
        "Verdict before": "undecided",
        "Verdict now": "nonconforming",
    }


def test_a_check_has_its_value_and_its_bounds() -> None:
    supply, linearity, case = lines(RECORD, "Allowed")
    assert (supply["Check"], supply["Found"]) == ("Supply current", "12.30 mA")
    assert supply["Allowed"] == "at most 20.00 mA"
    assert linearity["Found"] == f"{MINUS}12.3 ppm"
    assert linearity["Allowed"] == f"{MINUS}50.0 ppm to +50.0 ppm"
    assert case["Verdict"] == "conforming"


def test_a_builds_indices_have_their_own_bounds() -> None:
    first, second, few = lines(RELEASE, "Ppk")
    assert first == {
        "Range": "1 µA",
        "Units": "28",
        # To the second digit of 2 * 240 ppm / sqrt(28) = 0.0091 %.
        "Mean, %": "+0.0120",
        "s, %": "0.024",
        "Limit, %": f"{PLUS_MINUS}0.5",
        "Cpk": "6.80 (4.90 to 8.60)",
        "Ppk": "6.50 (4.80 to 8.20)",
        "Quotable": "yes",
    }
    assert (second["Ppk"], second["Quotable"]) == ("0.37 (0.20 to 0.50)", "no")
    assert (few["Cpk"], few["Ppk"], few["Quotable"]) == (
        "too few units",
        "too few units",
        "no",
    )


def test_a_builds_yields_are_not_each_others() -> None:
    told = facts(RELEASE)
    assert (told["First-pass yield"], told["Final yield"]) == ("75.0 %", "96.4 %")
    assert (told["Measured"], told["Reworked"]) == ("28 units of 30 planned", "6 units")


def test_a_hold_says_who_placed_it_who_ended_it_and_why() -> None:
    stands, ended = lines(RELEASE, "Ended by")
    assert stands["Ended by"] == "stands"
    assert stands["Reason"] == NONE
    assert stands["Placed"].startswith("holdpoint, 2026-03-02 09:00")
    assert ended["Ended by"].startswith("rework by Ada Moreno, ")
    assert ended["Reason"] == (
        "R14 replaced from reel K-090, rerun good (evidence: run 41 and report R-12)"
    )


def test_a_supplier_reads_what_was_bought_of_which_lot_and_when() -> None:
    report = replace(
        SUPPLIER, received_at=AT - timedelta(days=9), claim_until=AT + timedelta(days=5)
    )
    assert facts(report) == {"Claim until": "2026-03-07"}
    assert facts(report, 1) == {
        "Supplier": "Supplier A",
        "Reel": "K-102",
        "Label": f"4.99 k\N{GREEK CAPITAL LETTER OMEGA} {PLUS_MINUS}0.1 %",
        "Marking": (
            f"4K99B, read as 4.99 k\N{GREEK CAPITAL LETTER OMEGA} {PLUS_MINUS}0.1 %"
        ),
        "Quantity": "5000 parts",
        "Date code": "2609",
        "Lot code": "2619",
        "Invoice": "F-2026-118",
        "Received": "2026-02-21",
        "Used as": "R13 of Four-range photodiode amplifier",
    }


@pytest.mark.parametrize(
    ("ohm", "from_nominal", "against"),
    [
        # the claim of 0.1 % of 4990 ohm is 4.99 ohm; its guard band 2 * 0.4 ohm
        (4990.0 - 6.0, f"{MINUS}0.1202 %", "outside"),
        (4990.0 - 5.5, f"{MINUS}0.1102 %", "undecided"),
        (4990.0 - 4.5, f"{MINUS}0.0902 %", "undecided"),
        (4990.0 - 4.0, f"{MINUS}0.0802 %", "inside"),
        (4990.0 + 4.0, "+0.0802 %", "inside"),
        (4990.0 + 6.0, "+0.1202 %", "outside"),
    ],
)
def test_a_measured_part_is_as_far_off_below_as_above(
    ohm: float, from_nominal: str, against: str
) -> None:
    sample = replace(SUPPLIER.samples[0], ohm=ohm, uncertainty_ohm=0.4)
    (row,) = lines(replace(SUPPLIER, samples=(sample,)), "From nominal")
    assert (row["From nominal"], row["Against the claim"]) == (from_nominal, against)


@pytest.mark.source("JCGM 100:2008, 5.1.2, law of propagation")
def test_a_correction_card_has_factor_and_expanded_uncertainty() -> None:
    """1/0.98, and 2 * 98 ppm / 0.98^2."""
    low = Correction(
        range="1 mA", error_ppm=-20_000.0, uncertainty_ppm=98.0, limit_ppm=5000.0
    )
    (row,) = lines(replace(NOTICE, corrections=(low,)), "Multiply by")
    assert tuple(row.values())[:4] == (
        "1 mA",
        f"{MINUS}2.000 %",
        "1.02041",
        "0.00020",
    )
