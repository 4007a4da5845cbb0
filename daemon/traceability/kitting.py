"""Builds opened, reels received and fitted: what a person writes down, and when.

Every function is told its time: a person may record on another day what was done, and
a simulated year has a clock of its own.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from config import HoldpointError, Settings, fingerprint, model
from daemon.presentation import counted, shown_value
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

    def __init__(self, *, reel: str, differs: Sequence[str]) -> None:
        self.reel = reel
        super().__init__(
            f"reel {reel} is recorded already, and {' and '.join(differs)}. Correct it "
            f"with `holdpoint reel edit {reel}`, or give the new reel a name of its own"
        )


class KnownBuildError(HoldpointError):
    """A build that is open, and another one than is asked for."""

    def __init__(self, *, build: str, why: str) -> None:
        self.build = build
        super().__init__(
            f"build {build} is open already, {why}. `holdpoint build edit {build}` "
            "corrects the planned units; a new build needs a name of its own"
        )


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
            raise KnownBuildError(build=build, why=f"of product {known.product}")
        if planned_units not in {None, known.planned_units}:
            planned = known.planned_units
            raise KnownBuildError(
                build=build,
                why="with no units planned"
                if planned is None
                else f"with {counted(planned, 'unit')} planned",
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
        differs = [
            f"its {WORDS[name]} is {shown_value(name, was)}, not "
            f"{shown_value(name, value)}"
            for name, value in now.items()
            if value not in {None, (was := getattr(known, name))}
        ]
        if differs:
            raise KnownReelError(reel=reel, differs=differs)
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
        The product has no such part, or build or reel are not recorded.
    daemon.traceability.tracing.ContradictionError
        The reel is another part's, or used up.
    storage.errors.RefusedValueError
        Another reel was fitted from the same unit on, and not before.
    """
    planned = product.parts.get(fitting.part)
    if planned is None:
        raise NotFoundError(kind="part", key=fitting.part)
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
