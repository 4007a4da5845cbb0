"""One unit that is far off alone: said, and taken back when it is measured again."""

from collections.abc import Iterable

from daemon.judging import ProductModel
from daemon.watch.events import CheckErrors, UnitErrors
from daemon.watch.fold import Fold
from daemon.watch.register import Register
from daemon.watch.segment import OddUnit
from daemon.watch.signals import Said, odd_signal, withdrawn
from storage import SPEAKS_FOR, Signal


def odd_units(
    fold: Fold,
    register: Register,
    product: ProductModel,
    event: UnitErrors | CheckErrors | None,
    builds: Iterable[str],
) -> list[Signal]:
    """Say which unit alone is far off; take back what was measured again.

    Parameters
    ----------
    fold, register, product
        What was measured, and what was said of it.
    event
        What came in its turn; None where records changed.
    builds
        Where something may be said now that was not, or no more.
    """
    said = []
    for build in builds:
        odd = [one for segment in fold.segments_of(build) for one in segment.odd]
        odd.sort(key=lambda one: one.unit.number)
        since = -1 if event is None else event.number
        new = [one for one in odd if one.unit.number >= since]
        said += _found(register, product, new)
        said += _taken_back(fold, register, product, build, odd)
    return said


def _found(
    register: Register, product: ProductModel, new: Iterable[OddUnit]
) -> list[Signal]:
    said = []
    for odd in new:
        if register.is_of_reel(odd):
            continue
        key = odd.unit.serial, odd.place
        name = register.odd_names.get(key)
        if name is not None and register.said[name].signal.number == odd.unit.number:
            continue
        before = None if name is None else register.said[name].signal
        name = name or register.new_name(odd.unit.build)
        register.odd_names[key] = name
        signal = odd_signal(
            odd,
            product,
            said=Said(
                signal=name,
                revision=1 if before is None else before.revision + 1,
                number=odd.unit.number,
                at=odd.unit.at,
                raised_serial=odd.unit.serial,
            ),
        )
        said.append(signal)
        register.keep(signal)
    return said


def _taken_back(
    fold: Fold,
    register: Register,
    product: ProductModel,
    build: str,
    odd: Iterable[OddUnit],
) -> list[Signal]:
    said = []
    for one in register.odd_of(build):
        number = one.signal.number
        if not one.signal.standing or one.signal.range is None:
            continue
        place = product.keys.index(one.signal.range)
        instead = register.began(build, place, number, fold.units_of(build))
        if instead is None and any(each.unit.number == number for each in odd):
            continue
        serial = one.signal.first_serial
        if fold.is_struck(number):
            why = f"unit {serial} was measured again and reads like the others"
        elif instead is not None:
            why = f"{SPEAKS_FOR}{instead}"
        else:
            why = "units measured since read like it"
        last = fold.active.units[-1] if fold.active else None
        taken_back = withdrawn(
            one.signal,
            why,
            number=number if last is None else max(last.number, number),
            at=one.signal.made_at if last is None else last.at,
        )
        said.append(taken_back)
        register.keep(taken_back)
    return said
