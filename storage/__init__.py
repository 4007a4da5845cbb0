"""What is remembered: one declaration a record, and the Store over a file or afar."""

import os

import lazy_loader

# Doors load what is asked for, whatever a test of other packages wishes.
os.environ.pop("EAGER_IMPORT", None)

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
