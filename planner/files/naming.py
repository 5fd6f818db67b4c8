"""Parsing a place, a point along a leg or a local time: 'Raton Pass', 'trinidad>raton: 12.5 mi'."""

from datetime import datetime

from planner.files.dates import moment_of
from planner.files.names import PlaceNames
from planner.files.reading import nearest
from planner.model.errors import PlannerError
from planner.model.trip import Place, Trip
from thermal.errors import UnitError, shown
from thermal.units import to_si

Along = tuple[str, str, float]


def find_place(trip: Trip, text: str) -> Place:
    """Find a place by its key or name."""
    names = PlaceNames.of(trip.places.values())
    key = names.key(text)
    if key not in trip.places:
        said = [*trip.places, *(place.name for place in trip.places.values())]
        message = f"place {shown(text)} is not a place of the trip; {names.several(text) or nearest(text, said)}"
        raise PlannerError(message)
    return trip.places[key]


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
    """Read a local date and time; None if invalid or outside 1900 to 2100.

    >>> read_moment("2027-07-11 10:00"), read_moment("11 July")
    (datetime.datetime(2027, 7, 11, 10, 0), None)
    """
    moment = moment_of(text)
    if isinstance(moment, datetime) and moment.tzinfo is None and 1900 <= moment.year <= 2100:
        return moment
    return None
