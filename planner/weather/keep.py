"""What was fetched for a trip, kept where clearing a cache does not reach it.

The trip folder holds only what its owner wrote, and its out/ may be deleted; so fetched weather lies in the user's
data folder, grademargin/<hash of the trip folder's path and the route>/, as weather.json and typical.json, each with
the time it was fetched. Files are replaced whole, so a plan made meanwhile reads the old one or the new one.
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
from planner.model.errors import OutputError, PlannerError
from planner.model.trip import Trip
from planner.weather.record import Fetched, Missing, PastYears, Weather, odd, odd_past_years
from planner.weather.reply import number_of, text_of
from thermal.tomltext import one_line, whole

Kept = TypeVar("Kept")
_FORM = 1
_MAX_BYTES = 20_000_000
_WEATHER, _PAST_YEARS = "weather.json", "typical.json"
_SOURCE = re.compile(r"[a-z0-9-]{1,40}", re.ASCII)
_SERIES = ("epoch_s", "air_k", "dew_k", "wind_m_per_s", "wind_from_deg")


def kept_folder(trip: Trip, root: Path | None = None) -> Path:
    """Where a trip's fetched weather lies.

    Parameters
    ----------
    trip : Trip
        Its folder's path and its route name the place. [-]
    root : Path, optional
        In place of the user's data folder. [-]

    Returns
    -------
    Path
        May not exist yet.
    """
    base = Path(user_data_dir("grademargin", appauthor=False)) if root is None else root
    said = "\n".join((str(trip.folder.resolve()), *trip.route))
    return base / hashlib.sha256(said.encode("utf-8", "surrogatepass")).hexdigest()[:16]


def save_json(path: Path, data: Mapping[str, Any]) -> None:
    """Write a file whole or not at all.

    Parameters
    ----------
    path : Path
        The file; its folder is made. [-]
    data : mapping
        Plain data without NaN. [-]

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    text = json.dumps({"form": _FORM, **data}, allow_nan=False, sort_keys=True)
    try:
        wholefile.replace_files(path.parent, {path.name: text})
    except OSError as exc:
        message = f"{path}: cannot be written ({exc.strerror or exc}); the weather just fetched is not kept"
        raise OutputError(message) from exc


