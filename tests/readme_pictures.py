"""Draws pictures of the README: the budget of a range, a gauge study.

uv run python -m tests.readme_pictures
"""

import json
from pathlib import Path

import altair as alt
import numpy as np
import vl_convert

from daemon.judging import budgets_of_bench
from daemon.presentation import plots
from tests.daemon.making import demo_settings

ROOT = Path(__file__).parents[1]
FOLDER = ROOT / "daemon/presentation/plots"
STUDY = ROOT / "tests/reference/08_measurement_system.json"
AMBIENT_C = (19.0, 27.0)
"""A room that nobody reads, so that temperature has its line."""
WIDTH_PX = 760


def budget() -> alt.LayerChart:
    """Return the budget of the demo's first range."""
    settings = demo_settings()
    bench = settings.bench
    assert bench is not None
    bench = bench.model_copy(update={"ambient": None, "ambient_c": AMBIENT_C})
    first, *_ = budgets_of_bench(settings.model_copy(update={"bench": bench}))
    return plots.shares_of_budget(first, width=WIDTH_PX)


def gauge() -> alt.LayerChart:
    """Return the published study of ten parts, three people and three trials."""
    entries = json.loads(STUDY.read_text(encoding="utf-8"))["entries"]
    (found,) = [one for one in entries if one["id"] == "msa.crossed.10x3x3.anova"]
    values = np.array(found["inputs"]["data_part_appraiser_trial"])
    return plots.readings_of_gauge(
        values, [str(n + 1) for n in range(10)], ["A", "B", "C"], "mm", width=WIDTH_PX
    )


def main() -> None:
    """Write both."""
    for name, chart in (("budget", budget()), ("gauge", gauge())):
        png = vl_convert.vegalite_to_png(chart.to_dict(validate=False), scale=2)
        (FOLDER / f"{name}.png").write_bytes(png)


if __name__ == "__main__":
    main()
