"""From a finding or a reel to every serial concerned: where it is, how wrong, what now.

Each unit of the builds that it may concern stands in exactly one list; those of other
builds are counted. Nothing here decides or records;
`storage` keeps the steps of each unit until it is closed.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isnan, nan
from typing import Any

from daemon.judging import ProductModel
from daemon.presentation import concerns_nobody, counted, sentences, share
from daemon.presentation.figures import allowance, carries, day_of, measured
from daemon.traceability import who_carries
from daemon.traceability.tracing import (
    HELD,
    IN_DOUBT,
    Place,
    Records,
    builds_about,
    by_decision,
    leftover,
    where_now,
)
from daemon.watch import narrowed
from storage import (
    Build,
    Cause,
    ContainmentStep,
    Fitting,
    KnownUnits,
    LatestResult,
    NotFoundError,
    PastShipment,
    ReworkOf,
    Signal,
    Step,
    Store,
    Unit,
    proofs_on,
)

CLEAR = "not concerned"
LISTS = (str(Place.UNFINISHED), HELD, IN_DOUBT, *map(str, list(Place)[1:]), CLEAR)
"""Names of the lists, in the order in which they are worked through."""
USUAL_BUILDS = 4
"""Builds before those concerned that say how units scatter; each takes some 50 ms."""
FEW_BUILDS = 15
"""So many are read all at once: that is sooner done than build by build."""
LIKELY = 0.5
COVERAGE = 2.0
PPM_PER_PERCENT = 1e4
COLUMNS = {
    "where": "list",
    "serial": "serial",
    "build": "build",
    "destination": "order",
    "probability": "probability of having such a part",
    "basis": "error is",
    "error_ppm": "error, ppm",
    "low_ppm": "from, ppm (95 %)",
    "high_ppm": "to, ppm (95 %)",
    "limit_ppm": "limit, ppm",
    "verdict": "verdict",
    "nonconforming": "probability outside the limit",
    "todo": "what to do",
    "step": "done so far",
}


PRINTED = {
    "serial": "unit",
    "build": "build",
    "destination": "order",
    "probability": "has such a part",
    "basis": "error is",
    "error_ppm": "error",
    "low_ppm": "from (95 %)",
    "high_ppm": "to (95 %)",
    "limit_ppm": "limit",
    "verdict": "verdict",
    "nonconforming": "outside the limit",
    "todo": "what to do",
    "step": "done so far",
}
"""Columns of a list that a person reads; each number has its unit beside it."""
NO_ERROR_KNOWN = ("like known-good", "changed", "not judged")
"""Verdicts of a bench too poor for the limit: it compares, and knows no error."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Concerned:
    """One unit in the light of a finding.

    Attributes
    ----------
    where : str
        Its list, one of `LISTS`.
    probability : float
        That it carries what the finding names.
    measured : bool
        Whether the error was measured; else it is predicted from its siblings.
    error_ppm, low_ppm, high_ppm : float
        Error of the named range with its 95 % interval (measured: k = 2); NaN where
        nothing is known.
    verdict : str or None
        Of the measurement.
    nonconforming : float
        Probability that the error lies outside the limit.
    step : str or None
        The latest step recorded.
    """

    where: str
    serial: str
    build: str
    destination: str | None
    probability: float
    measured: bool
    error_ppm: float
    low_ppm: float
    high_ppm: float
    limit_ppm: float
    verdict: str | None
    nonconforming: float
    todo: str
    step: str | None

    @property
    def basis(self) -> str:
        """Whether its error is measured or predicted."""
        if isnan(self.error_ppm):
            return "unknown"
        return "measured" if self.measured else "predicted"

    def said(self) -> dict[str, str]:
        """Return its row as a person reads it, by the keys of `PRINTED`."""
        half_ppm = (self.high_ppm - self.low_ppm) / 2
        known = not isnan(self.error_ppm)
        limit_ppm = self.error_ppm if isnan(self.limit_ppm) else self.limit_ppm

        def share_of_reading(value_ppm: float) -> str:
            return measured(value_ppm, half_ppm, limit_ppm) if known else ""

        return {
            "serial": self.serial,
            "build": self.build,
            "destination": self.destination or "",
            "probability": carries(self.probability),
            "basis": self.basis,
            "error_ppm": share_of_reading(self.error_ppm),
            "low_ppm": share_of_reading(self.low_ppm),
            "high_ppm": share_of_reading(self.high_ppm),
            "limit_ppm": "" if isnan(self.limit_ppm) else allowance(self.limit_ppm),
            "verdict": self.verdict or "",
            "nonconforming": ""
            if isnan(self.nonconforming)
            else share(self.nonconforming),
            "todo": self.todo,
            "step": self.step or "",
        }

    def row(self) -> dict[str, Any]:
        """Return its row of a table; None where nothing is known."""
        found: dict[str, Any] = {key: getattr(self, key) for key in COLUMNS}
        for key in ("error_ppm", "low_ppm", "high_ppm", "limit_ppm"):
            value = found[key]
            found[key] = None if isnan(value) else round(value)
        for key in ("probability", "nonconforming"):
            value = found[key]
            found[key] = None if isnan(value) else round(value, 3)
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Containment:
    """Everything that one finding, or one reel, concerns."""

    subject: str
    product: str
    range: str | None
    part: str | None
    reel: str | None
    units: tuple[Concerned, ...]
    leftover_parts: int | None
    other_products: tuple[str, ...]
    without_serial: tuple[PastShipment, ...]
    all_units: int
    """Units of the product that are known; `units` are those of the builds that may be
    concerned and of those that say what is usual."""
    withdrawn: str | None = None
    """Says of a finding that was withdrawn that it concerns nobody, or which does."""
    either: bool = False
    """Whether `part` names several, of which nothing so far tells which is off."""
    by_decision: tuple[str, ...] = ()
    """Who let units that are concerned leave although something spoke against it."""

    def listed(self) -> dict[str, tuple[Concerned, ...]]:
        """Return the units by list, empty lists left out."""
        found = {
            name: tuple(one for one in self.units if one.where == name)
            for name in LISTS
        }
        return {name: units for name, units in found.items() if units}

    @property
    def concerned(self) -> tuple[Concerned, ...]:
        """Units that may carry it."""
        return tuple(one for one in self.units if one.where != CLEAR)

    @property
    def clear(self) -> int:
        """How many units of the product it does not concern."""
        return self.all_units - len(self.concerned)

    @property
    def still_open(self) -> tuple[Concerned, ...]:
        """Units that left and are not closed yet."""
        away = (Place.SHIPPED, Place.RESELLER)
        return tuple(
            one
            for one in self.concerned
            if one.where in away and one.step != Step.CLOSED
        )

    @property
    def noticed(self) -> tuple[Concerned, ...]:
        """Units whose holders are told a correction: they left, and it is known."""
        away = (Place.SHIPPED, Place.RESELLER)
        return tuple(
            one
            for one in self.concerned
            if one.where in away and one.basis != "unknown"
        )

    def headline(self) -> str:
        """Say in one sentence whom it concerns."""
        if self.withdrawn is not None:
            return self.withdrawn
        what = f"{self.part} of reel {self.reel}" if self.reel else self.subject
        if self.either:
            what = f"{self.part} (readings alone cannot tell which)"
        away = len(self.left)
        return (
            f"{what}: {len(self.concerned)} of {self.all_units} units concerned, "
            f"{away or 'none'} {'have' if away > 1 else 'has'} left."
        )

    @property
    def left(self) -> tuple[Concerned, ...]:
        """Units concerned that have left and did not come back."""
        away = (Place.SHIPPED, Place.RESELLER)
        return tuple(one for one in self.concerned if one.where in away)

    def lines(self) -> tuple[str, ...]:
        """Say what is beside the units: parts left, other products, past deliveries."""
        if self.withdrawn is not None:
            followed = [one for one in self.units if one.step is not None]
            if not followed:
                return ()
            line = (
                f"Steps were noted for {counted(len(followed), 'unit')} before: tell "
                "their holders that the finding was withdrawn."
            )
            return (line,)
        said = []
        if self.either:
            said.append(
                f"It is {self.part}: measure each four-wire before one is replaced."
            )
        if self.reel is not None:
            match self.leftover_parts:
                case None:
                    said.append(
                        f"Count the parts left of reel {self.reel} and put them aside."
                    )
                case left if left < 0:
                    said.append(
                        f"{-left} more parts of reel {self.reel} used than received: "
                        "check the records."
                    )
                case left:
                    said.append(
                        f"Put aside what is left of reel {self.reel}: "
                        f"{counted(left, 'part')}."
                    )
        said += self.by_decision
        said += [f"The reel is also in product {one}." for one in self.other_products]
        said += [
            f"Build {one.build}: {counted(one.units, 'unit')} without serial left on "
            f"{day_of(one.shipped_at)} for {one.destination}; any may have such a part."
            for one in self.without_serial
        ]
        return tuple(said)


