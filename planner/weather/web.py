"""Asking a service on the network through a cache on disk, so that old answers are there when the signal is not.

Answers are kept in the user's cache folder for as long as the service's own headers say, within bounds; an old answer
is returned, marked as such, when the service fails. Only bodies that are JSON count as answers: the login page of a
hotel's network must not push out yesterday's forecast. Offline, the network is not touched.

Nothing that answers is trusted: time and length of an answer are bounded, it cannot send the program to another server,
and what the cache holds is JSON, read with the same care.
"""

import json
import logging
import re
import sqlite3
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from http.cookiejar import DefaultCookiePolicy
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from threading import Thread
from typing import Any
from urllib.parse import urljoin, urlsplit

import requests
from platformdirs import user_cache_dir
from requests.adapters import HTTPAdapter
from requests_cache import CachedSession
from urllib3.exceptions import ReadTimeoutError
from urllib3.util.retry import Retry

from planner.errors import PlannerError

TIMEOUT_S = (3.05, 15.0)
"""Most time to connect, and between two parts of an answer. [s]"""
MOST_S, MOST_BYTES = 90.0, 8_000_000
"""Most time for an answer in all, and its most length once unpacked; a hundred places have 1.5 MB. [s, byte]"""
_MOST_REDIRECTS = 3
HOUR_S, DAY_S = 3600, 86400
# What part of a URL gives it which life in the cache: least, most, and without a word from the service. [s]
LIVES: tuple[tuple[str, tuple[int, int, int]], ...] = (
    ("/points/", (7 * DAY_S, 7 * DAY_S, 7 * DAY_S)),  # which grid cell a point lies in changes now and then
    ("/v1/elevation", (3650 * DAY_S, 3650 * DAY_S, 3650 * DAY_S)),
    ("/v1/json", (3650 * DAY_S, 3650 * DAY_S, 3650 * DAY_S)),
    ("/v1/archive", (30 * DAY_S, 365 * DAY_S, 365 * DAY_S)),
    ("", (600, 6 * HOUR_S, HOUR_S)),  # forecasts
)
_FORMS = (
    ("/points/", "properties"),
    ("/gridpoints/", "properties"),
    ("/v1/forecast", "hourly"),
    ("/v1/archive", "daily"),
    ("/v1/elevation", "elevation"),
    ("/v1/json", "value"),
)
_NOT_JSON = "did not answer in JSON; perhaps this network wants a login"
_OTHER_FORM = "answered in another form than it promises"
_TOO_LONG = f"answered with more than {MOST_BYTES / 1e6:.0f} MB"
_ELSEWHERE = "wants to send the question to another server; perhaps this network wants a login"
_LOCK_WAIT_S = 2.0
logging.getLogger("requests_cache").setLevel(logging.ERROR)  # it would print the trace of every failure it bridges
_SECONDS = re.compile(r"\d{1,5}", re.ASCII)
_MAX_AGE = re.compile(r"\bmax-age\s*=\s*(\d{1,9})", re.ASCII)
_VALIDATORS = ("ETag", "Last-Modified", "Expires", "Pragma", "Vary", "Age")


class ServiceError(PlannerError):
    """A service did not give what was asked of it."""


class Unreachable(ServiceError):
    """No sound answer came: no network, too slow, cut off, or not JSON."""


class NeverFetched(ServiceError):
    """Offline, and nothing is kept of this."""


