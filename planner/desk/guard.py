"""Access control: only the desk's own page, on this computer, opened at the printed address, may send requests.

A page of another site can send requests to any port of this computer, and its host name may resolve to this computer.
So every request must name this host and port, carry the cookie that the first address set, and, if it changes
anything, come from the desk's own page.
"""

import hmac
import secrets
from collections.abc import Callable, Iterable

from starlette.datastructures import MutableHeaders
from starlette.requests import HTTPConnection
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HOST = "127.0.0.1"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
FORM_BYTES = 200_000  # maximum of a request without upload
_LONGEST_PATH, _LONGEST_QUERY = 300, 600
_SAFE = frozenset({"GET", "HEAD"})
_HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cache-control": "no-store",
}


class Guard:
    """Refuses requests that are not from the desk's own page; `port` is set once the port is known."""

    def __init__(self, app: ASGIApp, *, port: int = 0, uploads: Iterable[tuple[str, int]] = ()) -> None:
        self.app, self.port = app, port
        self.token, self._session = secrets.token_urlsafe(32), secrets.token_urlsafe(32)
        self.uploads = dict(uploads)  # most bytes by path
        self.used: Callable[[], None] = lambda: None  # called when a token has been used

    @property
    def address(self) -> str:
        """First address to open, with the token."""
        return f"http://{HOST}:{self.port}/?token={self.token}"

    @property
    def cookie(self) -> str:
        """Name of the cookie, one per port, as browsers share cookies between ports."""
        return f"grademargin-desk-{self.port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on, or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # web sockets are not used
            await send({"type": "websocket.close", "code": 1008})
            return
        asked = HTTPConnection(scope)
        fault = self._fault(asked)
        if fault is None and self._has_token(asked):
            await self._welcome()(scope, receive, send)
        elif fault is not None or not _same(asked.cookies.get(self.cookie, ""), self._session):
            words = fault or (403, "open the desk at the address that the program printed")
            await _refusal(*words)(scope, receive, send)
        else:
            await self._bounded(asked, receive, send)

    def _fault(self, asked: HTTPConnection) -> tuple[int, str] | None:
        """Reason to refuse a request by its origin or address."""
        hosts, origin, site = (asked.headers.getlist(name) for name in ("host", "origin", "sec-fetch-site"))
        if len(hosts) != 1 or hosts[0] not in (f"{HOST}:{self.port}", f"localhost:{self.port}"):
            return 421, "wrong host name"
        if len(asked.scope["path"]) > _LONGEST_PATH or len(asked.scope["query_string"]) > _LONGEST_QUERY:
            return 414, "the address is too long"
        if origin != [f"http://{hosts[0]}"] and (origin or asked.scope["method"] not in _SAFE):
            return 403, "request from another page"
        if site not in ([], ["same-origin"], ["none"]):
            return 403, "request from another site"
        return None

    def _has_token(self, asked: HTTPConnection) -> bool:
        at_start = asked.scope["path"] == "/" and asked.scope["method"] == "GET"
        return at_start and _same(asked.query_params.get("token", ""), self.token)

    def _welcome(self) -> Response:
        """Set the cookie and redirect to the address without the token, which is valid once.

        The first token is in the arguments of the browser process, where other users of this computer may read it.
        """
        self.token = secrets.token_urlsafe(32)
        self.used()
        cookie = f"{self.cookie}={self._session}; HttpOnly; SameSite=Strict; Path=/"
        return Response(status_code=303, headers={"location": "/", "set-cookie": cookie, **_HEADERS})

    async def _bounded(self, asked: HTTPConnection, receive: Receive, send: Send) -> None:
        """Pass a request on with a limit on its body, and add headers to the response."""
        most = self.uploads.get(asked.scope["path"], FORM_BYTES)
        said = asked.headers.get("content-length", "0")
        if not (said.isascii() and said.isdigit()) or int(said) > most:
            await _refusal(413, f"too large; the maximum is {most / 1e6:g} MB")(asked.scope, receive, send)
            return
        taken = 0

        async def counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > most:
                return {"type": "http.disconnect"}
            return message

        async def stamped(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in (*_HEADERS.items(), ("content-security-policy", POLICY)):
                    headers.setdefault(name, value)
            await send(message)

        await self.app(asked.scope, counted, stamped)


def _same(given: str, secret: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), secret.encode())


def _refusal(status: int, words: str) -> Response:
    """A reply that closes the connection, without waiting for an unread body."""
    headers = {"content-security-policy": "default-src 'none'", "connection": "close", **_HEADERS}
    return PlainTextResponse(f"grademargin: {words}\n", status, headers)