def records_about(
    store: Store, product: str, ranges: Iterable[str], subject: str
) -> Records:
    """Ask the Store for what the containment of a finding, or a reel, rests on.

    That is the builds that it may concern, and the last `USUAL_BUILDS` that were opened
    before the newest of them: what is usual shows there. However long the history is,
    no other build is read; where there are only a few, all are.

    Parameters
    ----------
    ranges
        Keys of all ranges of the product.
    subject
        Id of a finding, or a reel; of one that is not recorded nothing is found.
    """
    signal = _signal(store, product, subject)
    reel = subject if signal is None else signal.reel
    named = {reel} if reel else set()
    serials = {
        one.serial
        for one in store.rows(ContainmentStep, product=product, subject=subject)
    }
    if signal is not None:
        named.add(signal.build)
        serials |= {serial for serial, _ in signal.basis.carrying}
    opened = store.rows(Build, product=product)
    if len(opened) <= FEW_BUILDS:
        return Records.of(store, product, ranges)
    named |= set(_usual_builds(store, product, named, opened))
    records = Records.of(store, product, ranges, about=sorted(named))
    if beside := {one for one in serials if not records.is_unit(one)}:
        records = Records.of(store, product, ranges, about=sorted(named | beside))
    return records


def _usual_builds(
    store: Store, product: str, named: Collection[str], builds: Iterable[Build]
) -> list[str]:
    """Return the last builds before the newest of those that some names concern."""
    concerned = builds_about(
        store, product, named, store.rows(ReworkOf, product=product)
    )
    opened = [
        one.build for one in sorted(builds, key=lambda one: (one.opened_at, one.build))
    ]
    newest = max((opened.index(one) for one in concerned), default=0)
    before = [one for one in opened[:newest] if one not in concerned]
    return before[-USUAL_BUILDS:]


