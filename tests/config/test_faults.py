"""Every kind of fault says file, line, key, value and what is allowed."""

from pathlib import Path

import pytest

from tests.config.folders import Change, changed_sample, fault_table, faults

R12 = "R12 = { nominal_ohm = 49_999.95, tolerance_ppm = 1_000.0"
FAULTS = fault_table()
CASES = [
    pytest.param(
        one["file"],
        (one["old"], one["new"]),
        one["lines"],
        id=f"{one['file']}: {one['name']}",
    )
    for one in FAULTS["fault"]
]


@pytest.mark.parametrize(("file", "change", "lines"), CASES)
def test_a_fault_is_one_exact_line(
    tmp_path: Path, file: str, change: Change, lines: list[str]
) -> None:
    assert faults(changed_sample(tmp_path, {file: (change,)})) == lines


def test_all_faults_of_all_files_come_at_once(tmp_path: Path) -> None:
    folder = changed_sample(
        tmp_path,
        {
            "product.toml": (
                (R12, "R12 = { nominal_ohm = 49_999.95, tolerance_ppm = -100"),
                ("(R14 + RSW)", "(R41 + RSW)"),
                ('selector = "2"', 'selector = "1"'),
            ),
            "bench.toml": (
                ("compliance_v = 12.0", "compliance_v = 0"),
                ("[output]", "[outptu]"),
                ("100uA = 40.0, ", ""),
            ),
            "plan.toml": (("5_000", "50"),),
            "alerts.toml": (("channels = []", "channels = 5"),),
        },
    )
    assert faults(folder) == FAULTS["all at once"]


def test_a_file_that_is_no_toml_does_not_hide_the_others(tmp_path: Path) -> None:
    folder = changed_sample(
        tmp_path,
        {
            "bench.toml": (('name = "demo"', "name ="),),
            "plan.toml": (("people = [", "poeple = ["),),
        },
    )
    assert faults(folder) == [
        "bench.toml:3: not TOML: Invalid value, at column 7",
        "plan.toml:2: poeple: unknown key; did you mean 'people'?",
    ]


def test_files_that_must_be_there(tmp_path: Path) -> None:
    assert faults(tmp_path) == [
        f"{name}.toml: not found; `holdpoint init` asks what is needed and writes it"
        for name in ("product", "plan")
    ]
    (fault,) = faults(tmp_path / "nowhere")
    assert fault.startswith(
        f"{tmp_path / 'nowhere'}: no such folder; `holdpoint --home "
    )


def test_a_file_that_is_no_text(tmp_path: Path) -> None:
    folder = changed_sample(tmp_path, {})
    (folder / "plan.toml").write_bytes(b'people = ["Ada"]\n# \xff\n')
    assert faults(folder) == ["plan.toml:2: not UTF-8 text"]


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    folder = changed_sample(tmp_path, {})
    (folder / "plan.toml").unlink()
    (folder / "plan.toml").mkdir()
    assert faults(folder) == ["plan.toml: cannot be read: Is a directory"]


def test_nesting_without_end(tmp_path: Path) -> None:
    folder = changed_sample(tmp_path, {})
    (folder / "alerts.toml").write_text("channels = " + "[" * 5_000)
    assert faults(folder) == [
        "alerts.toml: not TOML that can be read: nested too deeply"
    ]


VOLTS = {
    "product.toml": (('input_unit = "A"', 'input_unit = "V"'),),
    "bench.toml": (
        ('profile = "watched_current_source"', 'profile = "scpi_voltage_source"'),
        ('profile = "scpi_ammeter"', 'profile = "scpi_voltmeter"'),
    ),
}


def test_a_voltage_source_needs_a_current_limit(tmp_path: Path) -> None:
    assert faults(changed_sample(tmp_path, VOLTS)) == [
        (
            "bench.toml: current_limit_a: missing; a product that takes volts needs a "
            "source whose current is limited: a number > 0 and <= 10"
        )
    ]


def test_a_voltage_source_stays_below_the_compliance(tmp_path: Path) -> None:
    limits = ("compliance_v = 12.0\n", "compliance_v = 1e-3\ncurrent_limit_a = 0.01\n")
    changes = {**VOLTS, "bench.toml": (*VOLTS["bench.toml"], limits)}
    assert faults(changed_sample(tmp_path, changes)) == [
        "bench.toml:6: source_limit = 1.2e-3: must be > 0 and <= compliance_v, 0.001"
    ]


def test_a_standard_resistor_tells_no_voltage(tmp_path: Path) -> None:
    resistor = (
        "[source]",
        (
            'current_limit_a = 0.01\n[reference_is]\nkind = "standard_resistor"\n'
            "standard_ohm = 100\n[source]"
        ),
    )
    changes = {**VOLTS, "bench.toml": (*VOLTS["bench.toml"], resistor)}
    (line,) = faults(changed_sample(tmp_path, changes))
    assert line == (
        "bench.toml:11: reference_is.kind = \"standard_resistor\": must be 'meter' "
        "for a product that takes volts; a standard resistor tells a current"
    )
