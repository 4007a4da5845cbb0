"""One unit against its limits."""
