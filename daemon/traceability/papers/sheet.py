"""What the sheet for the bench says: what to connect, range by range, what is allowed.

Cautions are common practice, no source; they defer to local rules.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime

from config import Settings, Unit, spell
from daemon.bench import levels_of
from daemon.judging import ProductModel, RangeModel
from daemon.presentation import figures
from daemon.presentation.documents import Board, RangeToConnect
from daemon.presentation.documents.unit import BuildSheet
from daemon.traceability.papers.build import reels_of_build, state_of
from storage import Store, Unit as UnitOfBuild


def build_sheet(
    store: Store,
    product: ProductModel,
    build: str,
    serials: Sequence[str] = (),
    *,
    settings: Settings,
    issued_at: datetime,
    issuer: str,
) -> BuildSheet:
    """Return what lies on the bench while a build is measured.

    Parameters
    ----------
    serials
        Of its boards; those known of the build where none is given.
    settings
        Which say how the bench drives each range.

    Raises
    ------
    storage.errors.NotFoundError
        There is no such build.
    """
    name = product.settings.name
    row = state_of(store, name, build)
    known = store.rows(UnitOfBuild, product=name, build=build)
    listed = serials or [one.serial for one in known]
    return BuildSheet(
        number=f"BS-{build}",
        issued_at=issued_at,
        issuer=issuer,
        product=product.settings.title,
        build=build,
        planned=row.planned_units,
        ranges=tuple(_to_connect(one, settings) for one in product.ranges),
        boards=tuple(Board(serial=one) for one in listed),
        reels=reels_of_build(store, name, build),
        cautions=tuple(_cautions(settings)),
        leads=tuple(_leads(settings)),
    )


def _to_connect(one: RangeModel, settings: Settings) -> RangeToConnect:
    """Return how one range is driven, what comes out of it, and what is allowed."""
    into, out_of = Unit(settings.product.input_unit), Unit.VOLT
    reading = settings.plan.reading.of(one.key)
    levels = levels_of(reading, one.settings.full_scale, one.settings.limit.points)
    highest = max(levels, key=abs)
    volts = float(f"{one.nominal_transfer * highest:.4g}")
    return RangeToConnect(
        title=one.title,
        selector=one.settings.selector or "",
        levels=", ".join(
            "0" if level == 0 else spell(float(f"{level:.6g}"), into)
            for level in levels
        ),
        expected=spell(volts, out_of),
        limit=figures.limit(one.settings.limit),
    )


def _leads(settings: Settings) -> Iterator[tuple[str, str]]:
    """Say what is connected to what."""
    bench = settings.bench
    if bench is None:
        yield "Reference meter", "reads what goes into the unit"
        yield "Output meter", "across the unit's output"
        return
    current = Unit(settings.product.input_unit) is Unit.AMPERE
    through = bench.reference_is.standard_ohm
    yield (
        "Source",
        "to the unit's input, through the reference meter"
        if (current and through is None)
        else "to the unit's input",
    )
    if through is not None:
        yield (
            "Reference meter",
            f"across {spell(through, Unit.OHM)} in series with the unit's input",
        )
    elif current:
        yield "Reference meter", "in series with the source and the unit's input"
    else:
        yield "Reference meter", "across the unit's input"
    yield "Output meter", "across the unit's output"
    if bench.check_standard is not None:
        serials = " and ".join(one.serial for one in bench.standards)
        yield "First", f"check standard {serials}, then the units"


def _cautions(settings: Settings) -> Iterator[str]:
    """Say what can hurt somebody or the unit, with this bench's own limits."""
    bench = settings.bench
    product = settings.product
    if bench is not None:
        yield (
            f"Where the loop is open the source goes up to "
            f"{spell(bench.compliance_v, Unit.VOLT)} (compliance): a lead that is off, "
            "a range switch between two positions."
        )
    survives = spell(product.input_absolute_maximum_v, Unit.VOLT)
    yield f"The unit's input survives {survives} at most."
    yield "Move leads and range switches only while the source is off or at zero."
    yield (
        "An energised board may be hot and hold charge. Disconnect it before you touch "
        "it: a source that is off by program is no isolation."
    )
    yield "Never leave an energised board alone."
    yield (
        "Your local electrical-safety rules and the instruments' manuals come first. "
        "Work on live parts is for people who are licensed for it."
    )
