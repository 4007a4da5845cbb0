"""What a token may do: each command and each route says which role it needs."""

from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """What a token may do; each may all that stands before it too."""

    READ = "read"
    """Ask: rows, and what the daemon is doing."""
    RECORD = "record"
    """Record units, readings, builds and reels; order the bench, answer it, stop it."""
    DECIDE = "decide"
    """Decide: place and end holds, ship, take note, correct what is recorded."""
    OWN = "own"
    """All, for who runs the daemon: no token that is given has it."""

    def covers(self, needed: "Role") -> bool:
        """Whether this role may what needs another."""
        order = list(Role)
        return order.index(self) >= order.index(needed)


GIVEN = (Role.READ, Role.RECORD, Role.DECIDE)
"""Roles that a token may be given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Caller:
    """Who asks: the token's name and role."""

    name: str
    role: Role
