"""A simulated bench: instruments on loopback over one circuit of true part values."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
