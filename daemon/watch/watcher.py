"""All builds of one product under watch: events in, findings out."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from daemon.judging import ProductModel
from daemon.spc.detector import (
    ASKED_BELOW,
    BENCH,
    LIKELIER_THAN_NOT,
    ODD,
    REEL,
    TWO_SIDED_95,
    Baseline,
    Culprit,
    Finding,
    Layout,
    Limit,
    Line,
    asks_again,
    ended,
    find,
    limit_until_own,
)
from daemon.watch.events import Accepted, CheckErrors, UnitErrors, reels_of
from daemon.watch.fold import Event, Fold, Past
from daemon.watch.history import SameReadings, remark
from daemon.watch.odd_units import odd_units
from daemon.watch.register import Key, Open, Register, belongs, key_of
from daemon.watch.segment import Segment, alone_far_off, referred, referred_ppm
from daemon.watch.signals import (
    FindLabel,
    Judged,
    Said,
    signal_of,
    withdrawn,
)
from daemon.watch.suspects import (
    Suspect,
    latest_suspect,
    suspects_of,
    that_carry,
)
from storage import SPEAKS_FOR, Fitting, LimitIs, Signal, serial_order

EARLIER_BUILDS = 12
"""Builds whose readings are looked through for a range that reads alike."""
FOR_NOBODY = 500
WIDER = 1.5
"""Times that a reel must scatter more than before to be said to."""
FEW = 8
"""Units concerned up to which each tells something new of who carries the reel."""

FEWEST_OFF = 2
"""Units that read alike otherwise than the others, from which it is a step."""
APART = 3.0
"""Widths of the wider group that two groups of readings are apart."""
FEW_SEEN = 3
"""Units that read right with parts of a reel, from which it is not the one."""

FindLimit = Callable[[Layout], "OwnLimit | None"]
Stands = tuple[tuple[int, int, int], ...]
"""Segments, by place: how many units each has, and the run of its last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnLimit:
    """A limit that was calibrated for the product."""

    limit: Limit


