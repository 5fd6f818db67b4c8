"""What comes back when a service is asked: an answer or an error; and how its parts are read with care."""

import math
from dataclasses import dataclass
from typing import Any

from planner.model.errors import PlannerError
from planner.weather.record import Fetched, odd
from thermal.tomltext import shown


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


class BadReply(ServiceError):
    """The reply is JSON but not what the service promises."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A parsed answer, when it came over the network, whether it was kept, and whether a newer one was due."""

    data: Any
    fetched_s: float
    stale: bool
    cached: bool = False


def plain(degrees: float, digits: int) -> str:
    """Write a coordinate in the service's canonical form: rounded, no trailing zeros.

    Parameters
    ----------
    degrees : float
        Coordinate. [deg]
    digits : int
        Decimals kept. [-]

    Returns
    -------
    str
        The same text for the same place every time, so that the cache finds it.

    Examples
    --------
    >>> plain(39.70004, 4), plain(-105.0, 4), plain(-0.00001, 4)
    ('39.7', '-105', '0')
    """
    text = f"{degrees:.{digits}f}".rstrip("0").rstrip(".") if digits else f"{degrees:.0f}"
    return "0" if text == "-0" else text


def number_of(value: Any, name: str) -> float:
    """Read a number of a reply.

    Parameters
    ----------
    value : object
        A part of the JSON. [-]
    name : str
        What it is, for messages. [-]

    Returns
    -------
    float
        NaN for null, which says that a value is lacking.

    Raises
    ------
    BadReply
        If it is something else, a number in quotation marks included.

    Examples
    --------
    >>> number_of(3, "wind"), number_of(None, "wind")
    (3.0, nan)
    """
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < 1e12:
        message = f"gave {name} as {brief(value)}, which is no number it can be"
        raise BadReply(message)
    return float(value)


def sound(one: Fetched) -> Fetched:
    """Let a forecast pass, or refuse it.

    Parameters
    ----------
    one : Fetched
        As read. [-]

    Returns
    -------
    Fetched
        The same.

    Raises
    ------
    BadReply
        If any of it cannot be.
    """
    why = odd(one)
    if why:
        message = f"{why}; nothing of it is used"
        raise BadReply(message)
    return one


def brief(value: Any) -> str:
    """Quote part of a reply; a nested one by its kind alone.

    Parameters
    ----------
    value : object
        A part of the JSON. [-]

    Returns
    -------
    str
        For a message.
    """
    return shown(value) if isinstance(value, (str, int, float)) or value is None else f"a {type(value).__name__}"


def text_of(value: Any, name: str) -> str:
    """Read a text of a reply.

    Parameters
    ----------
    value : object
        A part of the JSON. [-]
    name : str
        What it is, for messages. [-]

    Returns
    -------
    str
        As it came.

    Raises
    ------
    BadReply
        If it is something else.
    """
    if not isinstance(value, str):
        message = f"gave {name} as {brief(value)}, which is no text"
        raise BadReply(message)
    return value


def part_of(data: Any, key: str) -> dict[str, Any]:
    """Read a part of a reply that has parts of its own.

    Parameters
    ----------
    data : object
        The JSON, or a part of it. [-]
    key : str
        Where the part stands. [-]

    Returns
    -------
    dict
        The part.

    Raises
    ------
    BadReply
        If there is none, or it is something else.
    """
    held = data.get(key) if isinstance(data, dict) else None
    if not isinstance(held, dict):
        message = f"gave a reply without {key!r}; its form may have changed"
        raise BadReply(message)
    return held
