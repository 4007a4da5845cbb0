"""The letters of documents and labels, so that every machine draws them alike."""

from pathlib import Path

FOLDER = Path(__file__).parent
PLAIN = FOLDER / "DejaVuSans.ttf"
FAMILY = "DejaVu Sans"
