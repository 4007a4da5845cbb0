import pytest

from config.load import load
from config.model import Settings
from tests.daemon.simulator.benches import DEMO, with_perfect_meters


@pytest.fixture(scope="session")
def demo() -> Settings:
    return load(DEMO)


@pytest.fixture(scope="session")
def exact(demo: Settings) -> Settings:
    return with_perfect_meters(demo)
