"""The bench measured against a circuit whose truth is known: faults, coverage, pace."""
