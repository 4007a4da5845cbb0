"""Settings as one text, and the hash by which a result names what judged it."""

import hashlib
import json

from config.model import Settings

__all__ = ["fingerprint"]


def fingerprint(settings: Settings) -> tuple[str, str]:
    """Return the settings' hash and their canonical JSON text.

    The order of ranges is part of it: screens and reports follow it.
    """
    body = json.dumps(settings.model_dump(mode="json"), separators=(",", ":"))
    return hashlib.sha256(body.encode()).hexdigest(), body
