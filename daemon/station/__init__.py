"""One bench, one person, one unit after another, however the readings come."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
