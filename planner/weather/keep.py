"""What was fetched for a trip, kept where clearing a cache does not reach it.

The trip folder holds only what its owner wrote, and its out/ may be deleted; so fetched weather lies in the user's
data folder, grademargin/<hash of the trip folder's path and the route>/, as weather.json and typical.json, each with
the time it was fetched. Files are replaced whole, so a plan made meanwhile reads the old one or the new one.
"""

import hashlib
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

from platformdirs import user_data_dir

from planner import wholefile
from planner.errors import OutputError
from planner.model import Trip
from planner.weather.record import Fetched, Missing, Weather

_FORM = 1
_MAX_BYTES = 50_000_000
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


def load_json(path: Path, tell: Callable[[str], None]) -> dict[str, Any] | None:
    """Read a kept file back.

    Parameters
    ----------
    path : Path
        The file. [-]
    tell : callable
        Receives a sentence when there is a file that cannot be used. [-]

    Returns
    -------
    dict or None
        None when there is none, or none that can be used.
    """
    try:
        if path.stat().st_size > _MAX_BYTES:
            tell(f"{path} is too large to be what was kept; left aside")
            return None
        data = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (OSError, ValueError, RecursionError) as exc:
        tell(f"{path} cannot be read ({type(exc).__name__}); left aside: run 'grademargin weather' again")
        return None
    if not isinstance(data, dict) or data.get("form") != _FORM:
        tell(f"{path} has another form than this version writes; left aside: run 'grademargin weather' again")
        return None
    return data


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
    path = kept_folder(trip, root) / "weather.json"
    fetched = [_without_nan(asdict(one)) for held in weather.fetched.values() for one in held]
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
    path = kept_folder(trip, root) / "weather.json"
    data = load_json(path, tell)
    if data is None:
        return None
    try:
        fetched = [_fetched(one) for one in data["fetched"]]
        missing = tuple(Missing(place=str(one["place"]), why=str(one["why"])) for one in data["missing"])
        dates = tuple(date.fromisoformat(day) for day in data["dates"])
    except (KeyError, TypeError, ValueError, AttributeError):
        tell(f"{path} is damaged; left aside: run 'grademargin weather' again")
        return None
    places = dict.fromkeys(one.place for one in fetched)
    held = {place: tuple(one for one in fetched if one.place == place) for place in places}
    return Weather(fetched=held, missing=missing, dates=dates)


def _without_nan(data: dict[str, Any]) -> dict[str, Any]:
    for name in _SERIES:
        data[name] = [None if math.isnan(value) else round(value, 2) for value in data[name]]
    return data


def _fetched(data: Mapping[str, Any]) -> Fetched:
    series = {name: tuple(math.nan if v is None else float(v) for v in data[name]) for name in _SERIES}
    if len({len(values) for values in series.values()}) != 1 or list(series["epoch_s"]) != sorted(series["epoch_s"]):
        message = "series of different lengths, or times out of order"
        raise ValueError(message)
    return Fetched(
        place=str(data["place"]),
        source=str(data["source"]),
        elevation_m=float(data["elevation_m"]),
        fetched_s=float(data["fetched_s"]),
        issued_s=None if data["issued_s"] is None else float(data["issued_s"]),
        **series,
    )
