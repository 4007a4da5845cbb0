"""Documents: what was measured, decided and asked for, on paper and in a mail."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
