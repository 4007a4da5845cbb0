"""How a range was judged point by point: kept as text, read as this."""

from dataclasses import dataclass
from functools import lru_cache

from pydantic import TypeAdapter

from storage.errors import RefusedValueError
from storage.evidence import parsed

__all__ = ["NOT_READ", "VERDICTS", "JudgedPoint", "text_of", "worst"]

NOT_READ = "not read"
VERDICTS = ("nonconforming", NOT_READ, "not judged", "undecided", "conforming")
"""What may be said of a point, the worst first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedPoint:
    """One point of a range against its limits, all in ppm of full scale.

    `of_full_scale` is its level as a share of full scale, 0 for zero itself. The
    uncertainty is standard (k = 1). A limit of None leaves that side open. `verdict` is
    one of `VERDICTS`; of a point that was not read error and uncertainty are 0.
    """

    of_full_scale: float
    error_ppm: float
    uncertainty_ppm: float
    verdict: str
    low_ppm: float | None = None
    high_ppm: float | None = None
    conformance_probability: float | None = None

    @property
    def of_limit(self) -> float:
        """The error as a share of the limit on its side; 0 where none stands there."""
        limit_ppm = self.high_ppm if self.error_ppm >= 0 else self.low_ppm
        if limit_ppm is None or self.error_ppm == 0:
            return 0.0
        return self.error_ppm / limit_ppm if limit_ppm else float("inf")

    @staticmethod
    @lru_cache(maxsize=4096)
    def of(text: str | None) -> "tuple[JudgedPoint, ...]":
        """Return what a row's text says; nothing of a row from before it was kept.

        Raises
        ------
        RefusedValueError
            It is no such list.
        """
        if text is None:
            return ()
        points = parsed("points", text, _POINTS)
        for one in points:
            if one.verdict not in VERDICTS:
                raise RefusedValueError(
                    what="points.verdict",
                    value=one.verdict,
                    allowed=f"must be one of {', '.join(VERDICTS)}",
                )
        return points


_POINTS = TypeAdapter(tuple[JudgedPoint, ...])


def text_of(points: tuple[JudgedPoint, ...]) -> str:
    """Return points as the text that a row keeps."""
    return _POINTS.dump_json(points, exclude_none=True).decode()


def worst(points: tuple[JudgedPoint, ...]) -> JudgedPoint | None:
    """Return the point that decides: of the worst verdict the farthest in its limit.

    >>> worst(())
    """
    return min(
        points,
        key=lambda one: (
            VERDICTS.index(one.verdict),
            -one.of_limit,
        ),
        default=None,
    )
