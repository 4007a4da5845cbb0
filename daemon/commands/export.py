"""Every result as a table for another program."""

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from config import being_written, write_whole
from daemon.commands.opened import Opened, opened
from daemon.commands.options import NEW_FILE
from daemon.commands.showing import Shown, misuse, shown

if TYPE_CHECKING:  # slow to load
    import pandas as pd

EXCEL_ROWS = 1_048_576
"""What a sheet of ISO/IEC 29500 is read up to by the usual programs."""
COLUMNS = (
    "number", "started_at", "kind", "serial", "build", "session", "origin", "rerun_of",
    "range", "reference", "indicated", "error_ppm", "offset_ppm", "uncertainty_ppm",
    "limit_ppm", "verdict", "conformance_probability", "judged_again_at", "ambient_c",
    "configuration", "run", "counts", "note",
)  # fmt: skip
HEADINGS = {"uncertainty_ppm": "standard_uncertainty_ppm"}
"""What a table says where a row says less: papers give U, twice this (k = 2)."""
JUDGED = ("error_ppm", "uncertainty_ppm", "verdict", "conformance_probability")


@click.command()
@click.argument("file", type=NEW_FILE)
@click.option(
    "--build", "builds", multiple=True, help="Of this build alone; may be given again."
)
@click.option(
    "--range", "ranges", multiple=True, help="Of this range alone; may be given again."
)
@shown
def export(*, file: Path, builds: tuple[str, ...], ranges: tuple[str, ...]) -> Shown:
    """Write the results into a table.

    FILE ends in .csv, .xlsx or .parquet. A row is one range of one run, units and check
    standard, as it was judged last; each number's unit is in its heading, times are in
    UTC. A unit that was measured again, or whose row was corrected, has a row for each
    time: `counts` is true for the one that counts, `note` says why it was taken again.
    The standard uncertainty is k = 1; papers say U, k = 2. A file that is there already
    is not written over.
    """
    kind = file.suffix.lower()
    if kind not in WRITERS:
        misuse(f"{file.name} must end in {', '.join(WRITERS)}")
    if file.exists():
        misuse(f"{file} is there already and is not written over; name another file")
    with opened() as at:
        rows = _results(at, builds, ranges)
    if kind == ".xlsx" and len(rows) >= EXCEL_ROWS:
        misuse(
            f"{len(rows)} rows are more than a sheet holds ({EXCEL_ROWS - 1}); write "
            ".parquet or .csv, or name a build"
        )
    WRITERS[kind](rows, file)
    return Shown(
        {"file": str(file), "rows": len(rows)}, f"{file} is written: {len(rows)} rows."
    )


def _results(
    at: Opened, builds: tuple[str, ...], ranges: tuple[str, ...]
) -> "pd.DataFrame":
    """Return what was asked for, as it was judged last."""
    from storage import Build, RunKind  # noqa: PLC0415 -- the database takes long to load

    known = {one.build for one in at.rows(Build)}
    for asked, there, what in (
        (builds, known, "build"),
        (ranges, set(at.settings.product.ranges), "range"),
    ):
        for one in asked:
            if one not in there:
                misuse(f"no {what} {one!r}; there are {', '.join(sorted(there))}")
    rows = at.store.frame("range_rows", product=at.product, after=0, kind=None)
    again = at.store.frame("rejudgements", product=at.product, after=0)
    rows["judged_again_at"] = rows["started_at"].where(rows["number"] < 0)  # no time
    if len(again):
        last = again.groupby(["run", "range"], sort=False).last()
        last = last.reindex(list(zip(rows["run"], rows["range"], strict=True)))
        judged = last["made_at"].notna().to_numpy()
        for name in JUDGED:
            rows[name] = rows[name].where(~judged, last[name].to_numpy())
        rows["judged_again_at"] = rows["judged_again_at"].where(
            ~judged, last["made_at"].array
        )
    # Of a unit's range the latest result counts; the check standard has no such one.
    latest = rows.groupby(["serial", "range"], sort=False)["number"].transform("max")
    rows["counts"] = (rows["number"] == latest) & (rows["kind"] == RunKind.UNIT)
    notes = at.store.frame("run", product=at.product).set_index("run")["note"]
    rows["note"] = rows["run"].map(notes)
    if builds:
        rows = rows[rows["build"].isin(builds)]
    if ranges:
        rows = rows[rows["range"].isin(ranges)]
    return rows[list(COLUMNS)].rename(columns=HEADINGS).reset_index(drop=True)


def _texts(rows: "pd.DataFrame") -> list[str]:
    return [name for name in rows.columns if rows[name].dtype.kind == "O"
            or str(rows[name].dtype).startswith("str")]  # fmt: skip


def _as_csv(rows: "pd.DataFrame", file: Path) -> None:
    """Write it so that no cell runs as a formula where a spreadsheet opens it."""
    from daemon.presentation import neutral  # noqa: PLC0415 -- as the frame is

    safe = rows.copy()
    for name in _texts(rows):
        safe[name] = rows[name].map(neutral, na_action="ignore")
    text = safe.to_csv(index=False, date_format="%Y-%m-%dT%H:%M:%S.%fZ")
    write_whole(file, text, for_all=True)


def _as_sheet(rows: "pd.DataFrame", file: Path) -> None:
    from openpyxl import Workbook  # noqa: PLC0415 -- slow to load
    from openpyxl.cell import WriteOnlyCell  # noqa: PLC0415

    book = Workbook(write_only=True)
    sheet = book.create_sheet("results")
    sheet.freeze_panes = "A2"

    def cell(value: Any) -> Any:
        if value is None or value != value:  # noqa: PLR0124 -- no number, no time
            return None
        if isinstance(value, str):
            made = WriteOnlyCell(sheet, value)
            made.data_type = "s"  # a text, whatever it begins with
            return made
        if hasattr(value, "tzinfo"):  # a sheet knows no zones
            return value.tz_convert("UTC").tz_localize(None).to_pydatetime()
        return value.item() if hasattr(value, "item") else value

    sheet.append([f"{n}_utc" if n.endswith("_at") else n for n in rows.columns])
    for row in rows.itertuples(index=False):
        sheet.append([cell(one) for one in row])
    packed = io.BytesIO()
    book.save(packed)
    write_whole(file, packed.getvalue(), for_all=True)


def _as_parquet(rows: "pd.DataFrame", file: Path) -> None:
    with being_written(file, for_all=True) as out:
        rows.to_parquet(out, index=False)


WRITERS = {".csv": _as_csv, ".xlsx": _as_sheet, ".parquet": _as_parquet}
