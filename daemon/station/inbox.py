"""Serials by file drop: another program writes a text file, the unit is measured.

A file holds one serial a line. It is read once it has stopped growing and moved to
`taken` beside it before any of its units is ordered, so that none is ordered twice.
One serial says that the unit is connected; of several at once each is asked for.
"""

from logging import getLogger
from pathlib import Path

from config import private_folder
from daemon.station.desk import Desk
from daemon.station.orders import Order

SUFFIX = ".txt"
log = getLogger(__name__)


class Inbox:
    """A watched folder.

    Parameters
    ----------
    folder
        Made when it is not there.
    desk
        Where the orders go.
    """

    def __init__(self, folder: Path, desk: Desk) -> None:
        self.folder = folder
        self._taken = folder / "taken"
        self._desk = desk
        self._sizes: dict[Path, int] = {}
        private_folder(self._taken)

    def look(self) -> int:
        """Order the units of every file that has come to rest; return how many."""
        serials: list[str] = []
        sizes: dict[Path, int] = {}
        for path in sorted(self.folder.glob(f"*{SUFFIX}")):
            try:
                size = sizes[path] = path.stat().st_size
                if self._sizes.get(path) != size or size == 0:
                    continue
                # Some editors begin a file with a mark that nobody sees.
                text = path.read_text(encoding="utf-8-sig", errors="replace")
                path.replace(self._free_name(path.name))
            except OSError as exc:  # a folder, or it went away meanwhile
                log.warning("%s cannot be read: %s", path.name, exc)
                continue
            serials += [one for line in text.splitlines() if (one := line.strip())]
        for serial in serials:
            # One label was scanned at the bench. A list is made anywhere; of files that
            # lay here together the last may be of what stands there now.
            self._desk.place(
                Order(serial=serial, dropped=True), connect_first=len(serials) > 1
            )
        self._sizes = sizes
        return len(serials)

    def _free_name(self, name: str) -> Path:
        candidate = self._taken / name
        count = 1
        while candidate.exists():
            count += 1
            candidate = self._taken / f"{Path(name).stem}-{count}{SUFFIX}"
        return candidate