class Watcher:
    """All builds of one product.

    Parameters
    ----------
    product
        Ranges, parts and their tolerances.
    accepted_per_units
        One false hold in this many units is accepted.
    own_limit
        Gives the product's own limit for a layout, or None while the shipped one must
        serve.
    label_of
        Gives a recorded reel by name; left out, parts are held against the plan's
        tolerance, not against their reel's.
    past
        See `Fold`.

    Notes
    -----
    What was measured and what was said of it are apart: `Fold` knows the events alone,
    so that a rebuild from rows gives the same odds. What stands in it is compared with
    what the Store says was said, and the difference is what is said next.
    """

    def __init__(
        self,
        product: ProductModel,
        *,
        accepted_per_units: int,
        own_limit: FindLimit | None = None,
        label_of: FindLabel | None = None,
        past: Past | None = None,
    ) -> None:
        self.product = product
        self.fold = Fold(product, past)
        self._own_limit = own_limit
        self._label_of = label_of
        self._accepted_per_units = accepted_per_units
        self._register = Register(product)
        self._histories: dict[str, tuple[int, str]] = {}
        self._latest: tuple[str, int, str] | None = None
        """The latest build, how many units it had, and what was said of it."""
        self._earlier: tuple[Stands, list[UnitErrors]] = (), []
        """How builds before it stood when they were looked at, and their units."""
        self._same = SameReadings(product)
        self._check: str | None = None
        self._until_own: Limit | None = None
        self._remembered = False
        self._behind = False
        """Whether what was remembered may be of other reels than are recorded now."""

    # ---- what comes in

    def remember(
        self,
        events: Iterable[Event],
        fittings: Sequence[Fitting],
        said: Iterable[Signal],
        found_bad: Iterable[tuple[str, str]] = (),
        *,
        decided: Iterable[str] = (),
        late: Iterable[str] = (),
        check: str | None = None,
    ) -> None:
        """Rebuild what watching knows from the rows; nothing is said.

        Parameters
        ----------
        events
            All that was watched, since what the fold goes on from.
        fittings
            All that are recorded.
        said
            Findings as the Store has them, in their latest revisions.
        found_bad
            See `Fold.found_bad`.
        decided
            Findings that a person decided about.
        late
            Builds of which reels were recorded after the last event.
        check
            See `take`: of the latest check standard.
        """
        self._check = check
        self.fold.refit(fittings)
        self.fold.found_bad(found_bad)
        self.fold.take_all(events)
        # Reels may have been recorded since something was said of these units.
        self._remembered = True
        for one in said:
            self._register.keep(one)
        for name in decided:
            if name in self._register.said:
                self._register.said[name].closed = True
        late = {*late, *self._register.behind(self.fold.reels_in)}
        concerned = [each for one in late for each in self.fold.segments_of(one)]
        if concerned:
            # They were recorded while nobody watched: as if they came now.
            self._behind = True
            since = [] if self.fold.changed_from is None else [self.fold.changed_from]
            first = (one.first_number for one in concerned)
            self.fold.changed_from = min([*since, *first])

    def take(
        self, event: Event, fittings: Sequence[Fitting], *, check: str | None = None
    ) -> list[Signal]:
        """Take one event; return the findings that it changes.

        Parameters
        ----------
        event
            A unit, a run of the check standard, a person's decision.
        fittings
            All fittings recorded so far.
        check
            A sentence on the check standard, kept with the findings.
        """
        self.fold.refit(fittings)
        if check is not None:
            self._check = check
        self.fold.take(event)
        if isinstance(event, Accepted):
            return self._closed_by(event)
        return self._compared(event)

    def pass_over(self, unit: UnitErrors, fittings: Sequence[Fitting]) -> None:
        """Note a run that a later one, already there, measures again on all ranges."""
        self.fold.refit(fittings)
        self.fold.pass_over(unit)

    def refit(self, fittings: Sequence[Fitting]) -> list[Signal]:
        """Take reels that were recorded after their units; return what they change.

        Those too that were recorded before what was said was remembered.
        """
        late = self.fold.refit(fittings) or self._behind
        return self._compared(None) if late else []

    def found_bad(self, subjects: Iterable[tuple[str, str]]) -> list[Signal]:
        """Take what persons hold as bad by hand; return the findings that it changes.

        What was measured with it teaches nothing, and what was held against it is
        judged again.
        """
        return self._compared(None) if self.fold.found_bad(subjects) else []

    # ---- what is asked

    @property
    def log_odds(self) -> dict[str, float]:
        """How likely something is wrong, by build, as a logarithm of odds."""
        return {
            build: max(one.line.log_odds for one in self.fold.segments_of(build))
            for build in self.fold.builds
        }

    def far_off(self, unit: UnitErrors, fittings: Sequence[Fitting]) -> tuple[str, ...]:
        """Return the ranges on which a unit is to be seated again before it counts.

        Those on which it alone is odd, or would raise a finding that does not stand
        yet. A poor contact looks like either.

        Parameters
        ----------
        unit, fittings
            As for `take`; the unit is not kept.
        """
        self.fold.refit(fittings)
        before, after = self.fold.tentative(unit)
        limit, _ = self._limit()
        stood = -np.inf if before is None else before.log_odds
        if not asks_again(after, stood, limit.seated):
            return ()
        places = set(np.flatnonzero(after.odd() > ODD).tolist())
        places |= self._places_of(find(after, limit.seated - ASKED_BELOW))
        measured = set(np.flatnonzero(unit.measured).tolist())
        return tuple(self.product.keys[one] for one in sorted(places & measured))

    def bench_in_question(self) -> tuple[str, ...]:
        """Return where the latest check leaves open whether the bench has moved.

        Titles of ranges, "all ranges" among them; another check at once tells. Nothing
        where no check was made since the latest unit, or a finding says it already.
        """
        active = self.fold.active
        if active is None or active.line.units_before_check != active.line.units:
            return ()
        return tuple(
            "all ranges"
            if place == self.fold.layout.ranges
            else self.product.ranges[place].title
            for place, likely in active.line.suspected_bench()
            if likely < LIKELIER_THAN_NOT
        )

    def warnings(
        self, build: str, serial: str, kinds: Iterable[str]
    ) -> tuple[Signal, ...]:
        """Return what charts warn of at a unit that was taken; see `warnings_of`."""
        if any(
            one.signal.build == build and one.signal.standing and one.signal.holds
            for one in self._register.said.values()
        ):
            return ()
        # Its statistics take as long to load as all else here, and few let charts warn.
        from daemon.watch.chart_warnings import warnings_of  # noqa: PLC0415

        return warnings_of(self.fold, self.product, build, serial, kinds)

    def baseline(self) -> Baseline:
        """Return what the line teaches about the next build."""
        active = self.fold.active
        return Baseline.of(Line(self.product.layout) if active is None else active.line)

    def history(self) -> str:
        """Say what the latest build is held against; before the first, the next."""
        build = self.fold.latest_build
        if build is None:
            return remark(0, 0)
        count = self.fold.count_of(build)
        if self._latest is None or self._latest[:2] != (build, count):
            self._latest = build, count, self._look_through(build)
        return self._latest[2]

    def ahead(self) -> str:
        """Say what the next build will be held against."""
        builds = self.fold.builds
        units = self._units_of(builds[-EARLIER_BUILDS:])
        alike = SameReadings(self.product).of(units)
        return remark(len(builds), self.fold.count, alike)

    def _units_of(self, builds: Iterable[str]) -> list[UnitErrors]:
        return [unit for build in builds for unit in self.fold.units_of(build)]

    def _units_before(self, builds: Sequence[str]) -> list[UnitErrors]:
        """Return the units of builds before the latest, fetched again if any changed.

        They lie in the store: fetching them costs many times what they are looked at.
        """
        stand = tuple(
            (one.index, one.count, one.last_number)
            for build in builds
            for one in self.fold.segments_of(build)
        )
        if stand != self._earlier[0]:
            self._earlier = stand, self._units_of(builds)
        return self._earlier[1]

    # ---- what is said

    def _compared(self, event: UnitErrors | CheckErrors | None) -> list[Signal]:
        """Compare what stands with what was said; return what is to be said next.

        After an event in its turn only its own segment can have changed; after one that
        changed the past (None) all may have.
        """
        since, self.fold.changed_from = self.fold.changed_from, None
        changed: list[Signal] = []
        by_records = event is None or self._remembered
        if since is not None or self._remembered:
            self._remembered = self._behind = False
            self._register.follow_records(self.fold.reels_in)
            changed += self._orphans(event)
        concerned = self._concerned(event, since)
        for segment in concerned:
            changed += self._compared_in(segment, event, by_records=by_records)
        builds = dict.fromkeys([one.build for one in concerned])
        builds |= dict.fromkeys([one.build for one in changed])
        changed += odd_units(self.fold, self._register, self.product, event, builds)
        return changed

    def _concerned(
        self, event: UnitErrors | CheckErrors | None, since: int | None
    ) -> list[Segment]:
        """Return where something may stand now that did not, or no more."""
        active = self.fold.active
        if active is None:
            return []
        if since is not None:
            # Units may have left a segment of a build for another one.
            concerned = self.fold.changed_since(since)
            return concerned if active in concerned else [*concerned, active]
        if isinstance(event, CheckErrors):
            return [active] if active.units[-1].session == event.session else []
        return [active]

    def _orphans(self, event: UnitErrors | CheckErrors | None) -> list[Signal]:
        """Take back what was said of a reel that no unit of the build has any more."""
        active = self.fold.active
        if active is None:
            return []
        said = [
            self._take_back(one, _why(None, []), active, event)
            for key, one in self._register.named()
            if one.signal.standing and not one.closed and not self._stands_on(key)
        ]
        return self._register.keep_all(said)

    def _stands_on(self, key: Key) -> bool:
        """Whether any segment can tell something of a finding."""
        build, culprit, reel = key
        segments = self.fold.segments_of(build)
        if culprit.cause == REEL and culprit.place is not None and reel:
            segments = self.fold.with_reel((culprit.place,), reel)
        return any(belongs(key, segment) for segment in segments)

    def _agreed(self, one: Open, key: Key, *, by_records: bool) -> bool:
        """Whether a person holds by hand what a finding names: it stands.

        What is known to be bad is judged no more, so that nothing is found of it. Of a
        build that is held, only what stood when that was said.
        """
        build, culprit, reel = key
        if culprit.cause != REEL:
            return False
        if self.fold.holds_by_hand("reel", reel):
            return True
        one.agreed = self.fold.holds_by_hand("build", build) and (
            one.agreed or by_records
        )
        return one.agreed

    def _compared_in(
        self,
        segment: Segment,
        event: UnitErrors | CheckErrors | None,
        *,
        by_records: bool,
    ) -> list[Signal]:
        """Compare a segment; `by_records` where records changed, not readings."""
        limit, limit_is = self._limit()
        log_odds_limit = limit.unseated if segment.unseated_lately else limit.seated
        open_ = {
            key: one
            for key, one in self._register.named()
            if belongs(key, segment) and not one.closed
        }
        said = []
        for key, one in list(open_.items()):
            number, likely = segment.settled.get(key[1], (-1, 0.0))
            if key[1].cause != BENCH or one.signal.number > number:
                continue
            # Checks have settled it; what the bench does from now on is another matter.
            del open_[key]
            if likely > LIKELIER_THAN_NOT:
                one.closed = True
            elif one.signal.standing:
                said.append(self._take_back(one, _why(event, []), segment, event))
        standing = {key[1] for key, one in open_.items() if one.signal.standing}
        coming = event is not None and segment is self.fold.active
        found = find(segment.line, log_odds_limit, standing)
        alone = _told_by_one(self.fold, segment, found)
        first = segment.build == self.fold.first_build
        claimed = _as_claimed(segment, found, self.product) if first else []
        for culprit in (*alone, *claimed):
            found.pop(culprit, None)
        gone = ended(segment.line)
        judged: Judged | None = None
        for culprit, finding in found.items():
            key = key_of(segment, culprit)
            before = open_.get(key)
            if before is None and key in self._register.names and not coming:
                # Somebody decided about it, and no unit of it has come since.
                continue
            # Most units say nothing: earlier builds are looked through only here.
            judged = judged or Judged(
                log_odds_limit=log_odds_limit,
                limit_is=limit_is,
                history=self._history_of(segment.build),
                check=self._check,
            )
            now = self._said_of(segment, finding, key, before, judged, event)
            if event is None and before is not None and _says(now, before.signal):
                continue
            said.append(now)
        for key, one in open_.items():
            mine = key[0] == segment.build and key[1] not in found
            if not mine or not one.signal.standing:
                continue
            if key[1] in gone and one.signal.units > 1:
                # It was taken out: what was found holds for units that carry it. One
                # odd unit alone is no reel.
                said += _renamed(one, key, segment, event)
                continue
            if self._agreed(one, key, by_records=by_records):
                said += _renamed(one, key, segment, event)
                continue
            instead = [s for s in said if s.standing and _alike(s, one.signal)]
            why = (
                f"unit {alone[key[1]].serial} is far off alone"
                if key[1] in alone
                else _why(event, instead)
            )
            said.append(self._take_back(one, why, segment, event))
        return self._register.keep_all(said)

    def _said_of(
        self,
        segment: Segment,
        finding: Finding,
        key: Key,
        before: Open | None,
        judged: Judged,
        event: UnitErrors | CheckErrors | None,
    ) -> Signal:
        """Return a finding's next revision."""
        last = segment.units[-1]
        name = (
            self._register.names[key]
            if before is not None
            else self._register.new_name(segment.build)
        )
        said = Said(
            signal=name,
            revision=1 if before is None else before.signal.revision + 1,
            number=last.number if event is None else event.number,
            at=last.at if event is None else event.at,
            raised_serial=(
                last.serial if before is None else before.signal.raised_serial
            ),
        )
        first, units = self.fold.concerned(
            segment, finding.first_unit, finding.part_index
        )
        suspects: tuple[Suspect, ...] = ()
        place = finding.range_index
        if place is not None and (step := self._step_in(segment, finding)) is not None:
            finding, carry = step
            first, units = carry[0], len(carry)
            names = {one.serial for one in carry}
            suspects = tuple(
                replace(one, probability=float(one.serial in names))
                for one in suspects_of(self.fold, segment, place)
            )
        elif finding.cause == REEL and place is not None:
            mixed = finding.mixed_share is not None
            said_before = None if before is None else before.signal
            went_on = said_before is not None and mixed == (
                said_before.basis.mixed_share is not None
            )
            # All of them are asked for anew as their number doubles.
            few = units <= FEW or units & (units - 1) == 0
            if few or event is None or not went_on:
                suspects = suspects_of(self.fold, segment, place)
            elif isinstance(event, UnitErrors):
                suspects = (latest_suspect(self.fold, segment, place),)
            if mixed:
                carry = that_carry(self.fold, segment, place, suspects, said_before)
                first, units = (carry[0], len(carry)) if carry else (first, units)
                if said_before and first.serial != said_before.first_serial:
                    suspects = suspects_of(self.fold, segment, place)
        self._register.names[key] = name
        finding = self._as_read(segment, finding, first)
        return signal_of(
            segment,
            finding,
            self.product,
            said=said,
            judged=judged,
            first=first,
            units=units,
            suspects=suspects,
            fittings=self.fold.fittings_of(segment.build),
            before=None if before is None else before.signal,
            label_of=self._label_of,
            seen_right=self._seen_right(segment, finding, first),
        )

    def _step_in(
        self, segment: Segment, finding: Finding
    ) -> tuple[Finding, list[UnitErrors]] | None:
        """Return a scatter that is a step of some units, and these by serial.

        Before a few units have told, parts that scatter explain a step that nobody
        recorded too. Where the readings fall into two groups, far apart beside their
        widths, it is said as what it looks like: some units read otherwise, by so much.
        """
        place = finding.range_index
        if finding.cause != REEL or place is None or finding.spread_factor <= WIDER:
            return None
        units = referred(segment.line, self._of_reel(segment, place))
        units.sort(key=lambda unit: float(unit.errors_ppm[place]))
        errors = np.array([unit.errors_ppm[place] for unit in units])
        if len(errors) <= FEWEST_OFF:
            return None
        cut = int(np.diff(errors).argmax()) + 1
        baseline = Baseline.of(segment.line)
        mean_ppm, sigma_ppm = baseline.mean_ppm[place], baseline.unit_sigma_ppm(place)
        low, high = errors[:cut], errors[cut:]
        above = abs(low.mean() - mean_ppm) < abs(high.mean() - mean_ppm)
        off, carry = (high, units[cut:]) if above else (low, units[:cut])
        widest_ppm = max(np.ptp(low), np.ptp(high), 2.0 * sigma_ppm)
        if len(off) < FEWEST_OFF or high[0] - low[-1] < APART * widest_ppm:
            return None
        said = replace(
            _restated(finding, baseline, place, off),
            spread_factor=1.0,
            mixed_share=len(off) / len(errors),
        )
        return said, sorted(carry, key=lambda unit: serial_order(unit.serial))

    def _of_reel(self, segment: Segment, place: int) -> list[UnitErrors]:
        """Return the units of a build with a segment's reel, where a range was read."""
        return [
            unit
            for one in self.fold.segments_of(segment.build)
            if one.reels[place] == segment.reels[place]
            for unit in one.units
            if not np.isnan(unit.errors_ppm[place])
        ]

    def _as_read(
        self, segment: Segment, finding: Finding, first: UnitErrors
    ) -> Finding:
        """Return a finding with the size that its units read.

        Of a move far beyond what is held possible the line takes many units to believe
        all of it; what they read is no question of belief.
        """
        place = finding.range_index
        steady = finding.drift_ppm_per_unit is None and finding.mixed_share is None
        if finding.cause != REEL or place is None or not steady:
            return finding
        since = [
            unit
            for unit in self._of_reel(segment, place)
            if unit.number >= first.number
        ]
        off = referred_ppm(segment.line, since, place)
        if len(off) < FEWEST_OFF:
            return finding
        read = _restated(finding, Baseline.of(segment.line), place, off)
        apart = (
            read.level_low_ppm > finding.level_high_ppm
            or read.level_high_ppm < finding.level_low_ppm
        )
        return read if apart else finding

    def _seen_right(
        self, segment: Segment, finding: Finding, first: UnitErrors
    ) -> set[str]:
        """Return the parts of a range whose reel units before the first bad one had.

        They read as they should then, so that another part is off. Asked only where
        readings cannot tell which of several parts it is.
        """
        place = finding.range_index
        alike = () if place is None else self.product.ranges[place].alike
        if finding.cause != REEL or not alike:
            return set()
        fittings = self.fold.fittings_of(segment.build)
        reels = dict(zip(alike, reels_of(first.serial, alike, fittings), strict=True))
        others = {build for build, *_ in self._register.standing_on(place)}
        seen = set()
        for part, reel in reels.items():
            right = 0
            for build in self.fold.with_fitting(part, reel):
                if build in others and build != segment.build:
                    continue
                fittings = self.fold.fittings_of(build)
                right += sum(
                    unit.number < first.number
                    and reels_of(unit.serial, [part], fittings) == (reel,)
                    for unit in self.fold.units_of(build)
                )
            if reel and right >= FEW_SEEN:
                seen.add(part)
        return seen if len(seen) < len(alike) else set()

    def _take_back(
        self,
        one: Open,
        why: str,
        segment: Segment,
        event: UnitErrors | CheckErrors | None,
    ) -> Signal:
        last = segment.units[-1]
        return withdrawn(
            one.signal,
            why,
            number=last.number if event is None else event.number,
            at=last.at if event is None else event.at,
        )

    def _closed_by(self, accepted: Accepted) -> list[Signal]:
        """Close a finding that a person decided about; what it taught is known."""
        if (one := self._register.said.get(accepted.signal)) is None:
            return []
        one.closed = True
        if not accepted.taught:
            return []
        said = []
        why = f"the difference was accepted with finding {accepted.signal}"
        for key, name in self._register.names.items():
            other = self._register.said[name]
            if other.closed or not other.signal.standing or name == accepted.signal:
                continue
            same_reel = key[2] and key[2] == (accepted.reel or "")
            if key[1].cause == accepted.cause == REEL and same_reel:
                last = self.fold.units_of(other.signal.build)[-1]
                said.append(
                    withdrawn(
                        other.signal,
                        why,
                        number=max(accepted.number, other.signal.number),
                        at=last.at,
                    )
                )
        return self._register.keep_all(said)

    def _places_of(self, found: Mapping[Culprit, Finding]) -> set[int]:
        """Return the ranges that causes are felt on."""
        places: set[int] = set()
        layout = self.fold.layout
        for culprit in found:
            if culprit.place is None:
                places |= set(range(layout.ranges))
            elif culprit.place < layout.ranges:
                places.add(culprit.place)
            else:
                felt = np.flatnonzero(layout.sensitivity[culprit.place])
                places |= {int(one) for one in felt}
        return places

    # ---- limits and words

    def _limit(self) -> tuple[Limit, LimitIs]:
        own = None if self._own_limit is None else self._own_limit(self.fold.layout)
        if own is not None:
            return own.limit, LimitIs.CALIBRATED
        if self._until_own is None:
            self._until_own = limit_until_own(
                self.fold.layout, units_per_false_hold=self._accepted_per_units
            )
        return self._until_own, LimitIs.SHIPPED

    def _history_of(self, build: str) -> str:
        """Say what a build with a finding is held against: anew as it doubles."""
        count = self.fold.count_of(build)
        known = self._histories.get(build)
        if known is None or count >= 2 * known[0]:
            known = self._histories[build] = count, self._look_through(build)
        return known[1]

    def _look_through(self, build: str) -> str:
        """Look through the builds before one, and it; say what they tell of it."""
        builds, units, names = self.fold.before(build, EARLIER_BUILDS)
        looked_at = [*self._units_before(names), *self.fold.units_of(build)]
        return remark(builds, units, self._same.of(looked_at), build=build)


