"""What is asked of one subject, however long the history is: by commands and pages."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, cast

from config.load import fingerprint
from daemon.holds import doubted, older_units
from daemon.judging import ProductModel, StandardsThen
from daemon.station import rejudging
from daemon.station.time_of_unit import last_unit
from daemon.traceability import (
    Records,
    contain,
    records_about,
    suspects_away,
    trace,
)
from daemon.traceability.containment import USUAL_BUILDS
from daemon.traceability.papers.unit import unit_record
from daemon.traceability.ship_gate import Gate
from dashboard.data import BUILDS_SHOWN, Connection, Shown
from storage import BuildState, BuildYield, HoldState, LatestResult, Signal
from storage.local import LocalStore
from tests.bench.long_history import (
    A_BUILD,
    BUILDS_A_REEL,
    EVERY_TENTH,
    NAME,
    PARTS,
    RANGES,
    SETTINGS,
    build_of,
    serial_of,
)
from tests.daemon.making import AT


@dataclass
class Asked:
    """A store of so many units, and what is asked of it."""

    units: int
    store: LocalStore

    @property
    def builds(self) -> int:
        """How many builds the units are of."""
        return self.units // A_BUILD

    def holds(self) -> None:
        """List what is held or in doubt."""
        assert self.store.rows(HoldState, product=NAME)
        assert doubted(self.store, NAME)

    def trace_unit(self) -> None:
        """Follow one unit."""
        self._trace(serial_of(self.units // 2), cells=len(PARTS))

    def trace_build(self) -> None:
        """Follow one build."""
        self._trace(build_of(self.units // 2), cells=A_BUILD * len(PARTS))

    def trace_reel(self) -> None:
        """Follow one reel."""
        reel = f"K-{PARTS[0]}-{self.builds // 2 // BUILDS_A_REEL:06d}"
        self._trace(reel, cells=BUILDS_A_REEL * A_BUILD * len(PARTS))

    def contain_reel(self) -> None:
        """List every unit that a reel concerns, with what is usual."""
        reel = f"K-{PARTS[0]}-{self.builds // BUILDS_A_REEL - 1:06d}"
        records = records_about(self.store, NAME, RANGES, reel)
        assert len(records.units) == (BUILDS_A_REEL + USUAL_BUILDS) * A_BUILD
        found = contain(self.store, records, reel)
        assert len(found.concerned) == BUILDS_A_REEL * A_BUILD
        assert found.all_units == self.units

    def _trace(self, subject: str, *, cells: int) -> None:
        records = Records.of(self.store, NAME, RANGES, about=[subject])
        assert len(trace(records, subject).cells) == cells

    def ship(self) -> None:
        """Ask whether a unit may leave."""
        assert Gate(SETTINGS, self.store).against(serial_of(self.units - 1)) == []

    def status(self) -> None:
        """Ask for what `status` lists, but for what the watch says."""
        assert self.store.rows(BuildState, product=NAME, newest=12)
        assert self.store.table("measured_units", product=NAME).num_rows == 1
        assert rejudging.sentences(self.store, NAME, {}) == ()

    def away(self) -> None:
        """Ask how many units that a finding concerns have left, as `status` does."""
        tenth = (self.builds - 1) // EVERY_TENTH * EVERY_TENTH
        name = f"B-{tenth:06d}-F1"
        product = ProductModel.of(SETTINGS.product)
        found = self.store.rows(Signal, signal=name)
        away = suspects_away(self.store, product, found, (), ())
        assert away[name].concerned == BUILDS_A_REEL * A_BUILD

    def shown(self) -> None:
        """Ask for everything that pages show."""
        connection = Connection(
            store=cast("Any", self.store),  # the same Store, from here
            client=cast("Any", None),  # it is asked for no rows
            settings=SETTINGS,
            product=ProductModel.of(SETTINGS.product),
            gate=cast("Any", None),
            then=StandardsThen(self.store),
            configuration="",
        )
        shown = Shown.of(connection)
        assert shown.units >= self.units
        assert 11 < len(shown.errors) / A_BUILD / len(RANGES) <= BUILDS_SHOWN

    def build_papers(self) -> None:
        """Ask for a build's results and yields."""
        build = build_of(self.units // 2)
        found = self.store.rows(LatestResult, product=NAME, build=build)
        assert len(found) == A_BUILD * len(RANGES)
        assert self.store.rows(BuildYield, product=NAME, build=build)

    def units_paper(self) -> None:
        """Ask for all that a unit's record says."""
        product = ProductModel.of(SETTINGS.product)
        serial = serial_of(self.units // 2)
        said = unit_record(self.store, product, serial, issued_at=AT, issuer="Tests")
        assert len(said.ranges) == len(RANGES)

    def customers_paper(self) -> None:
        """Ask for a unit's latest results."""
        serial = serial_of(self.units // 2)
        found = self.store.rows(LatestResult, product=NAME, serial=serial)
        assert len(found) == len(RANGES)

    def judged_again(self) -> None:
        """Ask what the latest check judged again."""
        found = rejudging.sentences(self.store, NAME, {}, after=self.units)
        assert found == ()

    def import_(self) -> None:
        """Ask what an import must know of its rows."""
        named = json.dumps([serial_of(self.units // 2), "new"])
        found = self.store.table("first_runs", product=NAME, serials=named)
        assert found.num_rows == 1
        named = json.dumps([f"run-{serial_of(self.units // 2)}", "import-new"])
        assert self.store.table("runs_known", product=NAME, runs=named).num_rows == 1

    def older_unit(self) -> None:
        """Ask for a good unit of an earlier build, to settle a finding."""
        tenth = (self.builds - 1) // EVERY_TENTH * EVERY_TENTH
        name = f"B-{tenth:06d}-F1"
        (found,) = self.store.rows(Signal, signal=name)
        older_units(found, self.store)

    def standard(self) -> None:
        """Ask for the latest good checks of the standard."""
        asked = self.store.table("last_good_check", product=NAME).to_pylist()
        assert asked[0]["number"] > self.units - A_BUILD
        found = self.store.table(
            "good_checks",
            product=NAME,
            serial="CS-1",
            configuration=fingerprint(SETTINGS)[0],
            most=10,
        )
        assert found.num_rows == 10 * len(RANGES)

    def left_to_measure(self) -> None:
        """Ask what a rework leaves to be measured of a unit that was measured again."""
        found = self.store.table(
            "to_measure_again", product=NAME, serial=serial_of(self.units // 2)
        )
        assert found.num_rows <= 1

    def pace(self) -> None:
        """Ask for the readings of the last unit."""
        assert last_unit(self.store, NAME) is None  # none of these has readings


OF_ROWS: dict[str, Callable[[Asked], None]] = {
    "hold list": Asked.holds,
    "trace a unit": Asked.trace_unit,
    "trace a build": Asked.trace_build,
    "trace a reel": Asked.trace_reel,
    "contain a reel": Asked.contain_reel,
    "may it leave": Asked.ship,
    "status": Asked.status,
    "suspects that left": Asked.away,
    "all pages": Asked.shown,
    "a build's papers": Asked.build_papers,
    "a unit's paper": Asked.units_paper,
    "a customer's paper": Asked.customers_paper,
    "judged again": Asked.judged_again,
    "what an import asks": Asked.import_,
    "an older unit": Asked.older_unit,
    "the check standard": Asked.standard,
    "left to measure": Asked.left_to_measure,
    "the pace of a unit": Asked.pace,
}
