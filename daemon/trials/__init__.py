"""Everything that is tried on the simulated bench."""
