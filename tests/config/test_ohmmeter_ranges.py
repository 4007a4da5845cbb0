"""An ohmmeter's ranges are in ohms; those of the other meters stay small."""

from pathlib import Path

import pytest

from config.errors import ConfigError
from config.load import load
from daemon.trials.stories.demo import lay_out

OHMMETER = """
[ohmmeter]
address = "TCPIP::127.0.0.1::5030::SOCKET"
profile = "scpi_ohmmeter_four_wire"
ranges = [ { full_scale = 1e6, of_reading_ppm = 100.0 } ]
"""


def test_an_ohmmeter_may_read_megohms(tmp_path: Path) -> None:
    bench = lay_out(tmp_path).folder / "bench.toml"
    bench.write_text(bench.read_text() + OHMMETER)
    settings = load(tmp_path).bench
    assert settings is not None
    assert settings.ohmmeter is not None
    assert settings.ohmmeter.ranges[0].full_scale == 1e6


def test_a_voltmeter_of_a_megavolt_is_a_slip(tmp_path: Path) -> None:
    bench = lay_out(tmp_path).folder / "bench.toml"
    bench.write_text(bench.read_text().replace("full_scale = 10.0", "full_scale = 1e6"))
    with pytest.raises(ConfigError, match=r"output\.ranges.*must be > 0 and <= 1000"):
        load(tmp_path)
