"""Which column of a spreadsheet means what; written by the maker, or guessed."""

from collections.abc import Iterable
from pathlib import Path

from pydantic import Field

from config.document import parse, read
from config.strict import Key, Name, Strict
from config.validate import validated

__all__ = ["RangeColumns", "SheetMapping", "guessed", "load_mapping"]


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
    """A wide spreadsheet: a row a unit, columns in and out for each range."""

    sheet: Name | None = None
    """Excel only; the first sheet when left out."""
    serial: Name = "serial"
    build: Name | None = "build"
    """Column of the build; none when `build_is` names the one build of the file."""
    build_is: Name | None = None
    measured_at: Name | None = None
    """Column of the date and time, ISO 8601; UTC where no zone is written."""
    ranges: dict[Name, RangeColumns] = Field(min_length=1)
    reels: dict[Key, Name] = Field(default_factory=dict)
    """Part to the column that says which reel a unit's part came from."""

    @property
    def columns(self) -> tuple[str, ...]:
        """Every column that must be there."""
        wanted: list[str | None] = [self.serial, self.measured_at, *self.reels.values()]
        if self.build_is is None:
            wanted.append(self.build)
        for one in self.ranges.values():
            wanted += [
                one.reference,
                one.output,
                one.reference_zero,
                one.output_zero,
            ]
        return tuple(name for name in wanted if name is not None)


def load_mapping(path: Path) -> SheetMapping:
    """Read a mapping file.

    Raises
    ------
    ConfigError
        It cannot be read or is no mapping; every fault with its line.
    """
    document = parse(read(path, path.name), name=path.name, root=())
    return validated(SheetMapping, document.table, [document])


def guessed(columns: Iterable[str], ranges: Iterable[str]) -> SheetMapping:
    """Return the mapping of a file that names its columns as we would.

    Columns `serial`, `build` and, for each range, `KEY in` and `KEY out`; `measured
    at`, `KEY in zero` and `KEY out zero` where they are there.

    Raises
    ------
    LookupError
        No range's two columns are there.
    """
    there = set(columns)

    def if_there(name: str) -> str | None:
        return name if name in there else None

    found = {
        key: RangeColumns(
            reference=f"{key} in",
            output=f"{key} out",
            reference_zero=if_there(f"{key} in zero"),
            output_zero=if_there(f"{key} out zero"),
        )
        for key in ranges
        if {f"{key} in", f"{key} out"} <= there
    }
    if not found:
        message = (
            "no column pair such as "
            + ", ".join(f"'{key} in' and '{key} out'" for key in list(ranges)[:1])
            + " is there; say with a mapping file which columns are which"
        )
        raise LookupError(message)
    return SheetMapping(
        build=if_there("build"), measured_at=if_there("measured at"), ranges=found
    )
