"""What the detector reaches on seeded worlds, and what was asked of it."""
