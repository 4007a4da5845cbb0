"""Alerts: who must hear of what, over which channel, and whether it got there."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
