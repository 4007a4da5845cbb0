"""The source off from any process: by the daemon where it answers, else directly.

What a person asks with `holdpoint bench off`, and a service manager as its stop
step. A daemon that hangs, was stopped or was killed does not matter: the source is
then told over a line of this process's own.
"""

from config import HoldpointError, Settings, load
from daemon.bench import OFF_PATIENCE_S, Orders, OutputNotOffError, turn_off
from daemon.service.client import OFF_S, Client, RefusedOrderError
from daemon.service.home import Home
from storage import UnreachableError


class NoSourceError(HoldpointError):
    """There is nothing to turn off."""


def source_off(home: Home) -> str | None:
    """Turn the source off, and see that it is.

    Returns
    -------
    str or None
        Why it could not be shown to be off, or None.

    Raises
    ------
    NoSourceError
        No daemon left word of a source, and the settings name none that can be told.
    """
    try:
        with Client.of(home.data) as client:
            client.source_off()
    except (UnreachableError, RefusedOrderError):
        return turn_off(orders_of(home), OFF_PATIENCE_S)
    return None


def can_say_off(home: Home) -> bool:
    """Whether the source can be asked if its output is off.

    Raises
    ------
    NoSourceError
        There is no source that can be told.
    """
    return orders_of(home).profile["output"] is not None


def reach_for_source(orders: Orders) -> None:
    """Turn the source off over a line of its own, and see that it is.

    Raises
    ------
    OutputNotOffError
        It could not be shown to be off.
    """
    reason = turn_off(orders, OFF_S / 2)  # whoever asked the daemon waits for OFF_S
    if reason is not None:
        raise OutputNotOffError(
            role="source",
            address=orders.instrument["address"],
            command=orders.profile["output_off"],
            reason=reason,
        )


def orders_of(home: Home, settings: Settings | None = None) -> Orders:
    """Return how to turn the source off: the daemon's own words before the settings.

    The settings may have changed since the daemon opened the bench.

    Parameters
    ----------
    settings
        As loaded; else the home's are.

    Raises
    ------
    NoSourceError
        No daemon left word of a source, and the settings name none that can be told.
    """
    if home.orders.exists():
        return Orders.load(home.orders)
    settings = settings or load(home.folder)
    if settings.bench is None:
        message = "bench.toml is missing: there is no source to turn off"
        raise NoSourceError(message)
    profile = settings.profiles.get(settings.bench.source.profile)
    if profile is None:
        message = "the source is set by hand: turn it off at the instrument"
        raise NoSourceError(message)
    return Orders.of(settings.bench.source, profile)
