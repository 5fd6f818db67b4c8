"""Edits of a trip, each as new texts of its files; nothing is written here."""

from collections.abc import Mapping, Sequence
from functools import reduce
from typing import Any

from planner.desk.folder import Files, TripFolder
from planner.files import limits
from planner.files.edits import add_row, set_car, set_cells, set_key, set_list, typed
from planner.files.reading import Problems
from planner.files.readings import READING_COLUMNS, READINGS
from planner.files.rows import LEG_COLUMNS
from planner.files.settings import FILE as TRIP
from planner.files.settingsheets import SETTINGS_HELP, read_car_value
from planner.files.tables import InputTable, read_table
from planner.files.tomlfile import read_toml
from planner.files.workbook import FILE as WORKBOOK
from planner.model import clock
from planner.model.errors import PlannerError
from planner.model.trip import Trip, passing_of
from planner.route.graph import stops_of as places_of
from planner.route.timeline import Route
from thermal.errors import shown

CAR = "vehicle.toml"
Asked = Mapping[str, Any]
Done = tuple[Files, str]
_LONGEST = 400
ON_A_LEG = ("speed", "air_conditioning", "heater", "low_gear", "highest_gear", "flow")
"""Columns of a leg that the desk changes."""


def word(asked: Asked, key: str, *, empty: bool = True) -> str:
    """One text of a request, limited in length and on one line."""
    value = asked.get(key, "")
    if not isinstance(value, str) or len(value) > _LONGEST or not (value.strip() or empty):
        message = f"{key}: a text of at most {_LONGEST} characters is needed"
        raise PlannerError(message)
    return " ".join(value.split())


def whole_number(asked: Asked, key: str) -> int:
    """One whole number of a request."""
    value = asked.get(key)
    if isinstance(value, bool) or not isinstance(value, int):
        message = f"{key}: a whole number is needed"
        raise PlannerError(message)
    return value


def _text(folder: TripFolder, name: str) -> str:
    """Text of a file that may be edited."""
    if WORKBOOK in folder.held:
        message = f"this trip is in {WORKBOOK}: edit it there and save it; the desk then shows the change"
        raise PlannerError(message)
    text = folder.text(name)
    if text is None and name == CAR:
        message = f"there is no {name} in the folder"
        raise PlannerError(message)
    return text or ""


def _settings(folder: TripFolder, trip: Trip) -> str:
    """Text of trip.toml, or the assumed settings if the folder has none."""
    if text := _text(folder, TRIP):
        return text
    ends = {"start": trip.route[0], "finish": trip.route[-1], "departure": f"{trip.departure:%Y-%m-%d %H:%M}"}
    return reduce(lambda text, one: set_key(text, *one), ends.items(), "")


def setting(folder: TripFolder, route: Route, asked: Asked) -> Done:
    """Set one key of trip.toml as typed; an empty value removes it."""
    key, value = word(asked, "key"), word(asked, "value")
    if key not in SETTINGS_HELP:
        message = f"{shown(key)}: this key can only be changed in trip.toml itself"
        raise PlannerError(message)
    text = set_key(_settings(folder, route.trip), key, typed(key, value))
    return {TRIP: text}, f"{key} = {value}" if value else f"{key} removed"


def leg(folder: TripFolder, route: Route, asked: Asked) -> Done:
    """Set one cell of a leg as typed."""
    number, column, value = whole_number(asked, "leg"), word(asked, "column"), word(asked, "value")
    if not 0 <= number < len(route.legs) or column not in ON_A_LEG:
        message = "no such leg or column; the trip may have changed, check it and try again"
        raise PlannerError(message)
    return leg_cells(folder, route, {(number, column): value}, f"{column} {value}")


def leg_cells(folder: TripFolder, route: Route, cells: Mapping[tuple[int, str], str], words: str) -> Done:
    """Set cells of legs; legs are numbered along the route."""
    name = route.trip.written.legs
    changes = {(route.legs[number].row, column): value for (number, column), value in cells.items()}
    if any(row == 0 for row, _ in changes):
        message = "this leg has no row in the table of legs"
        raise PlannerError(message)
    first = route.legs[next(iter(cells))[0]]
    ends = " to ".join(route.trip.places[key].name for key in (first.start, first.finish))
    return {name: set_cells(_text(folder, name), changes)}, f"{ends}: {words}"


def leg_table(folder: TripFolder, trip: Trip) -> InputTable:
    """The table of legs as written."""
    name, problems = trip.written.legs, Problems()
    text = (folder.text(name) or "").lstrip("\ufeff")
    table = read_table(text, file=name, columns=LEG_COLUMNS, max_rows=limits.LEGS, problems=problems)
    if table is None:
        message = f"{name}: cannot be edited here; edit the file itself"
        raise PlannerError(message)
    return table


# --- nights and halts ---


def stops_of(route: Route) -> list[str]:
    """Every stop of the route as trip.toml names it: a place passed more than once with the number of the passing."""
    keys = places_of(route.legs)
    return [key if keys.count(key) == 1 else f"{key}:{keys[: at + 1].count(key)}" for at, key in enumerate(keys)]


def planned_nights(route: Route) -> list[int]:
    """Stops at which the days end, except the last."""
    return [day.last + 1 for day in route.timeline.days[:-1]]


