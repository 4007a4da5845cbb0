"""Draws the README's picture of a budget: the demo's bench, its coarsest range.

uv run python -m tests.budget_picture
"""

from pathlib import Path

import vl_convert

from daemon.judging import budgets_of_bench
from daemon.presentation import plots
from tests.daemon.making import demo_settings

WRITTEN = Path(__file__).parents[1] / "daemon/presentation/plots/budget.png"
AMBIENT_C = (19.0, 27.0)
"""A room that nobody reads, so that temperature has its line."""


def drawn() -> bytes:
    """Return the picture."""
    settings = demo_settings()
    bench = settings.bench
    assert bench is not None
    bench = bench.model_copy(update={"ambient": None, "ambient_c": AMBIENT_C})
    first, *_ = budgets_of_bench(settings.model_copy(update={"bench": bench}))
    chart = plots.shares_of_budget(first, width=560)
    png: bytes = vl_convert.vegalite_to_png(chart.to_dict(validate=False), scale=2)
    return png


if __name__ == "__main__":
    WRITTEN.write_bytes(drawn())
