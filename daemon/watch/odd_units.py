"""One unit that is far off alone: said, and taken back when it is measured again."""

from daemon.judging import ProductModel
from daemon.watch.events import CheckErrors, UnitErrors
from daemon.watch.fold import Fold
from daemon.watch.register import Register
from daemon.watch.signals import Said, odd_signal, withdrawn
from storage import Signal


def odd_units(
    fold: Fold,
    register: Register,
    product: ProductModel,
    event: UnitErrors | CheckErrors | None,
) -> list[Signal]:
    """Say which unit alone is far off; take back what was measured again."""
    said = []
    for odd in fold.odd_since(event):
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
            again=fold.is_repeat(odd.unit.number),
        )
        said.append(signal)
        register.keep(signal)
    for name in list(register.odd_names.values()):
        one = register.said[name]
        number = one.signal.number
        if not one.signal.standing or any(
            odd.unit.number == number
            and not register.began(odd, fold.units_of(odd.unit.build))
            for odd in fold.odd
        ):
            continue
        serial = one.signal.first_serial
        why = (
            f"unit {serial} was measured again and reads like the others"
            if fold.is_struck(number)
            else "units measured since read like it"
        )
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
