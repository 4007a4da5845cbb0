"""The data-acquisition daemon and its rooms; importing it loads none of them."""

import os

# Doors load what is asked for, whatever a test of other packages wishes.
os.environ.pop("EAGER_IMPORT", None)
