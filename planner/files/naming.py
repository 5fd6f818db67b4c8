"""Parsing a place, a point along a leg or a local time: 'Raton Pass', 'trinidad>raton: 12.5 mi'."""

import re
import unicodedata
from datetime import datetime

from planner.files.reading import nearest
from planner.model.errors import PlannerError
from planner.model.trip import Place, Trip
from thermal.errors import UnitError, shown
from thermal.units import to_si

Along = tuple[str, str, float]
_MOMENT = re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d", re.ASCII)


def find_place(trip: Trip, text: str) -> Place:
    """Find a place by its key or name."""
    wanted = _folded(" ".join(text.split()))
    if wanted in trip.places:
        return trip.places[wanted]
    named = [place for place in trip.places.values() if _folded(place.name) == wanted]
    if len(named) == 1:
        return named[0]
    if named:
        message = f"several places are named {shown(text)}; write a key: {', '.join(place.key for place in named)}"
        raise PlannerError(message)
    names = [*trip.places, *(place.name for place in trip.places.values())]
    message = f"place {shown(text)} is not a place of the trip; {nearest(text, names)}"
    raise PlannerError(message)


def _folded(text: str) -> str:
    """A name folded for comparison: case and Unicode form ignored."""
    return unicodedata.normalize("NFC", text).casefold()


def read_along(text: str) -> Along:
    """Read 'FROM>TO:12.5 mi'.

    >>> read_along("a>b: 2 km")
    ('a', 'b', 2000.0)
    """
    ends, colon, distance = text.rpartition(":")
    start, arrow, finish = ends.partition(">")
    if not (colon and arrow and start.strip() and finish.strip()):
        message = f"read {shown(text)}; write FROM>TO:DISTANCE with two place keys, e.g. 'trinidad>raton:12.5 mi'"
        raise PlannerError(message)
    try:
        return start.strip(), finish.strip(), to_si(distance, "m", example="12.5 mi")
    except UnitError as exc:
        raise PlannerError(str(exc)) from exc


def read_moment(text: str) -> datetime | None:
    """Read a local time, '2027-07-11 10:00'; None if invalid or outside 1900 to 2100.

    >>> read_moment("2027-07-11 10:00"), read_moment("11 July")
    (datetime.datetime(2027, 7, 11, 10, 0), None)
    """
    try:
        moment = datetime.fromisoformat(text.strip()) if _MOMENT.fullmatch(text.strip()) else None
    except ValueError:
        return None
    return moment if moment is not None and 1900 <= moment.year <= 2100 else None
