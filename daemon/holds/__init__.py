"""When to hold, who may end a hold, runs in doubt, and what would settle either."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
