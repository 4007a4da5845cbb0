"""Tokens for other programs, as a person gives and revokes them."""

import json
from pathlib import Path

import pytest

from daemon.commands.access import MAY
from daemon.service.home import Home
from daemon.trials.stories.demo import lay_out
from storage import GIVEN, caller_of, schema_version
from tests.daemon.commanding import holdpoint


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """Return a maker's folder."""
    return lay_out(tmp_path_factory.mktemp("maker") / "home")


def test_a_token_is_told_once_works_and_is_taken_back(home: Home) -> None:
    done = holdpoint("access", "give", "office PC", "--may", "read", home=home.folder)
    assert done.returncode == 0
    token = done.stdout.strip()
    assert "shown this once" in done.stderr
    found = caller_of(home.data, token)
    assert found is not None
    assert (found.name, found.role) == ("office PC", "read")
    listed = holdpoint("access", "list", home=home.folder)
    assert "office PC" in listed.stdout
    assert token not in listed.stdout
    taken = holdpoint("access", "revoke", "office PC", home=home.folder)
    assert taken.stderr == "The token of office PC is revoked.\n"
    assert caller_of(home.data, token) is None
    none = holdpoint("access", "list", home=home.folder)
    assert (none.stdout, none.stderr) == ("", "No other program has a token.\n")


def test_a_program_is_told_all_that_it_must_send(home: Home) -> None:
    done = holdpoint(
        "access", "give", "label printer", "--may", "record", "--json", home=home.folder
    )
    told = json.loads(done.stdout)
    assert told.pop("token")
    assert told == {
        "name": "label printer",
        "role": "record",
        "address": None,  # no daemon runs
        "schema": schema_version(),
    }


def test_what_cannot_be_given_or_revoked_is_one_sentence(home: Home) -> None:
    holdpoint("access", "give", "scale", "--may", "decide", home=home.folder)
    again = holdpoint("access", "give", "scale", "--may", "read", home=home.folder)
    assert again.returncode == 1
    assert again.stderr == (
        "holdpoint: token 'scale' is already recorded: revoke it first\n"
    )
    nobody = holdpoint("access", "revoke", "nobody", home=home.folder)
    assert nobody.returncode == 1
    assert nobody.stderr == "holdpoint: unknown token 'nobody'\n"
    own = holdpoint("access", "give", "other", "--may", "own", home=home.folder)
    assert own.returncode == 2
    assert "'read', 'record', 'decide'" in own.stderr


def test_nothing_is_given_where_nobody_has_settings(tmp_path: Path) -> None:
    done = holdpoint("access", "give", "office", "--may", "read", home=tmp_path)
    assert done.returncode != 0
    assert "product.toml" in done.stderr
    assert not (tmp_path / "data").exists()


def test_the_roles_are_those_of_the_records() -> None:
    assert tuple(map(str, GIVEN)) == MAY
