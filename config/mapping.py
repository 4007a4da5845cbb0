"""Which column of a spreadsheet means what, where its heading does not tell."""

from collections.abc import Iterator
from pathlib import Path

from pydantic import Field

from config.document import parse, read
from config.strict import Key, Name, Problem, Strict, where_whole
from config.validate import validated

__all__ = ["RangeColumns", "SheetMapping", "load_mapping"]


class RangeColumns(Strict):
    """Columns of one range: what went in and what came out, at level and at zero.

    A cell may carry its own unit ("90.02u", "900.4 mV"); a bare number is in the
    unit that is written here, by default ampere or volt.
    """

    reference: Name
    output: Name
    reference_zero: Name | None = None
    output_zero: Name | None = None
    reference_unit: Name | None = None
    output_unit: Name | None = None


class SheetMapping(Strict):
    """What the headings of a sheet do not tell; all may be absent.

    Columns that are not named here are found by their headings.
    """

    sheet: Name | None = None
    """The one sheet of the file that is read; left out: each that has readings."""
    serial: Name | None = None
    build: Name | None = None
    build_is: Name | None = None
    """The one build of the file, whatever a column says."""
    measured_at: Name | None = None
    """Column of the date and time; of this machine's zone where none is written."""
    columns: dict[Name, Name] = Field(default_factory=dict)
    """Heading to what it means: "serial", "build", "temperature", "1uA in", ..."""
    ranges: dict[Name, RangeColumns] = Field(default_factory=dict)
    reels: dict[Key, Name] = Field(default_factory=dict)
    """Part to the column that says which reel a unit's part came from."""

    def named(self) -> Iterator[tuple[str, str, str | None]]:
        """Yield each column that is named: its heading, what it means, its unit."""
        for means, heading in (
            ("serial", self.serial),
            ("build", self.build),
            ("measured at", self.measured_at),
        ):
            if heading is not None:
                yield heading, means, None
        for heading, means in self.columns.items():
            yield heading, means, None
        for key, one in self.ranges.items():
            for heading, way, unit in (
                (one.reference, "in", one.reference_unit),
                (one.output, "out", one.output_unit),
                (one.reference_zero, "in zero", one.reference_unit),
                (one.output_zero, "out zero", one.output_unit),
            ):
                if heading is not None:
                    yield heading, f"{key} {way}", unit
        for part, heading in self.reels.items():
            yield heading, f"reel of {part}", None

    def problems(self) -> Iterator[Problem]:
        """Refuse two columns of one meaning, and one column of two meanings.

        One zero may be of several ranges, and one reel of several parts.
        """
        with where_whole:
            meant: dict[str, str] = {}
            for heading, means, _ in self.named():
                first = meant.setdefault(means, heading)
                if first != heading and heading in self.columns:
                    yield Problem(
                        path=("columns", heading),
                        problem=f"{means!r} is column {first!r} already",
                    )
            is_for: dict[str, str] = {}
            for heading, means, _ in self.named():
                first = is_for.setdefault(heading, means)
                if first != means and not _may_share(first, means):
                    in_ranges = heading not in self.columns
                    yield Problem(
                        path=("ranges",) if in_ranges else ("columns", heading),
                        problem=f"column {heading!r} cannot be {first!r} and "
                        f"{means!r}; only a zero may be of several ranges, and a "
                        "reel of several parts",
                    )


def _may_share(one: str, other: str) -> bool:
    """Whether one column may mean both: one side's zero, or the reel, of several."""
    return (one.startswith("reel of ") and other.startswith("reel of ")) or any(
        one.endswith(end) and other.endswith(end) for end in (" in zero", " out zero")
    )


def load_mapping(path: Path) -> SheetMapping:
    """Read a mapping file.

    Raises
    ------
    ConfigError
        It cannot be read or is no mapping; every fault with its line.
    """
    document = parse(read(path, path.name), name=path.name, root=())
    return validated(SheetMapping, document.table, [document])
