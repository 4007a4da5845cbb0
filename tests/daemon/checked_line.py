"""A bench's day without a bench: units and checks of it, for tests of what follows."""

from collections.abc import Sequence
from typing import Any

from config import model
from config.load import fingerprint
from config.model import CheckStandard, ErrorLimit
from daemon.bench.clock import VirtualClock
from daemon.judging.verdict import row
from daemon.station.check_standard import Standing
from daemon.station.cycle import Cycle, RunHeader
from daemon.station.rejudging import OpenRun
from storage.local import LocalStore
from storage.records import (
    Build,
    Configuration,
    Decision,
    Product,
    Session,
    Verdict,
)
from storage.records_shipping import Shipment, ShipRule
from tests.daemon.alerts.fakes import channels
from tests.daemon.making import AT, demo_settings, readings

PRODUCT = "photodiode-amplifier"
KNOWN = (150.0, -80.0, 40.0, -120.0)
FAR = (150.0, -80.0, 40.0, 2000.0)


class Line:
    """A bench's day without a bench: units and checks one after another."""

    def __init__(self, store: LocalStore, *, every_hours: float | None = 8.0) -> None:
        demo = demo_settings()
        self.settings = demo.model_copy(
            update={
                "alerts": channels("desk", severity="notice"),
                "product": _narrow(demo.product),
            }
        )
        self.store = store
        self.clock = VirtualClock()
        self.configuration, body = fingerprint(self.settings)
        store.keep(
            Configuration(configuration=self.configuration, body=body, stored_at=AT)
        )
        store.keep(Product(product=PRODUCT, title="Amplifier"))
        store.keep(
            Build(build="B-1", product=PRODUCT, planned_units=None, opened_at=AT)
        )
        self.cycle = Cycle(self.settings, store)
        assert self.settings.bench is not None
        assert self.settings.bench.check_standard is not None
        self.standard = CheckStandard(
            **{
                **self.settings.bench.check_standard.model_dump(),
                "every_units": 3,
                "every_hours": every_hours,
            }
        )
        self.sessions = 0
        self.runs = 0
        self.session = ""
        self.restart()

    def restart(self) -> None:
        """Start again as after an end of the daemon: another session."""
        self.standing = Standing(
            self.store,
            PRODUCT,
            self.standard,
            clock=self.clock,
            configuration=self.configuration,
        )
        self.sessions += 1
        self.session = f"session {self.sessions}"
        self.store.keep(
            Session(
                session=self.session,
                bench="demo",
                opened_at=AT,
                configuration=self.configuration,
            )
        )

    def header(self, serial: str, build: str | None) -> RunHeader:
        """Return the next run's header."""
        self.runs += 1
        self.clock.wait_s(60.0)
        return RunHeader(
            serial=serial,
            build=build,
            session=self.session,
            origin="bench",
            started_at=self.clock.utc(),
            finished_at=self.clock.utc(),
            configuration=self.configuration,
            run=f"run {self.runs}",
        )

    def unit(
        self, errors_ppm: Sequence[float] = KNOWN, *, serial: str | None = None
    ) -> str:
        """Judge one more unit; return its run."""
        header = self.header(serial or f"PA-{self.runs}", "B-1")
        taken = readings(self.cycle.product, errors_ppm, from_s=self.clock.now_s())
        recorded = self.cycle.record(taken, header, {})
        self.standing.count(OpenRun(run=recorded.run, readings=tuple(taken)))
        return recorded.run

    @property
    def _rule(self) -> ShipRule:
        return ShipRule(
            ranges=self.cycle.product.keys, configurations=(self.configuration,)
        )

    def against(self, serial: str) -> list[str]:
        """Return what speaks against a unit's leaving."""
        return self.store.reasons_against(serial, PRODUCT, self._rule)

    def ship(self, serial: str) -> None:
        """Let a unit leave."""
        at = self.clock.utc()
        shipment = Shipment(
            shipment=f"{serial} out",
            serial=serial,
            product=PRODUCT,
            destination="order 7",
            reseller=False,
            person="Ada Moreno",
            shipped_at=at,
        )
        said = Decision(
            person="Ada Moreno",
            action="ship",
            subject=serial,
            reason="order 7",
            decided_at=at,
        )
        assert self.store.ship(shipment, self._rule, said) == []

    def again(self) -> list[dict[str, Any]]:
        """Return the ranges that were judged again."""
        rows = self.store.table("rejudgements", product=PRODUCT, after=0)
        found: list[dict[str, Any]] = rows.to_pylist()
        return found

    def check(self, errors_ppm: Sequence[float] = KNOWN) -> tuple[str, ...]:
        """Run the check standard."""
        header = self.header("CS-1", None)
        taken = readings(self.cycle.product, errors_ppm, from_s=self.clock.now_s())
        judge = self.cycle.judge()
        measured = {one.range: judge.error(one) for one in taken}
        verdicts = self.standing.judge(measured)
        results = [
            row(str(header.run), one, verdicts[key], None)
            for key, one in measured.items()
        ]
        good = set(verdicts.values()) == {Verdict.CONFORMING}
        closes = self.standing.closes(str(header.run), measured, judge) if good else ()
        number = self.cycle.record_check(results, header, taken, closes)
        return self.standing.checked(
            run=str(header.run),
            number=number,
            session=self.session,
            results=results,
            measured=measured,
            titles={key: key for key in measured},
        )

    def doubts(self) -> list[dict[str, Any]]:
        """Return the doubts."""
        found: list[dict[str, Any]] = self.store.table(
            "doubts", product=PRODUCT
        ).to_pylist()
        return found

    def in_doubt(self) -> list[int]:
        """Return the numbers of the units' runs that are in doubt now."""
        rows = self.store.table("runs_in_doubt", product=PRODUCT).to_pylist()
        return [int(one["number"]) for one in rows]


def moved(ppm: float) -> tuple[float, ...]:
    """Return the errors of the check standard on a bench that moved."""
    return tuple(one + ppm for one in KNOWN)


def _narrow(product: model.Product) -> model.Product:
    """Return the product, its widest range to 700 ppm: no reel moves it so little."""
    narrow = product.ranges["1mA"].model_copy(
        update={"limit": ErrorLimit(of_reading_ppm=700.0)}
    )
    return product.model_copy(update={"ranges": {**product.ranges, "1mA": narrow}})
