"""CSV that a spreadsheet reads as what it is: no cell of text runs as a formula."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def neutral(text: str) -> str:
    r"""Return a text that no spreadsheet takes for a formula.

    >>> neutral("=HYPERLINK(1)"), neutral("PA-1001")
    ("'=HYPERLINK(1)", 'PA-1001')
    """
    return f"'{text}" if text.lstrip(" ").startswith(_STARTS) else text


def as_csv(
    rows: Iterable[Mapping[str, Any]], columns: Mapping[str, str] | Sequence[str]
) -> str:
    r"""Return rows as CSV; texts are neutral, numbers stay numbers.

    Parameters
    ----------
    columns
        Row key to heading, or keys that are their own headings.

    Examples
    --------
    >>> as_csv([{"serial": "=1+1", "error_ppm": -3.5}], ["serial", "error_ppm"])
    "serial,error_ppm\r\n'=1+1,-3.5\r\n"
    """
    named = columns if isinstance(columns, Mapping) else {one: one for one in columns}
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([neutral(one) for one in named.values()])
    for row in rows:
        writer.writerow([_cell(row.get(key)) for key in named])
    return out.getvalue()


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    return neutral(value) if isinstance(value, str) else value
