"""The numbers of many hypotheses, packed so that copying all is one numpy call."""

from typing import Self

import numpy as np
from numpy.typing import NDArray

from daemon.spc.layout import Layout

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Places = dict[str, tuple[slice, tuple[int, ...]]]


class Rows:
    """B builds with K hypotheses each; every property is a view that ends with (B, K).

    D = 2 R + J + 1 numbers of state: levels, bench offsets, latent parts of the unit,
    and a drift or the difference of a second reel. E = P + 1 + R numbers of its base:
    reels, build and levels when the levels last took a new meaning; what was learnt
    since about the levels tells about the rest.
    """

    __slots__ = ("_floats", "_ints", "_places")

    def __init__(self, floats: Array, ints: Ints, places: Places) -> None:
        # views must stay views: a reshape of anything else would copy
        self._floats = np.ascontiguousarray(floats)
        self._ints = np.ascontiguousarray(ints)
        self._places = places

    @classmethod
    def blank(cls, layout: Layout, builds: int, hypotheses: int) -> Self:
        """Return rows of zeros."""
        parts, ranges = layout.parts, layout.ranges
        d = 2 * ranges + layout.latent.shape[0] + 1
        e = parts + 1 + ranges
        places: Places = {}
        start = 0
        for name, shape in {
            "log_weight": (),
            "shared2": (),
            "factor": (),
            "part2": (parts,),
            "reel2": (parts,),
            "beta": (2,),
            "mean": (d,),
            "covariance": (d, d),
            "base_mean": (e,),
            "base_covariance": (e, e),
        }.items():
            stop = start + int(np.prod(shape))
            places[name] = (slice(start, stop), shape)
            start = stop
        return cls(
            np.zeros((start, builds, hypotheses)),
            np.zeros((4, builds, hypotheses), dtype=np.int64),
            places,
        )

    def picked(self, index: NDArray[np.intp]) -> Self:
        """Return copies of some hypotheses of each build, `index` (B, k)."""
        builds = np.arange(index.shape[0])[:, None]
        return type(self)(
            self._floats[:, builds, index], self._ints[:, builds, index], self._places
        )

    def repeated(self, times: int) -> Self:
        """Return each hypothesis `times` over."""
        return type(self)(
            np.repeat(self._floats, times, axis=2),
            np.repeat(self._ints, times, axis=2),
            self._places,
        )

    def beside(self, other: Self) -> Self:
        """Return both, one after the other."""
        return type(self)(
            np.concatenate([self._floats, other._floats], axis=2),
            np.concatenate([self._ints, other._ints], axis=2),
            self._places,
        )

    def flat(self) -> tuple[Array, Array]:
        """Return views of mean (D, N) and covariance (D, D, N), N = B K."""
        mean, covariance = self.mean, self.covariance
        size = mean.shape[0]
        return mean.reshape(size, -1), covariance.reshape(size, size, -1)

    def _view(self, name: str) -> Array:
        place, shape = self._places[name]
        return self._floats[place].reshape(*shape, *self._floats.shape[1:])

    @property
    def log_weight(self) -> Array:
        """Logarithm of the weight, (B, K); -inf for none."""
        return self._view("log_weight")

    @property
    def shared2(self) -> Array:
        """Variance of the shared stage from unit to unit, (B, K)."""
        return self._view("shared2")

    @property
    def factor(self) -> Array:
        """Spread factor that a bad hypothesis speaks of, (B, K)."""
        return self._view("factor")

    @property
    def part2(self) -> Array:
        """Variances of the parts inside a reel, (P, B, K)."""
        return self._view("part2")

    @property
    def reel2(self) -> Array:
        """Variances of the parts' reel means, (P, B, K)."""
        return self._view("reel2")

    @property
    def beta(self) -> Array:
        """Counts of units with the second and the first of two reels, (2, B, K)."""
        return self._view("beta")

    @property
    def mean(self) -> Array:
        """State, (D, B, K)."""
        return self._view("mean")

    @property
    def covariance(self) -> Array:
        """Its covariance, (D, D, B, K)."""
        return self._view("covariance")

    @property
    def base_mean(self) -> Array:
        """Base of the levels, (E, B, K)."""
        return self._view("base_mean")

    @property
    def base_covariance(self) -> Array:
        """Its covariance, (E, E, B, K)."""
        return self._view("base_covariance")

    @property
    def cause(self) -> Ints:
        """What the hypothesis says, (B, K)."""
        return self._ints[0, :, :]

    @property
    def place(self) -> Ints:
        """Its part, for the bench its range, or -1, (B, K)."""
        return self._ints[1, :, :]

    @property
    def first(self) -> Ints:
        """First unit concerned, from 1, (B, K)."""
        return self._ints[2, :, :]

    @property
    def slope(self) -> Ints:
        """Range whose bench drifts, R for all, -1 for none, (B, K)."""
        return self._ints[3, :, :]
