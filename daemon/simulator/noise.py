"""Standard normal values one by one, drawn in blocks because that is cheaper."""

from numpy.random import Generator

__all__ = ["Noise"]

BLOCK = 1024


class Noise:
    """A callable that returns the next standard normal value of `generator`."""

    def __init__(self, generator: Generator) -> None:
        self._generator = generator
        self._block: list[float] = []

    def __call__(self) -> float:
        """Return the next value."""
        if not self._block:
            self._block = self._generator.standard_normal(BLOCK).tolist()
        return self._block.pop()
