"""Who may look: whoever has the code of this start, at this address, from this page.

Any page that a browser on this machine shows could ask a server on loopback, under
this one's name or another. So nothing is answered, no picture and no line for live
pages, unless the request names one of our addresses, comes from a page of ours, and
carries the code, which a browser keeps as a cookie until the screens are started anew.
"""

import hmac
import os
from collections.abc import Iterable
from html import escape
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import (
    HTMLResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from daemon.presentation import LIGHT, screens
from dashboard.who import SECRET, SECRET_HEADER

HEALTH = "/_stcore/health"
"""Says that the server runs, and nothing else; it needs no code."""
ENTER = "/enter"
LONGEST_FORM = 1000
POLICY = "; ".join(
    (
        "default-src 'self'",
        # The library makes its parts and charts from text.
        "script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:",
        "worker-src 'self' blob:",
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data: blob:",
        "media-src 'self' data: blob:",
        "font-src 'self' data:",
        "connect-src 'self'",
        "object-src 'none'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)
"""Whatever stands on a page, nothing of it is fetched from elsewhere."""
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
}
PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width"><title>Holdpoint</title><style>
body {{ background: {paper}; color: {ink}; font: 1.1rem/1.5 sans-serif; margin: 3rem;
  max-width: 40rem; }} p.wrong {{ color: {said}; font-weight: 600; }}
input, button {{ font: inherit; padding: .4rem .6rem; max-width: 100%; }}
</style></head><body><main><h1>{headline}</h1>{wrong}<p>{how}</p>
<form method="post" action="{enter}"><label>{label}<br>
<input name="code" autocomplete="off" autocapitalize="off" spellcheck="false" required
 autofocus></label> <button>{button}</button></form></main></body></html>"""


class Access:
    """Stands before the server; see the module.

    Parameters
    ----------
    code
        What lets in; compared without dashes, blanks and case.
    addresses
        Host and port that a request may name, as in "127.0.0.1:8540".
    encrypted
        Whether the line is: then the cookie never goes over another.
    ticket
        What lets in once, for the browser that we open ourselves.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        code: str,
        addresses: Iterable[str],
        encrypted: bool = False,
        ticket: str | None = None,
    ) -> None:
        self._app = app
        self._code = bare(code)
        self._addresses = frozenset(addresses)
        self._encrypted = encrypted
        port = min(self._addresses).rpartition(":")[2]
        # Cookies know no ports: two dashboards of one machine must not share one.
        self._cookie = f"holdpoint-{port}"
        self._ticket = ticket

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or say why not."""
        if scope["type"] not in {"http", "websocket"}:
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        if (refused := self._foreign(headers)) is not None:
            await _refuse(scope, receive, send, refused)
            return
        if scope["type"] == "websocket":
            if self._known(headers):
                await self._app(scope, receive, send)
            else:
                await _refuse(scope, receive, send, screens.NO_CODE)
            return
        await self._answer(scope, receive, _with_headers(send))

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request that comes from where it may."""
        path = scope["path"]
        request = Request(scope, receive)
        given = request.query_params
        response: Response | None = None
        if path == ENTER and request.method == "POST":
            response = self._by_code(await _typed(request), "/")
        elif "code" in given and request.method == "GET":
            response = self._by_code(given["code"], path)
        elif self._ticket is not None and given.get("ticket") == self._ticket:
            self._ticket = None
            response = self._enter(path)
        elif path != HEALTH and not self._known(request.headers):
            response = self._ask()
        await (response or self._app)(scope, receive, send)

    def _by_code(self, code: str, path: str) -> Response:
        return self._enter(path) if self._right(code) else self._ask(wrong=True)

    def _foreign(self, headers: Headers) -> str | None:
        """Say what of a request is not of ours: its address, or where it comes from."""
        if by_proxy(headers):
            return None
        if headers.get("host", "").lower() not in self._addresses:
            return screens.FOREIGN_ADDRESS
        scheme = "https" if self._encrypted else "http"
        ours = {f"{scheme}://{one}" for one in self._addresses}
        origin = headers.get("origin")
        if origin is not None and origin.lower() not in ours:
            return screens.FOREIGN_PAGE
        return None

    def _known(self, headers: Headers) -> bool:
        if by_proxy(headers):
            return True
        try:
            kept = SimpleCookie(headers.get("cookie", "")).get(self._cookie)
        except CookieError:
            return False
        return kept is not None and self._right(kept.value)

    def _right(self, code: str) -> bool:
        return hmac.compare_digest(bare(code).encode(), self._code.encode())

    def _enter(self, path: str) -> RedirectResponse:
        """Let in; the address that is kept has no code."""
        # A path of two dashes would name another server.
        response = RedirectResponse("/" + path.lstrip("/\\"), status_code=303)
        response.set_cookie(
            self._cookie, self._code, httponly=True, samesite="strict",
            secure=self._encrypted, path="/",
        )  # fmt: skip
        return response

    def _ask(self, *, wrong: bool = False) -> HTMLResponse:
        """Return the page that says what is needed."""
        said = f'<p class="wrong" role="alert">{escape(screens.WRONG_CODE)}</p>'
        page = PAGE.format(
            paper=LIGHT.paper,
            ink=LIGHT.ink,
            said=LIGHT.said,
            headline=escape(screens.CODE_NEEDED),
            wrong=said if wrong else "",
            how=escape(screens.CODE_WHERE),
            label=escape(screens.CODE_LABEL),
            button=escape(screens.CODE_BUTTON),
            enter=ENTER,
        )
        return HTMLResponse(page, status_code=401)


async def _typed(request: Request) -> str:
    """Return the code of the form, of which no more is read than it may have."""
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > LONGEST_FORM:
            return ""
    return parse_qs(body.decode("utf-8", "replace")).get("code", [""])[0]


def bare(code: str) -> str:
    """Return a code as it is compared.

    >>> bare(" K7FM-2q9x ")
    'k7fm2q9x'
    """
    return "".join(one for one in code.casefold() if one.isalnum())


def by_proxy(headers: Headers) -> bool:
    """Whether a proxy that knows its users proves itself; it says who may look."""
    secret = os.environ.get(SECRET, "")
    given = headers.get(SECRET_HEADER) or ""
    return bool(secret) and hmac.compare_digest(secret.encode(), given.encode())


async def _refuse(scope: Scope, receive: Receive, send: Send, why: str) -> None:
    if scope["type"] == "websocket":
        # Closed before it was accepted: the browser is told 403.
        await send({"type": "websocket.close", "code": 1008, "reason": why})
        return
    await PlainTextResponse(why, status_code=403)(scope, receive, send)


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers[name] = value
        await send(message)

    return sent
