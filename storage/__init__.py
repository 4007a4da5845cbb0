"""What is remembered: one declaration a record, and the Store over a file or afar."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
