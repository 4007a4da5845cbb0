"""The daemon's routes: each says which role it needs, and here alone that is seen to.

A route without a role cannot be made: the application takes a `Way` alone.
"""

from collections.abc import Awaitable, Callable, Collection

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from storage.errors import RoleError
from storage.roles import Caller, Role

CALLER = "caller"
"""Where a request's scope has its `Caller`."""


class Way(Route):
    """A route that answers those whose role covers its own.

    It stands behind `storage.server.Guard`, which says who asks.
    """

    def __init__(
        self,
        path: str,
        endpoint: Callable[[Request], Awaitable[Response]],
        *,
        role: Role,
        methods: Collection[str] | None = None,
    ) -> None:
        super().__init__(path, endpoint, methods=methods)
        self.role = role

    async def handle(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or refuse.

        Raises
        ------
        RoleError
            The caller's role does not cover the route's.
        """
        caller: Caller = scope[CALLER]
        if not caller.role.covers(self.role):
            raise RoleError(name=caller.name, role=caller.role, needed=self.role)
        await super().handle(scope, receive, send)
