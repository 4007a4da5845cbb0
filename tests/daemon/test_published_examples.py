"""Published examples through the whole path: settings, typed readings, row, budget.

Holdpoint calibrates what turns one electrical quantity into another, so a published
example goes this way where it is a ratio of two readings: the standard resistor of
EA-4/02, S3, by substitution and as a loose part, the impedance of JCGM 100, H.2. The
crossed gauge study goes its own whole way, in `test_gauge_study.py`.

The others go through `propagate`, in `metrology/test_reference_uncertainty.py`, for
there is nothing to type them into. A phase (the resistance and reactance of H.2) is no
reading of a bench. A length (H.1) and a mass (EA-4/02, S2) are neither ampere nor volt,
they are differences from a standard and no ratios, and both take their scatter from
earlier series (25 readings in H.1) where a verdict takes
that of its own readings; of H.1 the temperature counts by products of two uncertain
numbers too, which no line of a budget here is.
"""

import json
from collections.abc import Sequence
from math import hypot, sqrt
from pathlib import Path
from statistics import fmean
from typing import Any

import pytest
from click.testing import CliRunner

from config import Settings, load
from config.load import fingerprint
from daemon.bench import Point, RangeReadings
from daemon.commands.cli import holdpoint
from daemon.holds.loose_parts import As, measured
from daemon.judging import ProductModel
from daemon.judging.budget import budgets_of_run
from daemon.judging.verdict import Judge
from daemon.metrology.loose_parts import Circuit
from daemon.station.cycle import Cycle
from daemon.station.import_sheet import take, understood
from daemon.traceability.papers.unit import unit_record
from storage import Configuration, Product, RangeResult, Reel, open_store
from tests.daemon.making import AT
from tests.reference_values import Entry

FILE = "09_uncertainty_conformity"
PRODUCT = """\
name = "resistor"
title = "A resistor"
input_unit = "A"
input_absolute_maximum_v = 30.0

[parts]
R1 = {{ nominal_ohm = {nominal_ohm}, tolerance_ppm = 100_000.0, tempco_ppm_per_k = \
{tempco} }}

[ranges.one]
title = "one"
full_scale = {full_scale}
transfer = "R1"
limit = {{ of_reading_ppm = 100_000.0, offset = "apart" }}
source_limit = {full_scale}
"""
BENCH = """\
name = "by hand"
compliance_v = 10.0
source_limit = {full_scale}
ambient_c = [{coldest_c}, {warmest_c}]

[source]
profile = "typed"

[reference]
profile = "typed"
readings_follow = 0.0
{serial}
ranges = [{{ full_scale = {reference}, of_reading_ppm = {of_reading_ppm}, \
of_range_ppm = {of_range_ppm} }}]

[output]
profile = "typed"
readings_follow = 0.0
{serial}
ranges = [{{ full_scale = 10.0, of_reading_ppm = {of_reading_ppm}, \
of_range_ppm = {of_range_ppm} }}]
"""
STANDARD = """
[reference_is]
kind = "standard_resistor"
standard_ohm = {ohm}
standard_uncertainty_ppm = {uncertainty_ppm}
"""
PLAN = 'people = ["Ada Moreno"]\n'


def written(home: Path, *, standard: str = "", **said: Any) -> Settings:
    """Write settings files into a home; return what they mean."""
    home.mkdir()
    (home / "product.toml").write_text(PRODUCT.format(**said))
    (home / "bench.toml").write_text(BENCH.format(**said) + standard)
    (home / "plan.toml").write_text(PLAN)
    (home / "alerts.toml").write_text("channels = []\n")
    return load(home)


