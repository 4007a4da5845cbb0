"""Which record this bench shares with others, as the maker writes it."""

from typing import Annotated

from pydantic import Field

from config.strict import Strict

__all__ = ["Sharing"]


class Sharing(Strict):
    """The shared database, and what this bench is called there.

    No result changes by it. The address often holds a password: it is never shown.
    """

    database: Annotated[str, Field(min_length=1, max_length=2_000, repr=False)]
    """As PostgreSQL's own programs take it, such as
    "postgresql://holdpoint@server/records"; a password is better kept in the file that
    PostgreSQL reads it from."""
    bench: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,30}$")]
    """No other bench has this name: small letters, digits and '-'."""
