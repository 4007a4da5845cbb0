"""README shows the papers as they are made now."""

from PIL import Image, ImageChops, ImageStat

from tests.daemon.reports.pictures import INTO, SIZE_PX, pictures

NEARLY = 3.0
"""Of 255, on the average: what another machine's rounding may change."""


def test_the_papers_in_readme_are_those_that_are_made_now() -> None:
    """Else: uv run python -m tests.daemon.reports.pictures."""
    names = []
    for name, drawn in pictures():
        names.append(name)
        with Image.open(INTO / f"{name}.png") as shown:
            assert shown.size == SIZE_PX
            off = ImageChops.difference(shown.convert("L"), drawn.convert("L"))
        assert ImageStat.Stat(off).mean[0] < NEARLY, name
    assert names == ["unit", "supplier", "customer"]
