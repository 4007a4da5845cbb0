"""How long a chart runs until it signals, without and with a shift.

Each chart has a function that returns the distribution of its run length, an
inverse that returns the limit for a wanted average run length in control, and a
design for a wanted shift: the subgroup, the weight or the reference value.
Parameters are taken as known; a run length is counted in plotted points.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
