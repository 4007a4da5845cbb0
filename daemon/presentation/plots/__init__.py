"""Frames to Altair, for screens and documents alike.

Dots for what was measured, brackets for limits, a dotted line where a reel
changed, a band for an estimate's interval. Only what moved gets colour, another
shape and words beside it.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
