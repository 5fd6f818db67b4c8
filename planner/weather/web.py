"""Asking a service on the network through a cache on disk, so that old answers are there when the signal is not.

Answers are kept in the user's cache folder for as long as the service's own headers say, within bounds; an old answer
is returned, marked as such, when the service fails. Only bodies that are JSON count as answers: the login page of a
hotel's network must not push out yesterday's forecast. Offline, the network is not touched.

What the cache holds is trusted no more than the network: it is JSON, read with the same care.
"""

import logging
import re
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing, suppress
from datetime import datetime
from http.cookiejar import DefaultCookiePolicy
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import requests
from platformdirs import user_cache_dir
from requests_cache import CachedSession, json_serializer
from requests_cache.models.response import CachedResponse
from requests_cache.serializers import SerializerPipeline
from urllib3.exceptions import ReadTimeoutError
from urllib3.util.retry import Retry

from planner.weather.reply import Answer, NeverFetched, Refused, Unreachable
from planner.weather.wire import HOUR_S, MOST_S, TIMEOUT_S, JsonOnly, Unsound, has_form, read_json
from thermal.errors import one_line

_MOST_REDIRECTS = 3
_LOCK_WAIT_S = 2.0
logging.getLogger("requests_cache").setLevel(logging.CRITICAL)  # it would print every failure it bridges
_SECONDS = re.compile(r"\d{1,5}", re.ASCII)


class _Rows(SerializerPipeline):
    """Rows of the cache file: JSON, in which no code can hide; what is not an answer of ours is as if absent."""

    def __init__(self, tell: Callable[[str], None]) -> None:
        self._tell = tell
        super().__init__(json_serializer.stages, name=json_serializer.name)

    def copy(self) -> "_Rows":
        """Pass for a copy, as the library asks for one."""
        return self

    def loads(self, value: str | bytes) -> CachedResponse:
        """Read an answer; the library takes a ValueError for an absent one."""
        try:
            found = super().loads(value)
            sound = _is_kept(found)
        except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError, ExceptionGroup):
            sound = False
        if not sound:
            message = "an answer in the cache is damaged; it is left aside, and asked for again when there is a network"
            self._tell(message)
            raise ValueError(message)
        return found


def _is_kept(found: CachedResponse) -> bool:
    """Whether a row holds all that will be made use of."""
    times = (found.created_at, found.created_at if found.expires is None else found.expires)
    return (
        found.status_code == 200
        and all(at.utcoffset() is not None and 2000 <= at.year <= 2200 for at in times)
        and all(isinstance(part, str) for pair in found.headers.items() for part in pair)
        and has_form(found.url, read_json(found.content))
    )


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
    timeout_s, most_s, back_off_s : optional
        Patience with one part and with the whole of an answer, and between tries, for tests. [s]
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
        back_off_s: float = 0.5,
    ) -> None:
        self.offline, self.now_s, self._tell = offline, now.timestamp(), tell
        self._timeout_s, self._most_s, self._back_off_s = timeout_s, most_s, back_off_s
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
        except sqlite3.Error as exc:
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
            "cache_control": True,  # in the plain form that JsonOnly gives it
            "match_headers": ["Accept"],
        }
        if path is None:
            session = CachedSession("grademargin", backend="memory", **common)
        else:
            session = CachedSession(path, backend="sqlite", serializer=_Rows(self._tell), wal=True, **common)
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
            session.mount(scheme, JsonOnly(retry, self._most_s))
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
        data = read_json(response.content)
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


def _why(exc: requests.exceptions.RequestException) -> str:
    if isinstance(exc, Unsound):
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
