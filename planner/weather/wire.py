"""One question over the network, and its answer taken with care, below any cache.

Time and length of an answer are bounded, a body that is no JSON or of another form is a failure, and no answer sends
the program to another server than the one it asked.
"""

import json
import re
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from threading import Thread
from typing import Any
from urllib.parse import urljoin, urlsplit

import requests
from requests.adapters import HTTPAdapter
from urllib3.util.retry import Retry

TIMEOUT_S = (3.05, 15.0)
"""Most time to connect, and between two parts of an answer. [s]"""
MOST_S, MOST_BYTES = 90.0, 8_000_000
"""Most time for an answer in all, and its most length once unpacked; a hundred places have 1.5 MB. [s, byte]"""
HOUR_S, DAY_S = 3600, 86400
# What part of a URL gives it which life in the cache: least, most, and without a word from the service. [s]
_LIVES: tuple[tuple[str, tuple[int, int, int]], ...] = (
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
_MAX_AGE = re.compile(r"\bmax-age\s*=\s*(\d{1,9})", re.ASCII)
_VALIDATORS = ("ETag", "Last-Modified", "Expires", "Pragma", "Vary", "Age")


class Unsound(requests.exceptions.ConnectionError):
    """An answer came, and is none; its text says why."""


class JsonOnly(HTTPAdapter):
    """Below the cache: a body of another form is a failure, and the cache gets its times in one plain form."""

    def __init__(self, retry: Retry, most_s: float) -> None:
        self._most_s = most_s
        super().__init__(max_retries=retry)

    def send(self, request: requests.PreparedRequest, *args: Any, **kwargs: Any) -> requests.Response:
        """Send one request."""
        end_s = time.monotonic() + self._most_s
        response = _in_time(lambda: self._whole(request, end_s, **kwargs), self._most_s)
        if response.status_code == 304 or (response.status_code == 200 and not _is_sound(request, response)):
            raise Unsound(_OTHER_FORM)
        if response.is_redirect and _leads_away(request.url or "", response.headers["Location"]):
            raise Unsound(_ELSEWHERE)
        life_s = _life_s(request.url or "", response.headers)
        for name in _VALIDATORS:  # a revalidated answer would keep the time of its first fetch and look too old
            response.headers.pop(name, None)
        response.headers["Cache-Control"] = f"max-age={life_s}"
        return response

    def _whole(self, request: requests.PreparedRequest, end_s: float, **kwargs: Any) -> requests.Response:
        """Send one request and read the answer, unpacked, to its end."""
        response = super().send(request, **(kwargs | {"stream": True}))
        body = bytearray()
        with response:
            for part in response.iter_content(65536):
                body += part
                if len(body) > MOST_BYTES:
                    raise Unsound(_TOO_LONG)
                if time.monotonic() > end_s:
                    raise requests.exceptions.ReadTimeout
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
        return has_form(request.url or "", read_json(response.content))
    except ValueError as exc:
        raise Unsound(_NOT_JSON) from exc


def read_json(body: bytes) -> Any:
    """Read the body of an answer.

    Parameters
    ----------
    body : bytes
        As it came, unpacked. [-]

    Returns
    -------
    object
        The JSON.

    Raises
    ------
    ValueError
        If it is none, or nested without reason.
    """
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


def has_form(url: str, data: Any) -> bool:
    """Tell whether a body has the key that answers to such a question always have.

    Parameters
    ----------
    url : str
        The question. [-]
    data : object
        The JSON. [-]

    Returns
    -------
    bool
        True for a question this program does not know.
    """
    key = next((key for part, key in _FORMS if part in url), None)
    items = data if isinstance(data, list) else [data]
    return key is None or all(isinstance(item, dict) and key in item for item in items)


def _life_s(url: str, headers: Mapping[str, str]) -> int:
    low, high, usual = next(life for part, life in _LIVES if part in url)
    said = _MAX_AGE.search(headers.get("Cache-Control", ""))
    return usual if said is None else min(max(int(said[1]), low), high)
