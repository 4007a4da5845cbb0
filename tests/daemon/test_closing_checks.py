"""A build's record says which of its units no check of the bench came after."""

from types import SimpleNamespace
from typing import Any

from daemon.traceability.papers.build import _not_checked_after
from storage.records import RunKind

STANDARD = {"bench": {"check_standard": {"serial": "CS-1"}}}


class Checks:
    """A store that knows the check standard's runs alone: by session, their numbers."""

    def __init__(self, **numbers: tuple[int, ...]) -> None:
        self._numbers = numbers

    def rows(self, _: object, *, serial: str, session: str) -> list[Any]:
        assert serial == "CS-1"
        return [
            SimpleNamespace(number=one, kind=RunKind.CHECK)
            for one in self._numbers.get(session, ())
        ]


def result(number: int, session: str) -> Any:
    return SimpleNamespace(serial=f"PA-{number}", number=number, session=session)


def test_units_after_a_session_s_last_check_are_named() -> None:
    latest = [result(2, "one"), result(4, "one"), result(5, "one"), result(8, "two")]
    store: Any = Checks(one=(1, 3), two=(7, 9))
    (said,) = _not_checked_after(store, STANDARD, latest)
    assert said.startswith("Session one has no closing check after PA-4, PA-5 (2): ")


def test_what_no_check_opened_is_not_said_to_lack_one() -> None:
    latest = [result(2, "import-1")]
    store: Any = Checks(one=(1,))
    assert list(_not_checked_after(store, STANDARD, latest)) == []
    assert list(_not_checked_after(store, {}, latest)) == []
