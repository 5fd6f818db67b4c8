"""Asking a service on the network through a cache on disk, so that old answers are there when the signal is not.

Answers are kept in the user's cache folder for as long as the service's own headers say, within bounds; an old answer
is returned, marked as such, when the service fails. Only bodies that are JSON count as answers: the login page of a
hotel's network must not push out yesterday's forecast. Offline, the network is not touched.
"""

import logging
import re
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from http.cookiejar import DefaultCookiePolicy
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import requests
from platformdirs import user_cache_dir
from requests.adapters import HTTPAdapter
from requests_cache import CachedSession
from urllib3.util.retry import Retry

from planner.errors import PlannerError

TIMEOUT_S = (3.05, 15.0)
"""Most time to connect, and between two parts of an answer. [s]"""
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
_LOCK_WAIT_S = 2.0
logging.getLogger("requests_cache").setLevel(logging.ERROR)  # it would print the trace of every failure it bridges
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


class _JsonOnly(HTTPAdapter):
    """Below the cache: a body of another form is a failure, and the cache gets its times in one plain form."""

    def __init__(self, lives: Sequence[tuple[str, tuple[int, int, int]]], retry: Retry) -> None:
        self._lives = tuple(lives)
        super().__init__(max_retries=retry)

    def send(self, request: requests.PreparedRequest, *args: Any, **kwargs: Any) -> requests.Response:
        """Send one request."""
        response = super().send(request, *args, **kwargs)
        if response.status_code == 200:
            try:
                data = response.json()
            except ValueError as exc:
                raise requests.exceptions.ConnectionError(_NOT_JSON) from exc
            if not _has_form(request.url or "", data):
                raise requests.exceptions.ConnectionError(_OTHER_FORM)
        life_s = _life_s(request.url or "", response.headers, self._lives)
        for name in _VALIDATORS:  # a revalidated answer would keep the time of its first fetch and look too old
            response.headers.pop(name, None)
        response.headers["Cache-Control"] = f"max-age={life_s}"
        return response


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
    timeout_s, lives : optional
        Patience and life in the cache, for tests. [s]
    """

    def __init__(
        self,
        folder: Path | None = None,
        *,
        offline: bool,
        now: datetime,
        tell: Callable[[str], None] = lambda _: None,
        timeout_s: tuple[float, float] = TIMEOUT_S,
        lives: Sequence[tuple[str, tuple[int, int, int]]] = LIVES,
        back_off_s: float = 0.5,
    ) -> None:
        self.offline, self.now_s, self._tell = offline, now.timestamp(), tell
        self._timeout_s, self._lives, self._back_off_s = timeout_s, lives, back_off_s
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
        self._leave_a_locked_cache()
        try:
            response = self._send(url, params, accept, again)
        except (sqlite3.Error, ValueError, KeyError, TypeError) as exc:
            self._mend(exc)
            response = self._send(url, params, accept, again)
        if self.offline and response.status_code == 504:
            message = "was never fetched, and this is offline"
            raise NeverFetched(message)
        if response.status_code != 200:
            raise _refusal(response)
        created = getattr(response, "created_at", None)
        fetched_s = self.now_s if created is None else min(created.timestamp(), self.now_s)
        cached = bool(getattr(response, "from_cache", False))
        stale = cached and bool(getattr(response, "is_expired", False))
        if stale and not self.offline:
            hours = (self.now_s - fetched_s) / 3600.0
            self._tell(f"{urlsplit(url).hostname} gives no new answer now; the one of {hours:.1f} h ago is used")
        return Answer(data=response.json(), fetched_s=fetched_s, stale=stale, cached=cached)

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
                    fault = _READ_ONLY if any(words in str(exc) for words in _UNWRITABLE) else str(exc) or "damaged"
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
            session.mount(scheme, _JsonOnly(self._lives, retry))
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
        if self._in_memory or isinstance(exc, sqlite3.OperationalError) or not self._set_aside(str(exc)):
            self._session = self._without()
        else:
            self._session = self._open()

    def _leave_a_locked_cache(self) -> None:
        """Go on in memory when another program has locked the file: the library would wait for ever."""
        if not self._in_memory and _cache_fault(self._path, thorough=False) == _LOCKED:
            self.close()
            self._tell(f"the cache {self._path} is locked by another program; going on without it")
            self._session = self._without()


_LOCKED, _READ_ONLY = "locked", "read-only"
_UNWRITABLE = ("readonly", "unable to open", "disk is full", "disk I/O error")  # no fault of the file


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
        return _READ_ONLY if any(words in text for words in _UNWRITABLE) else text
    except sqlite3.Error as exc:
        return str(exc)
    except OSError:
        return _READ_ONLY
    return "" if found == "ok" else str(found)


def _refusal(response: requests.Response) -> Refused:
    """Put an error answer into words: RFC 7807 problems, and {"error": true, "reason": ...}."""
    try:
        said = response.json()
    except ValueError:
        said = {}
    said = said if isinstance(said, dict) else {}
    kind = str(said.get("type", "")).rsplit("/", 1)[-1][:60]
    words = next((str(said[key]) for key in ("reason", "detail", "title") if said.get(key)), "no reason given")
    text = f"answered {response.status_code}: {words[:200]}"
    later = response.headers.get("Retry-After", "")
    if response.status_code == 429:
        text += f" (try again in {later} s)" if later.isdigit() else " (try again later)"
    return Refused(response.status_code, kind or str(said.get("title", ""))[:60], text)


def _why(exc: requests.exceptions.RequestException) -> str:
    if isinstance(exc, requests.exceptions.Timeout):
        return "did not answer in time"
    if isinstance(exc, requests.exceptions.ConnectionError):
        return next((text for text in (_NOT_JSON, _OTHER_FORM) if text in str(exc)), "cannot be reached")
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
