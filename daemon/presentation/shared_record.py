"""What is said of the record that several benches share."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from daemon.presentation.figures import counted, moment

NO_DAEMON = (
    "No daemon runs, so that nothing is told to other benches and nothing is heard of "
    "them. Start it with `holdpoint daemon`."
)


def sharing(state: Mapping[str, Any] | None) -> tuple[str, ...]:
    """Say how far a bench is with the shared database; nothing for one that is alone.

    Parameters
    ----------
    state
        What the daemon says of its `sharing`.

    Examples
    --------
    >>> sharing({"bench": "left", "reached_at": None, "waiting": 2, "refused": 0,
    ...          "reason": "refused"})[0]
    'The shared database does not answer (refused). 2 records wait to be told.'
    """
    if state is None:
        return ()
    waiting = counted(state["waiting"], "record")
    said = []
    if state["reason"] is not None:
        said.append(
            f"The shared database does not answer ({state['reason']}). "
            f"{waiting} {'waits' if state['waiting'] == 1 else 'wait'} to be told."
        )
        said.append(unheard(state))
    else:
        told = "all is told" if not state["waiting"] else f"{waiting} not told yet"
        said.append(f"Records are shared as bench {state['bench']}: {told}.")
    if state["refused"]:
        refused = counted(state["refused"], "record")
        said.append(
            f"{refused} could not be shared: `holdpoint sharing list` says why."
        )
    return tuple(said)


def unheard(state: Mapping[str, Any] | None) -> str:
    """Say since when other benches were not heard; nothing while they are."""
    if state is None or state["reason"] is None:
        return ""
    reached = state["reached_at"]
    if reached is None:
        return "What other benches hold is not known here."
    at = moment(datetime.fromisoformat(str(reached)))
    return f"What other benches hold since {at} is not known here."
