"""Control charts: small classes with `update(x) -> point`; the state is in fields."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
