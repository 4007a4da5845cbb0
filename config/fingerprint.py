"""Settings as one text, and the hash by which a result names what judged it."""

import hashlib
import json

from config.model import Settings

__all__ = ["fingerprint"]


def fingerprint(settings: Settings) -> tuple[str, str]:
    """Return the settings' hash and their canonical JSON text.

    The same settings give the same text whatever order they were written in.
    """
    body = json.dumps(
        settings.model_dump(mode="json"), sort_keys=True, separators=(",", ":")
    )
    return hashlib.sha256(body.encode()).hexdigest(), body
