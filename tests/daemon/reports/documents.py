"""One document of each kind, in the demo's scenario, and their hostile twins."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from io import BytesIO

from PIL import Image as Raster, ImageDraw

from daemon.presentation.documents import (
    Board,
    CheckLine,
    Correction,
    Document,
    FailureLine,
    FittedReel,
    HoldLine,
    Image,
    InstrumentLine,
    JudgedBefore,
    RangeCapability,
    RangeLine,
    RangeToConnect,
    Sample,
    StandardLine,
    ToleranceClass,
    UnitValue,
)
from daemon.presentation.documents.build import BuildRelease
from daemon.presentation.documents.customer import CustomerNotice
from daemon.presentation.documents.drawing import PAPER, drawn
from daemon.presentation.documents.supplier import SupplierReport
from daemon.presentation.documents.unit import BuildSheet, UnitRecord
from daemon.presentation.plots.claim import parts_against_claim

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
LIMIT = "\u00b1(0.45 % of reading + 0.045 % of full scale)"
ISSUER = "Test bench of the demo"
HOSTILE = (
    '#panic("x") $x^2$ *bold* _it_ @ref <b>&amp;"\'</b><script>alert(1)</script> '
    "`raw` \\ // /* ]) #{ =HYPERLINK() \u202e 漢字"
)
LONG = "An-instrument-maker-of-a-very-long-name" * 4


def photo() -> bytes:
    """Return a picture of a label, partly seen through, as a telephone may send."""
    picture = Raster.new("RGBA", (640, 400), (240, 236, 220, 200))
    ImageDraw.Draw(picture).text((40, 40), "K-102 4K99B 2619", fill="black")
    sink = BytesIO()
    picture.save(sink, format="PNG")
    return sink.getvalue()


def line(title: str, error_ppm: float, verdict: str, **other: float) -> RangeLine:
    """Return one range of a record."""
    reference = other.get("reference", 9.0e-5)
    return RangeLine(
        title=title,
        unit="A",
        reference=reference,
        output=1e4 * reference * (1 + error_ppm * 1e-6),
        error_ppm=error_ppm,
        offset_ppm=-12.0,
        uncertainty_ppm=62.0,
        limit_ppm=5000.0,
        verdict=verdict,
        limit=LIMIT,
        conformance_probability=0.9999 if verdict == "conforming" else 0.013,
    )


RECORD = UnitRecord(
    number="UTR-PA-1031-61",
    issued_at=AT,
    issuer=ISSUER,
    product="Four-range photodiode amplifier",
    serial="PA-1031",
    build="B-3",
    run=61,
    measured_at=AT,
    origin="bench",
    bench="demo",
    session="demo-20260302T090000",
    ambient_c=23.1,
    configuration="6f1d" * 16,
    guard_band_factor=1.0,
    ranges=(
        line("1 µA", 412.0, "conforming", reference=9.0e-7),
        line("10 µA", -118.0, "conforming", reference=9.0e-6),
        line("100 µA", 5904.0, "nonconforming"),
        line("1 mA", 77.0, "conforming", reference=9.0e-4),
    ),
    judged_before=(
        JudgedBefore(
            title="100 µA", closed_by=63, drift_ppm=-84.0, error_ppm=5_820.0,
            uncertainty_ppm=58.0, verdict="undecided",
        ),
    ),
    checks=(
        CheckLine(
            name="Supply current", value=0.0123, unit="A", low=None, high=0.02,
            verdict="conforming",
        ),
        CheckLine(
            name="linearity of 1uA", value=-12.34, unit="ppm", low=-50.0, high=50.0,
            verdict="conforming",
        ),
        CheckLine(
            name="Case closed", value=1.0, unit="", low=1.0, high=None,
            verdict="conforming",
        ),
    ),
    instruments=(
        InstrumentLine(
            role="reference", identity="ammeter of the bench", serial_number="A-17",
            calibrated_at="2025-09-01", due_at="2026-09-01",
        ),
        InstrumentLine(
            role="output", identity="voltmeter of the bench", serial_number="V-4",
            calibrated_at="2024-12-01", due_at="2025-12-01",
            remark="calibration was overdue",
        ),
        InstrumentLine(role="source", identity="current source"),
    ),
    holds=("Outside its error limit: 100 µA (holdpoint, 2026-03-02)",),
    note="second position of the fixture",
)  # fmt: skip

STANDARDS = (
    StandardLine(serial="CS-1", run=40, at=AT),
    StandardLine(serial="CS-1", run=63, at=AT, wrong=("100 µA",)),
)

CLAIM = drawn(
    parts_against_claim(
        [2600.0, 3100.0, 3500.0, 2900.0, 800.0, 5400.0, 4100.0], 1000.0, look=PAPER
    ),
    caption="Loose parts of reel K-102; one dot a part.",
    words="Seven parts, six outside the claim of 0.1 percent",
)

RELEASE = BuildRelease(
    number="BRR-B-3",
    issued_at=AT,
    issuer=ISSUER,
    product="Four-range photodiode amplifier",
    build="B-3",
    planned=30,
    units=28,
    first_pass_yield=0.75,
    final_yield=0.964,
    reworked=6,
    ranges=(
        RangeCapability(
            title="1 µA", units=28, mean_ppm=120.0, s_ppm=240.0, limit_ppm=5000.0,
            cpk=6.8, cpk_low=4.9, cpk_high=8.6, ppk=6.5, ppk_low=4.8, ppk_high=8.2,
        ),
        RangeCapability(
            title="100 µA", units=28, mean_ppm=2900.0, s_ppm=1900.0, limit_ppm=5000.0,
            cpk=0.4, cpk_low=0.25, cpk_high=0.55, ppk=0.37, ppk_low=0.2, ppk_high=0.5,
            reasons=("the units of build B-3 drift or move in steps (p = 1.2e-05)",),
        ),
        RangeCapability(
            title="1 mA", units=2, mean_ppm=10.0, s_ppm=5.0, limit_ppm=5000.0
        ),
    ),
    holds=(
        HoldLine(
            on="build B-3", reason="range 100 µA reads +0.6 % since unit PA-1019",
            placed_by="holdpoint", placed_at=AT,
        ),
        HoldLine(
            on="unit PA-1009", reason="Outside its error limit: 1 mA",
            placed_by="holdpoint", placed_at=AT, disposal="rework",
            person="Ada Moreno", end_reason="R14 replaced from reel K-090, rerun good",
            ended_at=AT, evidence="run 41 and report R-12",
        ),
    ),
    reels=(
        FittedReel(
            part="R13", reel="K-101", from_serial=None, supplier="Supplier A",
            lot_code="2601",
        ),
        FittedReel(part="R13", reel="K-102", from_serial="PA-1019"),
    ),
    findings=("B-3-F1: range 100 µA reads +0.60 % since unit PA-1019.",),
    charts=(CLAIM,),
    failures=(
        FailureLine(
            serial="PA-1009", failed="range 1 mA nonconforming: +0.612 %",
            became="R14 replaced; passed when it was measured again, run 41",
            now="passed",
        ),
    ),
    bench=("Bench demo, session demo-20260302T090000.",),
    instruments=RECORD.instruments,
    standards=STANDARDS,
    settings=(f"Settings 6f1d6f1d6f1d6f1d: error limit, every range {LIMIT}.",),
    released=("Ada Moreno, 2026-03-02 09:00 UTC, release of build B-3: good.",),
    left="PA-1001 to PA-1009 (9), 2026-03-02",
)  # fmt: skip

SUPPLIER = SupplierReport(
    number="SNR-K-102",
    issued_at=AT,
    issuer=ISSUER,
    supplier="Supplier A",
    reel="K-102",
    part="R13",
    nominal_ohm=4990.0,
    tolerance_ppm=1000.0,
    product="Four-range photodiode amplifier",
    method=(
        "Each finished unit: current in, volts out, zero taken off, by the bench.",
        "Loose parts: four-wire, unpowered, at 23 °C.",
    ),
    asked=(
        "Replace the parts of reel K-102 of lot 2619.",
        "Say whether other reels of lot 2619 were delivered, and whether they are so.",
    ),
    ranges=("100 µA",),
    received_at=AT,
    marking="4K99B",
    quantity=5000,
    date_code="2609",
    lot_code="2619",
    invoice="F-2026-118",
    claim_until=AT,
    units=12,
    first_serial="PA-1019",
    size_ppm=6000.0,
    low_ppm=4900.0,
    high_ppm=7100.0,
    part_ohm=5020.2,
    part_low_ohm=5015.0,
    part_high_ohm=5025.4,
    spread_factor=4.0,
    cause=0.97,
    incompatible=0.9998,
    classes=(
        ToleranceClass(tolerance_ppm=5000.0, probability=0.12),
        ToleranceClass(tolerance_ppm=10_000.0, probability=0.87),
    ),
    measured=tuple(
        UnitValue(
            serial=f"PA-10{number}", range="100 µA", measured_at=AT,
            reel="K-101" if number < 19 else "K-102",
            error_ppm=-20.0 if number < 19 else 5904.0, uncertainty_ppm=62.0,
            limit_ppm=5000.0,
        )
        for number in range(15, 22)
    ),
    instruments=RECORD.instruments,
    standards=STANDARDS,
    samples=(
        Sample(
            subject="loose part 1", ohm=5012.1, uncertainty_ohm=0.4, method="four-wire"
        ),
        Sample(
            subject="PA-1019", ohm=5019.3, uncertainty_ohm=0.6,
            method="four-wire, on the board",
        ),
        Sample(
            subject="loose part 2", ohm=4994.6, uncertainty_ohm=0.4, method="four-wire"
        ),
    ),
    charts=(CLAIM,),
    label=Image(data=photo(), caption="Label of the reel"),
    photos=(
        Image(data=photo(), caption="Parts on the tape"),
        Image(data=photo(), caption="The board of PA-1019"),
    ),
)  # fmt: skip

NOTICE = CustomerNotice(
    number="CN-PA-0931",
    issued_at=AT,
    issuer=ISSUER,
    product="Four-range photodiode amplifier",
    serial="PA-0931",
    destination="order 2026-044",
    corrections=(
        Correction(
            range="100 µA",
            error_ppm=5904.0,
            uncertainty_ppm=62.0,
            limit_ppm=5000.0,
            limit=LIMIT,
        ),
        Correction(
            range="1 mA",
            error_ppm=-980.0,
            uncertainty_ppm=210.0,
            limit_ppm=5000.0,
            limit=LIMIT,
            measured=False,
            outside=0.02,
        ),
    ),
    right=("1 µA", "10 µA"),
    cause="Parts of one reel are higher than their label says.",
    contact="service@example.org",
)

SHEET = BuildSheet(
    number="BS-B-4",
    issued_at=AT,
    issuer=ISSUER,
    product="Four-range photodiode amplifier",
    build="B-4",
    planned=14,
    ranges=tuple(
        RangeToConnect(
            title=title,
            selector=str(place),
            levels=f"0, {level}, 0",
            expected="900 mV",
            limit=LIMIT,
        )
        for place, (title, level) in enumerate(
            [("1 µA", "900 nA"), ("10 µA", "9 uA"), ("100 µA", "90 uA")], 1
        )
    ),
    leads=(("Output meter", "across the unit's output"),),
    boards=tuple(Board(serial=f"PA-11{number:02}") for number in range(14)),
    reels=RELEASE.reels,
    cautions=("Turn range switches and move leads at zero or probe level only.",),
)

EVERY: dict[str, Document] = {
    "unit": RECORD,
    "build": RELEASE,
    "supplier": SUPPLIER,
    "customer": NOTICE,
    "sheet": SHEET,
}


def many(lines: Sequence[RangeLine], number: int) -> tuple[RangeLine, ...]:
    """Return so many ranges, of long names."""
    return tuple(
        replace(lines[place % len(lines)], title=f"{LONG[:60]} {place}")
        for place in range(number)
    )


HARD: dict[str, Document] = {
    "unit": replace(
        RECORD,
        product=LONG,
        issuer=LONG,
        serial=LONG,
        build=HOSTILE,
        note=HOSTILE,
        ranges=many(RECORD.ranges, 12),
        judged_before=tuple(
            replace(RECORD.judged_before[0], title=f"{LONG[:60]} {place}")
            for place in range(12)
        ),
        instruments=tuple(
            replace(one, identity=LONG, remark=HOSTILE) for one in RECORD.instruments
        ),
        holds=(HOSTILE, LONG),
    ),
    "build": replace(
        RELEASE,
        build=LONG,
        product=HOSTILE,
        findings=(HOSTILE, LONG),
        failures=tuple(
            FailureLine(serial=LONG, failed=HOSTILE, became=LONG, now="open")
            for _ in range(12)
        ),
        released=(HOSTILE, LONG),
        ranges=tuple(
            replace(RELEASE.ranges[place % 3], title=LONG[:50]) for place in range(12)
        ),
        holds=tuple(
            replace(RELEASE.holds[place % 2], reason=HOSTILE, on=LONG)
            for place in range(8)
        ),
        reels=tuple(replace(RELEASE.reels[0], reel=LONG) for _ in range(12)),
    ),
    "supplier": replace(
        SUPPLIER,
        supplier=LONG,
        reel=HOSTILE,
        marking=HOSTILE,
        invoice=LONG,
        asked=(HOSTILE, f"{HOSTILE} {LONG} " * 3),
        ranges=(HOSTILE, LONG),
        samples=tuple(
            replace(SUPPLIER.samples[0], subject=LONG, method=HOSTILE)
            for _ in range(12)
        ),
        photos=(Image(data=photo(), caption=HOSTILE),),
    ),
    "customer": replace(
        NOTICE,
        serial=LONG,
        destination=HOSTILE,
        cause=HOSTILE,
        corrections=tuple(
            replace(NOTICE.corrections[0], range=f"{LONG[:60]} {place}")
            for place in range(12)
        ),
        not_measured=(HOSTILE, LONG),
    ),
    "sheet": replace(
        SHEET,
        build=HOSTILE,
        boards=tuple(Board(serial=f"{LONG[:40]}-{i}", note=LONG) for i in range(8)),
        cautions=(HOSTILE,),
    ),
}
