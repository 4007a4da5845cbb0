"""Labels: what a scanner and a person will read."""

import re
from io import BytesIO
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from click.testing import CliRunner
from hypothesis import given, settings, strategies as st
from PIL import Image

from daemon.commands.cli import holdpoint
from daemon.presentation.labels import (
    LEAST_MODULE_MM,
    QUIET_MODULES,
    LabelError,
    Tape,
    as_png,
    as_svg,
    code_of,
    draw,
)
from storage.door import LONGEST_ID

WIDE = Tape(width_mm=12.0, dots_per_inch=300)


def read_back(label: Image.Image, modules: int, dots: int) -> list[list[bool]]:
    """Return the dark modules of a drawn code, by the middle of each."""
    above = (label.height - modules * dots) // 2
    middle = dots // 2
    return [
        [
            label.getpixel((column * dots + middle, above + row * dots + middle)) == 0
            for column in range(modules)
        ]
        for row in range(modules)
    ]


@settings(max_examples=25)
@given(
    serial=st.from_regex(r"[A-Z]{1,4}-[0-9]{1,8}", fullmatch=True),
    width_mm=st.floats(10.0, 40.0),
    dots_per_inch=st.sampled_from([203, 300, 360, 600]),
)
def test_every_module_is_drawn_where_the_code_has_it(
    serial: str, width_mm: float, dots_per_inch: int
) -> None:
    tape = Tape(width_mm=width_mm, dots_per_inch=dots_per_inch)
    code = code_of(serial)
    modules = int(code.symbol_size(border=QUIET_MODULES)[0])
    expected = [
        [bool(one) for one in line]
        for line in code.matrix_iter(scale=1, border=QUIET_MODULES)
    ]
    assert read_back(draw(serial, tape), modules, tape.dots // modules) == expected


@pytest.mark.source("ISO/IEC 18004: a light margin of four modules on every side")
def test_the_code_keeps_its_light_margin() -> None:
    label = draw("PA-1001", WIDE)
    modules = code_of("PA-1001").symbol_size(border=QUIET_MODULES)[0]
    margin = QUIET_MODULES * (WIDE.dots // modules)
    columns = [
        x
        for x in range(label.width)
        if any(label.getpixel((x, y)) == 0 for y in range(label.height))
    ]
    assert columns[0] == margin
    after_code = modules * (WIDE.dots // modules) - margin
    assert not [x for x in columns if after_code <= x < after_code + margin]


@pytest.mark.source("common practice, no source: modules of at least 0.25 mm")
def test_a_tape_too_narrow_is_refused_with_what_it_needs() -> None:
    with pytest.raises(LabelError, match=r"needs about 7\.2 mm"):
        draw("PA-1001", Tape(width_mm=6.0, dots_per_inch=180))
    modules = code_of("PA-1001").symbol_size(border=QUIET_MODULES)[0]
    draw("PA-1001", Tape(width_mm=modules * LEAST_MODULE_MM + 0.2, dots_per_inch=600))


@pytest.mark.parametrize("serial", ["", " PA-1", "PA\n1", "x" * (LONGEST_ID + 1)])
def test_a_serial_that_cannot_stand_on_a_label_is_refused(serial: str) -> None:
    with pytest.raises(LabelError, match="serial"):
        draw(serial, WIDE)


@pytest.mark.parametrize(("width_mm", "dpi"), [(2.0, 300), (200.0, 300), (12.0, 50)])
def test_no_such_tape(width_mm: float, dpi: int) -> None:
    with pytest.raises(LabelError, match="are possible"):
        Tape(width_mm=width_mm, dots_per_inch=dpi)


def test_the_same_serial_gives_the_same_bytes_and_says_its_resolution() -> None:
    picture = as_png("PA-1001", WIDE)
    assert picture == as_png("PA-1001", WIDE)
    assert Image.open(BytesIO(picture)).info["dpi"] == pytest.approx((300, 300), abs=1)


def test_letters_are_drawn_whole() -> None:
    """The last column is light: nothing is cut off."""
    label = draw("PA-1001 Ω µ", WIDE)
    last = label.width - 1
    assert all(label.getpixel((last, y)) for y in range(label.height))


def test_lines_stand_where_the_dots_stand() -> None:
    """The SVG holds every dark module of the code, at the tape's true size."""
    code = code_of("PA-1001")
    dots = WIDE.dots // int(code.symbol_size(border=QUIET_MODULES)[0])
    root = ET.fromstring(as_svg("PA-1001", WIDE))  # noqa: S314  # our own text
    path = root.findall("{*}path")[0].attrib["d"]
    dark = sum(
        bool(one) for line in code.matrix_iter(border=QUIET_MODULES) for one in line
    )
    corners = re.findall(r"M(\d+) (\d+)h(\d+)", path)
    label = draw("PA-1001", WIDE)
    assert len(corners) == dark
    assert {int(side) for _, _, side in corners} == {dots}
    assert all(label.getpixel((int(x), int(y))) == 0 for x, y, _ in corners)
    height_mm = float(root.attrib["height"].removesuffix("mm"))
    assert height_mm == pytest.approx(WIDE.width_mm, abs=25.4 / 300)


def test_a_hostile_serial_is_text_in_the_lines_too() -> None:
    serial = "</text><script>1&2"
    wide = Tape(width_mm=20.0, dots_per_inch=600)
    root = ET.fromstring(as_svg(serial, wide))  # noqa: S314  # our own text
    assert [one.text for one in root.findall("{*}text")] == [serial]
    assert not root.findall(".//{*}script")


def test_labels_are_written_as_lines_when_asked(tmp_path: Path) -> None:
    done = CliRunner().invoke(
        holdpoint, ["label", "PA-1", "PA-2", "--as", "svg", "--into", str(tmp_path)]
    )
    assert done.exit_code == 0, done.output
    assert sorted(one.name for one in tmp_path.iterdir()) == ["PA-1.svg", "PA-2.svg"]


def test_a_range_of_serials_becomes_a_file_each(tmp_path: Path) -> None:
    done = CliRunner().invoke(
        holdpoint, ["label", "PA-0098..PA-0101", "--into", str(tmp_path)]
    )
    assert done.exit_code == 0, done.output
    assert sorted(one.name for one in tmp_path.iterdir()) == [
        "PA-0098.png", "PA-0099.png", "PA-0100.png", "PA-0101.png",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("serials", "says"),
    [
        (["PA-1..PB-2"], "begin the same"),
        (["PA-2..PA-1"], "counts up"),
        (["A/1", "A_1"], "file name A_1.png"),
        (["PA-1", "--tape", "1"], "3 to 110 mm"),
    ],
)
def test_misuse_is_told(tmp_path: Path, serials: list[str], says: str) -> None:
    done = CliRunner().invoke(holdpoint, ["label", *serials, "--into", str(tmp_path)])
    assert done.exit_code == 2
    assert says in done.output
    assert not list(tmp_path.iterdir())
