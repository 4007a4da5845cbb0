"""Reel to part to build to serial to shipment, and back."""

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Self, TypeVar

from config import HoldpointError, Part as PlannedPart
from daemon.holds import by_reason, checks_of, doubted, told
from daemon.presentation import capital, counted, off_plan, ohm, spans, to_copy
from daemon.presentation.figures import day_of, measured, moment, share_of
from daemon.traceability.held import Held, holds_of
from storage import (
    Build,
    BuildState,
    Disposal,
    Fitting,
    Label,
    LatestResult,
    NotFoundError,
    PastShipment,
    Reel,
    ReelCheck,
    ReelReceipt,
    RefusedValueError,
    ReworkKind,
    ReworkOf,
    Row as StoredRow,
    Scope,
    ShipmentState,
    Store,
    Unit,
    begins,
    concerns,
    reels_of,
    serial_order,
)

Row = Mapping[str, Any]
HELD, IN_DOUBT = "in the house, held", "in the house, in doubt"
"""Said of units that are here and must not leave, in place of where they are."""
R = TypeVar("R", bound=StoredRow)


class Place(StrEnum):
    """Where a unit is."""

    UNFINISHED = "unfinished boards"
    IN_HOUSE = "in the house"
    RESELLER = "at resellers"
    SHIPPED = "shipped"
    RETURNED = "returned"
    SCRAPPED = "scrapped"


