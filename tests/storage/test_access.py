"""The rows of a folder, through the daemon or without."""

import os
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from storage import endpoint
from storage.access import STORE_NAME, open_store
from storage.errors import BusyError, SchemaError
from storage.local import LocalStore
from storage.remote import RemoteStore
from tests.storage.samples import PRODUCT
from tests.storage.serving import serving


def test_without_a_daemon_the_file_is_opened_in_a_folder_of_ones_own(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "new" / "data"
    with open_store(folder) as store:
        assert isinstance(store, LocalStore)
        store.keep(PRODUCT)
    assert (folder / STORE_NAME).is_file()
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_with_a_daemon_the_daemon_is_asked(tmp_path: Path) -> None:
    with LocalStore(tmp_path / STORE_NAME) as owned, serving(owned) as here:
        endpoint.write(tmp_path, here)
        with open_store(tmp_path) as store:
            assert isinstance(store, RemoteStore)
            store.keep(PRODUCT)
        assert owned.table("product").num_rows == 1


def test_what_a_dead_daemon_left_is_passed_over(tmp_path: Path) -> None:
    with subprocess.Popen([sys.executable, "-c", ""]) as process:
        process.wait()
    with LocalStore(tmp_path / STORE_NAME) as owned, serving(owned) as here:
        endpoint.write(tmp_path, replace(here, pid=process.pid))
    with open_store(tmp_path) as store:
        assert isinstance(store, LocalStore)


def test_a_process_number_used_again_is_no_daemon(tmp_path: Path) -> None:
    with LocalStore(tmp_path / STORE_NAME) as owned, serving(owned) as here:
        endpoint.write(tmp_path, here)
    assert here.pid == os.getpid()
    with open_store(tmp_path) as store:
        assert isinstance(store, LocalStore)


def test_an_owner_that_does_not_serve_is_busy(tmp_path: Path) -> None:
    with LocalStore(tmp_path / STORE_NAME), pytest.raises(BusyError):
        open_store(tmp_path, wait_s=0.0)


def test_a_daemon_of_another_schema_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with LocalStore(tmp_path / STORE_NAME) as owned, serving(owned) as here:
        endpoint.write(tmp_path, here)
        monkeypatch.setattr("storage.endpoint.schema_version", lambda: "0002_more")
        with pytest.raises(SchemaError, match="restart whichever is older"):
            open_store(tmp_path)
