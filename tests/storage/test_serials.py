"""One order of serials, in the program and in what it asks its database."""

from collections.abc import Iterator

import duckdb
import pytest
from hypothesis import given, strategies as st

from storage.migrate import migrate
from storage.serials import SerialRangeError, counted_serials, serial_order, within

SERIALS = st.text(st.sampled_from("0129AZaz-./ é٣"), max_size=12)


@pytest.fixture(scope="module")
def database() -> Iterator[duckdb.DuckDBPyConnection]:
    """Return an empty database of this program's schema."""
    with duckdb.connect() as connection:
        migrate(connection, where="here", before_each=pytest.fail)
        yield connection


@given(one=SERIALS, other=SERIALS)
def test_the_database_sorts_serials_as_the_program_does(
    database: duckdb.DuckDBPyConnection, one: str, other: str
) -> None:
    ask = "select serial_order($one) < serial_order($other)"
    (row,) = database.execute(ask, {"one": one, "other": other}).fetchall()
    assert row[0] == (serial_order(one) < serial_order(other))


@given(serial=SERIALS, first=SERIALS, last=SERIALS)
def test_the_database_has_the_same_serials_within_a_range(
    database: duckdb.DuckDBPyConnection, serial: str, first: str, last: str
) -> None:
    ask = "select serial_within($serial, $first, $last)"
    given_ = {"serial": serial, "first": first, "last": last}
    (row,) = database.execute(ask, given_).fetchall()
    assert row[0] == within(serial, first, last)


@given(first=SERIALS, digits=st.text(st.sampled_from("0129"), max_size=12))
def test_within_one_form_the_order_of_texts_is_that_of_numbers(
    first: str, digits: str
) -> None:
    """Which is why a range of one form may be compared as text."""
    new = iter(digits)
    last = "".join(next(new, one) if one in "0129" else one for one in first)
    assert (first <= last) == (serial_order(first) <= serial_order(last))


@pytest.mark.parametrize("given_", ["PA-1..PB-2", "PA-..PA-9", "9..1", "1..2000"])
def test_a_range_that_does_not_count_up_is_refused(given_: str) -> None:
    with pytest.raises(SerialRangeError):
        counted_serials(given_)
