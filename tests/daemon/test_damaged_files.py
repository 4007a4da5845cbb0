"""Damaged files of every kind: one sentence each, and nothing else ever comes out."""

import random
import shutil
from collections.abc import Iterator
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZipFile

import pandas as pd
import pytest
from openpyxl import Workbook

from daemon.station.grids import MOST_UNPACKED_BYTES, SheetError, read_grids
from daemon.station.import_sheet import understood
from tests.daemon.making import demo_product
from tests.daemon.messy_sheets import MESSY

KINDS = (".xlsx", ".csv", ".parquet")
PRODUCT = demo_product()
FEW = 102
MANY = 6000


def whole(folder: Path) -> dict[str, bytes]:
    """Return one whole file of each kind, as bytes."""
    sheet = MESSY["01 decimal comma, semicolons, the old western code page"].write(
        folder
    )
    text = sheet.read_bytes()
    rows = [line.split(";") for line in text.decode("cp1252").splitlines()]
    book = Workbook()
    for row in rows:
        book.active.append(row)
    book.save(folder / "whole.xlsx")
    pd.DataFrame(rows[1:], columns=rows[0]).to_parquet(folder / "whole.parquet")
    return {
        ".csv": text,
        ".xlsx": (folder / "whole.xlsx").read_bytes(),
        ".parquet": (folder / "whole.parquet").read_bytes(),
    }


def damaged(data: bytes, chance: random.Random) -> bytes:
    """Return a file as a bad stick, a broken copy or another program leaves it."""
    much = bytearray(data)
    match chance.randrange(6):
        case 0:  # cut off
            return bytes(much[: chance.randrange(len(much))])
        case 1:  # single bytes
            for _ in range(chance.randrange(1, 40)):
                much[chance.randrange(len(much))] = chance.randrange(256)
        case 2:  # a hole of zeros
            at = chance.randrange(len(much))
            much[at : at + 512] = bytes(min(512, len(much) - at))
        case 3:  # a piece twice
            at = chance.randrange(len(much))
            much[at:at] = much[at : at + chance.randrange(1, 400)]
        case 4:  # a piece missing
            at = chance.randrange(len(much))
            del much[at : at + chance.randrange(1, 400)]
        case _:  # bytes of nothing at all behind a right beginning
            return bytes(much[:64]) + chance.randbytes(chance.randrange(600))
    return bytes(much)


def files(folder: Path, number: int) -> Iterator[Path]:
    """Yield damaged files, one of each kind after another."""
    chance = random.Random(20)  # noqa: S311 -- damage, no secret
    sound = whole(folder)
    for place in range(number):
        kind = KINDS[place % len(KINDS)]
        path = folder / f"damaged{kind}"
        path.write_bytes(damaged(sound[kind], chance))
        yield path


def told_of_all(folder: Path, number: int) -> tuple[int, int]:
    """Return how many were read all the same, and how many refused in one sentence."""
    read = refused = 0
    for path in files(folder, number):
        try:
            understood(path, PRODUCT)
        except SheetError as exc:
            said = str(exc)
            assert path.name in said
            assert "\n" not in said
            assert len(said) < 900
            refused += 1
        else:
            read += 1
    return read, refused


def test_damaged_files_are_read_or_refused_in_one_sentence(tmp_path: Path) -> None:
    read, refused = told_of_all(tmp_path, FEW)
    assert read + refused == FEW
    assert refused > FEW / 3


@pytest.mark.endurance
def test_thousands_of_damaged_files_are_too(tmp_path: Path) -> None:
    read, refused = told_of_all(tmp_path, MANY)
    assert read + refused == MANY
    print(f"{MANY} damaged files: {read} read all the same, {refused} refused")  # noqa: T201


def test_a_small_file_that_unpacks_to_more_than_memory_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book = Workbook()
    for _ in range(300):
        book.active.append(["a long text that packs well " * 20] * 20)
    path = tmp_path / "large.xlsx"
    book.save(path)
    assert path.stat().st_size < MOST_UNPACKED_BYTES
    monkeypatch.setattr("daemon.station.grids.MOST_UNPACKED_BYTES", 10_000)
    with pytest.raises(SheetError, match=r"large\.xlsx unpacks to"):
        read_grids(path)


@pytest.mark.parametrize(
    ("limit", "rows", "says"),
    [("MOST_ROWS", 30, "30 rows"), ("MOST_COLUMNS", 3, "columns"),
     ("MOST_BYTES", 3, "MB; a sheet may have"), ("MOST_CELLS", 3, "more than 2 cells")],
)  # fmt: skip
def test_a_file_beyond_what_units_need_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, limit: str, rows: int, says: str
) -> None:
    path = tmp_path / "long.csv"
    path.write_text("a,b,c\n" * rows)
    monkeypatch.setattr(f"daemon.station.grids.{limit}", 2)
    with pytest.raises(SheetError, match=says):
        read_grids(path)


def test_a_small_workbook_of_millions_of_cells_is_refused_without_reading_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four million cells that look alike pack into some kilobytes."""
    wide, rows = 2_000, 2_000
    row = "<row>" + "<c><v>1</v></c>" * wide + "</row>"
    path = tmp_path / "many.xlsx"
    Workbook().save(path)
    with ZipFile(path) as packed:
        kept = {one: packed.read(one) for one in packed.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    start, _, end = kept[sheet].decode().partition("<sheetData />")
    kept[sheet] = f"{start}<sheetData>{row * rows}</sheetData>{end}".encode()
    with ZipFile(path, "w", ZIP_DEFLATED, compresslevel=9) as packed:
        for name, data in kept.items():
            packed.writestr(name, data)
    assert path.stat().st_size < 500_000

    def never(*_: object, **__: object) -> None:
        pytest.fail("the cells were read")

    monkeypatch.setattr("openpyxl.load_workbook", never)
    with pytest.raises(SheetError, match=r"many\.xlsx has more than 1000000 cells"):
        read_grids(path)


def test_a_file_that_is_gone_or_a_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "folder.csv").mkdir()
    for name in ("gone.csv", "folder.csv"):
        with pytest.raises(SheetError, match=rf"{name} cannot be opened"):
            read_grids(tmp_path / name)
    shutil.rmtree(tmp_path / "folder.csv")
