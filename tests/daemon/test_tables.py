"""A table is printed the same whether its lines are put together here or by rich."""

import pytest

from daemon.commands import showing
from daemon.commands.showing import How, Table, show

ROWS = [
    {"unit": "PA-1001", "says": "reads low", "share": 0.25},
    {"unit": "PA-1002 µ", "says": "", "share": None},
    {"unit": "検-3", "says": "a bell\a and a\ttab", "share": 1.0},
    {"unit": "", "says": "[bold]no markup[/bold] \\[", "share": float("nan")},
]
COLUMNS: dict[str, How] = {
    "unit": "unit",
    "what it says": "says",
    "share": ("share", ".2f"),
}


def printed(table: Table, capsys: pytest.CaptureFixture[str]) -> str:
    show("Before.", table, "After.")
    return capsys.readouterr().out


@pytest.mark.parametrize("rows", [ROWS, ROWS[:1], []], ids=["many", "one", "none"])
def test_lines_that_fit_read_as_rich_lays_them_out(
    rows: list[dict[str, object]],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ours = printed(Table(rows, COLUMNS), capsys)
    assert ours.count("\n") == len(rows) + 3
    monkeypatch.setattr(showing, "_as_lines", lambda *_: None)
    assert printed(Table(rows, COLUMNS), capsys) == ours


def test_cells_of_several_lines_and_lines_that_do_not_fit_are_left_to_rich() -> None:
    assert showing._as_lines([["unit", "says"], ["PA-1", "12345"]], 11) == [
        "unit  says ",
        "PA-1  12345",
    ]
    assert showing._as_lines([["unit", "says"], ["PA-1", "12345"]], 10) is None
    assert showing._as_lines([["unit"], ["one\ntwo"]], 80) is None