def _alike(one: Signal, other: Signal) -> bool:
    """Whether two findings may explain the same readings: they share a range."""
    return one.range == other.range or one.range is None or other.range is None


def _told_by_one(
    fold: Fold, segment: Segment, found: Mapping[Culprit, Finding]
) -> dict[Culprit, UnitErrors]:
    """Return the reels that are found to scatter by one unit alone, and that unit.

    One unit tells no scatter. It is said to be odd, and nothing is held for it.
    """
    told = {}
    for culprit, finding in found.items():
        place = finding.range_index
        scatters = finding.spread_factor > WIDER or finding.mixed_share is not None
        if culprit.cause != REEL or place is None or not scatters:
            continue
        mine = [
            one
            for one in fold.segments_of(segment.build)
            if one.reels[place] == segment.reels[place]
        ]
        if (unit := alone_far_off(mine, place)) is not None:
            told[culprit] = unit
    return told


def _restated(
    finding: Finding, baseline: Baseline, place: int, off_ppm: NDArray[np.float64]
) -> Finding:
    """Return a finding of the size that some units' readings have on average."""
    level_ppm = float(off_ppm.mean())
    spread_ppm = max(float(off_ppm.std(ddof=1)), baseline.unit_sigma_ppm(place))
    half_ppm = TWO_SIDED_95 * spread_ppm / len(off_ppm) ** 0.5
    size_ppm = level_ppm - float(baseline.mean_ppm[place])
    return replace(
        finding,
        size_ppm=size_ppm,
        low_ppm=size_ppm - half_ppm,
        high_ppm=size_ppm + half_ppm,
        level_ppm=level_ppm,
        level_low_ppm=level_ppm - half_ppm,
        level_high_ppm=level_ppm + half_ppm,
    )


