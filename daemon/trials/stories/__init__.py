"""Stories lived on the simulated bench: the demo, the recall, what is scored."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
