"""How a simulated maker lives through its builds, and what comes of them.

Each build is kitted, built, measured on the bench or imported, held and let go, as
people do it; the truth is known of all of it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import isnan
from typing import Any

import numpy as np
from numpy.random import Generator

from daemon.station import Row, TypedReading
from daemon.station.bench_book import OutOfControlError
from storage import Cause, Disposal, Scope, Signal, Verdict
from tests.studies.bench_days import BenchDays, Done
from tests.studies.makers import (
    HALF,
    PERSON,
    Fault,
    Line,
    Maker,
    Reel,
    fault_of,
)
from tests.studies.year import BuildOfYear, FindingOfYear, Year

__all__ = ["Life"]

MOST_TRIES = 8
"""Checks out of control in a row, each with the bench set right after it."""
PACKED_AFTER = 10
"""Units of a build that are measured before one of it is packed."""
NIGHT_S = 16 * 3600.0
FAULTY = 0.2
"""Share of builds, from the second on, in which something goes wrong."""
IMPORTED, SHUFFLED = 0.12, 0.15
MEASURED_AGAIN = 0.01
RETURNS = 0.15
"""Share of changes that take an older reel from the shelf."""
CHANGES_ON_THE_WAY = 0.25
"""Share of builds that take in a good reel half-way."""
KEPT = 0.5
"""Share of builds that keep what faulty reels the build before had."""
LET_GO, CONCEDE, REWORK = 0.3, 0.3, 0.2
"""Shares of holds on what is wrong that end so; the others stand. Who finds nothing
wrong releases."""
HELD = {Scope.BUILD.value, Scope.REEL.value}
NO_HOLD = {Cause.UNIT, Cause.CHART}
RELEASED, CONCEDED = Disposal.RELEASE.value, Disposal.CONCESSION.value
REWORKED = Disposal.REWORK.value
TAUGHT = {RELEASED, CONCEDED}
"""Ends that accept what was found."""
LET_THROUGH, DRIFTS_ON, KEPT_ON = "released", "drifts on", "kept"
CARRIED = ("", LET_THROUGH, DRIFTS_ON, KEPT_ON)
"""What a build takes on from the one before; of several reels the worst."""


@dataclass(slots=True, kw_only=True)
class _Truth:
    """One cause of a build: what a finding of it must say."""

    cause: Cause
    place: int | None
    """Index of the range; None for all."""
    reel: str | None
    """As it is on record; None where the record says another."""
    first: str
    sizes: tuple[float, ...] = ()
    """How far it lies off, T: none where that is no one number, two where which of
    two reels is the second cannot be told."""
    of: Reel | None = None


@dataclass(slots=True, kw_only=True)
class _End:
    """A person will end what a build's findings hold, soon or on another day."""

    build: str
    how: str
    units: int | None
    """After how many more units; None with the next session."""
    signal: str | None = None
    """The finding, where it alone was withdrawn; None for all that stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Late:
    """A reel that is written down some units after it was fitted."""

    build: str
    place: int
    reel: str
    from_serial: str | None
    at: datetime
    due: int
    """Runs of the year before it is written down."""


class Life:
    """Goes through the builds of one maker."""

    def __init__(self, days: BenchDays, line: Line, year: Year, rng: Generator) -> None:
        self.days = days
        self.line = line
        self.year = year
        self.rng = rng
        self.maker: Maker = line.maker
        self.product = days.settings.product.name
        self.on_record: dict[int, str] = {}
        """By range, the reel that the maker's book says is fitted."""
        self.received: set[str] = set()
        self.truths: dict[str, list[_Truth]] = {}
        self.serials = 1000
        self.first_serial = ""
        self.ends: list[_End] = []
        self.ended: dict[str, str] = {}
        """By reel with a fault, how a person ended the hold of its last build."""
        self.logs: dict[str, BuildOfYear] = {}
        self.session_left = 0
        self.sessions = 0
        self.count = 0
        """Units of the build that were measured."""
        self.late: list[_Late] = []
        self.verdicts: dict[int, Verdict] = {}
        """By place in the build, how its unit was judged."""

    # one build

    def build(self, number: int) -> bool:
        """Live through one build; False where the year cannot go on."""
        rng, maker, line = self.rng, self.maker, self.line
        units = int(rng.integers(8, 81))
        imported = bool(rng.random() < IMPORTED)
        shuffled = bool(not imported and rng.random() < SHUFFLED)
        fault = None
        if number > 1 and rng.random() < FAULTY:
            fault = fault_of(maker, units, rng, bench=maker.checked and not imported)
        log = BuildOfYear(
            build=f"B-{number}",
            units=units,
            imported=imported,
            shuffled=shuffled,
            fault="" if fault is None else fault.kind,
        )
        self.logs[log.build] = log
        self.truths[log.build] = []
        self.year.builds.append(log)
        line.new_build()
        self._kit(number, log)
        if log.carried:
            fault, log.fault = None, ""
        serials = [f"PA-{self.serials + place:05d}" for place in range(units)]
        self.serials += units
        fittings = self._assemble(serials, log, fault)
        self.sessions = self.count = 0
        self.verdicts.clear()
        try:
            if imported:
                self._import(serials, log, fittings)
            else:
                self._measure(serials, log, fittings, fault)
        except Exception as exc:  # noqa: BLE001 -- counted: a year must not raise any
            log.units = self.count
            return self._raised(exc, log.build)
        return True

    def _raised(self, exc: Exception, where: str) -> bool:
        """Note what must not happen, and start again."""
        self.year.exceptions.append(f"{where}: {type(exc).__name__}: {exc}")
        self.line.fault, self.line.stepped = 0.0, ()
        self.late.clear()
        try:
            self.days.restart()
        except Exception as again:  # noqa: BLE001 -- counted, and the year ends
            self.year.exceptions.append(f"{where}, restart: {again}")
            return False
        return True

    def _kit(self, number: int, log: BuildOfYear) -> None:
        """Take reels for a build: the ones before, new ones, older ones."""
        keeps_faulty = self.rng.random() < KEPT
        for place in range(self.maker.ranges):
            before = self.line.reels[place]
            if number == 1:
                self._noted(place)
                continue
            changes = self.rng.random() < self.maker.changes
            keeps = keeps_faulty if before.fault else not changes
            if keeps:
                if before.fault:
                    how = self._kept(before)
                    log.carried = max(log.carried, how, key=CARRIED.index)
                continue
            self._take_another(place)

    def _kept(self, reel: Reel) -> str:
        """Return what a reel with a fault is to the next build."""
        if self.ended.get(reel.name) not in TAUGHT:
            return KEPT_ON
        # One that was accepted and drifts on is a new move, sooner or later.
        return DRIFTS_ON if reel.slope else LET_THROUGH

    def _take_another(self, place: int) -> None:
        reel = None
        if self.rng.random() < RETURNS:
            reel = self.line.returning(place)
        self.line.fit(place, reel or self.line.good_reel())
        if self.rng.random() >= self.maker.forgotten:
            self._noted(place)
        else:
            self.line.reels[place].recorded = False

    def _noted(self, place: int) -> None:
        """Write in the maker's book which reel is fitted."""
        reel = self.line.reels[place]
        reel.recorded = True
        self.on_record[place] = reel.name

    def _assemble(
        self, serials: Sequence[str], log: BuildOfYear, fault: Fault | None
    ) -> dict[str, dict[int, str]]:
        """Build all units; return by first serial what the maker's book says of it."""
        line, rng = self.line, self.rng
        fittings: dict[str, dict[int, str]] = {serials[0]: {}}
        on_the_way = {}
        if rng.random() < CHANGES_ON_THE_WAY:
            place = int(rng.integers(self.maker.ranges))
            if not line.reels[place].fault and (
                fault is None or place not in fault.ranges
            ):
                on_the_way[int(rng.integers(1, len(serials)))] = place
        if log.carried:
            self._carried(serials[0], log)
        for count, serial in enumerate(serials):
            if fault is not None and count == fault.first:
                self._go_wrong(fault, serial, log)
            if count in on_the_way:
                self._take_another(on_the_way[count])
            said = fittings.setdefault(serial, {})
            for place, reel in self.on_record.items():
                if self._said_last(fittings, place) != reel:
                    said[place] = reel
            line.assemble(serial)
        return {serial: said for serial, said in fittings.items() if said}

    @staticmethod
    def _said_last(fittings: dict[str, dict[int, str]], place: int) -> str | None:
        found = [said[place] for said in fittings.values() if place in said]
        return found[-1] if found else None

    def _carried(self, first: str, log: BuildOfYear) -> None:
        """Note the reels with a fault that a build takes on."""
        for place, reel in enumerate(self.line.reels):
            if reel.fault:
                self.truths[log.build].append(
                    _Truth(
                        cause=Cause.REEL,
                        place=place,
                        reel=reel.name if reel.recorded else None,
                        first=first,
                        sizes=self._sizes(place),
                        of=reel,
                    )
                )
                log.recorded = log.recorded and reel.recorded

    def _go_wrong(self, fault: Fault, serial: str, log: BuildOfYear) -> None:
        """Let a fault begin at a unit; the bench's begins when it is measured."""
        line, truths = self.line, self.truths[log.build]
        if fault.kind == "bench":
            return
        if fault.kind == "shared stage":
            line.stage += fault.sizes[0]
            truths.append(
                _Truth(
                    cause=Cause.SHARED, place=None, reel=None, first=serial,
                    sizes=(fault.sizes[0] if fault.first else line.stage,),
                )
            )  # fmt: skip
            return
        log.recorded = fault.recorded
        for place, size in zip(fault.ranges, fault.sizes, strict=True):
            line.fit(place, line.bad_reel(fault.kind, size))
            if fault.recorded:
                self._noted(place)
            else:
                line.reels[place].recorded = False
            truths.append(
                _Truth(
                    cause=Cause.REEL,
                    place=place,
                    reel=line.reels[place].name if fault.recorded else None,
                    first=serial,
                    sizes=self._sizes(place),
                    of=line.reels[place],
                )
            )

    def _sizes(self, place: int) -> tuple[float, ...]:
        """Return how far a reel lies from an average one."""
        reel = self.line.reels[place]
        if reel.mixed:
            return reel.mixed, -reel.mixed
        return () if reel.slope or reel.scatter != 1.0 else (reel.level,)

    # on the bench

    def _measure(
        self,
        serials: Sequence[str],
        log: BuildOfYear,
        fittings: dict[str, dict[int, str]],
        fault: Fault | None,
    ) -> None:
        days, rng, line = self.days, self.rng, self.line
        days.open_build(log.build, planned_units=len(serials))
        order = list(serials)
        if log.shuffled:
            rng.shuffle(order)
        bad = self._bad_serials(serials, log)
        if bad:
            log.wrong_from = 1 + min(order.index(one) for one in bad)
        self.first_serial = serials[0]
        self._record(log, serials[0], fittings)
        self._held_from_the_start(log, self.on_record.values())
        for count, serial in enumerate(order, start=1):
            if fault is not None and fault.kind == "bench" and count == fault.first + 1:
                self._step(fault, serial, log, count)
            if self.session_left == 0:
                self._new_session()
            self.session_left -= 1
            self._record(log, serial, fittings)
            self._write_late(log, count)
            done = self._seated(serial, log, count, wrong=serial in bad)
            self.count = count
            self._after(done, log, count)
            if rng.random() < self.maker.restarts:
                self._restart(log)
            if rng.random() < MEASURED_AGAIN:
                self._again(str(rng.choice(order[:count])), log.build, log, count)
        for serial in list(fittings):
            self._record(log, serial, fittings)
        self._write_late(log, log.units, all_=True)
        if line.fault:
            self._set_right(log, log.units)
        self._end_of_build(log)

    def _step(self, fault: Fault, serial: str, log: BuildOfYear, count: int) -> None:
        """Let the bench read otherwise from here on."""
        self.line.fault, self.line.stepped = fault.sizes[0], fault.ranges
        self.year.bench_steps += 1
        log.wrong_from = count
        self.truths[log.build].append(
            _Truth(
                cause=Cause.BENCH, place=None, reel=None, first=serial,
                sizes=fault.sizes[:1],
            )
        )  # fmt: skip

    def _bad_serials(self, serials: Sequence[str], log: BuildOfYear) -> set[str]:
        """Return the units that something wrong has reached, but for the bench's."""
        firsts = [serials.index(one.first) for one in self.truths[log.build]]
        return set(serials[min(firsts) :]) if firsts else set()

    def _seated(
        self, serial: str, log: BuildOfYear, count: int, *, wrong: bool
    ) -> Done:
        """Measure one unit, the bench set right first where its check says so."""
        slip = serial in self.line.slips
        done = None
        for _ in range(MOST_TRIES):
            try:
                done = self.days.unit(serial, log.build)
                break
            except OutOfControlError:
                self._out_of_control(log, count)
        if done is None:
            message = f"the bench judged no unit in {MOST_TRIES} tries"
            raise RuntimeError(message)
        wrong = wrong or self.line.fault != 0.0
        if wrong:
            log.bad.append(count)
        asked = done.before is not None
        self.year.runs += 1 + asked
        if slip:
            self.year.slips += 1
            self.year.slips_asked += asked
        elif not wrong:
            self.year.good_units += 1
            self.year.asked_for_nothing += asked
        return done

    def _again(self, serial: str, build: str, log: BuildOfYear, count: int) -> None:
        """Measure a unit again, unless the bench may not."""
        try:
            done = self.days.rerun(serial, build)
        except OutOfControlError:
            self._out_of_control(log, count)
            return
        self.year.runs += 1
        for signal in done.found:
            self._found(signal, log, count)

    def _out_of_control(self, log: BuildOfYear, count: int) -> None:
        """Run the check once more; find what moved where it is still out."""
        self._count_check(log, count)
        for signal in self.days.watch():
            self._found(signal, log, count)
        try:
            self.days.check()
        except OutOfControlError:
            self._set_right(log, count)

    def _count_check(self, log: BuildOfYear, count: int) -> None:
        if self.line.fault:
            self.year.bench_steps_out += 1
            if log.held_at is None:
                log.held_at, log.held_by = count, "check out of control"
                log.held_session = max(1, self.sessions)
        else:
            self.year.checks_out += 1

    def _set_right(self, log: BuildOfYear, count: int) -> None:
        """Have the bench as it was, and measure again what is in doubt."""
        self.line.fault, self.line.stepped = 0.0, ()
        for signal in self.days.watch():
            self._found(signal, log, count)
        self._new_session()
        for serial, build in self._doubted().items():
            self._again(serial, build, log, count)

    def _doubted(self) -> dict[str, str]:
        rows = self.days.store.table("runs_in_doubt", product=self.product)
        return {one["serial"]: one["build"] for one in rows.to_pylist()}

    def _new_session(self) -> None:
        """End the day, begin another: the bench is set up anew."""
        try:
            self.days.finish()
        except OutOfControlError:
            self._count_check(self.year.builds[-1], self.count)
            self.line.fault, self.line.stepped = 0.0, ()
            self.days.new_session()
        self.days.clock.wait_s(NIGHT_S)
        self.line.new_session()
        self.sessions += 1
        low, high = self.maker.session_units
        self.session_left = int(self.rng.integers(low, high + 1))
        self._decide([one for one in self.ends if one.units is None])

    # from files

    def _import(
        self,
        serials: Sequence[str],
        log: BuildOfYear,
        fittings: dict[str, dict[int, str]],
    ) -> None:
        rng = self.rng
        bad = self._bad_serials(serials, log)
        if bad:
            log.wrong_from = 1 + min(serials.index(one) for one in bad)
        on_record: dict[int, str] = {}
        seen: set[str] = set()
        done = 0
        while done < len(serials):
            piece = serials[done : done + int(rng.integers(3, 11))]
            new_setup = bool(rng.random() < HALF)
            if new_setup:
                self.line.new_session()
            self.sessions += 1
            rows = []
            for line, serial in enumerate(piece, start=2):
                on_record |= fittings.get(serial, {})
                seen |= set(on_record.values())
                rows.append(self._row(line, serial, log.build, on_record))
            if done == 0:
                self._held_from_the_start(log, list(on_record.values()))
            imported, found = self.days.import_rows(
                rows, session=f"import-{log.build}-{done}", new_setup=new_setup
            )
            self.year.runs += imported.new
            if imported.rejected:
                self.year.exceptions.append(f"{log.build}: {imported.rejected[0]}")
            done += len(piece)
            self.count = done
            log.bad += [
                done - len(piece) + place
                for place, serial in enumerate(piece, start=1)
                if serial in bad
            ]
            for signal in found:
                place = done
                if signal.raised_serial in piece:
                    place = 1 + serials.index(signal.raised_serial)
                self._found(signal, log, place)
            self.days.clock.wait_s(NIGHT_S)
        self.received |= seen
        self.session_left = 0
        self._end_of_build(log)

    def _row(
        self, line: int, serial: str, build: str, on_record: dict[int, str]
    ) -> Row:
        errors = self.line.errors(serial)
        readings = []
        for place, error in enumerate(errors):
            if isnan(error):
                continue
            level, volts = self.line.level_and_volts(place, error)
            readings.append(
                TypedReading(range=f"range {place + 1}", reference=level, output=volts)
            )
        return Row(
            line=line,
            serial=serial,
            build=build,
            measured_at=self.days.clock.utc(),
            readings=tuple(readings),
            reels=tuple(
                (f"R{11 + place}", reel)
                for place, reel in on_record.items()
                if self.maker.forgotten < 1.0
            ),
        )

    # what people write down

    def _record(
        self,
        log: BuildOfYear,
        serial: str,
        fittings: dict[str, dict[int, str]],
    ) -> None:
        """Record the reels that a unit is the first of, now or some units late."""
        if self.maker.forgotten >= 1.0:
            return
        for place, reel in fittings.pop(serial, {}).items():
            at = self.days.clock.utc()
            if reel not in self.received:
                self.days.receive_reel(reel, f"R{11 + place}", at=at)
                self.received.add(reel)
            wait = 0
            if self.rng.random() < self.maker.late:
                wait = int(self.rng.integers(1, 9))
            said = _Late(
                build=log.build,
                place=place,
                reel=reel,
                from_serial=None if serial == self.first_serial else serial,
                at=at,
                due=self.year.runs + wait,
            )
            if wait:
                self.late.append(said)
            else:
                self._fit(said)

    def _write_late(self, log: BuildOfYear, count: int, *, all_: bool = False) -> None:
        due = [one for one in self.late if all_ or one.due <= self.year.runs]
        self.late = [one for one in self.late if one not in due]
        for one in due:
            self._fit(one)
        if due:
            for signal in self.days.watch():
                self._found(signal, log, count)

    def _fit(self, said: _Late) -> None:
        self.days.fit_reel(
            said.build,
            f"R{11 + said.place}",
            said.reel,
            from_serial=said.from_serial,
            at=said.at,
            checked=False,
        )

    # what comes of it

    def _after(self, done: Done, log: BuildOfYear, count: int) -> None:
        """Take what a unit's run has led to; let a unit leave, let people decide."""
        for signal in done.found:
            self._found(signal, log, count)
        self.verdicts[count] = done.recorded.verdict
        leaves = count - PACKED_AFTER
        if log.held_at is None and leaves in log.bad:
            held = self.verdicts[leaves] is Verdict.NONCONFORMING
            doubted = log.fault == "bench" and bool(self._doubted())
            log.left += not held and not doubted
        for one in self.ends:
            if one.units is not None:
                one.units -= 1
        self._decide([one for one in self.ends if one.units == 0])

    def _decide(self, due: Sequence[_End]) -> None:
        """Have a person end what stands because of builds' findings."""
        self.ends = [one for one in self.ends if one not in due]
        for end in due:
            self._end_holds(end)

    def _found(self, signal: Signal, log: BuildOfYear, count: int) -> None:
        """Note what holds a build for the first time."""
        mine = self.logs[signal.build]
        if signal.cause in NO_HOLD or not signal.holds:
            return
        if not signal.standing:
            mine.withdrawn = True
            self._end_soon(signal.build, RELEASED, signal=signal.signal)
            return
        if mine.ended_by in TAUGHT and not mine.again:
            mine.again = bool(self._holds(signal.build))
        if mine.held_at is not None:
            return
        mine.held_at = count if mine is log else mine.units
        mine.held_by = str(signal.cause)
        mine.held_session = max(1, self.sessions) if mine is log else None
        how = self._ending(mine)
        if how is not None:
            self._end_soon(signal.build, how)

    def _end_soon(self, build: str, how: str, *, signal: str | None = None) -> None:
        """Have a person end holds after some more units, or with the next session."""
        soon = self.rng.random() < HALF
        units = int(self.rng.integers(3, 9)) if soon else None
        self.ends.append(_End(build=build, how=how, units=units, signal=signal))

    def _ending(self, build: BuildOfYear) -> str | None:
        """Draw how a person will end a hold; None where it stands."""
        if build.good:
            return RELEASED
        drawn = self.rng.random()
        for share, how in (
            (LET_GO, RELEASED),
            (CONCEDE, CONCEDED),
            (REWORK, REWORKED),
        ):
            if drawn < share:
                return how
            drawn -= share
        return None

    def _holds(self, build: str | None = None) -> list[dict[str, Any]]:
        """Return the holds on builds and reels that stand, of one build's findings."""
        rows = self.days.store.table("holds", product=self.product).to_pylist()
        return [
            one
            for one in rows
            if one["scope"] in HELD
            and one["disposal"] is None
            and (build is None or str(one["signal"]).startswith(f"{build}-F"))
        ]

    def _end_holds(self, end: _End) -> None:
        """Have a person end what stands because of a build's findings."""
        for one in self._holds(end.build):
            if end.signal is None or self._is_withdrawn(one, end.signal):
                self.days.end_hold(
                    one["hold"],
                    disposal=Disposal(end.how),
                    person=PERSON,
                    reason="looked at by hand",
                )
        if end.signal is not None:
            return
        self.logs[end.build].ended_by = end.how
        for truth in self.truths[end.build]:
            if truth.of is not None:
                self.ended[truth.of.name] = end.how

    def _is_withdrawn(self, hold: dict[str, Any], signal: str) -> bool:
        """Whether a hold is a finding's that does not stand; it may stand again."""
        if hold["signal"] != signal:
            return False
        rows = self.days.store.frame("signals", product=self.product)
        return not rows.set_index("signal").loc[signal, "standing"]

    def _held_from_the_start(self, log: BuildOfYear, reels: Iterable[str]) -> None:
        """Note a build that takes a reel on hold: it stays before its first unit.

        One that takes on nothing wrong waits because of an earlier false hold.
        """
        if self.maker.forgotten >= 1.0:
            return
        held = {one["subject"] for one in self._holds() if one["scope"] == Scope.REEL}
        if held & set(reels):
            if log.carried:
                log.held_at, log.held_by, log.held_session = 0, "reel on hold", 0
            else:
                log.waited = True

    def _restart(self, log: BuildOfYear) -> None:
        """Start the program again; what it knows must be the same."""
        year, days = self.year, self.days
        # What was decided since the last run is heard first, as it is at a start.
        for signal in days.watch():
            self._found(signal, log, self.count)
        before = _log_odds(days)
        signals = days.store.frame("signals", product=self.product)
        days.restart()
        year.restarts += 1
        after = _log_odds(days)
        again = days.store.frame("signals", product=self.product)
        year.raised_by_restart += int(
            again["revision"].sum() != signals["revision"].sum()
        )
        unlike = max(
            (
                abs(before.get(build, -np.inf) - after.get(build, -np.inf))
                for build in before.keys() | after.keys()
            ),
            default=0.0,
        )
        year.unlike = max(year.unlike or 0.0, unlike)

    def _end_of_build(self, log: BuildOfYear) -> None:
        """Hold what is named beside what was wrong, as the build ends."""
        rows = self.days.store.frame("signals", product=self.product)
        mine = [
            one
            for one in rows[rows["build"] == log.build].to_dict("records")
            if one.get("standing", True) and one["cause"] not in NO_HOLD
        ]
        truths = self.truths[log.build]
        log.causes = len(truths)
        for truth in truths:
            said = [one for one in mine if self._is(one, truth)]
            log.named += bool(said)
            log.reels += any(_text(one["reel"]) == truth.reel for one in said)
            log.firsts += any(one["first_serial"] == truth.first for one in said)

    def _is(self, said: Any, truth: _Truth) -> bool:
        """Whether a finding names a cause."""
        cause = Cause(said["cause"])
        if truth.cause is not Cause.REEL:
            return cause is truth.cause or (
                truth.cause is Cause.SHARED
                and self.maker.ranges == 1
                and cause is Cause.REEL
            )
        if self.maker.ranges == 1 and cause is Cause.SHARED:
            return True
        return cause in {Cause.REEL, Cause.RANGE} and said["range"] == (
            f"range {(truth.place or 0) + 1}"
        )

    def score(self) -> None:
        """Hold every finding beside the truth, as the year ends."""
        rows = self.days.store.frame("signals", product=self.product)
        held = {str(one["signal"]) for one in self._holds()}
        for one in rows.to_dict("records"):
            truths = [t for t in self.truths[one["build"]] if self._is(one, t)]
            sizes = [
                size * self.maker.tolerance_ppm for t in truths for size in t.sizes
            ]
            covered = None
            if sizes:
                covered = any(one["low_ppm"] <= s <= one["high_ppm"] for s in sizes)
            standing = bool(one.get("standing", True))
            self.year.findings.append(
                FindingOfYear(
                    signal=one["signal"],
                    build=one["build"],
                    cause=one["cause"],
                    standing=standing,
                    withdrawn=not standing,
                    true=bool(truths),
                    good=not self.truths[one["build"]],
                    decided=one["signal"] not in held,
                    covered=covered,
                )
            )


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) else None


def _log_odds(days: BenchDays) -> dict[str, float]:
    """Return by build how likely a fault is."""
    return dict(days.cycle.known.log_odds())
