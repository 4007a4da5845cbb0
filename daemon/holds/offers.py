"""The ends that are offered of holds whose reason stands no more."""

from collections.abc import Iterable, Sequence

from daemon.holds.policy import EndOffer, end_offer, measured_right
from storage import Cause, CheckRow, HoldState, LatestResult, Scope, Signal, Store


def offered_ends(
    store: Store,
    product: str,
    holds: Iterable[HoldState],
    raised: Sequence[Signal],
    after: Sequence[Signal],
) -> dict[str, EndOffer]:
    """Return by hold the end that is offered to whoever decides.

    Parameters
    ----------
    holds
        Those that ended are left out.
    raised
        Findings as they were raised, in their latest revisions.
    after
        The same after what was measured to settle them.
    """
    found = {one.signal: one for one in raised}
    # Reels of several possible parts are held; a part that was measured and is good
    # leaves its reel without a reason. Whose fault it is decides nothing else here.
    for now in after:
        several = now.signal in found and found[now.signal].basis.possible_parts
        if several and now.standing and now.cause is Cause.REEL:
            found[now.signal] = now
    offers: dict[str, EndOffer] = {}
    for one in holds:
        if one.disposal is not None:
            continue
        offer = end_offer(one, found.get(one.signal or ""))
        if offer is None and one.scope is Scope.UNIT and one.signal is None:
            latest = store.rows(LatestResult, product=product, serial=one.subject)
            last = max((row.number for row in latest), default=0)
            checks = store.rows(
                CheckRow, product=product, after=last - 1, serial=one.subject
            )
            offer = measured_right(
                one, latest, [row for row in checks if row.number == last]
            )
        if offer is not None:
            offers[one.hold] = offer
    return offers