def call(home: Path, *words: str) -> Any:
    done = CliRunner().invoke(
        holdpoint, ["--home", str(home), *words, "--json"], catch_exceptions=False
    )
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def typed(home: Path, settings: Settings, amperes: float, volts: float) -> RangeResult:
    """Record a sheet with one typed unit; return its row."""
    sheet = home / "typed.csv"
    head = "Serial;Range;Input [A];Output [V]"
    sheet.write_text(f"{head}\nX-1;one;{amperes!r};{volts!r}\n")
    (home / "data").mkdir()
    key, body = fingerprint(settings)
    with open_store(home / "data") as store:
        store.keep(Product(product=settings.product.name, title="x"))
        cycle = Cycle(settings, store)
        take(
            understood(sheet, cycle.product, default_build="B-1").rows,
            cycle,
            session="import-1",
            configuration=Configuration(configuration=key, body=body, stored_at=AT),
            at=AT,
        )
        (row,) = store.rows(RangeResult)
    return row


def read(
    settings: Settings, amperes: Sequence[float], volts: Sequence[float]
) -> RangeResult:
    """Return the row of readings at a level, still at zero."""
    assert settings.bench is not None
    judge = Judge(
        ProductModel.of(settings.product), settings.bench, settings.plan.judging
    )
    at_s = tuple(float(place) for place in range(len(volts)))
    still = (0.0,) * len(volts)
    zero = Point(level=0.0, reference=still, output=still, at_s=at_s)
    level = Point(
        level=amperes[0], reference=tuple(amperes), output=tuple(volts), at_s=at_s
    )
    readings = RangeReadings(
        range="one",
        points=(zero, level, zero),
        reference_full_scale=settings.bench.reference.ranges[0].full_scale,
        output_full_scale=settings.bench.output.ranges[0].full_scale,
        ambient_c=None,
    )
    return judge.learned([readings]).unit("r", readings, {})


RATIOS = [1.000_010_4, 1.000_010_7, 1.000_010_6, 1.000_010_3, 1.000_010_5]
"""The five readings of S3, from memory: mean 1.0000105, u of the mean 0.07e-6."""
LEVEL_V = 1.0


def substitution(home: Path, entry: Entry) -> tuple[Settings, float, float]:
    """Return settings of EA-4/02, S3, nominal value and standard's value.

    One voltmeter reads standard and unknown: its gain cancels, what is left of it is
    r_C, triangular with 1.0e-6: two readings, each within half of that. The standard's
    own lines are certificate, drift and bath. The unknown may move by 10 ppm/K, and the
    bath is within 0.055 K of 23 C.
    """
    given, nominal_ohm = entry.inputs, 10_000.0
    standard_ohm = given["R_S"] + given["dR_D"]
    of_standard = hypot(given["u_R_S"], given["u_dR_D"], given["u_dR_TS"])
    settings = written(
        home,
        standard=STANDARD.format(
            ohm=standard_ohm, uncertainty_ppm=of_standard / standard_ohm * 1e6
        ),
        serial='serial_number = "V-1"',
        nominal_ohm=nominal_ohm,
        tempco=10.0,
        full_scale=1.2e-4,
        coldest_c=22.945,
        warmest_c=23.055,
        reference=10.0,
        of_reading_ppm=20.0,
        of_range_ppm=0.5 * LEVEL_V / 10.0,
    )
    return settings, nominal_ohm, standard_ohm


@pytest.mark.reference(FILE, "ea402.S3")
def test_a_standard_resistor_by_substitution_as_it_is_typed(
    tmp_path: Path, entry: Entry
) -> None:
    """A typed value is one reading, so that the ratio's own 0.07e-6 is not in it.

    That is 0.7 of 8.3 milliohm: the printed value and the printed U stand without it.
    """
    home = tmp_path / "home"
    settings, nominal_ohm, standard_ohm = substitution(home, entry)
    row = typed(home, settings, LEVEL_V / standard_ohm, LEVEL_V * entry.inputs["r"])
    entry.check("R_X", nominal_ohm * (1 + row.error_ppm * 1e-6))
    entry.check("U_k2", 2 * row.uncertainty_ppm * 1e-6 * nominal_ohm)
    found = call(home, "budget", "one", "--unit", "X-1")
    said = {one["quantity"]: one["contribution_ppm"] for one in found["lines"]}
    of_unknown = entry.inputs["u_dR_TX"] / nominal_ohm * 1e6
    assert said["temperature: R1"] == pytest.approx(of_unknown, abs=0.005)
    r_c = hypot(said["reference: specification"], said["output: specification"])
    assert r_c == pytest.approx(entry.inputs["u_r_C"] * 1e6, abs=0.005)
    with open_store(home / "data") as store:
        product = ProductModel.of(settings.product)
        record = unit_record(store, product, "X-1", issued_at=AT, issuer="Tests")
    (line,) = record.budget
    assert line.largest[0][0] == found["lines"][0]["quantity"] == "standard resistor"