class Refused(ServiceError):
    """The service answered with an error.

    Attributes
    ----------
    status : int
        HTTP status. [-]
    kind : str
        The service's own name of the error, may be empty. [-]
    """

    def __init__(self, status: int, kind: str, text: str) -> None:
        self.status, self.kind = status, kind
        super().__init__(text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A parsed answer, when it came over the network, whether it was kept, and whether a newer one was due."""

    data: Any
    fetched_s: float
    stale: bool
    cached: bool = False


class _Unsound(requests.exceptions.ConnectionError):
    """An answer came, and is none; its text says why."""


class _JsonOnly(HTTPAdapter):
    """Below the cache: a body of another form is a failure, and the cache gets its times in one plain form."""

    def __init__(self, lives: Sequence[tuple[str, tuple[int, int, int]]], retry: Retry, most_s: float) -> None:
        self._lives, self._most_s = tuple(lives), most_s
        super().__init__(max_retries=retry)

    def send(self, request: requests.PreparedRequest, *args: Any, **kwargs: Any) -> requests.Response:
        """Send one request."""
        end_s = time.monotonic() + self._most_s
        response = _in_time(lambda: self._whole(request, end_s, **kwargs), self._most_s)
        if response.status_code == 304 or (response.status_code == 200 and not _is_sound(request, response)):
            raise _Unsound(_OTHER_FORM)
        if response.is_redirect and _leads_away(request.url or "", response.headers["Location"]):
            raise _Unsound(_ELSEWHERE)
        life_s = _life_s(request.url or "", response.headers, self._lives)
        for name in _VALIDATORS:  # a revalidated answer would keep the time of its first fetch and look too old
            response.headers.pop(name, None)
        response.headers["Cache-Control"] = f"max-age={life_s}"
        return response

    def _whole(self, request: requests.PreparedRequest, end_s: float, **kwargs: Any) -> requests.Response:
        """Send one request and read the answer, unpacked, to its end."""
        response = super().send(request, **(kwargs | {"stream": True}))
        body = bytearray()
        for part in response.iter_content(65536):
            body += part
            if len(body) > MOST_BYTES or time.monotonic() > end_s:
                response.close()
                raise _Unsound(_TOO_LONG)
        response._content = bytes(body)  # as requests itself does
        return response


def _in_time(work: Callable[[], requests.Response], most_s: float) -> requests.Response:
    """Do the work in a thread that is given up when it takes too long: single reads have limits, their sum has not."""
    done: Future[requests.Response] = Future()

    def run() -> None:
        try:
            done.set_result(work())
        except BaseException as exc:  # handed on to the caller, whatever it is
            done.set_exception(exc)

    Thread(target=run, daemon=True).start()
    try:
        return done.result(most_s)
    except TimeoutError as exc:
        raise requests.exceptions.ReadTimeout from exc


def _is_sound(request: requests.PreparedRequest, response: requests.Response) -> bool:
    """Whether a body has the form of an answer to the question; raises when it is not even JSON."""
    try:
        return _has_form(request.url or "", _parsed(response.content))
    except ValueError as exc:
        raise _Unsound(_NOT_JSON) from exc


def _parsed(body: bytes) -> Any:
    """Read JSON; a ValueError says that it is none, or nested without reason."""
    try:
        return json.loads(body)
    except RecursionError as exc:
        raise ValueError(_OTHER_FORM) from exc


def _leads_away(url: str, location: str) -> bool:
    """Whether a redirect leads off the server that was asked."""
    try:
        here, there = urlsplit(url), urlsplit(urljoin(url, location))
    except ValueError:
        return True
    return not location.isascii() or (here.scheme, here.netloc) != (there.scheme, there.netloc)


def _has_form(url: str, data: Any) -> bool:
    """Whether a body has the key that answers to such a question always have."""
    key = next((key for part, key in _FORMS if part in url), None)
    items = data if isinstance(data, list) else [data]
    return key is None or all(isinstance(item, dict) and key in item for item in items)


def _life_s(url: str, headers: Mapping[str, str], lives: Sequence[tuple[str, tuple[int, int, int]]]) -> int:
    low, high, usual = next(life for part, life in lives if part in url)
    said = _MAX_AGE.search(headers.get("Cache-Control", ""))
    return usual if said is None else min(max(int(said[1]), low), high)


class Web:
    """A cached, bounded, polite client; close it, or use it in a `with`.

    Parameters
    ----------
    folder : Path or None
        Where the cache lies; None for the user's cache folder. [-]
    offline : bool
        Never touch the network. [-]
    now : datetime
        The present, aware; ages are counted from it. [-]
    tell : callable
        Receives a sentence when the cache had to be mended or done without. [-]
    timeout_s, most_s, lives : optional
        Patience, with one part and with the whole of an answer, and life in the cache, for tests. [s]
    """

    def __init__(
        self,
        folder: Path | None = None,
        *,
        offline: bool,
        now: datetime,
        tell: Callable[[str], None] = lambda _: None,
        timeout_s: tuple[float, float] = TIMEOUT_S,
        most_s: float = MOST_S,
        lives: Sequence[tuple[str, tuple[int, int, int]]] = LIVES,
        back_off_s: float = 0.5,
    ) -> None:
        self.offline, self.now_s, self._tell = offline, now.timestamp(), tell
        self._timeout_s, self._most_s, self._lives, self._back_off_s = timeout_s, most_s, lives, back_off_s
        self._path = (cache_folder() if folder is None else folder) / "http.sqlite"
        self._in_memory = False
        self._session = self._open()

    def __enter__(self) -> "Web":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close connections and the cache file."""
        self._session.close()  # type: ignore[no-untyped-call]

    def get(self, url: str, params: Mapping[str, str] | None = None, *, accept: str, again: bool = False) -> Answer:
        """Ask for one JSON document; `again` passes over what is kept.

        Raises `Unreachable`, `NeverFetched` or `Refused`, all of them `ServiceError`.
        """
        self._leave_a_lost_cache()
        try:
            response = self._send(url, params, accept, again)
        except _ROW_FAULTS as exc:
            self._mend(exc)
            response = self._send(url, params, accept, again)
        if self.offline and response.status_code == 504:
            message = "was never fetched, and this is offline"
            raise NeverFetched(message)
        if response.status_code != 200:
            raise _refusal(response)
        cached = bool(getattr(response, "from_cache", False))
        try:
            data, fetched_s = _parsed(response.content), self._fetched_s(response)
            sound = _has_form(url, data)
        except (ValueError, OverflowError):
            sound = False
        if not sound and (again or not cached or self.offline):
            message = f"is kept in a damaged form in {self._path}; delete that file, and ask again with a network"
            raise Unreachable(message)
        if not sound:
            return self.get(url, params, accept=accept, again=True)
        stale = cached and bool(getattr(response, "is_expired", False))
        if stale and not self.offline:
            hours = (self.now_s - fetched_s) / 3600.0
            self._tell(f"{urlsplit(url).hostname} gives no new answer now; the one of {hours:.1f} h ago is used")
        return Answer(data=data, fetched_s=fetched_s, stale=stale, cached=cached)

    def _fetched_s(self, response: requests.Response) -> float:
        created = getattr(response, "created_at", None)
        return self.now_s if created is None else min(created.timestamp(), self.now_s)

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

    # --- the cache file ---

    def _open(self) -> CachedSession:
        """Open the cache file, mending it or doing without it as need be."""
        for _ in range(2):
            fault = _cache_fault(self._path)
            if fault == "":
                try:
                    return self._session_on(self._path)
                except (sqlite3.Error, OSError) as exc:
                    fault = str(exc) or "damaged"
            if fault in (_LOCKED, _READ_ONLY) or not self._set_aside(fault):
                break
        if fault == _READ_ONLY:
            self._tell(f"the cache {self._path} cannot be written; answers of today will not be there tomorrow")
        elif fault == _LOCKED:
            self._tell(f"the cache {self._path} is locked by another program; going on without it")
        return self._without()

    def _session_on(self, path: Path | None) -> CachedSession:
        """Open a session on a cache file, or in memory."""
        common: dict[str, Any] = {
            "expire_after": HOUR_S,
            "stale_if_error": True,
            "allowable_codes": (200,),
            "cache_control": True,  # in the plain form that _JsonOnly gives it
            "match_headers": ["Accept"],
        }
        if path is None:
            session = CachedSession("grademargin", backend="memory", **common)
        else:
            session = CachedSession(path, backend="sqlite", serializer="json", wal=True, **common)
        retry = Retry(
            total=2,
            read=False,  # too slow once is slow again
            backoff_factor=self._back_off_s,
            status_forcelist=(500, 502, 503, 504),
            allowed_methods=("GET",),
            raise_on_status=False,
            respect_retry_after_header=False,
        )
        for scheme in ("https://", "http://"):
            session.mount(scheme, _JsonOnly(self._lives, retry, self._most_s))
        session.max_redirects = _MOST_REDIRECTS
        session.headers["User-Agent"] = user_agent()
        session.cookies.set_policy(DefaultCookiePolicy(allowed_domains=[]))
        session.auth = _no_auth  # or a password from .netrc might be sent along
        return session

    def _without(self) -> CachedSession:
        self._in_memory = True
        return self._session_on(None)

    def _set_aside(self, fault: str) -> bool:
        """Rename a damaged cache; False when that cannot be done."""
        aside = self._path.with_name(f"{self._path.name}.corrupt-{self.now_s:.0f}")
        try:
            self._path.rename(aside)
        except FileNotFoundError:
            return True  # another process was quicker
        except OSError:
            self._tell(f"the cache {self._path} is damaged ({fault}) and cannot be moved; going on without it")
            return False
        for tail in ("-wal", "-shm"):
            with suppress(OSError):
                self._path.with_name(self._path.name + tail).unlink()
        self._tell(f"the cache {self._path} was damaged ({fault}); put aside as {aside.name}, a new one begun")
        return True

    def _mend(self, exc: Exception) -> None:
        self.close()
        lost = self._in_memory or "locked" in str(exc)
        self._session = self._without() if lost or not self._set_aside(str(exc)) else self._open()

    def _leave_a_lost_cache(self) -> None:
        """Go on in memory when the file is locked or has become unusable: the library would wait for ever."""
        fault = "" if self._in_memory else _cache_fault(self._path, thorough=False)
        if fault:
            self.close()
            why = "is locked by another program" if fault == _LOCKED else f"can no longer be used ({fault})"
            self._tell(f"the cache {self._path} {why}; going on without it")
            self._session = self._without()


_LOCKED, _READ_ONLY = "locked", "read-only"
_ROW_FAULTS = (sqlite3.Error, ValueError, KeyError, TypeError, OverflowError, RecursionError)


def _cache_fault(path: Path, *, thorough: bool = True) -> str:
    """Say what is wrong with a cache file; empty when it can be written, or begun."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with closing(sqlite3.connect(path, timeout=_LOCK_WAIT_S, isolation_level=None)) as file:
            file.execute("BEGIN IMMEDIATE")
            file.execute("ROLLBACK")
            found = file.execute("PRAGMA quick_check(1)").fetchone()[0] if thorough else "ok"
    except sqlite3.OperationalError as exc:
        text = str(exc)
        if "locked" in text or "busy" in text:
            return _LOCKED
        return _READ_ONLY if "readonly" in text or "unable to open" in text else text
    except sqlite3.Error as exc:
        return str(exc)
    except OSError:
        return _READ_ONLY
    return "" if found == "ok" else str(found)


def _refusal(response: requests.Response) -> Refused:
    """Put an error answer into words: RFC 7807 problems, and {"error": true, "reason": ...}."""
    try:
        data = _parsed(response.content)
    except ValueError:
        data = {}
    data = data if isinstance(data, dict) else {}
    said = {key: one_line(value) for key, value in data.items() if isinstance(value, str) and value}
    kind = said.get("type", "").rsplit("/", 1)[-1][:60]
    words = next((said[key] for key in ("reason", "detail", "title") if key in said), "no reason given")
    text = f"answered {response.status_code}: {words}"
    later = response.headers.get("Retry-After", "")
    if response.status_code == 429:
        text += f" (try again in {later} s)" if _SECONDS.fullmatch(later) else " (try again later)"
    return Refused(response.status_code, kind or said.get("title", "")[:60], text)


def one_line(text: str, most: int = 200) -> str:
    r"""Shorten another program's words to what a terminal shows and does not obey.

    Parameters
    ----------
    text : str
        What came. [-]
    most : int
        Most characters. [-]

    Returns
    -------
    str
        One line.

    Examples
    --------
    >>> one_line("Try\x1b[2J again\nlater")
    'Try [2J again later'
    """
    return "".join(char if char.isprintable() else " " for char in text[:most])


def _why(exc: requests.exceptions.RequestException) -> str:
    if isinstance(exc, _Unsound):
        return str(exc)
    if isinstance(exc, requests.exceptions.Timeout) or isinstance(next(iter(exc.args), None), ReadTimeoutError):
        return "did not answer in time"
    if isinstance(exc, requests.exceptions.SSLError):
        return "has no certificate that this computer trusts; is its clock right?"
    if isinstance(exc, requests.exceptions.ConnectionError):
        return "cannot be reached"
    if isinstance(exc, requests.exceptions.TooManyRedirects):
        return "sends the question round in a circle"
    return f"broke off its answer ({type(exc).__name__})"


def _no_auth(request: requests.PreparedRequest) -> requests.PreparedRequest:
    return request


def cache_folder() -> Path:
    """Where answers are kept by URL.

    Returns
    -------
    Path
        The user's cache folder for this program; it may be deleted at any time.
    """
    return Path(user_cache_dir("grademargin", appauthor=False))


def user_agent() -> str:
    """How the program names itself to services, as they ask.

    Returns
    -------
    str
        Name and version, and whose traffic this is.
    """
    try:
        number = version("grademargin")
    except PackageNotFoundError:
        number = "0"
    return f"grademargin/{number} (weather for one planned drive; started by hand; cached)"
