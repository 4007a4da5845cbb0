"""The story of a recall: 22 of 60 units have left when a bad reel is found.

Two good builds are measured; ten of their units leave as they should. Of the third
build twelve leave unmeasured, by override, because an order was urgent; some carry
the bad reel. The first measured units of the rest raise the finding. From there on
three things are asked for: the lists, the report to the supplier, the customers' cards.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from config import Settings, private_folder, write_whole
from daemon.judging import ProductModel
from daemon.presentation import file_name
from daemon.presentation.documents import pdf
from daemon.simulator import Scenario, story
from daemon.traceability import (
    CLEAR,
    Containment,
    Gate,
    Records,
    cards,
    contain,
    page,
    table,
)
from daemon.traceability.papers import notices, report_of_finding
from daemon.trials.stories.demo import DemoError, Operator, Step
from storage import Signal, Store, Unit

UNITS = 20
"""In each of three builds."""
SHIPPED_GOOD = 10
SHIPPED_UNMEASURED = 12
RESELLER = "reseller 7"
URGENT = "urgent order, boards looked at by hand"
PPM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the story came to; times in seconds of this machine."""

    signal: Signal
    containment: Containment
    files: tuple[Path, ...]
    stayed: tuple[str, ...]
    seconds_lists: float
    seconds_supplier: float
    seconds_cards: float
    compared: "Compared"

    @property
    def seconds(self) -> float:
        """From the finding to the last file."""
        return self.seconds_lists + self.seconds_supplier + self.seconds_cards


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """The lists beside what the simulator truly did.

    `inside` of `known` units have their true error inside the stated 95 % interval;
    `missed` carry the reel and are in no list, `wrongly` are in one and do not.
    """

    known: int
    inside: int
    predicted: int
    predicted_inside: int
    missed: tuple[str, ...]
    wrongly: tuple[str, ...]
    size_inside: bool


def tell(
    operator: Operator,
    store: Store,
    settings: Settings,
    folder: Path,
    *,
    seed: int,
    step: Callable[[Step], None],
) -> Told:
    """Live through the story up to the finding, then do the three things.

    Raises
    ------
    daemon.trials.stories.demo.DemoError
        A good unit was kept back, or nothing was found.
    """
    person, issuer = settings.plan.people[0], settings.plan.people[-1]
    first, second, third = (one["serials"] for one in operator.story["builds"])
    names = [one["build"] for one in operator.story["builds"]]
    gate = Gate(settings, store)
    done = 0

    def measured(build: str, serial: str) -> None:
        nonlocal done
        operator.record_reels(build, serial)
        operator.measure(build, serial)
        done += 1
        step(Step(done=done, units=3 * UNITS, words=f"{build} {serial}"))

    for build, serials in zip(names[:2], (first, second), strict=True):
        operator.open(build, UNITS)
        for serial in serials:
            measured(build, serial)
    operator.wait_until_watched()
    for serial in second[:SHIPPED_GOOD]:
        reasons = gate.ship(serial, to=f"order {serial}", person=person, at=_now())
        if reasons:
            message = f"{serial} is good and was kept back: {'; '.join(reasons)}"
            raise DemoError(message)
    operator.open(names[2], UNITS)
    _kit(operator, store, settings.product.name, names[2], third)
    for place, serial in enumerate(third[:SHIPPED_UNMEASURED]):
        reseller = place % 2 == 1
        gate.ship(
            serial,
            to=RESELLER if reseller else f"order {serial}",
            person=person,
            at=_now(),
            reseller=reseller,
            override=URGENT,
        )
    signal = None
    for serial in third[SHIPPED_UNMEASURED:]:
        measured(names[2], serial)
        operator.wait_until_watched()
        found = store.rows(Signal, "signals", product=settings.product.name)
        # One odd unit names no reel: it is seated again, and nothing is recalled.
        signal = next((one for one in found if one.standing and one.holds), None)
        if signal is not None:
            break
    if signal is None:
        message = "the bad reel was not found"
        raise DemoError(message)
    stayed = gate.ship(third[-1], to="order of the day", person=person, at=_now())
    return _contained(
        store, settings, folder, signal, seed=seed, stayed=stayed, issuer=issuer
    )


