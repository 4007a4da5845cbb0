"""What documents say, gathered from the Store; reports give it a form."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
