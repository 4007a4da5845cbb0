"""Where rows meet statistics: events in, findings out.

`Fold` takes units, runs of the check standard and decisions in the order of their run
numbers, live and from rows alike; `Watcher` compares what stands in it with what was
said, and returns what is to be said next.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