def _signal(store: Store, product: str, subject: str) -> Signal | None:
    return next(
        (
            one
            for one in store.rows(Signal, "signals", product=product)
            if one.signal == subject
        ),
        None,
    )


def contain(
    store: Store,
    records: Records,
    subject: str,
    product: ProductModel | None = None,
) -> Containment:
    """Return what a finding, or a reel, concerns.

    Parameters
    ----------
    subject
        Id of a finding, or a reel.
    product
        Whose. A finding that may be of several parts is of those that are left after
        what was measured; left out, of all of them.

    Raises
    ------
    storage.errors.NotFoundError
        Neither a finding nor a reel is called so.
    """
    signal = _signal(store, records.product, subject)
    if signal is not None and product is not None:
        signal = narrowed(signal, proofs_on(store, signal), product)
    reel = subject if signal is None else signal.reel
    if signal is None and all(one.reel != subject for one in records.reels):
        raise NotFoundError(kind="finding or reel", key=subject)
    steps = store.rows(ContainmentStep, product=records.product, subject=subject)
    uses = [] if reel is None else store.rows(Fitting, reel=reel)
    (known,) = store.rows(KnownUnits, product=records.product)
    return of_records(
        records, subject, signal, steps=steps, uses=uses, all_units=known.units
    )


def of_records(
    records: Records,
    subject: str,
    signal: Signal | None,
    *,
    steps: Sequence[ContainmentStep] = (),
    uses: Sequence[Fitting] = (),
    all_units: int | None = None,
) -> Containment:
    """Return what is concerned, from rows that were asked for already.

    Parameters
    ----------
    all_units
        Units of the product; left out, those of the records.
    """
    reel = subject if signal is None else signal.reel
    probability = (
        _of_reel(records, subject)
        if signal is None
        else who_carries.probabilities(records, signal)
    )
    range_ = _range(records, subject) if signal is None else signal.range
    part = _part(records, subject) if signal is None else sentences.part_names(signal)
    either = signal is not None and bool(signal.basis.possible_parts)
    swap = f"replace {part}" if part else "rework"
    if either:
        swap = f"measure {part} four-wire, replace the one that is off"
    predicted = (
        who_carries.foretold(records, range_, probability, signal)
        if range_ is not None
        else None
    )
    levels = () if range_ is None else who_carries.levels(records, range_)
    latest = {one.serial: one.step for one in steps}
    limit_ppm = _limit(records, range_)
    cause = None if signal is None else signal.cause
    units = tuple(
        _concerned(
            records,
            unit,
            probability=probability[unit.serial],
            range_=range_,
            limit_ppm=limit_ppm,
            swap=swap,
            predicted=predicted,
            levels=levels,
            step=latest.get(unit.serial),
            cause=cause,
        )
        for unit in records.units
    )
    builds = {one.build for one in units if one.where != CLEAR}
    gone = signal is not None and not signal.standing
    if reel is not None and not gone:
        builds |= {one.build for one in records.fittings if one.reel == reel}
    others = {str(one.product) for one in uses} - {records.product}
    return Containment(
        subject=subject,
        product=records.product,
        range=range_,
        part=part,
        reel=reel,
        units=units,
        all_units=len(units) if all_units is None else all_units,
        leftover_parts=None if reel is None else leftover(records, reel),
        other_products=tuple(sorted(others)),
        without_serial=tuple(one for one in records.past if one.build in builds),
        withdrawn=concerns_nobody(signal) if signal is not None and gone else None,
        either=either,
        by_decision=by_decision(
            left
            for one in units
            if one.where in (Place.SHIPPED, Place.RESELLER)
            and (left := records.shipment_of(one.serial)) is not None
        ),
    )