def _as_claimed(
    segment: Segment, found: Mapping[Culprit, Finding], product: ProductModel
) -> list[Culprit]:
    """Return the reels found to scatter alone, by no more than their parts may.

    Beside units before, such a scatter is news. The first build is compared with the
    parts list alone, and parts that fill their tolerance keep to it (rectangular,
    JCGM 100:2008, 4.3.7).
    """
    sigma_ppm = None
    kept = []
    for culprit, finding in found.items():
        place = finding.range_index
        scatters = finding.spread_factor > WIDER
        moved = not finding.low_ppm < 0.0 < finding.high_ppm
        if culprit.cause != REEL or place is None or moved or not scatters:
            continue
        if sigma_ppm is None:
            sigma_ppm = Baseline.of(segment.line).sigma_ppm
        own = product.ranges[place]
        allowed_ppm2 = sum(
            (own.sensitivities[part] * product.settings.parts[part].tolerance_ppm) ** 2
            for part in own.alike or (str(own.part),)
        )
        if (sigma_ppm[place] * finding.spread_factor) ** 2 <= allowed_ppm2 / 3.0:
            kept.append(culprit)
    return kept


def _says(now: Signal, before: Signal) -> bool:
    """Whether a finding says what it said, whatever it was held against in words."""
    basis, held_against = now.basis, before.basis.history
    return before == replace(
        now,
        revision=before.revision,
        number=before.number,
        made_at=before.made_at,
        evidence=replace(basis, history=held_against).text(),
    )