def _contained(
    store: Store,
    settings: Settings,
    folder: Path,
    signal: Signal,
    *,
    seed: int,
    stayed: list[str],
    issuer: str,
) -> Told:
    """Do the three things that are asked for after a finding."""
    private_folder(folder)
    product = ProductModel.of(settings.product)
    begun = time.monotonic()
    records = Records.of(store, settings.product.name, product.keys)
    found = contain(store, records, signal.signal, product)
    files = [
        _write(folder / "containment.csv", table(found).encode()),
        _write(folder / "containment.html", page(found).encode()),
    ]
    listed = time.monotonic()
    report = report_of_finding(
        records, product, signal, issued_at=_now(), issuer=issuer
    )
    files.append(_write(folder / "supplier.pdf", pdf(report)))
    reported = time.monotonic()
    files.append(_write(folder / "cards.csv", cards(found).encode()))
    for one in notices(records, found, product, issued_at=_now(), issuer=issuer):
        files.append(_write(folder / file_name(f"card-{one.serial}", "pdf"), pdf(one)))  # noqa: PERF401 -- the file is the point
    carded = time.monotonic()
    truth = story(settings, seed, units=UNITS)
    return Told(
        signal=signal,
        containment=found,
        files=tuple(files),
        stayed=tuple(stayed),
        seconds_lists=listed - begun,
        seconds_supplier=reported - listed,
        seconds_cards=carded - reported,
        compared=compare(found, signal, truth, product),
    )


def compare(
    found: Containment, signal: Signal, truth: Scenario, product: ProductModel
) -> Compared:
    """Hold the lists against what the simulator truly did."""
    one = product.range(found.range or product.keys[0])

    def true_ppm(serial: str) -> float:
        ohm = truth.board(serial).parts_ohm
        return (one.transfer.value(ohm) / one.nominal_transfer - 1) / PPM

    known = [unit for unit in found.units if unit.basis != "unknown"]
    inside = {
        unit.serial: unit.low_ppm <= true_ppm(unit.serial) <= unit.high_ppm
        for unit in known
    }
    predicted = [unit.serial for unit in known if not unit.measured]
    listed = {unit.serial for unit in found.units if unit.where != CLEAR}
    carriers = set(truth.suspect_serials)
    size = None if truth.truth is None else truth.truth.size_ppm
    return Compared(
        known=len(known),
        inside=sum(inside.values()),
        predicted=len(predicted),
        predicted_inside=sum(inside[serial] for serial in predicted),
        missed=tuple(sorted(carriers - listed)),
        wrongly=tuple(sorted(listed - carriers)),
        size_inside=size is not None and signal.low_ppm <= size <= signal.high_ppm,
    )


def rows_of(told: Told) -> list[dict[str, Any]]:
    """Return the story's table: a row a list, then what it took."""
    rows: list[dict[str, Any]] = [
        {"what": f"list: {name}", "is": len(units)}
        for name, units in told.containment.listed().items()
    ]
    at = told.compared
    total = sum(int(one["is"]) for one in rows)
    return [
        *rows,
        {"what": "serials in the lists, each in one", "is": total},
        {"what": "carriers in no list", "is": len(at.missed)},
        {"what": "listed without carrying it", "is": len(at.wrongly)},
        {
            "what": "true error inside its 95 % interval",
            "is": f"{at.inside} of {at.known}",
        },
        {
            "what": "of these predicted",
            "is": f"{at.predicted_inside} of {at.predicted}",
        },
        {
            "what": "true size inside the finding's interval",
            "is": "yes" if at.size_inside else "no",
        },
        {"what": "seconds: lists", "is": f"{told.seconds_lists:.2f}"},
        {"what": "seconds: supplier report", "is": f"{told.seconds_supplier:.2f}"},
        {"what": "seconds: customers' cards", "is": f"{told.seconds_cards:.2f}"},
        {"what": "seconds from finding to the end", "is": f"{told.seconds:.2f}"},
        {"what": "things asked for by a person", "is": 3},
    ]


def _kit(
    operator: Operator, store: Store, product: str, build: str, serials: list[str]
) -> None:
    """Record a build's boards, and its reels with the boards they were used from."""
    store.keep(*[Unit(serial=one, product=product, build=build) for one in serials])
    for serial in serials:
        operator.record_reels(build, serial)


def _write(path: Path, data: bytes) -> Path:
    return write_whole(path, data, for_all=True)


def _now() -> datetime:
    return datetime.now(UTC)
