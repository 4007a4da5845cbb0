"""Serials, ranges of them and reels by serial: as a board's plain number says."""

from datetime import timedelta

from hypothesis import settings, strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from storage.records import Fitting
from storage.records_shipping import Rework, ReworkKind
from storage.serials import counted_serials, reels_of, serial_order, takes_over, within
from tests.storage.samples import START

PREFIX = "PA-"
FIRST, LAST = 8, 113
"""From one digit to three: here people and the alphabet count differently."""
NUMBERS = st.integers(FIRST, LAST)


def written(number: int, width: int) -> str:
    """Return a board's serial."""
    return f"{PREFIX}{number:0{width}}"


class Serials(RuleBasedStateMachine):
    """A build's boards as plain numbers, beside what is said of their serials."""

    @initialize(width=st.integers(1, 4))
    def begin(self, width: int) -> None:
        """Write the numbers of boards with leading zeros, or without."""
        self.width = width
        self.fitted: list[tuple[int | None, str]] = []
        self.replaced: list[tuple[int, str]] = []
        self.boards: set[int] = set()

    def serial(self, number: int) -> str:
        """Return a board's serial."""
        return written(number, self.width)

    @rule(number=NUMBERS)
    def make(self, number: int) -> None:
        """Make a board."""
        self.boards.add(number)

    @rule(since=st.none() | NUMBERS)
    def fit(self, since: int | None) -> None:
        """Fit a new reel from a board on, or from the first on."""
        self.fitted.append((since, f"K-{len(self.fitted)}"))

    @rule(number=NUMBERS)
    def replace_on(self, number: int) -> None:
        """Replace the part on one board."""
        self.replaced.append((number, f"X-{len(self.replaced)}"))

    @rule(first=NUMBERS, last=NUMBERS)
    def count_through(self, first: int, last: int) -> None:
        """Name every board between two, ends included."""
        given = f"{self.serial(first)}..{self.serial(last)}"
        if last < first:
            try:
                counted_serials(given)
            except ValueError:
                return
            raise AssertionError(given)
        wanted = [self.serial(number) for number in range(first, last + 1)]
        assert counted_serials(given) == wanted

    @rule(number=NUMBERS, first=NUMBERS, last=NUMBERS)
    def hold_between(self, number: int, first: int, last: int) -> None:
        """Hold serials of one form: a range over forms holds those of the first."""
        one, begin, end = map(self.serial, (number, first, last))
        if len(begin) == len(end):
            alike = len(one) == len(begin)
            assert within(one, begin, end) == (alike and first <= number <= last)

    @invariant()
    def boards_are_in_the_order_of_their_numbers(self) -> None:
        """Sort the boards by serial."""
        serials = [self.serial(number) for number in self.boards]
        assert sorted(serials, key=serial_order) == [
            self.serial(number) for number in sorted(self.boards)
        ]

    @invariant()
    def each_board_carries_the_reel_that_was_fitted_last_before_it(self) -> None:
        """Ask for the reel of each board."""
        fittings = [
            Fitting(
                fitting=f"f{when}",
                product="PA",
                build="B-1",
                part="R1",
                reel=reel,
                from_serial=None if since is None else self.serial(since),
                fitted_at=START + timedelta(minutes=when),
            )
            for when, (since, reel) in enumerate(self.fitted)
        ]
        backwards = sorted(
            fittings,
            key=lambda one: takes_over(one.from_serial, one.fitted_at),
            reverse=True,
        )
        for number in self.boards:
            replacements = [
                Rework(
                    rework=f"w{when}",
                    product="PA",
                    serial=self.serial(board),
                    kind=ReworkKind.REPLACE,
                    part="R1",
                    reel=reel,
                    person="Ada Moreno",
                    reason="another part",
                    reworked_at=START + timedelta(minutes=when),
                )
                for when, (board, reel) in enumerate(self.replaced)
                if board == number
            ]
            wanted = self.reel(number)
            for known in (fittings, backwards):
                found = reels_of(self.serial(number), known, reversed(replacements))
                assert found.get("R1") == wanted

    def reel(self, number: int) -> str | None:
        """Return the reel of a board: replaced there, else fitted last before it."""
        own = [reel for board, reel in self.replaced if board == number]
        if own:
            return own[-1]
        before = [
            (-1 if since is None else since, when, reel)
            for when, (since, reel) in enumerate(self.fitted)
            if since is None or since <= number
        ]
        return max(before)[2] if before else None


TestSerials = Serials.TestCase
TestSerials.settings = settings(
    max_examples=40, stateful_step_count=20, deadline=None, derandomize=True
)
