"""The numbers of many hypotheses, packed so that copying all is one numpy call."""

from typing import Self

import numpy as np
from numpy.typing import NDArray

from daemon.spc.layout import Layout

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Places = dict[str, tuple[slice, tuple[int, ...]]]


class Rows:
    """B builds with K hypotheses each; every property is a view (B, ..., K).

    D = R + 1 + J numbers of state: levels as the bench sees them; a drift of the bench
    or the difference of a second reel; latent parts of the unit. E = P + 1 + 2 R + 1
    numbers of base: reels, build, bench offsets, then levels and drift or difference as
    they were when they last took a new meaning. What was learnt since about the latter
    tells about the former.
    """

    __slots__ = ("_floats", "_ints", "_places", "_views")

    def __init__(self, floats: Array, ints: Ints, places: Places) -> None:
        self._floats = floats
        self._ints = ints
        self._places = places
        self._views: dict[str, Array] = {}

    def __reduce__(self) -> tuple[type[Self], tuple[Array, Ints, Places]]:
        # copied one by one the views would no longer show the numbers
        return type(self), (self._floats, self._ints, self._places)

    @classmethod
    def blank(cls, layout: Layout, builds: int, hypotheses: int) -> Self:
        """Return rows of zeros."""
        parts, ranges = layout.parts, layout.ranges
        d = ranges + 1 + layout.latent.shape[0]
        e = parts + 1 + 2 * ranges + 1
        places: Places = {}
        start = 0
        for name, shape in {
            "log_weight": (1,),
            "shared2": (1,),
            "factor": (1,),
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
            np.zeros((builds, start, hypotheses)),
            np.zeros((builds, 4, hypotheses), dtype=np.int64),
            places,
        )

    def picked(self, index: NDArray[np.intp]) -> Self:
        """Return copies of some hypotheses of each build, `index` (B, k)."""
        builds = np.arange(len(index))[:, None]
        return type(self)(
            self._floats[builds, :, index].swapaxes(1, 2),
            self._ints[builds, :, index].swapaxes(1, 2),
            self._places,
        )

    def of_build(self, build: int) -> Self:
        """Return a view of one build's hypotheses."""
        at = slice(build, build + 1)
        return type(self)(self._floats[at], self._ints[at], self._places)

    def repeated(self, times: int) -> Self:
        """Return each hypothesis `times` over."""
        return type(self)(
            np.repeat(self._floats, times, axis=2),
            np.repeat(self._ints, times, axis=2),
            self._places,
        )

    def of_builds(self, index: NDArray[np.intp]) -> Self:
        """Return copies of all hypotheses of some builds."""
        return type(self)(self._floats[index], self._ints[index], self._places)

    def _view(self, name: str) -> Array:
        view = self._views.get(name)
        if view is None:
            place, shape = self._places[name]
            builds, _, hypotheses = self._floats.shape
            view = self._floats[:, place].reshape(builds, *shape, hypotheses)
            self._views[name] = view
        return view

    @property
    def log_weight(self) -> Array:
        """Logarithm of the weight, (B, K); -inf for none."""
        return self._view("log_weight")[:, 0]

    @property
    def shared2(self) -> Array:
        """Variance of the shared stage from unit to unit, (B, K)."""
        return self._view("shared2")[:, 0]

    @property
    def factor(self) -> Array:
        """Spread factor that a bad hypothesis speaks of, (B, K)."""
        return self._view("factor")[:, 0]

    @property
    def part2(self) -> Array:
        """Variances of the parts inside a reel, (B, P, K)."""
        return self._view("part2")

    @property
    def reel2(self) -> Array:
        """Variances of the parts' reel means, (B, P, K)."""
        return self._view("reel2")

    @property
    def beta(self) -> Array:
        """Counts of units with the second and the first of two reels, (B, 2, K)."""
        return self._view("beta")

    @property
    def mean(self) -> Array:
        """State, (B, D, K)."""
        return self._view("mean")

    @property
    def covariance(self) -> Array:
        """Its covariance, (B, D, D, K)."""
        return self._view("covariance")

    @property
    def base_mean(self) -> Array:
        """Base, (B, E, K)."""
        return self._view("base_mean")

    @property
    def base_covariance(self) -> Array:
        """Its covariance, (B, E, E, K)."""
        return self._view("base_covariance")

    @property
    def cause(self) -> Ints:
        """What the hypothesis says, (B, K)."""
        return self._ints[:, 0, :]

    @property
    def place(self) -> Ints:
        """Its part, for the bench its range, or -1, (B, K)."""
        return self._ints[:, 1, :]

    @property
    def first(self) -> Ints:
        """First unit concerned, from 1, (B, K)."""
        return self._ints[:, 2, :]

    @property
    def slope(self) -> Ints:
        """Range whose bench drifts, R for all, -1 for none, (B, K)."""
        return self._ints[:, 3, :]