def _of_reel(records: Records, reel: str) -> dict[str, float]:
    carriers = {unit.serial for unit, _ in records.carriers(reel)}
    return {unit.serial: float(unit.serial in carriers) for unit in records.units}


def _part(records: Records, reel: str) -> str | None:
    return next((one.part for one in records.fittings if one.reel == reel), None)


def _range(records: Records, reel: str) -> str | None:
    """Return the range on which a reel's carriers read farthest off, if measured."""
    worst: dict[str, float] = {}
    for unit, _ in records.carriers(reel):
        for key, one in records.errors_of(unit.serial).items():
            worst[key] = max(worst.get(key, 0.0), abs(float(one.error_ppm)))
    return max(worst, key=worst.__getitem__, default=None)


def _concerned(
    records: Records,
    unit: Unit,
    *,
    probability: float,
    range_: str | None,
    limit_ppm: float,
    swap: str,
    predicted: who_carries.Foretold | None,
    levels: Sequence[who_carries.Level],
    step: str | None,
    cause: Cause | None,
) -> Concerned:
    serial = unit.serial
    errors = records.errors_of(serial)
    result = errors.get(range_) if range_ is not None else _farthest(errors)
    limit = limit_ppm
    place = records.place(unit)
    where = str(place)
    if probability < who_carries.NEGLIGIBLE:
        where = CLEAR
    elif place is Place.IN_HOUSE:
        where = where_now(records, unit)  # whether it is held, or in doubt
    shipped = records.shipment_of(serial)
    error = low = high = outside = nan
    verdict = None
    if result is not None:
        error, spread = float(result.error_ppm), float(result.uncertainty_ppm)
        limit, verdict = float(result.limit_ppm), str(result.verdict)
        low, high = error - COVERAGE * spread, error + COVERAGE * spread
        outside = who_carries.outside(result)
    elif predicted is not None and where != CLEAR:
        error = predicted.centre_ppm
        low, high = predicted.interval()
        outside = (
            nan if isnan(limit) else probability * predicted.outside(limit, levels)
        )
    return Concerned(
        where=where,
        serial=serial,
        build=unit.build,
        destination=None if shipped is None else shipped.destination,
        probability=probability,
        measured=result is not None,
        error_ppm=error,
        low_ppm=low,
        high_ppm=high,
        limit_ppm=limit,
        verdict=verdict,
        nonconforming=outside,
        todo=_todo(where, swap, outside=outside, cause=cause),
        step=step,
    )


def _farthest(errors: Mapping[str, LatestResult]) -> LatestResult | None:
    """Return the result nearest to, or farthest beyond, its limit."""
    return max(errors.values(), key=who_carries.of_limit, default=None)


def _limit(records: Records, range_: str | None) -> float:
    """Return the latest limit of a range, or of any; NaN where nothing was judged."""
    for one in reversed(records.errors):
        if range_ in (None, one.range):
            return float(one.limit_ppm)
    return nan


def _todo(where: str, swap: str, *, outside: float, cause: Cause | None) -> str:
    if where == CLEAR:
        return "nothing"
    here = where not in (Place.SHIPPED, Place.RESELLER, Place.SCRAPPED)
    if cause is Cause.BENCH and here:
        return "measure again on a bench that is in control"
    if cause is Cause.UNIT and here and outside < LIKELY:
        return "seat it and its leads again; measure once more"
    bad = outside >= LIKELY
    tell = "tell the customer; send the correction card"
    worse = "tell the customer; offer replacement or the correction card"
    hand = f"keep; {swap}, measure again" if bad else "keep; decide on the hold"
    return {
        str(Place.UNFINISHED): f"stop; {swap}, then measure",
        str(Place.IN_HOUSE): hand,
        HELD: hand,
        IN_DOUBT: hand,
        str(Place.RESELLER): "ask the reseller to stop selling and send it back",
        str(Place.SHIPPED): worse if bad else tell,
        str(Place.RETURNED): f"{swap}; measure again",
        str(Place.SCRAPPED): "nothing; it is scrap",
    }[where]
