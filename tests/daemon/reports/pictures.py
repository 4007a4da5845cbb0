"""Draws the papers that README shows: `uv run python -m tests.daemon.reports.pictures`.

They are of the story of a low reel, which is the same each time.
"""

from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from PIL import Image

from daemon.presentation import documents
from daemon.presentation.documents import Document
from daemon.traceability.papers.letters import customer_notice, supplier_report
from daemon.traceability.papers.unit import unit_record
from storage.local import LocalStore
from storage.records import BenchInstrument, Signal
from tests.daemon.making import AT, demo_product
from tests.daemon.test_a_low_reel_through_every_paper import (
    AWAY,
    AWAY_UNMEASURED,
    NAME,
    keep,
    lived,
)

INTO = Path(documents.__file__ or "").parent
SIZE_PX = 600, 849
ISSUER = "Moreno & Birk\nBench hall 1"
METERS = (
    ("source", "Source of the bench", "S-2", "2025-09-01"),
    ("reference", "Ammeter of the bench", "A-17", "2025-09-01"),
    ("output", "Voltmeter of the bench", "V-4", "2025-11-15"),
)


def papers(folder: Path) -> Iterator[tuple[str, Document]]:
    """Yield each paper by its picture's name."""
    with LocalStore(folder / "holdpoint.duckdb") as store:
        lived(store)
        keep(
            store,
            *(
                BenchInstrument(
                    session="s", role=role, address=role, identity=identity,
                    serial_number=number, calibrated_at=day,
                    due_at=f"{int(day[:4]) + 1}{day[4:]}",
                )
                for role, identity, number, day in METERS
            ),
        )  # fmt: skip
        (found,) = store.rows(Signal, "signals", product=NAME)
        product = demo_product()
        said: dict[str, Any] = {"issued_at": AT, "issuer": ISSUER}
        yield "unit", unit_record(store, product, AWAY, **said)
        yield "supplier", supplier_report(store, product, found.signal, **said)
        yield "customer", customer_notice(store, product, AWAY_UNMEASURED, **said)


def pictures() -> Iterator[tuple[str, Image.Image]]:
    """Yield the first page of each paper, small enough for README."""
    with TemporaryDirectory() as folder:
        for name, paper in papers(Path(folder)):
            page = Image.open(BytesIO(documents.png(paper, dots_per_inch=144.0)[0]))
            yield name, page.convert("RGB").resize(SIZE_PX, Image.Resampling.LANCZOS)


def main() -> None:
    """Write them where README finds them."""
    for name, picture in pictures():
        path = INTO / f"{name}.png"
        picture.save(path, optimize=True)
        print(path)  # noqa: T201 -- it is asked for by hand


if __name__ == "__main__":
    main()