@pytest.mark.reference(FILE, "ea402.S3")
def test_a_standard_resistor_by_substitution_from_its_five_readings(
    tmp_path: Path, entry: Entry
) -> None:
    settings, nominal_ohm, standard_ohm = substitution(tmp_path / "home", entry)
    row = read(
        settings, [LEVEL_V / standard_ohm] * 5, [LEVEL_V * one for one in RATIOS]
    )
    entry.check("R_X", nominal_ohm * (1 + row.error_ppm * 1e-6))
    (budget,) = budgets_of_run(settings, [row], ambient_c=None)
    entry.check("u", budget.combined_ppm * 1e-6 * nominal_ohm)
    entry.check("U_k2", budget.expanded_ppm * 1e-6 * nominal_ohm)


@pytest.mark.reference(FILE, "ea402.S3")
def test_a_standard_resistor_as_a_loose_part_against_another(entry: Entry) -> None:
    """As parts are received: by a ratio, the current reversed, as a person types it.

    What the bath does to the unknown is no line there: 3.2 of 8.3 milliohm, added here.
    """
    given, nominal_ohm = entry.inputs, 10_000.0
    standard_ohm = given["R_S"] + given["dR_D"]
    of_standard = hypot(given["u_R_S"], given["u_dR_D"], given["u_dR_TS"])
    found = measured(
        Reel(reel="K-1", nominal_ohm=nominal_ohm, tolerance_ppm=100.0, received_at=AT),
        [f"{one!r}/1.0/{-one!r}/-1.0" for one in RATIOS],
        As(
            circuit=Circuit.RATIO,
            standard=f"{standard_ohm!r}",
            standard_accuracy=f"{of_standard / standard_ohm * sqrt(3) * 1e6:.6f} ppm",
            meter=f"{given['u_r_C'] * sqrt(3) * 1e6:.6f} ppm",
        ),
    )
    entry.check("R_X", fmean(found.readings))
    of_reading_ohm = found.uncertainty_ppm * 1e-6 * nominal_ohm
    entry.check("U_k2", 2 * hypot(of_reading_ohm, given["u_dR_TX"]))


@pytest.mark.reference(FILE, "gum.H2")
def test_an_impedance_from_five_sets_of_volts_and_amperes(
    tmp_path: Path, entry: Entry
) -> None:
    """Z = V / I of each set, then the mean: the second approach of H.2.4.

    Volts and amperes of one set belong together, and what both saw alike drops out
    (their correlation is -0.36). The phase is no reading of a bench: resistance and
    reactance go through `propagate_jointly`.
    """
    nominal_ohm = 250.0
    settings = written(
        tmp_path / "home",
        serial="",
        nominal_ohm=nominal_ohm,
        tempco=0.0,
        full_scale=0.02,
        coldest_c=22.0,
        warmest_c=24.0,
        reference=0.1,
        of_reading_ppm=1e-3,
        of_range_ppm=0.0,
    )
    row = read(
        settings,
        [one * 1e-3 for one in entry.inputs["I_mA"]],
        entry.inputs["V_volt"],
    )
    impedance_ohm = nominal_ohm * (1 + row.error_ppm * 1e-6)
    entry.check("Z", impedance_ohm)
    (budget,) = budgets_of_run(settings, [row], ambient_c=None)
    assert next(one.quantity for one in budget.lines) == "scatter"
    entry.check("u_Z", budget.combined_ppm * 1e-6 * nominal_ohm)
