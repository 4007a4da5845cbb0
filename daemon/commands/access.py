"""Tokens for other programs: given, listed, revoked."""

from datetime import UTC, datetime

import click

from daemon.commands.opened import home_here
from daemon.commands.showing import Shown, listed, say, shown

MAY = ("read", "record", "decide")
"""As `storage.GIVEN`, which takes the database's time to load."""


@click.command("give")
@click.argument("name")
@click.option(
    "--may", "role", type=click.Choice(MAY), required=True,
    help="What the program may do.",
)  # fmt: skip
@shown
def access_give(name: str, role: str) -> Shown:
    """Give another program its own token.

    NAME says whose it is. With "read" the program may only ask. With "record" it may
    also record units, readings, builds and reels, and order and answer the bench. With
    "decide" it may also end holds, ship and correct, in the name of a listed person.

    The token is shown this once. Holdpoint keeps no copy of it.
    """
    from config import load  # noqa: PLC0415 -- as for the others
    from storage import (  # noqa: PLC0415
        Role,
        endpoint,
        give_token,
        schema_version,
    )

    home = home_here()
    load(home.folder)  # says where nobody has settings, before a folder is made there
    data = home.data
    token = give_token(data, name, Role(role), at=datetime.now(UTC))
    found = endpoint.read(data)
    address = None if found is None or found.stale else found.address
    say(f"{name} may {role}. The token is shown this once; keep it to that program:")
    return Shown(
        {
            "name": name,
            "role": role,
            "token": token,
            "address": address,
            "schema": schema_version(),
        },
        token,
    )


@click.command("list")
@shown
def access_list() -> Shown:
    """List which programs have a token."""
    from storage import given_tokens  # noqa: PLC0415 -- as above

    found = given_tokens(home_here().data)
    return listed(found, {
        "name": "name", "may": "role", "given": ("given_at", "%Y-%m-%d %H:%M"),
    }, nothing="No other program has a token.")  # fmt: skip


@click.command("revoke")
@click.argument("names", nargs=-1, required=True)
def access_revoke(names: tuple[str, ...]) -> None:
    """Take tokens back.

    The daemon refuses the tokens of NAMES from the next request on.
    """
    from storage import revoke_token  # noqa: PLC0415 -- as above

    data = home_here().data
    for name in names:
        revoke_token(data, name)
        say(f"The token of {name} is revoked.")
