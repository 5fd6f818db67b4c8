"""Storage of fetched weather, outside the cache.

The trip folder contains only the owner's files, and its out/ may be deleted. So fetched weather is in the user's data
folder, grademargin/<hash of the trip folder's path and the route>/, as weather.json and typical.json, with the fetch
times. Files are replaced atomically, so a concurrent plan reads the old or the new one.
"""

import hashlib
import json
import math
import re
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, fields
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

from platformdirs import user_data_dir

from planner.files import wholefile
from planner.files.reading import whole
from planner.model.display import counted
from planner.model.errors import OutputError, PlannerError
from planner.model.trip import Trip
from planner.weather.records import (
    HOURLY,
    PastYears,
    PlaceForecast,
    implausible,
    implausible_past_years,
    misplaced,
    number_of,
    point_at,
    text_of,
)
from thermal.errors import one_line

Stored = TypeVar("Stored", PlaceForecast, PastYears)
_FORM = 2
_MAX_BYTES = 20_000_000
_WEATHER, _PAST_YEARS = "weather.json", "typical.json"
_SOURCE = re.compile(r"[a-z0-9-]{1,40}", re.ASCII)


def store_folder(trip: Trip) -> Path:
    """Folder of a trip's fetched weather."""
    base = Path(user_data_dir("grademargin", appauthor=False))
    said = "\n".join((str(trip.folder.resolve()), *trip.route))
    return base / hashlib.sha256(said.encode("utf-8", "surrogatepass")).hexdigest()[:16]


def save_json(path: Path, data: Mapping[str, Any]) -> None:
    """Write a file atomically."""
    text = json.dumps({"form": _FORM, **data}, allow_nan=False, sort_keys=True)
    try:
        wholefile.replace_files(path.parent, {path.name: text})
    except OSError as exc:
        message = f"{path}: cannot be written ({exc.strerror or exc}); the fetched weather is not saved"
        raise OutputError(message) from exc


def save_forecasts(trip: Trip, by_place: Mapping[str, Sequence[PlaceForecast]]) -> Path:
    """Save a trip's forecasts."""
    path = store_folder(trip) / _WEATHER
    save_json(path, {"forecasts": [_row(one) for held in by_place.values() for one in held], "trip": trip.name})
    return path


def load_forecasts(
    trip: Trip, *, progress: Callable[[str], None] = lambda _: None
) -> dict[str, tuple[PlaceForecast, ...]]:
    """Load a trip's saved forecasts by place, without places that moved; no network."""
    found: dict[str, tuple[PlaceForecast, ...]] = {}
    rows = _load(store_folder(trip) / _WEATHER, "forecasts", PlaceForecast, progress)
    for one in _of_this_trip(trip, rows, "forecast", progress):
        found[one.place] = (*found.get(one.place, ()), one)
    return found


def save_past_years(trip: Trip, past: Mapping[str, PastYears]) -> None:
    """Save past years; as `save_forecasts`."""
    rows = [asdict(one) | {"days": [day.isoformat() for day in one.days]} for one in past.values()]
    save_json(store_folder(trip) / _PAST_YEARS, {"past_years": rows})


def load_past_years(trip: Trip, *, progress: Callable[[str], None] = lambda _: None) -> dict[str, PastYears]:
    """Load past years; as `load_forecasts`."""
    rows = _load(store_folder(trip) / _PAST_YEARS, "past_years", PastYears, progress)
    return {one.place: one for one in _of_this_trip(trip, rows, "weather of past years", progress)}


def _of_this_trip(trip: Trip, held: Sequence[Stored], what: str, progress: Callable[[str], None]) -> list[Stored]:
    """Drop and report weather of places that moved or whose ground elevation does not match."""
    held = [one for one in held if one.place in trip.places]
    wrong = {one.place: why for one in held if (why := misplaced(one, point_at(trip.places[one.place])))}
    if wrong:
        key, why = next(iter(wrong.items()))
        more = f" (and that of {counted(len(wrong) - 1, 'more place')})" if len(wrong) > 1 else ""
        progress(f"the saved {what} for {trip.places[key].name} {why}; ignored{more}: run 'grademargin weather' again")
    return [one for one in held if one.place not in wrong]


def _load(path: Path, key: str, kind: type[Stored], progress: Callable[[str], None]) -> list[Stored]:
    """Read the rows of a saved file; an unusable file is ignored with a message."""
    data, fault = _json(path)
    if data is not None:
        try:
            return [_read(kind, row) for row in data[key]]
        except PlannerError as exc:
            fault = f"is damaged ({exc}); ignored:"
        except (KeyError, TypeError, ValueError, OverflowError):
            fault = "is damaged; ignored:"
    if fault:
        progress(f"{path} {fault} run 'grademargin weather' again")
    return []


def _json(path: Path) -> tuple[dict[str, Any] | None, str]:
    """Contents of a saved file, or its fault; neither if it does not exist."""
    try:
        data = json.loads(whole(path, max_bytes=_MAX_BYTES))
    except (FileNotFoundError, NotADirectoryError):
        return None, ""
    except OSError as exc:
        return None, f"cannot be read ({exc.strerror}); move it away, then"
    except (ValueError, RecursionError) as exc:
        return None, f"cannot be read ({type(exc).__name__}); ignored:"
    if not isinstance(data, dict) or data.get("form") != _FORM:
        return None, "was written by another version; ignored:"
    return data, ""


def _row(one: PlaceForecast) -> dict[str, Any]:
    row = {field.name: getattr(one, field.name) for field in fields(one)}  # asdict copies number by number, slowly
    return row | {name: [None if math.isnan(value) else round(value, 2) for value in row[name]] for name in HOURLY}


def _read(kind: type[Stored], row: Mapping[str, Any]) -> Stored:
    """Read a record, each field by its type; refuse an impossible one, or one fetched in the future."""
    values: dict[str, Any] = {item.name: _READERS[item.type](row[item.name], item.name) for item in fields(kind)}
    one = kind(**values)
    why = implausible(one) if isinstance(one, PlaceForecast) else implausible_past_years(one)
    if isinstance(one, PlaceForecast) and not _SOURCE.fullmatch(one.source):
        why = why or "names an unknown source"
    if why or one.fetched_s > time.time() + 86400.0:  # it would override every forecast
        message = why or "has a fetch time in the future"
        raise PlannerError(message)
    return one


def _years(held: Any, name: str) -> tuple[int, int]:
    years = [int(number_of(year, name)) for year in held]
    return min(years), max(years)


# By the type of a field. Numbers are in the unit of the field; null is NaN.
_READERS: Mapping[Any, Callable[[Any, str], Any]] = {
    str: lambda held, name: one_line(text_of(held, name), 1000),
    float: number_of,
    float | None: lambda held, name: None if held is None else number_of(held, name),
    tuple[float, ...]: lambda held, name: tuple(number_of(value, name) for value in held),
    tuple[date, ...]: lambda held, _: tuple(map(date.fromisoformat, held)),
    tuple[int, int]: _years,
}