def save_weather(trip: Trip, weather: Weather, root: Path | None = None) -> Path:
    """Keep what was fetched for a trip.

    Parameters
    ----------
    trip : Trip
        The trip. [-]
    weather : Weather
        Replaces what was kept before. [-]
    root : Path, optional
        In place of the user's data folder. [-]

    Returns
    -------
    Path
        The file.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    path = kept_folder(trip, root) / _WEATHER
    fetched = [_row(one) for held in weather.fetched.values() for one in held]
    missing = [{"place": one.place, "why": one.why} for one in weather.missing]
    dates = [day.isoformat() for day in weather.dates]
    save_json(path, {"fetched": fetched, "missing": missing, "dates": dates, "trip": trip.name})
    return path


def load_kept(trip: Trip, *, tell: Callable[[str], None] = lambda _: None, root: Path | None = None) -> Weather | None:
    """Weather fetched for a trip earlier; no network.

    Parameters
    ----------
    trip : Trip
        The trip. [-]
    tell : callable
        Receives a sentence when there is a file that cannot be used. [-]
    root : Path, optional
        In place of the user's data folder. [-]

    Returns
    -------
    Weather or None
        None when nothing usable is kept.
    """
    return _load(kept_folder(trip, root) / _WEATHER, _weather, tell)


def save_past_years(trip: Trip, past: Mapping[str, PastYears], root: Path | None = None) -> None:
    """Keep what was usual in past years; as `save_weather`.

    Parameters
    ----------
    trip, root : Trip, Path, optional
        As there. [-]
    past : mapping of str to PastYears
        By place; replaces what was kept. [-]
    """
    rows = [asdict(one) | {"days": [day.isoformat() for day in one.days]} for one in past.values()]
    save_json(kept_folder(trip, root) / _PAST_YEARS, {"past_years": rows})


def load_past_years(
    trip: Trip, *, tell: Callable[[str], None] = lambda _: None, root: Path | None = None
) -> dict[str, PastYears]:
    """What is kept of past years; as `load_kept`.

    Parameters
    ----------
    trip, tell, root : Trip, callable, Path, optional
        As there. [-]

    Returns
    -------
    dict of str to PastYears
        By place; empty when nothing usable is kept.
    """
    rows = _load(
        kept_folder(trip, root) / _PAST_YEARS, lambda data: [_past(row) for row in _rows(data, "past_years")], tell
    )
    return {row.place: row for row in rows or ()}


def _load(path: Path, read: Callable[[Mapping[str, Any]], Kept], tell: Callable[[str], None]) -> Kept | None:
    """Read a kept file back; one that cannot be used is left aside, and that is told."""
    data, fault = _json(path)
    if data is not None:
        try:
            return read(data)
        except PlannerError as exc:
            fault = f"is damaged ({exc}); left aside:"
        except (KeyError, TypeError, ValueError, OverflowError):
            fault = "is damaged; left aside:"
    if fault:
        tell(f"{path} {fault} run 'grademargin weather' again")
    return None


def _json(path: Path) -> tuple[dict[str, Any] | None, str]:
    """Contents of a kept file, or what is wrong with it; neither when there is none."""
    try:
        data = json.loads(whole(path, max_bytes=_MAX_BYTES))
    except (FileNotFoundError, NotADirectoryError):
        return None, ""
    except OSError as exc:
        return None, f"cannot be read ({exc.strerror}); move it away, then"
    except (ValueError, RecursionError) as exc:
        return None, f"cannot be read ({type(exc).__name__}); left aside:"
    if not isinstance(data, dict) or data.get("form") != _FORM:
        return None, "has another form than this version writes; left aside:"
    return data, ""


def _rows(data: Mapping[str, Any], key: str) -> Sequence[Mapping[str, Any]]:
    rows = data[key]
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        message = f"{key} is no list of rows"
        raise TypeError(message)
    return rows


def _text(row: Mapping[str, Any], key: str) -> str:
    """Text as written, without characters that a terminal would obey."""
    return one_line(text_of(row[key], key), 1000)


def _row(one: Fetched) -> dict[str, Any]:
    row = {field.name: getattr(one, field.name) for field in fields(one)}  # asdict copies number by number, slowly
    return row | {name: [None if math.isnan(value) else round(value, 2) for value in row[name]] for name in _SERIES}


def _weather(data: Mapping[str, Any]) -> Weather:
    held: dict[str, tuple[Fetched, ...]] = {}
    for one in [_fetched(row) for row in _rows(data, "fetched")]:
        held[one.place] = (*held.get(one.place, ()), one)
    missing = tuple(Missing(place=_text(row, "place"), why=_text(row, "why")) for row in _rows(data, "missing"))
    return Weather(fetched=held, missing=missing, dates=tuple(date.fromisoformat(day) for day in data["dates"]))


def _fetched(row: Mapping[str, Any]) -> Fetched:
    one = Fetched(
        place=_text(row, "place"),
        source=_text(row, "source"),
        elevation_m=number_of(row["elevation_m"], "elevation_m"),
        fetched_s=number_of(row["fetched_s"], "fetched_s"),
        issued_s=None if row["issued_s"] is None else number_of(row["issued_s"], "issued_s"),
        **_series(row, _SERIES),
    )
    _require(odd(one) or ("" if _SOURCE.fullmatch(one.source) else "gave a source of another program"), one.fetched_s)
    return one


def _past(row: Mapping[str, Any]) -> PastYears:
    years = [int(number_of(year, "years")) for year in row["years"]]
    one = PastYears(
        place=_text(row, "place"),
        elevation_m=number_of(row["elevation_m"], "elevation_m"),
        days=tuple(date.fromisoformat(day) for day in row["days"]),
        years=(min(years), max(years)),
        fetched_s=number_of(row["fetched_s"], "fetched_s"),
        **_series(row, ("high_k", "low_k", "sd_k")),
    )
    _require(odd_past_years(one), one.fetched_s)
    return one


def _series(row: Mapping[str, Any], names: Sequence[str]) -> dict[str, tuple[float, ...]]:
    """Numbers as written; null stands for NaN."""
    return {name: tuple(number_of(value, name) for value in row[name]) for name in names}


def _require(why: str, fetched_s: float) -> None:
    """Refuse what cannot be, and what is said to have been fetched later than now: it would beat every forecast."""
    if why or fetched_s > time.time() + 86400.0:
        message = why or "gave a time of fetching that is still to come"
        raise PlannerError(message)
