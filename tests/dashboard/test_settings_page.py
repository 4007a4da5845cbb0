"""The page of settings: what is in force, what changed, and the form."""

import shutil
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from config.load import fingerprint, load
from config.wizard import init
from daemon.service.home import VARIABLE, Home
from storage.access import open_store
from storage.records import Configuration
from tests.config.test_wizard import FOUR, by_question
from tests.daemon.making import AT
from tests.daemon.starting import running_daemon
from tests.dashboard.test_pages import button, opened, said


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Home]:
    """Serve settings that `init` made, changed once since."""
    home = Home(tmp_path / "home")
    home.folder.mkdir()
    init(home.folder, by_question(FOUR, []), lambda _: None)
    before, body = fingerprint(load(home.folder))
    home.data.mkdir()
    with open_store(home.data) as store:
        store.keep(
            Configuration(
                configuration=before, body=body, stored_at=AT - timedelta(days=3)
            )
        )
    plan = home.folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace('"Ada Moreno"', '"Ada Moreno", "Jon Birk"'))
    monkeypatch.setenv(VARIABLE, str(home.folder))
    with running_daemon(home, "--no-bench"):
        yield home


def test_versions_are_told_apart_and_new_files_are_shown_before_they_are_written(
    home: Home,
) -> None:
    app = opened("settings")
    words = said(app)
    assert "These settings are in force since" in words
    assert "plan.people was Ada Moreno, is Ada Moreno, Jon Birk." in words
    highest = next(one for one in app.text_input if one.label.startswith("Highest"))
    highest.set_value("never").run()
    assert "'never'" in said(app)
    assert not [one for one in app.button if one.label == "Write these files"]
    highest = next(one for one in app.text_input if one.label.startswith("Highest"))
    highest.set_value("20 V").run()
    assert not app.exception
    assert any("maximum_v = 20.0" in one.value for one in app.code)
    before = (home.folder / "product.toml").read_text(encoding="utf-8")
    assert "maximum_v = 20.0" not in before
    app.multiselect(key="files to write").set_value(["product.toml"]).run()
    button(app, "Write these files").click().run()
    assert not app.exception
    assert "Written: product.toml. Those of before are in" in said(app)
    assert "The files in" in said(app)
    assert "count from the next start of the daemon on" in said(app)
    assert load(home.folder).product.input_absolute_maximum_v == 20.0
    assert load(home.folder).plan.people == ("Ada Moreno", "Jon Birk")
    (kept,) = home.folder.glob("settings-before-*")
    assert (kept / "product.toml").read_text(encoding="utf-8") == before
    shutil.rmtree(kept)
