"""Which unit of which build an order means, and whether it may be measured."""

import re
from collections.abc import Sequence
from typing import Any

from daemon.presentation import to_copy
from daemon.station.orders import RefusedError
from storage import Build, NotFoundError, Store, Unit, require_id


def require_measurable(
    store: Store, product: str, serial: str, *, build: str | None, again: bool
) -> str:
    """Return the build of a unit that is to be measured; ask before it is read.

    Parameters
    ----------
    build
        The one that was named, if any.
    again
        Whether the unit may be measured again.

    Raises
    ------
    RefusedError
        No build is open; the unit is of another build, or was measured before.
    storage.errors.NotFoundError
        There is no such build.
    storage.errors.RefusedValueError
        No unit can be called so.
    """
    require_id("serial", serial)
    found = build_of(store, product, build=build, serial=serial)
    mine = store.rows(Unit, serial=serial)
    if mine and mine[0].product != product:
        message = f"unit {serial} is of product {mine[0].product}"
        raise RefusedError(message)
    if mine and mine[0].build != found:
        edit = to_copy.decided("unit", "edit", serial, "--serial", "SERIAL")
        message = (
            f"unit {serial} is of build {mine[0].build}, not {found}; where that one's "
            f"serial was typed wrong, give it the right one: `{edit}`"
        )
        raise RefusedError(message)
    first_run(store, serial, again=again)
    return found


def require_all_measurable(
    store: Store,
    product: str,
    serials: Sequence[str],
    *,
    build: str | None,
    again: bool,
) -> dict[str, str]:
    """Return the builds that units go into, by serial.

    A list of which one unit cannot be measured is refused, before any is ordered.
    Parameters are those of `require_measurable`, and so are its errors; units that
    were measured before are named all at once.
    """
    builds = {
        serial: require_measurable(store, product, serial, build=build, again=True)
        for serial in serials
    }
    known = [] if again else [one for one in serials if _earlier(store, one)]
    if not known:
        return builds
    rest = "" if len(known) == len(serials) else ", or leave them out"
    message = (
        f"measured before: {', '.join(known)}. Nothing was ordered. To measure them "
        f"again, say --rerun{rest}"
    )
    raise RefusedError(message)


def build_of(
    store: Store, product: str, *, build: str | None, serial: str | None
) -> str:
    """Return the build that is meant: the named one, else the unit's, else the newest.

    Raises
    ------
    RefusedError
        No build is open.
    storage.errors.NotFoundError
        There is no such build.
    """
    builds = store.rows(Build, product=product)
    if not builds:
        message = "no build is open; open one first, such as `holdpoint build open B-1`"
        raise RefusedError(message)
    if build is not None:
        if build not in {one.build for one in builds}:
            raise NotFoundError(kind="build", key=build)
        return build
    if serial is not None and (known := store.rows(Unit, serial=serial)):
        return known[0].build
    return max(builds, key=lambda one: (one.opened_at, one.build)).build


def first_run(store: Store, serial: str, *, again: bool) -> str | None:
    """Return a unit's first run; None where it was never measured.

    Parameters
    ----------
    again
        Whether it may be measured again.

    Raises
    ------
    RefusedError
        It was measured before and may not be.
    """
    earlier = _earlier(store, serial)
    if not earlier:
        return None
    if not again:
        message = (
            f"unit {serial} was measured before; it is measured again as a rerun only "
            f"(`holdpoint measure {serial} --rerun`, and --typed where you type what "
            "you read)"
        )
        raise RefusedError(message)
    return str(earlier[0]["run"])


def _earlier(store: Store, serial: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = store.table("first_run", serial=serial).to_pylist()
    return found


def next_serial(build: str, last: str | None) -> str:
    """Return the serial after the build's last, counted on in its last digits.

    >>> next_serial("B3", "PA-0099")
    'PA-0100'
    >>> next_serial("B3", None)
    'B3-001'
    """
    if last is None:
        return f"{build}-001"
    counted = re.fullmatch(r"(.*?)(\d+)(\D*)", last)
    if counted is None:
        return f"{last}-2"
    head, digits, tail = counted.groups()
    return f"{head}{int(digits) + 1:0{len(digits)}d}{tail}"
