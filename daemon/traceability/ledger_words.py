"""What a decision in the ledger was on, as a person calls it."""

import json
from collections.abc import Mapping

from daemon.presentation import held
from storage import Amended, Amendment, Hold, Store


def decided_on(store: Store) -> Mapping[str, str]:
    """Return by subject of a decision what it was on, where its id does not say so.

    That is a hold that a person placed, and a shipment that was undone.
    """
    found = {
        one.hold: f"{held(one)} (hold {one.hold})"
        for one in store.rows(Hold)
        if one.subject not in one.hold
    }
    for undone in store.rows(Amendment, kind=Amended.SHIPMENT):
        serial = json.loads(undone.before)["serial"]
        found[undone.subject] = f"shipment of unit {serial}"
    return found
