"""A simulated bench: instruments on loopback over one circuit of true part values."""
