"""One folder a maker: what was written, and beside it what was recorded."""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from config import write_whole

VARIABLE = "HOLDPOINT_HOME"


@dataclass(frozen=True, slots=True)
class Home:
    """Where the settings, the store and the daemon's endpoint are."""

    folder: Path

    @classmethod
    def usual(cls) -> Self:
        """Return the home that the environment names, else this folder, else one's own.

        This folder counts when it holds a product.toml.
        """
        if named := os.environ.get(VARIABLE):
            return cls(Path(named))
        here = Path.cwd()
        if (here / "product.toml").exists():
            return cls(here)
        # Help, completion and most calls never ask where one's own folder is.
        from platformdirs import user_data_path  # noqa: PLC0415

        return cls(user_data_path("holdpoint"))

    @property
    def data(self) -> Path:
        """Everything recorded."""
        return self.folder / "data"

    @property
    def store(self) -> Path:
        """The store's file; only the daemon, or a brief command, opens it."""
        return self.data / "holdpoint.duckdb"

    @property
    def backups(self) -> Path:
        """Copies of the store."""
        return self.data / "backups"

    @property
    def backed_up(self) -> Path:
        """Written when a person has written everything into one file."""
        return self.data / "backed-up"

    def note_backup(self, file: Path) -> None:
        """Note that everything was written into a file just now."""
        write_whole(self.backed_up, f"{file}\n")

    @property
    def alive(self) -> Path:
        """Written again and again while everything goes on; grows old when not."""
        return self.data / "alive"

    @property
    def log(self) -> Path:
        """What daemons said, and libraries in them."""
        return self.data / "daemon.log"

    @property
    def orders(self) -> Path:
        """How to turn off the source of a bench that is open, or was left so."""
        return self.data / "source-off.json"

    @property
    def planted(self) -> Path:
        """What was planted on a simulated bench, for its next start."""
        return self.data / "planted.json"

    @property
    def simulated(self) -> Path:
        """Where a simulated bench takes orders for its hands, while one runs."""
        return self.data / "simulated-bench.json"

    @property
    def inbox(self) -> Path:
        """Where another program drops serials to be measured."""
        return self.data / "next"
