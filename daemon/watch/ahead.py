"""What the builds so far teach about the next, kept with the watermark as text.

It follows from the line: a question before a build that finds it kept needs no fold.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Self

import numpy as np

from daemon.spc.detector import Baseline, Layout

_IN_LAYOUT = "layout"
"""What of a baseline is the product's own, and is not kept again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """What is known before the next build.

    Attributes
    ----------
    baseline
        Levels and scatter of a line in which nothing is wrong.
    builds
        How many were measured.
    says
        What the next one will be held against, in words.
    """

    baseline: Baseline
    builds: int
    says: str

    def text(self, worked_out_with: Mapping[str, Any]) -> str:
        """Return it as text: numbers bit for bit.

        Parameters
        ----------
        worked_out_with
            What it follows from beside the runs; of JSON's own kinds.
        """
        known = {
            one.name: _plain(getattr(self.baseline, one.name))
            for one in fields(self.baseline)
            if one.name != _IN_LAYOUT
        }
        return json.dumps(
            {
                "worked_out_with": worked_out_with,
                "baseline": known,
                "builds": self.builds,
                "says": self.says,
            }
        )

    @classmethod
    def of(
        cls, text: str | None, worked_out_with: Mapping[str, Any], layout: Layout
    ) -> Self | None:
        """Read what `text` returned; None where that cannot be gone by.

        It follows from something else, or is damaged.

        Parameters
        ----------
        text
            None where nothing was kept.
        worked_out_with
            What it would have to follow from.
        layout
            Of the product's line.
        """
        try:
            told = json.loads(text or "{}")
            if told["worked_out_with"] != worked_out_with:
                return None
            known: dict[str, Any] = {
                name: np.array(value) if isinstance(value, list) else value
                for name, value in told["baseline"].items()
            }
            return cls(
                baseline=Baseline(layout=layout, **known),
                builds=told["builds"],
                says=told["says"],
            )
        except (ValueError, KeyError, TypeError):
            return None


def _plain(value: Any) -> Any:
    return value.tolist() if isinstance(value, np.ndarray) else value
