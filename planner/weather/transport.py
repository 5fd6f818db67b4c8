"""HTTP requests through a disk cache, so that old responses are available offline.

Time and length of a response are limited. A body that is not JSON of the expected format is a failure, so that the
login page of a hotel network does not replace yesterday's forecast; redirects to another server are refused. Responses
are cached in the user's cache folder for the time in the service's headers, within limits; an old response is
returned, marked as stale, when the service fails. Offline, the network is not used. The cache is checked like the
network; if its file is faulty, responses are cached in memory and the file is not changed.
"""

import json
import logging
import re
import sqlite3
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from contextlib import closing
from datetime import datetime
from http.cookiejar import DefaultCookiePolicy
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from threading import Event, Thread
from typing import Any
from urllib.parse import urljoin, urlsplit

import requests
from platformdirs import user_cache_dir
from requests.adapters import HTTPAdapter
from requests_cache import CachedSession, json_serializer
from requests_cache.models.response import CachedResponse
from requests_cache.serializers import SerializerPipeline
from urllib3.exceptions import ReadTimeoutError
from urllib3.util.retry import Retry

from planner.weather.records import Answer, NeverFetched, Refused, Unreachable
from thermal.errors import one_line

TIMEOUT_S = (3.05, 15.0)
"""Maximum time to connect, and between two parts of a response. [s]"""
HEAD_S, MOST_S, MOST_BYTES = 30.0, 90.0, 8_000_000
"""Maximum time until a response begins, and for all of it, retries included; its maximum decoded length: a hundred
places have 1.5 MB. [s, s, byte]"""
HOUR_S, DAY_S = 3600, 86400
_LOCK_WAIT_S = 2.0
_MOST_REDIRECTS = 3
_FORECAST_S = (600, 6 * HOUR_S, HOUR_S)
# By part of a URL: key that a reply must have; cache lifetime, minimum, maximum, default [s].
_KINDS: Mapping[str, tuple[str, tuple[int, int, int]]] = {
    "/points/": ("properties", (7 * DAY_S,) * 3),  # the grid cell of a point changes sometimes
    "/gridpoints/": ("properties", _FORECAST_S),
    "/v1/forecast": ("hourly", _FORECAST_S),
    "/v1/archive": ("daily", (30 * DAY_S, 365 * DAY_S, 365 * DAY_S)),
    "/v1/elevation": ("elevation", (3650 * DAY_S,) * 3),
    "/v1/json": ("value", (3650 * DAY_S,) * 3),
}
_NOT_JSON = "did not send JSON; this network may require a login"
_OTHER_FORM = "sent JSON in an unexpected format"
_NOT_HTTP = "sent an invalid HTTP response"
_TOO_LONG = f"sent more than {MOST_BYTES / 1e6:.0f} MB"
_ELSEWHERE = "redirects to another server; this network may require a login"
_MAX_AGE = re.compile(r"\bmax-age\s*=\s*(\d{1,9})", re.ASCII)
_VALIDATORS = ("ETag", "Last-Modified", "Expires", "Pragma", "Vary", "Age")
_SECONDS = re.compile(r"\d{1,5}", re.ASCII)
logging.getLogger("requests_cache").setLevel(logging.CRITICAL)  # else it prints every failure


