"""A build that is measured is summed up once, with what is to be decided on it."""

from pathlib import Path

from daemon.alerts.upkeep import Upkeep
from storage.local import LocalStore
from tests.daemon.alerts.fakes import PRODUCT, Clock, channels
from tests.daemon.seeded import seeded_home


def test_each_measured_build_is_summed_up_once(tmp_path: Path) -> None:
    """All ten of each build are measured; B-3 took a bad reel part-way."""
    home = seeded_home(tmp_path / "home")
    with LocalStore(home.store) as store:
        upkeep = Upkeep(
            store, product=PRODUCT, settings=channels("mail", severity="notice"),
            utc=Clock().utc, alarm=lambda: None,
        )  # fmt: skip
        upkeep.look()
        upkeep.look()
        told = store.frame("alerts", product=PRODUCT)
        runs = store.frame("range_rows", product=PRODUCT, after=0, kind="unit")
        holds = store.frame("holds", product=PRODUCT)
    digests = told[told["alert"].str.startswith("digest ")].set_index("subject")
    assert sorted(digests.index) == ["B-1", "B-2", "B-3"]
    for build, rows in runs.groupby("build"):
        good = rows.groupby("serial")["verdict"].agg(
            lambda verdicts: bool((verdicts == "conforming").all())
        )
        assert digests.loc[str(build), "title"] == (
            f"Build {build} is measured: 10 units, first-pass yield "
            f"{100 * good.mean():.1f} %."
        )
    assert holds["disposal"].isna().all()
    assert digests.loc["B-1", "body"] == "No hold stands on it."
    stays, found = str(digests.loc["B-3", "body"]).splitlines()
    assert stays == f"Holds to decide on: {len(holds)}."
    assert found.startswith("Hold build B-3: range 100 uA, reel K-900, reads ")
