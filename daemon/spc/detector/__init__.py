"""The detector: one state of the line, hypotheses that are sets of events."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
