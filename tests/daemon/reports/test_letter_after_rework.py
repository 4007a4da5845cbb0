"""A letter that is written after the units were reworked shows what was wrong."""

from datetime import timedelta
from pathlib import Path

import pytest

from daemon.station.cycle import Cycle, RunHeader
from daemon.traceability.papers.letters import supplier_report
from storage import Decision, Rework, ReworkKind, Run, UnitRow
from storage.local import LocalStore
from tests.daemon.making import AT, demo_settings, readings
from tests.daemon.seeded import BAD_REEL, seeded_home

SETTINGS = demo_settings()
BAD = ("PA-3005", "PA-3006", "PA-3007", "PA-3008", "PA-3009")


def test_a_claim_shows_what_units_read_with_the_part_that_was_replaced(
    tmp_path: Path,
) -> None:
    later = AT + timedelta(days=1)
    with LocalStore(seeded_home(tmp_path / "home").store) as store:
        cycle = Cycle(SETTINGS, store)
        cycle.resume()

        captions: list[str] = []

        def letter() -> list[tuple[str, str, float]]:
            made = supplier_report(
                store, cycle.product, "B-3-F1", issued_at=later, issuer="Moreno & Birk"
            )
            captions[:] = [one.caption for one in made.charts]
            return [(one.serial, one.reel, one.error_ppm) for one in made.measured]

        before = letter()
        reworked = "reworked units as they read with the part that was replaced"
        assert captions
        assert not any(reworked in one for one in captions)
        assert [one[0] for one in before if one[1] == BAD_REEL] == [*BAD]
        for serial in BAD:
            first = store.rows(Run, serial=serial)[0]
            rework = Rework(
                rework=serial, serial=serial, product=SETTINGS.product.name,
                kind=ReworkKind.REPLACE, part="R13", reel="K-103", person="Ada Moreno",
                reason="off", reworked_at=later,
            )  # fmt: skip
            line = Decision(
                person="Ada Moreno", action="replace", subject=serial, reason="off",
                decided_at=later,
            )  # fmt: skip
            store.keep(rework, decision=line)
            again = later + timedelta(hours=1)
            header = RunHeader(
                serial=serial, build="B-3", session="s", origin="bench",
                started_at=again, finished_at=again, rerun_of=first.run,
                configuration=first.configuration,
            )  # fmt: skip
            cycle.record(readings(cycle.product, [0.0] * 4), header, {})
        cycle.watch()
        (latest,) = {
            row.error_ppm
            for row in store.rows(UnitRow, serial=BAD[0])
            if row.range == "100uA" and row.started_at > later
        }
        assert latest == pytest.approx(0.0, abs=1.0)
        assert letter() == before
        assert all(reworked in one for one in captions)
