"""The line to a running daemon, on loopback."""

import ssl

import httpx

from storage.endpoint import Endpoint


def line_to(endpoint: Endpoint) -> httpx.Client:
    """Return what speaks to a daemon, and to nobody else; each request has its time."""
    return httpx.Client(
        base_url=endpoint.address,
        headers=endpoint.headers,
        trust_env=False,  # a proxy must never see the token
        # No encryption on loopback: an empty context trusts nobody, and spares the
        # time it takes to read every authority's certificate.
        verify=ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT),
    )
