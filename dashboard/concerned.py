"""Whom a finding concerns, asked of the builds that it may concern alone."""

from contextlib import suppress

import streamlit as st

from daemon.presentation import Concerning
from daemon.traceability import Containment, contain, records_about
from dashboard.data import Shown
from storage import Signal, StorageError

CHANGES = "changes of the store"
"""Key of a viewer's session: how many there were when it was asked last."""


def by(shown: Shown, finding: Signal) -> Containment:
    """Return the units that one finding concerns, kept until a row changes.

    Raises
    ------
    storage.errors.StorageError
        The daemon does not answer.
    """
    # A shipment or a step changes this, and nothing of what all pages show.
    with suppress(StorageError):
        st.session_state[CHANGES] = shown.connection.store.changes()
    changes = st.session_state.get(CHANGES, 0)
    return _by(shown, shown.stamp, changes, finding.signal)


@st.cache_data(max_entries=32, show_spinner=False)
def _by(_shown: Shown, stamp: str, changes: int, name: str) -> Containment:
    del stamp, changes  # what was found is kept by them
    at = _shown.connection
    records = records_about(at.store, at.name, at.product.keys, name)
    return contain(at.store, records, name, at.product)


def numbers(found: Containment) -> Concerning:
    """Return how many units are concerned, and how many of them have left."""
    return Concerning(concerned=len(found.concerned), left=len(found.left))
