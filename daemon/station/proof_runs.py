"""What settles a finding, measured by the bench, with a person to connect things.

A person mounts units and moves the ohmmeter's leads; the bench reads. What comes of it
is kept as evidence, from which the causes' probabilities follow by themselves.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from uuid import uuid4

from config import Instrument, Settings, Unit
from daemon.bench import Clock, Connect
from daemon.holds import (
    USUAL_METER_PPM,
    NoProofError,
    incoming,
    judged,
    not_by_bench,
    of_bench,
    older_units,
    part_and_subject,
    replaced_in,
    replaced_on,
)
from daemon.judging import ProductModel
from daemon.presentation import figures, sentences
from daemon.station.desk import Desk
from daemon.station.ohmmeter import Lead, NotReadError, PartsRead, read_parts, reader
from daemon.station.orders import LooseParts, ProofOrder, SecondMeter
from daemon.station.session import OutOfControlError, Station
from daemon.watch import (
    PART_OF,
    UNITS,
    next_step,
    part_to_read,
    shown,
    unit_to_read,
)
from storage import (
    Proof,
    ProofKind,
    ReelCheck,
    Signal,
    Store,
    finding_of,
    proofs_on,
    reel_of,
)

__all__ = ["Prober"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Prober:
    """Carries out one order that settles a finding, or checks a reel.

    Attributes
    ----------
    station : callable
        Returns the open bench, or raises why there is none.
    make_way : callable
        Turns the source off for a person who moves leads, and lets go of a meter
        that is the ohmmeter too.
    """

    settings: Settings
    product: ProductModel
    store: Store
    desk: Desk
    clock: Clock
    connect: Connect
    station: Callable[[], Station]
    make_way: Callable[[Instrument], None]

    def prove(self, order: ProofOrder) -> str:
        """Measure what an order asks for; return what it showed, and what is next.

        Raises
        ------
        daemon.holds.proofs.NoProofError
            The bench cannot measure it, and why.
        daemon.station.ohmmeter.NotReadError, daemon.station.session.NotJudgedError
            Nothing that could be believed was read.
        daemon.bench.errors.BenchError
            The bench failed.
        """
        signal = finding_of(self.store, self.settings.product.name, order.signal)
        if reason := not_by_bench(signal, order.kind, self.settings.bench):
            raise NoProofError(reason)
        if UNITS[order.kind] is Unit.OHM:
            beside, proof = "", self._ohms(signal, order)
        else:
            beside, serial = self._by_units(signal, order)
            proof = of_bench(
                signal,
                order.kind,
                self.store,
                self.settings.bench,
                person=order.person,
                serial=serial,
            )
        self.store.keep(proof)
        said = (
            beside,
            shown(proof, signal, self.product),
            next_step(
                signal,
                proofs_on(self.store, signal),
                self.product,
                replaced=self._replaced(),
            ),
        )
        return " ".join(one for one in said if one)

    def check_reel(self, order: LooseParts) -> str:
        """Read loose parts of a reel and keep them; return what they say of its label.

        Raises
        ------
        storage.errors.NotFoundError
            No such reel is recorded.
        daemon.station.ohmmeter.NotReadError
            Nothing that could be believed was read.
        """
        reel = reel_of(self.store, order.reel)
        found = self._read(_loose(reel.reel, order.parts), reel.nominal_ohm)
        check = ReelCheck(
            reel_check=uuid4().hex,
            reel=reel.reel,
            readings=found.readings_ohm,
            uncertainty_ohm=found.uncertainty_ohm,
            origin="bench",
            person=order.person,
            made_at=self.clock.utc(),
            incoming=incoming(self.store, reel.reel),
        )
        self.store.keep(check)
        said = sentences.claim(
            judged(reel, check), reel=reel.reel, tolerance_ppm=reel.tolerance_ppm
        )
        return " ".join(said)

    def _by_units(self, signal: Signal, order: ProofOrder) -> tuple[str, str | None]:
        """Measure on the bench; return what to say beside, and of which older unit."""
        if order.kind is ProofKind.CHECK_STANDARD:
            return self._check(), None
        if order.kind is ProofKind.SECOND_METER:
            return self._compare(signal, order), None
        serial = order.subject or self._older_unit(signal)
        self._measure_again(signal, serial)
        return "", serial

    def _check(self) -> str:
        """Run the check standard; one that reads wrong tells the most."""
        try:
            self.station().check()
        except OutOfControlError as exc:
            return f"{figures.capital(str(exc))}."
        return ""

    def _older_unit(self, signal: Signal) -> str:
        good = older_units(signal, self.store)
        if not good:
            message = (
                "no unit of another build that was good before is in the house: say "
                "which one to measure, or type what one read"
            )
            raise NoProofError(message)
        return good[0]

    def _measure_again(self, signal: Signal, serial: str) -> None:
        runs = self.store.table("unit_runs", serial=serial).to_pylist()
        if not runs:
            message = f"unit {serial} was never measured before: take an older one"
            raise NoProofError(message)
        build = str(runs[0]["build"])
        if build == signal.build:
            message = f"unit {serial} is of build {build} itself; take an older one"
            raise NoProofError(message)
        self.station().unit(
            serial=serial,
            build=build,
            ranges=(signal.range,) if signal.range else self.product.keys,
            rerun_of=str(runs[0]["run"]),
            note=f"measured again for finding {signal.signal}",
            connect=True,
        )

    def _compare(self, signal: Signal, order: ProofOrder) -> str:
        second = SecondMeter(
            range=signal.range or self.product.keys[0],
            meter=order.subject or "the second meter",
            accuracy_ppm=order.accuracy_ppm or USUAL_METER_PPM,
            person=order.person,
            signal=signal.signal,
        )
        serial = unit_to_read(signal, self._replaced())
        if serial is None:
            raise NoProofError(replaced_on(signal))
        return self.station().compare(serial, second, connect=True).words

    def _replaced(self) -> frozenset[tuple[str, str]]:
        return replaced_in(self.store, self.settings.product.name)

    def _ohms(self, signal: Signal, order: ProofOrder) -> Proof:
        """Read the suspect part on its board, or loose ones of its reel."""
        loose = order.kind is ProofKind.LOOSE_PARTS
        of_reel = signal.reel or any(o.reel for o in signal.basis.possible_parts)
        if signal.part is None or (loose and not of_reel):
            message = "the finding names no part, so no part tells anything about it"
            raise NoProofError(message)
        part, subject = part_and_subject(
            signal,
            order.kind,
            order.subject,
            self.product,
            usual=part_to_read(
                signal, order.kind, proofs_on(self.store, signal), self.product
            ),
            replaced=self._replaced(),
        )
        nominal_ohm = self.product.nominal_ohm[part]
        where = (subject or "").removeprefix(f"{part}{PART_OF}")
        if loose:
            where = where if signal.basis.possible_parts else str(signal.reel)
            leads = _loose(where, order.parts)
        else:
            where = where or unit_to_read(signal, self._replaced()) or ""
            if not where:
                raise NoProofError(replaced_on(signal))
            leads = [
                Lead(
                    on=f"{part} on the board of unit {where}, one end lifted "
                    "where other parts lie across it",
                    subject=where,
                )
            ]
        if not signal.basis.possible_parts:
            subject = where
        found = self._read(leads, nominal_ohm)
        return Proof(
            proof=uuid4().hex,
            signal=signal.signal,
            kind=order.kind,
            subject=subject,
            readings=found.readings_ohm,
            unit=Unit.OHM.value,
            from_value=nominal_ohm,
            uncertainty=found.uncertainty_ohm,
            person=order.person,
            made_at=self.clock.utc(),
        )

    def _read(self, leads: Sequence[Lead], nominal_ohm: float) -> PartsRead:
        bench = self.settings.bench
        ohmmeter = None if bench is None else bench.ohmmeter
        if ohmmeter is None:
            message = "bench.toml names no ohmmeter: type what was read"
            raise NotReadError(message)
        self.make_way(ohmmeter)
        self.desk.turn_to("reading ohms")
        with reader(
            ohmmeter,
            self.settings.profiles,
            nominal_ohm=nominal_ohm,
            desk=self.desk,
            connect=self.connect,
            clock=self.clock,
        ) as read:
            return read_parts(read, ohmmeter, leads, nominal_ohm=nominal_ohm)


def _loose(reel: str, parts: int) -> list[Lead]:
    return [
        Lead(on=f"loose part {place} of {parts} of reel {reel}", subject=reel)
        for place in range(1, parts + 1)
    ]
