"""What the maker writes, as typed settings; the root of all errors of ours."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