def night(folder: TripFolder, route: Route, asked: Asked) -> Done:
    """Move a requested night to another stop, add one (from -1), or leave one to the planner again (to -1)."""
    come, go = whole_number(asked, "from"), whole_number(asked, "to")
    stops = stops_of(route)
    if not all(-1 <= at < len(stops) for at in (come, go)) or go == 0:
        message = "a night needs a stop after the start"
        raise PlannerError(message)
    planned, named = planned_nights(route), {passing_of(one)[0] for one in route.trip.nights}  # in trip.toml
    if go >= 0:
        wanted, words = {*planned, go} - {come}, f"night at {_name(route, stops[go])}"
    else:
        wanted = {at for at in planned if passing_of(stops[at])[0] in named} - {come}
        words = f"no requested night at {_name(route, stops[come])}"
    return nights(folder, route, [stops[at] for at in sorted(wanted)], words)


def nights(folder: TripFolder, route: Route, keys: Sequence[str], words: str) -> Done:
    """Request these nights."""
    return {TRIP: set_key(_settings(folder, route.trip), "nights", list(keys) or None)}, words


def _name(route: Route, stop: str) -> str:
    return route.trip.places[passing_of(stop)[0]].name


def halt(folder: TripFolder, route: Route, asked: Asked) -> Done:
    """Halt at a stop for some minutes, engine off or idling; 0 removes the halt."""
    at, minutes, engine = whole_number(asked, "stop"), whole_number(asked, "minutes"), word(asked, "engine") or "off"
    stops = stops_of(route)
    if not 0 < at < len(stops) or not 0 <= minutes <= 24 * 60:
        message = "a halt needs a stop after the start, and 0 to 1440 minutes"
        raise PlannerError(message)
    text, names = _settings(folder, route.trip), _other_names(route, stops[at])
    made = [dict(one) for one in read_toml(text).get("halt", []) if one.get("place") not in names]
    if minutes:
        made.append({"place": stops[at], "duration": f"{minutes} min", "engine": engine})
    words = f"halt of {minutes} min" if minutes else "no halt"
    return {TRIP: set_list(text, "halt", made)}, f"{words} at {_name(route, stops[at])}"


def _other_names(route: Route, stop: str) -> set[str]:
    """All names that trip.toml may use for a stop."""
    key, passing = passing_of(stop)
    plain = {key, route.trip.places[key].name} if passing <= 1 else set()
    return {stop, *plain}


def morning(folder: TripFolder, route: Route, asked: Asked) -> Done:
    """Set the local departure time of a day, HH:MM."""
    number, at = whole_number(asked, "day"), word(asked, "at", empty=False)
    if not 0 <= number < len(route.timeline.days):
        message = "no such day; the trip may have changed, check it and try again"
        raise PlannerError(message)
    text = _settings(folder, route.trip)
    if number == 0:
        departure = f"{route.trip.departure:%Y-%m-%d} {at}"
        return {TRIP: set_key(text, "departure", departure)}, f"departure at {at}"
    place = route.trip.places[route.legs[route.timeline.days[number].first].start]
    on = clock.local(route.timeline.days[number].start_s, place.lat_deg, place.lon_deg).date().isoformat()
    held = [dict(one) for one in read_toml(text).get("morning", []) if str(one.get("on")) != on]
    return {TRIP: set_list(text, "morning", [*held, {"on": on, "at": at}])}, f"departure of day {number + 1} at {at}"


# --- the car, and readings ---


def car(folder: TripFolder, _: Route, asked: Asked) -> Done:
    """Set one value of the car and its source; an empty value leaves it to the class."""
    key, value, source = word(asked, "key"), word(asked, "value"), word(asked, "source")
    text = _text(folder, CAR)
    if key in ("base", "name"):
        return {CAR: set_key(text, key, value or None)}, f"{key} = {value}"
    if not value:
        return {CAR: set_car(text, key, None, "")}, f"{key} as in the class"
    read: Any = read_car_value(key, value, source or "entered at the desk")
    return {CAR: set_car(text, key, read["value"], read["source"])}, f"{key} = {value}"


def reading(folder: TripFolder, route: Route, asked: Asked) -> Done:
    """Add a row to readings.csv, which is created with its first row."""
    cells = asked.get("cells")
    if not isinstance(cells, dict) or not all(isinstance(k, str) for k in cells):
        message = "cells: readings by column are needed"
        raise PlannerError(message)
    columns = [(column, proposed(column, route.trip)) for column in READING_COLUMNS]
    given = {heading: word(cells, column.name) for column, heading in columns if word(cells, column.name)}
    unknown = set(cells) - {column.name for column, _ in columns}
    if unknown or not given:
        message = f"no such gauge: {shown(min(unknown))}" if unknown else "no reading was entered"
        raise PlannerError(message)
    text = _text(folder, READINGS) or ",".join(heading for _, heading in columns) + "\n"
    return {READINGS: add_row(text, given)}, f"readings of {given.get('when') or given.get('place', '')}"


def proposed(column: Any, trip: Trip) -> str:
    """Heading of a column, in the units of the trip."""
    return f"{column.name} [{column.usual[trip.units == 'metric']}]" if column.usual else column.name


def column_shown(column: Any, trip: Trip) -> dict[str, str]:
    """A column for the page; without example if the known ones are in other units or of other places."""
    other = column.name == "along" or (column.usual and trip.units == "metric")
    example = "" if other else str(column.example)
    return {"column": column.name, "heading": proposed(column, trip), "example": example}


def edit(folder: TripFolder, route: Route, kind: str, asked: Asked) -> Done:
    """New files for one edit."""
    kinds = {f.__name__: f for f in (setting, leg, night, halt, morning, car, reading)}
    if kind not in kinds:
        message = f"{shown(kind)}: no such edit"
        raise PlannerError(message)
    return kinds[kind](folder, route, asked)