class ContradictionError(HoldpointError):
    """A record that others contradict."""

    def __init__(self, *, reel: str, detail: str) -> None:
        self.reel = reel
        self.detail = detail
        super().__init__(
            f"reel {reel} cannot feed it: {detail}; with --anyway it is recorded all "
            "the same"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Carrying:
    """Units of some builds, and which reels they carry: what a question costs least."""

    units: Sequence[Unit]
    fittings: Sequence[Fitting]
    reworks: Sequence[ReworkOf]
    _fitted: Mapping[str, Sequence[Fitting]] = field(repr=False)
    _replaced: Mapping[str, Sequence[ReworkOf]] = field(repr=False)
    _carried: dict[str, dict[str, str]] = field(repr=False, default_factory=dict)
    """Reels of the units that were asked about, by part: asked again and again."""

    @classmethod
    def of_builds(
        cls,
        store: Store,
        product: str,
        builds: Sequence[str],
        reworks: Sequence[ReworkOf],
    ) -> "Carrying":
        """Ask the Store for the units of some builds.

        Parameters
        ----------
        reworks
            Of the product, oldest first.
        """
        several = json.dumps(builds)
        fittings = store.rows(Fitting, product=product, build_in=several)
        return Carrying(
            units=store.rows(Unit, product=product, build_in=several),
            fittings=fittings,
            reworks=reworks,
            _fitted=fitted_by_build(fittings),
            _replaced=replaced_by_unit(reworks),
        )

    def reels_of(self, unit: Unit) -> dict[str, str]:
        """Return the reel that each part of a unit comes from, by part."""
        found = self._carried.get(unit.serial)
        if found is None:
            found = self._carried[unit.serial] = reels_of(
                unit.serial,
                self._fitted.get(unit.build, ()),
                self._replaced.get(unit.serial, ()),
            )
        return found


def fitted_by_build(fittings: Iterable[Fitting]) -> dict[str, list[Fitting]]:
    """Return what is fitted, by build."""
    found: dict[str, list[Fitting]] = {}
    for one in fittings:
        found.setdefault(one.build, []).append(one)
    return found


def replaced_by_unit(reworks: Iterable[ReworkOf]) -> dict[str, list[ReworkOf]]:
    """Return the parts that were replaced, by serial."""
    found: dict[str, list[ReworkOf]] = {}
    for one in reworks:
        if one.kind == ReworkKind.REPLACE:
            found.setdefault(one.serial, []).append(one)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Records(Carrying):
    """What is recorded about a product's units, reels and moves, as rows.

    About some subjects: of the builds that they concern, with all their units.
    """

    product: str
    ranges: tuple[str, ...]
    builds: Sequence[BuildState]
    reels: Sequence[Reel]
    receipts: Sequence[ReelReceipt]
    errors: Sequence[LatestResult]
    holds: Sequence[Held]
    shipments: Sequence[ShipmentState]
    past: Sequence[PastShipment]
    doubted: Mapping[str, tuple[str, ...]]
    """By serial why its latest results are in doubt."""
    checks: Mapping[str, tuple[ReelCheck, ...]]
    """Loose parts that were measured, by reel."""
    _units: Mapping[str, Unit] = field(repr=False)
    _errors: Mapping[str, Mapping[str, LatestResult]] = field(repr=False)
    _moves: Mapping[str, ShipmentState] = field(repr=False)
    _held: "_HeldBySubject" = field(repr=False)

    @classmethod
    def of(
        cls,
        store: Store,
        product: str,
        ranges: Iterable[str],
        *,
        about: Collection[str] | None = None,
    ) -> Self:
        """Ask the Store for all of it, or for what concerns some subjects.

        Parameters
        ----------
        about
            Serials, reels or builds. The builds of their units, and those that they are
            fitted in, are asked for; of reels they and those fitted in these builds.
            One that is not recorded has no build at all. Left out, everything.
        """
        reworks = store.rows(ReworkOf, product=product)
        builds = None if about is None else builds_about(store, product, about, reworks)

        def of_builds(kind: type[R]) -> list[R]:
            """Return rows of a kind, in the order in which all of them come."""
            if builds is None:
                return store.rows(kind, product=product)
            several = "build_in" if kind in {Unit, Fitting} else "builds"
            # All at once: a question costs more than the rows of many builds.
            return store.rows(kind, product=product, **{several: json.dumps(builds)})

        units = of_builds(Unit)
        errors = sorted(of_builds(LatestResult), key=lambda one: one.number)
        shipments = sorted(
            of_builds(ShipmentState), key=lambda one: (one.shipped_at, one.shipment)
        )
        fittings = sorted(
            of_builds(Fitting), key=lambda one: (one.fitted_at, one.fitting)
        )
        by_unit: dict[str, dict[str, LatestResult]] = {}
        for one in errors:
            by_unit.setdefault(one.serial, {})[one.range] = one
        replaced = replaced_by_unit(reworks)
        holds = holds_of(store, product)
        return cls(
            product=product,
            ranges=tuple(ranges),
            builds=of_builds(BuildState),
            units=tuple(
                sorted(units, key=lambda one: (serial_order(one.serial), one.build))
            ),
            fittings=fittings,
            reels=store.rows(Reel)
            if about is None
            else _reels_of(store, about, fittings, replaced, units),
            receipts=store.rows(ReelReceipt)
            if about is None
            else store.rows(ReelReceipt, reel_in=json.dumps([*about])),
            errors=errors,
            holds=holds,
            shipments=shipments,
            past=store.rows(PastShipment, product=product),
            reworks=reworks,
            doubted=doubted(store, product),
            checks=checks_of(store),
            _units={one.serial: one for one in units},
            _errors=by_unit,
            _moves={one.serial: one for one in shipments},
            _fitted=fitted_by_build(fittings),
            _replaced=replaced,
            _held=_HeldBySubject.of(holds),
        )

    def unit(self, serial: str) -> Unit:
        """Return a unit.

        Raises
        ------
        storage.errors.NotFoundError
            No unit of the product has this serial.
        """
        if serial not in self._units:
            raise NotFoundError(kind="serial", key=serial)
        return self._units[serial]

    def is_unit(self, name: str) -> bool:
        """Whether a unit has this serial."""
        return name in self._units

    def errors_of(self, serial: str) -> Mapping[str, LatestResult]:
        """Return the latest result of each range of a unit."""
        return self._errors.get(serial, {})

    def reels_before_rework(self, unit: Unit) -> dict[str, str]:
        """Return the reel of each part as the unit was built."""
        return reels_of(unit.serial, self._fitted.get(unit.build, ()), ())

    def replacements(self, serial: str) -> list[ReworkOf]:
        """Return the parts that were replaced on a unit, oldest first."""
        mine = self._replaced.get(serial, ())
        return sorted(mine, key=lambda one: one.reworked_at)

    def shipment_of(self, serial: str) -> ShipmentState | None:
        """Return a unit's latest shipment, None when it never left."""
        return self._moves.get(serial)

    def holds_on(self, unit: Unit) -> list[Held]:
        """Return the holds that concern a unit, ended ones too."""
        reels = set(self.reels_of(unit).values())
        return [
            one
            for one in self._held.perhaps(unit, reels)
            if concerns(one, serial=unit.serial, build=unit.build, reels=reels)
        ]

    def place(self, unit: Unit) -> Place:
        """Return where a unit is."""
        left = self.shipment_of(unit.serial)
        if left is not None and left.returned_at is None:
            return Place.RESELLER if left.reseller else Place.SHIPPED
        if any(one.disposal == Disposal.SCRAP for one in self.holds_on(unit)):
            return Place.SCRAPPED
        if left is not None:
            return Place.RETURNED
        measured = self.errors_of(unit.serial)
        if any(key not in measured for key in self.ranges):
            return Place.UNFINISHED
        return Place.IN_HOUSE

    def carriers(self, reel: str) -> list[tuple[Unit, str]]:
        """Return the units that carry a reel, each with its part, in order."""
        return [
            (unit, part)
            for unit in self.units
            for part, fitted in self.reels_of(unit).items()
            if fitted == reel
        ]


@dataclass(frozen=True, slots=True)
class _HeldBySubject:
    """Holds by what they stand on, each with its place among all."""

    named: Mapping[str, Sequence[tuple[int, Held]]]
    spanned: Sequence[tuple[int, Held]]
    """Those on a range of serials, which names no unit."""

    @classmethod
    def of(cls, holds: Iterable[Held]) -> Self:
        named: dict[str, list[tuple[int, Held]]] = {}
        spanned = []
        for place, one in enumerate(holds):
            if one.scope is Scope.SERIALS:
                spanned.append((place, one))
            else:
                named.setdefault(one.subject, []).append((place, one))
        return cls(named, spanned)

    def perhaps(self, unit: Unit, reels: Iterable[str]) -> list[Held]:
        """Return those that may concern a unit, in the order of all."""
        found = dict(self.spanned)
        for subject in (unit.serial, unit.build, *reels):
            found |= dict(self.named.get(subject, ()))
        return [found[place] for place in sorted(found)]


def builds_about(
    store: Store, product: str, about: Collection[str], reworks: Iterable[ReworkOf]
) -> list[str]:
    """Return the builds that serials, reels or builds concern, oldest first."""
    several = json.dumps([*about])
    named = {one.build for one in reworks if one.reel and one.reel in about}
    named |= {
        *about,
        *(o.build for o in store.rows(Unit, product=product, serial_in=several)),
        *(o.build for o in store.rows(Fitting, product=product, reel_in=several)),
    }
    found = store.rows(Build, product=product, build_in=json.dumps(sorted(named)))
    return [o.build for o in sorted(found, key=lambda o: (o.opened_at, o.build))]


def _reels_of(
    store: Store,
    about: Iterable[str],
    fittings: Iterable[Fitting],
    replaced: Mapping[str, Iterable[ReworkOf]],
    units: Iterable[Unit],
) -> list[Reel]:
    """Return the reels that units of some builds carry, and those asked about."""
    named = {*about, *(one.reel for one in fittings)}
    for unit in units:
        named |= {one.reel for one in replaced.get(unit.serial, ()) if one.reel}
    found = store.rows(Reel, reel_in=json.dumps(sorted(named)))
    return sorted(found, key=lambda one: (one.received_at, one.reel))


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """What a serial, a reel or a build is connected with, in sentences.

    `parts` and `units` are the rows and columns of its picture; `reel` is given for
    each pair, "" where none is recorded.
    """

    kind: str
    subject: str
    headline: str
    lines: tuple[str, ...]
    cells: tuple[Row, ...]


def trace(
    records: Records,
    subject: str,
    titles: Mapping[str, str] | None = None,
    *,
    with_errors: bool = False,
) -> Trace:
    """Return what a serial, a reel or a build is connected with.

    Parameters
    ----------
    titles
        What people call the ranges, by key; left out, by their keys.
    with_errors
        Whether to say what a unit read; its page shows that beside.

    Raises
    ------
    storage.errors.NotFoundError
        Nothing of this name is recorded.
    """
    if records.is_unit(subject):
        return _of_serial(records, subject, titles or {}, with_errors=with_errors)
    if any(one.reel == subject for one in records.reels):
        return _of_reel(records, subject)
    if any(one.build == subject for one in records.builds):
        return _of_build(records, subject)
    raise NotFoundError(kind="serial, reel or build", key=subject)


def _of_serial(
    records: Records, serial: str, titles: Mapping[str, str], *, with_errors: bool
) -> Trace:
    unit = records.unit(serial)
    known = {one.reel: one for one in records.reels}
    lines = list(_read(records.errors_of(serial), titles)) if with_errors else []
    for part, reel in sorted(records.reels_of(unit).items()):
        since = _replaced(records, serial, part)
        lines.append(f"{part}: reel {reel}{_source(known.get(reel))}{since}")
    lines += [reworked(one, titles) for one in records.reworks if one.serial == serial]
    lines += _moved(records, serial)
    lines += [_held(one) for one in records.holds_on(unit)]
    lines += [f"In doubt: {reason}" for reason in records.doubted.get(serial, ())]
    return Trace(
        kind="serial",
        subject=serial,
        headline=f"Unit {serial} of build {unit.build}: {where_now(records, unit)}.",
        lines=tuple(lines),
        cells=cells(records, [unit]),
    )


def _read(
    errors: Mapping[str, LatestResult], titles: Mapping[str, str]
) -> Iterator[str]:
    """Say what each range of a unit read last, and how often it was read."""
    for key, one in errors.items():
        error = measured(one.error_ppm, 2 * one.uncertainty_ppm, one.limit_ppm)
        again = f", measured {one.reruns + 1} times" if one.reruns else ""
        when, title = moment(one.started_at), titles.get(key, key)
        yield f"{when} range {title}: {error}, {one.verdict}{again}"


def _of_reel(records: Records, reel: str) -> Trace:
    row = next(one for one in records.reels if one.reel == reel)
    carriers = records.carriers(reel)
    serials = {unit.serial for unit, _ in carriers}
    lines = []
    for build in dict.fromkeys(unit.build for unit, _ in carriers):
        mine = [pair for pair in carriers if pair[0].build == build]
        for part in dict.fromkeys(part for _, part in mine):
            units = [unit.serial for unit, where in mine if where == part]
            lines.append(f"Build {build}, {part}: {spans(units)}")
    unseen = {
        (one.build, one.part)
        for one in records.fittings
        if one.reel == reel
        and one.build not in {u.build for u, _ in carriers}
        and last_from(records, one) == one
    }
    lines += [f"Build {b}, {part}: no unit yet" for b, part in sorted(unseen)]
    lines += leftover_lines(records, reel)
    lines += [told(row, one) for one in records.checks.get(reel, ())]
    lines += _places(records, [unit for unit, _ in carriers])
    concerned = [unit for unit in records.units if unit.serial in serials]
    return Trace(
        kind="reel",
        subject=reel,
        headline=f"Reel {reel}{_source(row)}: in {len(serials)} units.",
        lines=tuple(lines),
        cells=cells(records, concerned),
    )


def _of_build(records: Records, build: str) -> Trace:
    units = [one for one in records.units if one.build == build]
    carried: dict[tuple[str, str], list[str]] = {}
    for unit in units:
        for part, reel in records.reels_of(unit).items():
            carried.setdefault((part, reel), []).append(unit.serial)
    lines = [
        f"{part}: reel {reel}: {spans(serials)}"
        for (part, reel), serials in sorted(carried.items())
    ]
    lines += _places(records, units)
    lines += [
        f"{one.units} without serial left on {day_of(one.shipped_at)} "
        f"for {one.destination}"
        for one in records.past
        if one.build == build
    ]
    return Trace(
        kind="build",
        subject=build,
        headline=f"Build {build}: {len(units)} units.",
        lines=tuple(lines),
        cells=cells(records, units),
    )


def cells(records: Records, units: Iterable[Unit]) -> tuple[Row, ...]:
    """Return one row a unit and part, with its reel and where the unit is."""
    rows = []
    for unit in units:
        place = where_now(records, unit)
        for part, reel in sorted(records.reels_of(unit).items()):
            rows.append(
                {
                    "serial": unit.serial,
                    "build": unit.build,
                    "part": part,
                    "reel": reel,
                    "place": place,
                }
            )
    return tuple(rows)


def where_now(records: Records, unit: Unit) -> str:
    """Say where a unit is; of one that must stay, that it is held or in doubt."""
    place = records.place(unit)
    if place in {Place.SHIPPED, Place.RESELLER, Place.SCRAPPED}:
        return str(place)
    if any(one.disposal is None for one in records.holds_on(unit)):
        return HELD
    return IN_DOUBT if unit.serial in records.doubted else str(place)


def leftover(records: Records, reel: str) -> int | None:
    """Return how many parts of a reel are left; None when its number is unknown."""
    for one in records.receipts:
        if one.reel == reel:
            return (
                int(one.quantity)
                - len(records.carriers(reel))
                - len(taken_off(records, reel))
            )
    return None


def taken_off(records: Records, reel: str) -> list[str]:
    """Return the units that a part of a reel was taken off, once a part.

    Such a part is used: it is neither in the unit nor on the reel again.
    """
    found = []
    for unit in records.units:
        replacements = records.replacements(unit.serial)
        before = records.reels_before_rework(unit) if replacements else {}
        for rework in replacements:
            if before.get(str(rework.part)) == reel:
                found.append(unit.serial)
            before[str(rework.part)] = str(rework.reel)
    return found


def leftover_lines(records: Records, reel: str) -> list[str]:
    """Say how many parts of a reel are left."""
    left = leftover(records, reel)
    if left is None:
        return ["How many parts came with it is not recorded."]
    if left < 0:
        return [f"{-left} more parts used than received: check the records."]
    said = [f"{counted(left, 'part')} left over."]
    if off := taken_off(records, reel):
        parts = counted(len(off), "part")
        said.append(f"Not counted: {parts} taken off again, of {spans(set(off))}.")
    return said


def fitting_doubts(
    records: Records, fitting: Fitting, planned: PlannedPart
) -> list[str]:
    """Return what speaks against fitting a reel to a build; nothing is refused.

    Parameters
    ----------
    planned
        The part that it is to be, as `product.toml` has it.
    """
    reel, build = fitting.reel, fitting.build
    builds = {one.build: one for one in records.builds}
    said = [
        f"Reel {reel} is held: {one.why}"
        for one in records.holds
        if one.disposal is None and (one.scope, one.subject) == (Scope.REEL, reel)
    ]
    said += [
        told(row, checks[-1])
        for row in records.reels
        if row.reel == reel and (checks := records.checks.get(reel))
    ]
    said += [f"Reel {reel} is {one}." for one in _off_plan(records, fitting, planned)]
    said += _elsewhere(records, fitting)
    wanted = builds[build].planned_units if build in builds else None
    if wanted is not None:
        said.extend(
            f"Build {build} needs {int(wanted)} parts; {one.quantity} came on "
            f"reel {reel}."
            for one in records.receipts
            if one.reel == reel and wanted > one.quantity
        )
    return said


def _elsewhere(records: Records, fitting: Fitting) -> Iterable[str]:
    """Say on which other builds a reel is fitted last that are not measured to the end.

    No contradiction: boards that are assembled wait for the bench.
    """
    last = {(one.build, one.part): one.reel for one in records.fittings}
    on = {build for (build, _), reel in last.items() if reel == fitting.reel}
    for one in records.builds:
        if one.build == fitting.build or one.build not in on:
            continue
        coming = int(one.planned_units or 0) - int(one.units)
        if coming > 0:
            units = "1 unit is" if coming == 1 else f"{coming} units are"
            yield (
                f"Reel {fitting.reel} is on build {one.build} too, of which {units} "
                "still to come."
            )


def require_fittable(records: Records, fitting: Fitting, planned: PlannedPart) -> None:
    """Refuse to fit a reel that the records say is another part's, or used up.

    Parameters
    ----------
    planned
        The part that it is to be, as `product.toml` has it.

    Raises
    ------
    ContradictionError
        Its label says another value or a looser class than is planned for the part, or
        no part of it is left.
    """
    reel = fitting.reel
    if off := _off_plan(records, fitting, planned):
        raise ContradictionError(reel=reel, detail=f"it is {' and '.join(off)}")
    left = leftover(records, reel)
    if left is not None and left <= 0:
        raise ContradictionError(
            reel=reel,
            detail="every part that came is used already: "
            f"{len(records.carriers(reel)) + len(taken_off(records, reel))} of it",
        )


def _off_plan(
    records: Records, fitting: Fitting, planned: PlannedPart
) -> tuple[str, ...]:
    for one in records.reels:
        if one.reel == fitting.reel:
            label = Label(
                label_ohm=one.nominal_ohm,
                label_ppm=one.tolerance_ppm,
                planned_ohm=planned.nominal_ohm,
                planned_ppm=planned.tolerance_ppm,
            )
            return off_plan(fitting.part, label)
    return ()


def last_from(records: Records, fitting: Fitting) -> Fitting | None:
    """Return the last one recorded for the same part from the same unit on."""
    same = [one for one in _others(records, fitting) if _as_early(one, fitting)]
    return max(same, key=lambda one: one.fitted_at, default=None)


def _others(records: Records, fitting: Fitting) -> list[Fitting]:
    return [
        one
        for one in records.fittings
        if (one.build, one.part) == (fitting.build, fitting.part)
    ]


def _as_early(one: Fitting, fitting: Fitting) -> bool:
    return begins(one.from_serial) == begins(fitting.from_serial)


def succession(records: Records, fitting: Fitting) -> list[str]:
    """Say whose place a fitting takes, and where a recorded one goes on all the same.

    Of two from the same unit on, the one fitted later is in force.

    Raises
    ------
    storage.errors.RefusedValueError
        Another one from the same unit on was not fitted before it: this one would
        count for nothing, or which of the two counts could not be told.
    """
    since = begins(fitting.from_serial)
    later = [
        one for one in _others(records, fitting) if begins(one.from_serial) > since
    ]
    said = []
    if (last := last_from(records, fitting)) is not None:
        if last.fitted_at >= fitting.fitted_at:
            raise RefusedValueError(
                what="fitting.fitted_at",
                value=moment(fitting.fitted_at),
                allowed=f"must be later than reel {last.reel} was put on part "
                f"{fitting.part} of build {fitting.build} from the same unit on, "
                f"{moment(last.fitted_at)}: say a later day with --fitted, or another "
                "first unit with --from. Where that one was recorded by mistake, take "
                f"it back: `{to_copy.decided('fitting', 'undo', last.fitting)}`",
            )
        said.append(
            f"It takes the place of reel {last.reel}, which was recorded from the "
            "same unit on."
        )
    if later:
        first = min(begins(one.from_serial) for one in later)
        until = max(
            (one for one in later if begins(one.from_serial) == first),
            key=lambda one: one.fitted_at,
        )
        said.append(
            f"From unit {until.from_serial} on reel {until.reel} is kept, as recorded."
        )
    return said


def _source(reel: Reel | None) -> str:
    if reel is None:
        return ""
    told = [
        text
        for text in (
            reel.supplier and f"from {reel.supplier}",
            reel.lot_code and f"lot {reel.lot_code}",
        )
        if text
    ]
    return f" ({', '.join(told)})" if told else ""


def _replaced(records: Records, serial: str, part: str) -> str:
    for one in records.reworks:
        if (one.serial, one.part) == (serial, part) and one.reel:
            return f", replaced on {day_of(one.reworked_at)}"
    return ""


def reworked(rework: ReworkOf, titles: Mapping[str, str]) -> str:
    """Say what was done to a unit, when, by whom and why; ranges by their titles."""
    when, who = day_of(rework.reworked_at), rework.person
    match rework.kind:
        case ReworkKind.REPLACE:
            what = f"{rework.part} replaced from reel {rework.reel}"
        case ReworkKind.REGRADE:
            title = titles.get(rework.range or "", rework.range)
            what = f"range {title} regraded to {share_of(rework.limit_ppm or 0.0)}"
        case _:
            what = (
                f"{rework.part} trimmed by {ohm(rework.trim_ohm or 0.0)} "
                f"{rework.trim_kind}"
            )
    return f"{when} {what} by {who}: {rework.reason}"


def _moved(records: Records, serial: str) -> list[str]:
    lines = []
    for one in records.shipments:
        if one.serial != serial:
            continue
        line = f"{day_of(one.shipped_at)} left for {one.destination}"
        if one.override_reason:
            line += f", overridden by {one.person}: {one.override_reason}"
        lines.append(line)
        if one.returned_at is not None:
            when, why = one.returned_at, one.return_reason
            lines.append(f"{day_of(when)} came back: {why}")
    return lines


def by_decision(shipments: Iterable[ShipmentState]) -> tuple[str, ...]:
    """Say which units left although something spoke against it, and who decided it."""
    alike: dict[tuple[str, str, str], list[str]] = {}
    for one in shipments:
        if one.override_reason:
            who = one.person, day_of(one.shipped_at), one.override_reason
            alike.setdefault(who, []).append(one.serial)
    return tuple(
        f"{spans(serials)} left by decision of {person}, {day}: {reason.rstrip('.')}."
        for (person, day, reason), serials in alike.items()
    )


def _held(hold: Held) -> str:
    ended = "stands" if hold.disposal is None else f"ended by {hold.disposal}"
    return f"Hold on {hold.scope} {hold.subject} ({ended}): {hold.why}"


def _places(records: Records, units: Iterable[Unit]) -> list[str]:
    counts: dict[str, list[str]] = {}
    for unit in {one.serial: one for one in units}.values():
        counts.setdefault(where_now(records, unit), []).append(unit.serial)
    return [
        f"{capital(place)}: {spans(counts[place])}"
        for place in (HELD, IN_DOUBT, *map(str, Place))
        if place in counts
    ] + _in_doubt(records, units)


def _in_doubt(records: Records, units: Iterable[Unit]) -> list[str]:
    serials = dict.fromkeys(one.serial for one in units)
    why = by_reason(records.doubted, serials)
    return [f"In doubt, {spans(serials)}: {reason}" for reason, serials in why.items()]