class Client:
    """A cached, rate-limited client; close it, or use it in a `with`."""

    def __init__(
        self,
        folder: Path | None = None,
        *,
        offline: bool,
        now: datetime,
        progress: Callable[[str], None] = lambda _: None,
        timeout_s: tuple[float, float] = TIMEOUT_S,
        head_s: float = HEAD_S,
        most_s: float = MOST_S,
        back_off_s: float = 0.5,
    ) -> None:
        self.offline, self.now, self.progress = offline, now, progress
        self._timeout_s = timeout_s
        retry = Retry(
            total=2,
            read=False,  # no retry after a timeout
            backoff_factor=back_off_s,
            status_forcelist=(500, 502, 503, 504),
            allowed_methods=("GET",),
            raise_on_status=False,
            respect_retry_after_header=False,
        )
        self._adapter = CheckedAdapter(retry, head_s=head_s, most_s=most_s)
        self._path: Path | None = (cache_folder() if folder is None else folder) / "http.sqlite"
        self._session = self._open()

    def __enter__(self) -> "Client":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close connections and the cache file."""
        self._session.close()  # type: ignore[no-untyped-call]

    def get(self, url: str, params: Mapping[str, str] | None = None, *, accept: str, again: bool = False) -> Answer:
        """Request one JSON document; `again` bypasses the cache.

        Raises `Unreachable`, `NeverFetched` or `Refused`, all of them `ServiceError`.
        """
        if fault := _cache_fault(self._path):
            self._leave_the_cache(fault)  # the library would wait for a lock forever
        try:
            response = self._send(url, params, accept, again)
        except sqlite3.Error as exc:
            self._leave_the_cache(str(exc))
            response = self._send(url, params, accept, again)
        if self.offline and response.status_code == 504:
            message = "has not been fetched before; run again without --offline"
            raise NeverFetched(message)
        if response.status_code != 200:
            raise _refusal(response)
        created = getattr(response, "created_at", None)
        fetched_s = self.now.timestamp() if created is None else min(created.timestamp(), self.now.timestamp())
        cached = bool(getattr(response, "from_cache", False))
        stale = cached and bool(getattr(response, "is_expired", False))
        if stale and not self.offline:
            hours = (self.now.timestamp() - fetched_s) / 3600.0
            self.progress(f"{urlsplit(url).hostname} did not respond; using its reply from {hours:.1f} h ago")
        return Answer(data=read_json(response.content), fetched_s=fetched_s, stale=stale, cached=cached)

    def _send(self, url: str, params: Mapping[str, str] | None, accept: str, again: bool) -> requests.Response:
        try:
            return self._session.get(
                url,
                params=params,
                headers={"Accept": accept},
                timeout=self._timeout_s,
                only_if_cached=self.offline,
                force_refresh=again and not self.offline,
            )
        except requests.exceptions.RequestException as exc:
            raise Unreachable(_why(exc)) from exc

    def _open(self) -> CachedSession:
        """Open a session on the cache file; in memory if it is faulty or missing."""
        common: dict[str, Any] = {
            "expire_after": HOUR_S,
            "stale_if_error": True,
            "allowable_codes": (200,),
            "cache_control": True,  # in the format of CheckedAdapter
            "match_headers": ["Accept"],
        }
        fault = _cache_fault(self._path, thorough=True)
        session = None
        if self._path is not None and not fault:
            try:
                rows = _CacheRows(self.progress)
                session = CachedSession(self._path, backend="sqlite", serializer=rows, wal=True, **common)
            except (sqlite3.Error, OSError) as exc:
                fault = str(exc)
        if fault:
            self._tell_of_the_cache(fault)
        session = session or CachedSession("grademargin", backend="memory", **common)
        for scheme in ("https://", "http://"):
            session.mount(scheme, self._adapter)
        session.max_redirects = _MOST_REDIRECTS
        session.headers["User-Agent"] = user_agent()
        session.cookies.set_policy(DefaultCookiePolicy(allowed_domains=[]))
        session.auth = lambda request: request  # or a password from .netrc might be sent along
        return session

    def _leave_the_cache(self, fault: str) -> None:
        """Continue with a cache in memory."""
        self.close()
        self._tell_of_the_cache(fault)
        self._session = self._open()

    def _tell_of_the_cache(self, fault: str) -> None:
        self.progress(
            f"the cache {self._path} cannot be used ({fault}); continuing without it. If this persists, delete it"
        )
        self._path = None


def _cache_fault(path: Path | None, *, thorough: bool = False) -> str:
    """Return why a cache file cannot be used; empty if it can."""
    if path is None:
        return ""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with closing(sqlite3.connect(path, timeout=_LOCK_WAIT_S, isolation_level=None)) as file:
            file.execute("BEGIN IMMEDIATE")
            file.execute("ROLLBACK")
            found = file.execute("PRAGMA quick_check(1)").fetchone()[0] if thorough else "ok"
    except OSError as exc:
        return exc.strerror or type(exc).__name__
    except sqlite3.Error as exc:
        return str(exc)
    return "" if found == "ok" else "damaged"


class _CacheRows(SerializerPipeline):
    """Serializer of the cache file: plain JSON, so that no code is loaded; invalid rows count as absent."""

    def __init__(self, progress: Callable[[str], None]) -> None:
        self._progress = progress
        super().__init__(json_serializer.stages, name=json_serializer.name)

    def copy(self) -> "_CacheRows":
        """Return itself as the copy that the library requests."""
        return self

    def loads(self, value: str | bytes) -> CachedResponse:
        """Read a response; the library treats a ValueError as absent."""
        try:
            found = super().loads(value)
            sound = _is_answer(found)
        except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError, ExceptionGroup):
            sound = False
        if not sound:
            message = "a cached response is damaged; ignored, and requested again when there is a network"
            self._progress(message)
            raise ValueError(message)
        return found


def _is_answer(found: CachedResponse) -> bool:
    """Whether a row has all required fields."""
    times = (found.created_at, found.created_at if found.expires is None else found.expires)
    return (
        found.status_code == 200
        and all(at.utcoffset() is not None and 2000 <= at.year <= 2200 for at in times)
        and all(isinstance(part, str) for pair in found.headers.items() for part in pair)
        and has_form(found.url, read_json(found.content))
    )


# --- below the cache ---


class InvalidAnswer(requests.exceptions.ConnectionError):
    """An invalid response; its text gives the reason."""


class CheckedAdapter(HTTPAdapter):
    """Adapter that checks bodies, bounds time, and normalises cache headers."""

    def __init__(self, retry: Retry, *, head_s: float, most_s: float) -> None:
        self._head_s, self._most_s = head_s, most_s
        self._silent: set[str] = set()  # servers that timed out
        super().__init__(max_retries=retry)

    def send(self, request: requests.PreparedRequest, *args: Any, **kwargs: Any) -> requests.Response:
        """Send one request."""
        server = urlsplit(request.url or "").netloc
        if server in self._silent:
            raise requests.exceptions.ReadTimeout
        try:
            response = self._in_time(request, kwargs)
        except _GivenUp:
            self._silent.add(server)
            raise
        if response.status_code == 304 or (response.status_code == 200 and not _is_sound(request, response)):
            raise InvalidAnswer(_OTHER_FORM)
        if response.is_redirect and _leads_away(request.url or "", response.headers["Location"]):
            raise InvalidAnswer(_ELSEWHERE)
        low, high, life_s = _kind_of(request.url or "")[1]
        if said := _MAX_AGE.search(response.headers.get("Cache-Control", "")):
            life_s = min(max(int(said[1]), low), high)
        for name in _VALIDATORS:  # a revalidated response would keep its first fetch time and look too old
            response.headers.pop(name, None)
        response.headers["Cache-Control"] = f"max-age={life_s}"
        return response

    def _in_time(self, request: requests.PreparedRequest, kwargs: Mapping[str, Any]) -> requests.Response:
        """Send in a thread with a total time limit, since only single reads have limits."""
        done: Future[requests.Response] = Future()
        begun, end_s = Event(), time.monotonic() + self._most_s

        def run() -> None:
            try:
                done.set_result(self._whole(request, begun, end_s, kwargs))
            except BaseException as exc:  # re-raised in the caller
                done.set_exception(exc)
            begun.set()

        Thread(target=run, daemon=True).start()
        if not begun.wait(min(self._head_s, self._most_s)):
            raise _GivenUp
        try:
            return done.result(max(end_s - time.monotonic(), 0.0))
        except TimeoutError as exc:
            raise _GivenUp from exc

    def _whole(
        self, request: requests.PreparedRequest, begun: Event, end_s: float, kwargs: Mapping[str, Any]
    ) -> requests.Response:
        """Send one request and read the whole decoded response."""
        try:
            response = super().send(request, **(dict(kwargs) | {"stream": True}))
            begun.set()
            body = bytearray()
            with response:
                for part in response.iter_content(65536):
                    body += part
                    if len(body) > MOST_BYTES:
                        raise InvalidAnswer(_TOO_LONG)
                    if time.monotonic() > end_s:
                        raise _GivenUp
        except (requests.exceptions.RequestException, MemoryError):
            raise
        except Exception as exc:  # the HTTP libraries fail on some responses, e.g. a negative chunk length
            raise InvalidAnswer(_NOT_HTTP) from exc
        response._content = bytes(body)  # as requests itself does
        return response


class _GivenUp(requests.exceptions.ReadTimeout):
    """A request exceeded the total time limit."""


def _is_sound(request: requests.PreparedRequest, response: requests.Response) -> bool:
    """Whether a body has the expected format; raises if it is not JSON."""
    try:
        return has_form(request.url or "", read_json(response.content))
    except ValueError as exc:
        raise InvalidAnswer(_NOT_JSON) from exc


def read_json(body: bytes) -> Any:
    """Parse a response body; ValueError if it is not JSON, or nested too deep."""
    try:
        return json.loads(body)
    except RecursionError as exc:
        raise ValueError(_OTHER_FORM) from exc


def _leads_away(url: str, location: str) -> bool:
    """Whether a redirect leads to another server."""
    try:
        here, there = urlsplit(url), urlsplit(urljoin(url, location))
    except ValueError:
        return True
    return not location.isascii() or (here.scheme, here.netloc) != (there.scheme, there.netloc)


def has_form(url: str, data: Any) -> bool:
    """Whether a body has the key required for its URL; True for unknown URLs."""
    key = _kind_of(url)[0]
    items = data if isinstance(data, list) else [data]
    return not key or all(isinstance(item, dict) and key in item for item in items)


def _kind_of(url: str) -> tuple[str, tuple[int, int, int]]:
    return next((kind for part, kind in _KINDS.items() if part in url), ("", _FORECAST_S))


# --- messages ---


def _refusal(response: requests.Response) -> Refused:
    """Describe an error response: RFC 7807 problems, and {"error": true, "reason": ...}."""
    try:
        data = read_json(response.content)
    except ValueError:
        data = {}
    data = data if isinstance(data, dict) else {}
    said = {key: one_line(value) for key, value in data.items() if isinstance(value, str) and value}
    kind = said.get("type", "").rsplit("/", 1)[-1][:60]
    words = next((said[key] for key in ("reason", "detail", "title") if key in said), "no reason given")
    text = f"returned HTTP {response.status_code}: {words}"
    later = response.headers.get("Retry-After", "")
    if response.status_code == 429:
        text += f" (try again in {later} s)" if _SECONDS.fullmatch(later) else " (try again later)"
    return Refused(response.status_code, kind or said.get("title", "")[:60], text)


def _why(exc: requests.exceptions.RequestException) -> str:
    if isinstance(exc, InvalidAnswer):
        return str(exc)
    if isinstance(exc, requests.exceptions.Timeout) or isinstance(next(iter(exc.args), None), ReadTimeoutError):
        return "timed out"
    if isinstance(exc, requests.exceptions.SSLError):
        return "has no certificate this computer trusts; is the computer's clock right?"
    if isinstance(exc, requests.exceptions.ConnectionError):
        return "cannot be reached"
    if isinstance(exc, requests.exceptions.TooManyRedirects):
        return "returned a redirect loop"
    return f"closed the connection early ({type(exc).__name__})"


def cache_folder() -> Path:
    """The user's cache folder for this program; it may be deleted at any time."""
    return Path(user_cache_dir("grademargin", appauthor=False))


def user_agent() -> str:
    """User agent: name, version and purpose, as the services require."""
    try:
        number = version("grademargin")
    except PackageNotFoundError:
        number = "0"
    return f"grademargin/{number} (weather for one planned drive; started by hand; cached)"