def _renamed(
    one: Open, key: Key, segment: Segment, event: UnitErrors | CheckErrors | None
) -> list[Signal]:
    """Name the reel that was recorded since, of what stands and is judged no more."""
    reel = key[2] or None
    if key[1].cause != REEL or one.signal.reel == reel:
        return []
    last = segment.units[-1]
    return [
        replace(
            one.signal,
            revision=one.signal.revision + 1,
            number=last.number if event is None else event.number,
            reel=reel,
            made_at=last.at if event is None else event.at,
        )
    ]


def _why(event: UnitErrors | CheckErrors | None, new: Sequence[Signal]) -> str:
    """Say in a sentence why a finding is taken back."""
    if event is None:
        return "records that came later explain it"
    if new:
        return f"{SPEAKS_FOR}{new[0].signal}"
    if isinstance(event, CheckErrors):
        return "the check standard shows that it was not so"
    return f"unit {event.serial} and those before it read as they should"


def warm_up(product: ProductModel) -> None:
    """Load the detector's compiled loops, before a bench is open.

    Loading them keeps all threads of the process waiting, heartbeats too.
    """
    now = datetime.now(UTC)
    ranges = len(product.ranges)
    watcher = Watcher(product, accepted_per_units=FOR_NOBODY)
    watcher.take(
        CheckErrors(
            number=1,
            session="",
            errors_minus_known_ppm=np.zeros(ranges),
            variance_ppm2=np.ones(ranges),
            allowed_ppm2=np.ones(ranges),
            at=now,
        ),
        (),
    )
    unit = UnitErrors(
        number=2, run="", serial="", build="", errors_ppm=np.zeros(ranges), at=now
    )
    watcher.take(unit, ())
    watcher.far_off(unit, ())
