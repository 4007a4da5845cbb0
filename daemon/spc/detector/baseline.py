"""What the line so far lets the next units be expected to read."""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from daemon.spc.checks import places
from daemon.spc.detector.layout import Layout
from daemon.spc.detector.line import Line

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Baseline:
    """Levels and scatter of a line in which nothing is wrong.

    Attributes
    ----------
    layout : Layout
    units : int
        Units that it was learnt from.
    mean_ppm : (R,)
        Mean error of each range over all reels.
    mean_variance_ppm2 : (R,)
        What is not known of it.
    sigma_ppm : (P,)
        Standard deviation of each part inside one reel.
    shared_sigma_ppm : float
        Of what differs from unit to unit on all ranges alike.
    reel_sigma_ppm : (P,)
        Of the means of ordinary reels.
    build_sigma_ppm : float
        Of the shared stage from build to build.
    part_degrees, shared_degrees : (P,) and float
        Degrees of freedom of `sigma_ppm` and `shared_sigma_ppm`: what was taken for
        likely before any unit told counts some, too.
    """

    layout: Layout
    units: int
    mean_ppm: Array
    mean_variance_ppm2: Array
    sigma_ppm: Array
    shared_sigma_ppm: float
    reel_sigma_ppm: Array
    build_sigma_ppm: float
    part_degrees: Array
    shared_degrees: float

    @classmethod
    def of(cls, line: Line) -> Self:
        """Return what a line has learnt, over all that may be the case."""
        layout, state = line.layout, line.state
        unit, ranges = layout.unit_ppm, layout.ranges
        rows = slice(line.hypotheses)
        weight = line.weights()
        mean = weight @ state.mean[rows, :ranges]
        spread = state.mean[rows, :ranges] - mean
        diagonal = np.diagonal(state.covariance[rows], axis1=1, axis2=2)[:, :ranges]
        chosen = state.tau_chosen[rows]
        tau = np.where(
            (chosen >= 0)[:, None], np.eye(3)[chosen], state.tau_weight[rows]
        )
        tau2 = float(weight @ (tau @ np.array(layout.reel_factors) ** 2))
        part2 = weight @ (state.part_sum[rows] / state.part_count[rows])
        shared2 = weight @ (state.shared_sum[rows] / state.shared_count[rows])
        assumed = layout.assumed
        return cls(
            layout=layout,
            units=line.units,
            mean_ppm=mean * unit,
            mean_variance_ppm2=(weight @ (diagonal + spread**2)) * unit**2,
            sigma_ppm=np.sqrt(part2) * unit,
            shared_sigma_ppm=float(np.sqrt(shared2)) * unit,
            reel_sigma_ppm=assumed.reel_scatter * np.sqrt(tau2) * layout.ratio * unit,
            build_sigma_ppm=assumed.build_scatter * unit,
            part_degrees=2.0 * (weight @ state.part_count[rows]),
            shared_degrees=2.0 * float(weight @ state.shared_count[rows]),
        )

    def unit_sigma_ppm(self, index: int) -> float:
        """Return what units of one reel scatter by on a range."""
        places("index", [index], below=self.layout.ranges)
        return float(np.hypot(self.sigma_ppm[index], self.shared_sigma_ppm))

    def unit_degrees(self, index: int) -> float:
        """Return the degrees of freedom of `unit_sigma_ppm` (Satterthwaite 1946)."""
        places("index", [index], below=self.layout.ranges)
        own2, shared2 = self.sigma_ppm[index] ** 2, self.shared_sigma_ppm**2
        return float(
            (own2 + shared2) ** 2
            / (own2**2 / self.part_degrees[index] + shared2**2 / self.shared_degrees)
        )

    def next_reel_sigma_ppm(self, index: int) -> float:
        """Return by how much a range of a build with a new reel may lie from its mean.

        Of the level of its units: what is not known of the mean, what reels and the
        shared stage ordinarily differ by.
        """
        places("index", [index], below=self.layout.ranges)
        sensitivity = self.layout.sensitivity[:, index]
        reels2 = float(
            (sensitivity * self.reel_sigma_ppm) @ (sensitivity * self.reel_sigma_ppm)
        )
        total = float(self.mean_variance_ppm2[index]) + reels2 + self.build_sigma_ppm**2
        return float(np.sqrt(total))
