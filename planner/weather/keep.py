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
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

from platformdirs import user_data_dir

from planner import wholefile
from planner.errors import OutputError, PlannerError
from planner.model import Trip
from planner.weather.record import Fetched, Missing, Weather, odd
from thermal.tomltext import one_line, whole

_FORM = 1
_MAX_BYTES = 20_000_000
DAMAGED = (KeyError, TypeError, ValueError, OverflowError, PlannerError)
"""What reading a kept file raises when it does not hold what was written."""
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
        data = json.loads(whole(path, max_bytes=_MAX_BYTES))
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as exc:
        tell(f"{path} cannot be read ({exc.strerror}); move it away, then run 'grademargin weather' again")
        return None
    except (ValueError, RecursionError) as exc:
        tell(f"{path} cannot be read ({type(exc).__name__}); left aside: run 'grademargin weather' again")
        return None
    if not isinstance(data, dict) or data.get("form") != _FORM:
        tell(f"{path} has another form than this version writes; left aside: run 'grademargin weather' again")
        return None
    return data


def rows_of(data: Mapping[str, Any], key: str) -> Sequence[Mapping[str, Any]]:
    """Rows of a kept file.

    Parameters
    ----------
    data : mapping
        What `load_json` gave. [-]
    key : str
        Where they stand. [-]

    Returns
    -------
    sequence of mapping
        As written.

    Raises
    ------
    KeyError, TypeError
        If there are none, or they are something else.
    """
    rows = data[key]
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        message = f"{key} is no list of rows"
        raise TypeError(message)
    return rows


def text_of(row: Mapping[str, Any], key: str) -> str:
    """Text in a row of a kept file.

    Parameters
    ----------
    row : mapping
        The row. [-]
    key : str
        Where it stands. [-]

    Returns
    -------
    str
        The text, without characters that a terminal would obey.

    Raises
    ------
    KeyError, TypeError
        If there is none, or it is something else.
    """
    text = row[key]
    if not isinstance(text, str):
        message = f"{key} is no text"
        raise TypeError(message)
    return one_line(text, 1000)


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
        fetched = [_fetched(row) for row in rows_of(data, "fetched")]
        missing = tuple(
            Missing(place=text_of(row, "place"), why=text_of(row, "why")) for row in rows_of(data, "missing")
        )
        dates = tuple(date.fromisoformat(day) for day in data["dates"])
    except DAMAGED as exc:
        why = f" ({exc})" if isinstance(exc, PlannerError) else ""
        tell(f"{path} is damaged{why}; left aside: run 'grademargin weather' again")
        return None
    held: dict[str, list[Fetched]] = {}
    for one in fetched:
        held.setdefault(one.place, []).append(one)
    return Weather(fetched={place: tuple(some) for place, some in held.items()}, missing=missing, dates=dates)


def _without_nan(data: dict[str, Any]) -> dict[str, Any]:
    for name in _SERIES:
        data[name] = [None if math.isnan(value) else round(value, 2) for value in data[name]]
    return data


def _fetched(data: Mapping[str, Any]) -> Fetched:
    series = {name: tuple(_number(value) for value in data[name]) for name in _SERIES}
    one = Fetched(
        place=text_of(data, "place"),
        source=text_of(data, "source"),
        elevation_m=_number(data["elevation_m"]),
        fetched_s=_number(data["fetched_s"]),
        issued_s=None if data["issued_s"] is None else _number(data["issued_s"]),
        **series,
    )
    why = odd(one)
    if why or _SOURCE.fullmatch(one.source) is None or one.fetched_s > time.time() + 86400.0:
        message = why or "a source or a time of fetching that this program does not write"
        raise PlannerError(message)
    return one


def _number(value: Any) -> float:
    """Read a number as written; null stands for NaN, and text or true for nothing."""
    if value is not None and type(value) not in (int, float):
        message = "no number"
        raise TypeError(message)
    return math.nan if value is None else float(value)
