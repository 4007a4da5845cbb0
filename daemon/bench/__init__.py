"""Hands: instruments, the measuring sequence, the check standard, the safe state.

Importing this loads none of them: the safe-off guard must start at once.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
