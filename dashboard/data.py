"""What the screens ask: the Store's rows and the daemon's control, nothing else."""

from dataclasses import dataclass
from typing import Any

import pandas as pd
import streamlit as st

from config.model import Settings
from daemon.client import Client
from daemon.home import Home
from daemon.product import ProductModel
from storage import endpoint
from storage.endpoint import Endpoint
from storage.errors import UnreachableError
from storage.remote import RemoteStore


@dataclass(frozen=True, slots=True, kw_only=True)
class Connection:
    """One running daemon: its rows, its control, its settings."""

    store: RemoteStore
    client: Client
    settings: Settings
    product: ProductModel

    @property
    def name(self) -> str:
        """Name of the product."""
        return self.settings.product.name

    def frame(self, query: str, **parameters: Any) -> pd.DataFrame:
        """Answer a named query."""
        return self.store.frame(query, **parameters)

    def about_product(self, query: str) -> pd.DataFrame:
        """Answer a named query that takes the product alone."""
        return self.store.frame(query, product=self.name)


def connection() -> Connection | None:
    """Return the running daemon, None while none answers."""
    found = endpoint.read(Home.usual().data)
    if found is None or found.stale:
        return None
    try:
        return _connect(found)
    except UnreachableError:
        return None


@st.cache_resource(
    show_spinner=False, hash_funcs={Endpoint: lambda one: (one.address, one.pid)}
)
def _connect(found: Endpoint) -> Connection:
    store = RemoteStore(found)
    client = Client(found)
    named = client.state()["configuration"]
    body = store.frame("configuration", configuration=named)["body"].iloc[0]
    settings = Settings.model_validate_json(str(body))
    return Connection(
        store=store,
        client=client,
        settings=settings,
        product=ProductModel.of(settings.product),
    )


def connected() -> Connection:
    """Return the running daemon; the page ends here while none answers."""
    found = connection()
    if found is None:
        st.stop()
    return found
