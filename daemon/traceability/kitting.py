"""Builds opened, reels received and fitted: what a person writes down, and when.

Every function is told its time: a person may record on another day what was done, and
a simulated year has a clock of its own.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from config import (
    HoldpointError,
    Part as PlannedPart,
    Settings,
    Unit,
    fingerprint,
    model,
    spell,
)
from daemon.presentation import counted, shown_value, to_copy
from daemon.presentation.figures import labelled, moment
from daemon.traceability import tracing
from daemon.traceability.amending import WORDS
from storage import (
    Build,
    Configuration,
    Fitting,
    HoldState,
    NotFoundError,
    Product,
    Reel,
    ReelReceipt,
    RefusedValueError,
    Scope,
    Store,
)

__all__ = [
    "Fitted",
    "fit_reel",
    "fitting_of",
    "held_reels",
    "keep_settings",
    "open_build",
    "receive_reel",
    "require_reel",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """What became of a fitting: None where it was recorded already.

    `doubts` speak against it, `succession` says whose place it takes.
    """

    fitting: Fitting | None
    doubts: tuple[str, ...] = ()
    succession: tuple[str, ...] = ()


class KnownReelError(HoldpointError):
    """A reel that is recorded, with something else."""

    def __init__(
        self, *, reel: str, differs: Sequence[str], options: Sequence[str]
    ) -> None:
        self.reel = reel
        edit = to_copy.decided("reel", "edit", reel, *options)
        super().__init__(
            f"reel {reel} is recorded already, and {' and '.join(differs)}. Correct it "
            f"with `{edit}`, or give the new reel a name of its own"
        )


class UnknownReelError(NotFoundError):
    """A reel that was not recorded, and the command that records it."""

    def __init__(self, *, reel: str, planned: PlannedPart) -> None:
        super().__init__(kind="reel", key=reel)
        add = to_copy.command(
            "reel", "add", reel,
            "--nominal", labelled(planned.nominal_ohm, planned.tolerance_ppm),
            "--tolerance", spell(planned.tolerance_ppm, Unit.PPM),
        )  # fmt: skip
        said = (
            f"reel {reel} is not recorded yet. Record it first, with the value and "
            f"the tolerance on its label, such as `{add}`, then say this again"
        )
        self.args = (said,)


class KnownBuildError(HoldpointError):
    """A build that is open, and another one than is asked for."""

    def __init__(self, *, build: str, why: str, planned_units: int | None) -> None:
        self.build = build
        said = f"build {build} is open already, {why}. "
        if planned_units is not None:
            units = ("--units", str(planned_units))
            edit = to_copy.decided("build", "edit", build, *units)
            said += f"`{edit}` corrects the planned units; "
        super().__init__(f"{said}a new build needs a name of its own")


EDITED_BY = {
    "nominal_ohm": "--nominal",
    "tolerance_ppm": "--tolerance",
    "supplier": "--supplier",
    "lot_code": "--lot",
}
"""Options of `reel edit` that a reel said again may differ by."""


def _typed(column: str, value: object) -> str:
    """Return a value as it is typed, so that it is read back exactly."""
    if isinstance(value, float):
        return spell(value, Unit.OHM if column.endswith("_ohm") else Unit.PPM)
    return str(value)


def keep_settings(store: Store, settings: Settings, *, at: datetime) -> str:
    """Keep the settings in force and the product that rows will name.

    Returns their hash.
    """
    configuration, body = fingerprint(settings)
    store.keep(Configuration(configuration=configuration, body=body, stored_at=at))
    product = settings.product
    store.keep(Product(product=product.name, title=product.title))
    return configuration


def open_build(
    store: Store, product: str, build: str, *, planned_units: int | None, at: datetime
) -> bool:
    """Open a build; its units are measured next. Say whether it was not open yet.

    Raises
    ------
    KnownBuildError
        It is open, of another product or with other planned units.
    storage.errors.StorageError
        It was not kept.
    """
    for known in store.rows(Build, build=build):
        if known.product != product:
            why = f"of product {known.product}"
            raise KnownBuildError(build=build, why=why, planned_units=None)
        if planned_units not in {None, known.planned_units}:
            planned = known.planned_units
            raise KnownBuildError(
                build=build,
                why="with no units planned"
                if planned is None
                else f"with {counted(planned, 'unit')} planned",
                planned_units=planned_units,
            )
        return False
    store.keep(
        Build(build=build, product=product, planned_units=planned_units, opened_at=at)
    )
    return True


def receive_reel(
    store: Store,
    reel: str,
    *,
    nominal_ohm: float,
    tolerance_ppm: float,
    at: datetime,
    supplier: str | None = None,
    lot_code: str | None = None,
    receipt: ReelReceipt | None = None,
) -> None:
    """Record a reel that came in, and what came with it.

    Said twice it changes nothing, whenever it is said.

    Raises
    ------
    KnownReelError
        A reel of this name is recorded, and something else of it.
    storage.errors.StorageError
        It was not kept.
    """
    for known in store.rows(Reel, reel=reel):
        now = {
            "nominal_ohm": nominal_ohm,
            "tolerance_ppm": tolerance_ppm,
            "supplier": supplier,
            "lot_code": lot_code,
        }
        changed = {
            name: value
            for name, value in now.items()
            if value not in {None, getattr(known, name)}
        }
        if changed:
            raise KnownReelError(
                reel=reel,
                differs=[
                    f"its {WORDS[name]} is {shown_value(name, getattr(known, name))}, "
                    f"not {shown_value(name, value)}"
                    for name, value in changed.items()
                ],
                options=[
                    word
                    for name, value in changed.items()
                    for word in (EDITED_BY[name], _typed(name, value))
                ],
            )
        at = known.received_at
        supplier, lot_code = known.supplier, known.lot_code
    store.keep(
        Reel(
            reel=reel,
            nominal_ohm=nominal_ohm,
            tolerance_ppm=tolerance_ppm,
            received_at=at,
            supplier=supplier,
            lot_code=lot_code,
        )
    )
    if receipt is not None:
        store.keep(receipt)


def fitting_of(
    product: str,
    build: str,
    part: str,
    reel: str,
    *,
    from_serial: str | None,
    at: datetime,
) -> Fitting:
    """Return the record that a part of a build comes from a reel, from a unit on.

    Its id follows from what it says, so saying it twice changes nothing.

    Parameters
    ----------
    from_serial
        The first unit; None for the build's first.
    """
    return Fitting(
        fitting=f"{build}:{part}:{from_serial or ''}:{reel}",
        product=product,
        build=build,
        part=part,
        reel=reel,
        from_serial=from_serial,
        fitted_at=at,
    )


def held_reels(store: Store, product: str, reels: Collection[str]) -> list[str]:
    """Say which of some reels are held, so that no unit with them leaves."""
    held = dict.fromkeys(  # several holds may stand on one
        one.subject
        for one in store.rows(HoldState, product=product)
        if one.disposal is None and one.scope is Scope.REEL and one.subject in reels
    )
    return [
        f"Reel {one} is held: no unit with its parts leaves before the hold is ended."
        for one in held
    ]


def require_reel(store: Store, reel: str, planned: PlannedPart) -> None:
    """Refuse a reel that was not recorded, with the command that records it.

    Parameters
    ----------
    planned
        The part that it is to be, as `product.toml` has it.

    Raises
    ------
    UnknownReelError
        It is not recorded.
    """
    if not store.rows(Reel, reel=reel):
        raise UnknownReelError(reel=reel, planned=planned)


def _require_received(store: Store, fitting: Fitting) -> None:
    """Refuse a day on which the reel had not come in, and say both ways on."""
    (reel,) = store.rows(Reel, reel=fitting.reel)
    if reel.received_at > fitting.fitted_at:
        day = ("--received", f"{fitting.fitted_at:%Y-%m-%d}")
        edit = to_copy.decided("reel", "edit", reel.reel, *day)
        raise RefusedValueError(
            what="day it began to feed it",
            value=moment(fitting.fitted_at),
            allowed=f"must not be before reel {reel.reel} was received, "
            f"{moment(reel.received_at)}: say a later day with --fitted. Where the "
            f"reel came in earlier than that, correct its day: `{edit}`",
        )


def fit_reel(
    store: Store, product: model.Product, fitting: Fitting, *, anyway: bool = False
) -> Fitted:
    """Record a fitting that a person says, held against the other records.

    Parameters
    ----------
    anyway
        Record it although records contradict.

    Raises
    ------
    storage.errors.NotFoundError
        The product has no such part, or the build is not recorded.
    UnknownReelError
        The reel is not recorded.
    daemon.traceability.tracing.ContradictionError
        The reel is another part's, or used up.
    storage.errors.RefusedValueError
        Another reel was fitted from the same unit on, and not before; or this one had
        not come in yet.
    """
    planned = product.parts.get(fitting.part)
    if planned is None:
        raise NotFoundError(kind="part", key=fitting.part)
    require_reel(store, fitting.reel, planned)
    _require_received(store, fitting)
    records = tracing.Records.of(
        store, product.name, (), about=[fitting.reel, fitting.build]
    )
    last = tracing.last_from(records, fitting)
    if last is not None and last.reel == fitting.reel:
        return Fitted(fitting=None)
    if last is not None:
        # the same reel may have been here before and come back
        when = f"{fitting.fitted_at:%Y%m%dT%H%M%S}"
        fitting = replace(fitting, fitting=f"{fitting.fitting}:{when}")
    if not anyway:
        tracing.require_fittable(records, fitting, planned)
    succession = tracing.succession(records, fitting)
    doubts = tracing.fitting_doubts(records, fitting, planned)
    store.keep(fitting)
    doubts = [*held_reels(store, product.name, {fitting.reel}), *doubts]
    return Fitted(fitting=fitting, doubts=tuple(doubts), succession=tuple(succession))
