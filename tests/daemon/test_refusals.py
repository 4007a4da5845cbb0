"""What cannot start says why in one line, and leaves nothing half-done."""

import re
import socket
from pathlib import Path

import pytest

from daemon.service.home import Home
from daemon.trials.stories.demo import lay_out, write_addresses
from tests.daemon.commanding import holdpoint
from tests.daemon.starting import running_daemon, simulated_bench


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return lay_out(tmp_path / "home")


def refused(home: Home, *arguments: str) -> str:
    """Run a daemon that must not start; return what it says."""
    done = holdpoint("daemon", *arguments, home=home.folder)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    return done.stderr.splitlines()[-1]


def test_a_port_in_use_is_named(home: Home) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        said = refused(home, "--no-bench", "--port", str(port))
    assert said == (
        f"holdpoint: port {port} is in use on this machine; name another with --port"
    )
    assert not (home.data / "endpoint.json").exists()


def test_a_second_daemon_on_one_store_is_refused_with_the_owner(home: Home) -> None:
    with running_daemon(home, "--no-bench") as first:
        said = refused(home, "--no-bench")
        assert f"is in use by process {first.pid}" in said
        assert said.endswith("End it, then start the daemon again.")
        # The first one's address is still the one that others find.
        assert holdpoint("status", home=home.folder).returncode == 0


def test_an_absent_instrument_is_named_with_its_address(home: Home) -> None:
    with socket.create_server(("127.0.0.1", 0)) as closed:
        port = closed.getsockname()[1]
    write_addresses(
        home.folder / "bench.toml", {"source": f"TCPIP::127.0.0.1::{port}::SOCKET"}
    )
    said = refused(home)
    assert f"source (TCPIP::127.0.0.1::{port}::SOCKET)" in said
    assert "check its power, its cable and the address" in said


def test_another_instrument_at_the_address_is_not_believed(home: Home) -> None:
    with simulated_bench(home, seed=1, units=4) as (_, bench):
        file = home.folder / "bench.toml"
        write_addresses(file, bench["instruments"])
        text = file.read_text()
        file.write_text(
            re.sub(
                r'(\[output\]\naddress = "[^"]*"\n)', r'\1identity = "Meter 7"\n', text
            )
        )
        said = refused(home)
    assert "output" in said
    assert "Meter 7" in said


def test_faults_in_the_settings_come_all_at_once(home: Home) -> None:
    product = home.folder / "product.toml"
    product.write_text(
        product.read_text()
        .replace("settle_s = 0.5", "setle_s = 0.5")
        .replace("full_scale = 1e-3", "full_scale = -1e-3")
    )
    done = holdpoint("config", "check", home=home.folder)
    assert done.returncode == 1
    assert re.search(r"product\.toml:\d+: ranges\.1uA\.setle_s", done.stderr)
    assert "did you mean 'settle_s'?" in done.stderr
    assert re.search(r"product\.toml:\d+: ranges\.1mA\.full_scale = -1e-3", done.stderr)


def test_a_file_that_is_no_store_is_left_alone(home: Home) -> None:
    home.data.mkdir()
    home.store.write_bytes(b"not a database" * 1000)
    said = refused(home, "--no-bench")
    assert "holdpoint.duckdb" in said
    assert home.store.read_bytes().startswith(b"not a database")
