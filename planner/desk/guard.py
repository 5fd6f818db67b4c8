"""Access control: only the desk's own page, on this computer, opened at the printed address, may send requests.

A page of another site can send requests to any port of this computer, and its host name may resolve to this computer.
So every request must name this host and port, carry the cookie that the first address set, and, if it changes
anything, come from the desk's own page.
"""

import hmac
import secrets
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

HOST = "127.0.0.1"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
FORM_BYTES = 200_000  # maximum of a request without upload
_LONGEST_PATH, _LONGEST_QUERY = 300, 600
_SAFE = frozenset({"GET", "HEAD"})
_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)


class Guard:
    """Refuses requests that are not from the desk's own page; `port` is set once the port is known."""

    def __init__(self, app: App, *, port: int = 0, uploads: Iterable[tuple[str, int]] = ()) -> None:
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
        headers = {name.lower(): value for name, value in scope["headers"]}
        fault = self._fault(scope, headers)
        if fault is None and self._has_token(scope):
            await self._welcome(send)
        elif fault is not None or not self._has_cookie(headers):
            await _refuse(send, *(fault or (403, "open the desk at the address that the program printed")))
        else:
            await self._bounded(scope, headers, receive, send)

    def _fault(self, scope: Scope, headers: dict[bytes, bytes]) -> tuple[int, str] | None:
        """Reason to refuse a request by its origin or address."""
        hosts = [value for name, value in scope["headers"] if name.lower() == b"host"]
        names = {f"{name}:{self.port}".encode() for name in (HOST, "localhost")}
        if len(hosts) != 1 or hosts[0] not in names:
            return 421, "wrong host name"
        if len(scope["path"]) > _LONGEST_PATH or len(scope["query_string"]) > _LONGEST_QUERY:
            return 414, "the address is too long"
        origin, site = headers.get(b"origin"), headers.get(b"sec-fetch-site")
        own = b"http://" + hosts[0]
        if origin != own and (origin is not None or scope["method"] not in _SAFE):
            return 403, "request from another page"
        if site is not None and site not in (b"same-origin", b"none"):
            return 403, "request from another site"
        return None

    def _has_token(self, scope: Scope) -> bool:
        if scope["path"] != "/" or scope["method"] != "GET":
            return False
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])
        return hmac.compare_digest(given[0].encode(), self.token.encode())

    def _has_cookie(self, headers: dict[bytes, bytes]) -> bool:
        try:
            jar = SimpleCookie(headers.get(b"cookie", b"").decode("latin-1"))
        except CookieError:
            return False
        held = jar.get(self.cookie)
        return held is not None and hmac.compare_digest(held.value.encode(), self._session.encode())

    async def _welcome(self, send: Send) -> None:
        """Set the cookie and redirect to the address without the token, which is valid once.

        The first token is in the arguments of the browser process, where other users of this computer may read it.
        """
        self.token = secrets.token_urlsafe(32)
        self.used()
        cookie = f"{self.cookie}={self._session}; HttpOnly; SameSite=Strict; Path=/"
        headers = [(b"location", b"/"), (b"set-cookie", cookie.encode()), (b"content-length", b"0"), *_HEADERS]
        await send({"type": "http.response.start", "status": 303, "headers": headers})
        await send({"type": "http.response.body", "body": b""})

    async def _bounded(self, scope: Scope, headers: dict[bytes, bytes], receive: Receive, send: Send) -> None:
        """Pass a request on with a limit on its body, and add headers to the response."""
        most = self.uploads.get(scope["path"], FORM_BYTES)
        said = headers.get(b"content-length", b"0")
        if not said.isdigit() or int(said) > most:
            await _refuse(send, 413, f"too large; the maximum is {most / 1e6:g} MB")
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
                given = {name.lower() for name, _ in message["headers"]}
                more = [pair for pair in _HEADERS if pair[0] not in given]
                if b"content-security-policy" not in given:
                    more.append((b"content-security-policy", POLICY.encode()))
                message = {**message, "headers": [*message["headers"], *more]}
            await send(message)

        await self.app(scope, counted, stamped)


async def _refuse(send: Send, status: int, words: str) -> None:
    """Reply in plain text and close the connection, without waiting for an unread body."""
    body = f"grademargin: {words}\n".encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"content-security-policy", b"default-src 'none'"),
        (b"connection", b"close"),
        *_HEADERS,
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
