"""Components of variance: how much scatter lies at which level.

One-way for builds and the units inside them; nested for any number of levels, by the
analysis of variance or by restricted maximum likelihood.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
