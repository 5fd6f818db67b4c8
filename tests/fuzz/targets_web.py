"""Every reader of what comes from the network or from the program's own kept files, each as a function of bytes.

Any bytes give a value or one of the project's own errors; and what is let through is possible: the functions check that
themselves. Seeds have the shapes that the services document, with made-up values.
"""

import atexit
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np
from contract import ROOT, Target, top
from loopback import BRIG, GOOD, LINN, Replies, Wire, http

from planner.files.folder import open_folder
from planner.forecast.run import forecast
from planner.model.errors import PlannerError, TripError
from planner.model.trip import Trip
from planner.output.changes import changes, last_plan
from planner.output.export import plan_dict
from planner.output.report import Report, make_report
from planner.output.write import to_json
from planner.route.graph import choose_route
from planner.weather.elevations import parse_elevation, parse_elevations
from planner.weather.normals import read_normals, usual_at
from planner.weather.nws import parse_cell, parse_grid
from planner.weather.openmeteo import each, parse_hours, summary, year_spans
from planner.weather.records import AIR_K, ELEVATION_M, Answer, PastYears, PlaceForecast
from planner.weather.sources import TripWeather, age, anchors_on, highs_lows_on, weather_along
from planner.weather.store import load_forecasts, load_past_years, save_forecasts, save_past_years, store_folder
from planner.weather.transport import Client, read_json
from thermal.compiled import Code, Entry
from thermal.errors import one_line
from thermal.machine import folders

JSON = "application/json"
NOW = datetime(2026, 7, 1, 12, tzinfo=UTC)
REPLIES = Replies(NOW, hours=3)
DAYS = tuple(date(2027, 7, 6) + timedelta(days=i) for i in range(3))
SPANS = year_spans(DAYS, date(2027, 3, 1))


def _packed(data: Any) -> bytes:
    return json.dumps(data).encode()


def _holds(sound: bool, what: object) -> None:
    if not sound:
        message = f"let through: {one_line(repr(what))}"
        raise AssertionError(message)


def _plain_words(exc: Exception) -> None:
    """An error says something, on lines a terminal shows and does not obey."""
    said = str(exc)
    _holds(bool(said) and all(line.isprintable() for line in said.splitlines()) and len(said) < 20_000, said)


def _possible(one: PlaceForecast) -> None:
    """Nothing that cannot be is used in a forecast."""
    columns = (one.air_k, one.dew_k, one.wind_m_per_s, one.wind_from_deg)
    epoch, air, dew, wind, wind_from = (np.array(column) for column in (one.epoch_s, *columns))
    _holds(len({len(one.epoch_s), *map(len, columns)}) == 1 and 0 < len(epoch) <= 1000, len(epoch))
    _holds(bool(np.all(np.diff(epoch) > 0.0)) and 0.0 <= epoch[0] and epoch[-1] < 4.2e9, one.epoch_s[:3])
    _holds(bool(np.all((air >= 170.0) & (air <= 340.0))), one.air_k[:3])
    _holds(not np.any((dew < 140.0) | (dew > 340.0)) and not np.any(np.isinf(dew)), one.dew_k[:3])
    _holds(not np.any((wind < 0.0) | (wind > 130.0)), one.wind_m_per_s[:3])
    _holds(not np.any((wind_from < 0.0) | (wind_from > 360.0)), one.wind_from_deg[:3])
    _holds(-1000.0 < one.elevation_m < 9500.0 and np.isfinite(one.fetched_s), one.elevation_m)
    _holds(one.source.isprintable() and one.place.isprintable(), one.source)
    one.air_at(one.epoch_s[0])
    one.wind_at(one.epoch_s[0])
    age(2e9 - one.made_s)


# --- services: the body of an answer ---


def _body(data: bytes, read: Callable[[Any], object]) -> None:
    try:
        read(read_json(data))
    except PlannerError as exc:
        _plain_words(exc)
    except ValueError as exc:  # the body is no JSON: the client turns this, and nothing else, into Unreachable
        if type(exc) not in (ValueError, json.JSONDecodeError, UnicodeDecodeError):
            raise


def nws_point(data: bytes) -> None:
    def read(found: Any) -> None:
        cell = parse_cell(found)
        _holds(cell.isascii() and ".." not in cell and len(cell) < 20 and cell.count("/") == 1, cell)

    _body(data, read)


def nws_grid(data: bytes) -> None:
    _body(data, lambda d: _possible(parse_grid(Answer(data=d, fetched_s=1.8e9, stale=False), point=LINN, source="nws")))


def open_meteo(data: bytes) -> None:
    def read(found: Any) -> None:
        for reply in each(found, len(found) if isinstance(found, list) else 1):
            _possible(parse_hours(reply, point=BRIG, fetched_s=1.8e9, source="open-meteo"))

    _body(data, read)


def archive(data: bytes) -> None:
    def read(found: Any) -> None:
        (reply,) = each(found, 1)
        replies = [_in_year(reply, first.year) for first, _ in SPANS]
        _usual(summary(replies, SPANS, point=BRIG, dates=DAYS, fetched_s=1.8e9))

    _body(data, read)


def _in_year(reply: dict[str, Any], year: int) -> dict[str, Any]:
    """The same reply for another year, so that ten can be made of one."""
    daily = reply.get("daily")
    times = daily.get("time") if isinstance(daily, dict) else None
    if not isinstance(times, list):
        return reply
    moved = [at.replace("2026-", f"{year}-", 1) if isinstance(at, str) else at for at in times]
    return reply | {"daily": daily | {"time": moved}}


def _usual(one: PastYears) -> None:
    for high, low, sd in zip(one.high_k, one.low_k, one.sd_k, strict=True):
        _holds(AIR_K[0] <= low <= high <= AIR_K[1] and 0.0 <= sd < 200.0, (high, low, sd))
    _holds(ELEVATION_M[0] <= one.elevation_m <= ELEVATION_M[1] and one.place.isprintable(), one.elevation_m)
    _holds(len(f"the means of {one.years[0]} to {one.years[1]}") < 30, one.years)
    for day in (*DAYS, date(1, 1, 1), date(9999, 12, 31)):
        one.on(day)


def heights(data: bytes) -> None:
    def read(found: Any) -> None:
        values = parse_elevations(found, 2)
        values.append(parse_elevation(found.get("value")))
        _holds(all(v is None or ELEVATION_M[0] <= v <= ELEVATION_M[1] for v in values), values)

    _body(data, read)


def usgs(data: bytes) -> None:
    def read(found: Any) -> None:
        value = parse_elevation(found.get("value")) if isinstance(found, dict) else None
        _holds(value is None or ELEVATION_M[0] <= value <= ELEVATION_M[1], value)

    _body(data, read)


# --- services: the whole answer, header and all, through the real client ---


@cache
def _server() -> Wire:
    server = Wire(http())
    atexit.register(server.close)
    return server


def _client(folder: Path, **more: Any) -> Client:
    plain = {"offline": False, "now": NOW, "timeout_s": (1.0, 0.5), "most_s": 1.5, "back_off_s": 0.0}
    return Client(folder, **plain | more)


def raw_answer(data: bytes) -> None:
    told: list[str] = []
    _server().send = data
    with _client(_in_memory(), progress=told.append) as web:
        told.clear()  # that there is no file is what was asked for
        try:
            found = web.get(f"{_server().url}/v1/elevation", {"latitude": "1"}, accept=JSON)
            _holds(isinstance(found.data, (dict, list)), found.data)
        except PlannerError as exc:
            _plain_words(exc)
    _holds(not told, told)


@cache
def _in_memory() -> Path:
    """A place where no cache can be, so that it is kept in memory: a file stands where the folder should."""
    path = top() / "no-folder"
    path.touch()
    return path


# --- the cache of answers ---


@cache
def _sound_cache() -> Path:
    folder = top() / "sound-cache"
    _server().send = http()
    with _client(folder) as web:
        web.get(f"{_server().url}/v1/elevation", {"latitude": "1"}, accept=JSON)
        web.get(f"{_server().url}/v1/elevation", {"latitude": "2"}, accept=JSON)
    with closing(sqlite3.connect(folder / "http.sqlite")) as file:
        file.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        file.execute("PRAGMA journal_mode=DELETE")
    return folder / "http.sqlite"


def _offline(folder: Path) -> None:
    """Ask offline, then of the service; the first may find nothing, the second finds what the service says."""
    told: list[str] = []
    for offline in (True, False):
        with _client(folder, offline=offline, progress=told.append) as web:
            try:
                found = web.get(f"{_server().url}/v1/elevation", {"latitude": "1"}, accept=JSON)
                _holds("elevation" in found.data and np.isfinite(found.fetched_s), found)
            except PlannerError as exc:
                _holds(offline, exc)
                _plain_words(exc)


_numbers = count()


def cache_file(data: bytes) -> None:
    folder = top() / f"cache{next(_numbers)}"
    folder.mkdir()
    _server().send = http()
    try:
        (folder / "http.sqlite").write_bytes(data)
        _offline(folder)
    finally:
        shutil.rmtree(folder)


def cache_row(data: bytes) -> None:
    folder = top() / "rows"
    folder.mkdir(exist_ok=True)
    for old in folder.iterdir():
        old.unlink()
    shutil.copy(_sound_cache(), folder / "http.sqlite")
    with closing(sqlite3.connect(folder / "http.sqlite", isolation_level=None)) as file:
        try:
            file.execute("UPDATE responses SET value = ?", (data.decode(),))
        except UnicodeDecodeError:
            file.execute("UPDATE responses SET value = ?", (data,))
    _server().send = http()
    _offline(folder)


def _rows() -> list[bytes]:
    with closing(sqlite3.connect(_sound_cache())) as file:
        return [row[0].encode() for row in file.execute("SELECT value FROM responses LIMIT 1")]


# --- kept files ---


@cache
def _trip() -> Trip:
    return open_folder(ROOT / "data" / "examples" / "minimal")[0]


@cache
def _report() -> Report:
    trip, car = open_folder(ROOT / "data" / "examples" / "minimal")
    return make_report(forecast(trip, car), remedies=False)


def _kept_as(name: str, data: bytes) -> None:
    os.environ["XDG_DATA_HOME"] = str(top())
    path = store_folder(_trip()) / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)


def kept_weather(data: bytes) -> None:
    told: list[str] = []
    _kept_as("weather.json", data)
    found = load_forecasts(_trip(), progress=told.append)
    _holds(bool(found) or bool(told) or b"[]" in data.replace(b" ", b""), told)
    _holds(all("weather.json" in text or "the saved " in text for text in told), told)
    for one in [one for held in found.values() for one in held]:
        _possible(one)
    anchors_on(weather_along(_trip(), choose_route(_trip()), TripWeather(forecasts=found)), _trip().first_date)


def kept_past_years(data: bytes) -> None:
    told: list[str] = []
    _kept_as("typical.json", data)
    found = load_past_years(_trip(), progress=told.append)
    _holds(all("typical.json" in text or "the saved " in text for text in told), told)
    for one in found.values():
        _usual(one)
    highs_lows_on(weather_along(_trip(), choose_route(_trip()), TripWeather(past=found)), _trip().first_date)


def earlier_plan(data: bytes) -> None:
    (top() / "plan.json").write_bytes(data)
    said = changes(last_plan(top()), _report())
    _holds(all(line.isprintable() and len(line) < 2000 for line in said) and 0 < len(said) < 900, said[:3])


def normals(data: bytes) -> None:
    (top() / "normals.csv").write_bytes(data)
    try:
        found = read_normals(top() / "normals.csv", root=top())
        ((high, low),) = usual_at(found, np.array([[40.0, -105.0, 1600.0]]), day=date(2027, 7, 6))
        _holds(100.0 < low <= high < 450.0, (high, low))
    except TripError as exc:
        _plain_words(exc)


@cache
def _kernel() -> Entry:
    entry = Code().entry(_double)
    entry(np.ones(1))
    _holds(entry.is_kept(), "nothing is kept")
    return entry


def _double(values: Any) -> None:
    values[0] *= 2.0


def kernel_cache(data: bytes) -> None:
    """No bytes are run unless this program's checksum stands before them."""
    entry = _kernel()
    (path,) = [folder / entry.file for folder in folders() if (folder / entry.file).is_file()][:1]
    whole = path.read_bytes()
    try:
        path.write_bytes(data)
        _holds(not entry.is_kept(), "kept")
    finally:
        path.write_bytes(whole)


# --- seeds ---

_CORNERS = [[-97.1, 39.7], [-97.1, 39.8], [-97.0, 39.8], [-97.0, 39.7], [-97.1, 39.7]]
_GRID = REPLIES.grid("/gridpoints/TOP/97,40")[1] | {"geometry": {"type": "Polygon", "coordinates": [_CORNERS]}}
_ASKED = {"forecast_days": ["1"], "timeformat": ["unixtime"], "wind_speed_unit": ["ms"]}
_HOURS = REPLIES.forecast(_ASKED, 46.3, 8.0, 680.0)
_SPAN = dict(zip(("start_date", "end_date"), ([day.isoformat()] for day in SPANS[0]), strict=True))
_ARCHIVE = REPLIES.archive(_SPAN, 46.3, 8.0, 678.0)


def _kept() -> tuple[bytes, bytes]:
    """The program's own files of a forecast by two services, and of past years, at the trip's first place."""
    os.environ["XDG_DATA_HOME"] = str(top())
    place = _trip().places[_trip().route[0]]
    here = {"place": place.key, "lat_deg": place.lat_deg, "lon_deg": place.lon_deg}
    one = parse_grid(Answer(data=_GRID, fetched_s=1782900000.0, stale=False), point=LINN, source="nws")
    two = replace(one, **here, source="open-meteo", issued_s=None)
    save_forecasts(_trip(), {place.key: (replace(one, **here), two)})
    highs, lows, sd = (310.0, 311.0, 312.5), (295.0, 295.5, 296.0), (3.0, 3.1, 2.9)
    past = {"elevation_m": 150.0, "days": DAYS, "high_k": highs, "low_k": lows, "sd_k": sd, "years": (2016, 2025)}
    save_past_years(_trip(), {place.key: PastYears(**here, **past, fetched_s=1782900000.0)})
    folder = store_folder(_trip())
    return (folder / "weather.json").read_bytes(), (folder / "typical.json").read_bytes()


def _plan() -> bytes:
    """The program's own plan of the trip, with a longer day and a stop for fuel that is not planned any more."""
    plan = json.loads(to_json(plan_dict(_report())))
    plan["days"][0] |= {"arrive": "2027-07-10T16:59:01-07:00"}
    plan["fuel"] |= {"stops": [{"place": "kingman"}]}
    return _packed(plan)


def _normals() -> bytes:
    months = range(1, 13)
    heads = ["station", "lat", "lon", "elevation [m]", *(f"high_{m} [degC]" for m in months)]
    heads += [f"low_{m} [degC]" for m in months]
    values = ",".join([*(f"{10 + m}.5" for m in months), *(f"{m}.0" for m in months)])
    rows = [f"S{i},{40 + i},-105.5,{1500 + 100 * i},{values}" for i in range(3)]
    return "\n".join([",".join(heads), *rows, ""]).encode()


_POINT = {"properties": {"gridId": "TOP", "gridX": 31, "gridY": "80", "forecastGridData": "https://elsewhere.invalid/"}}
_REFUSAL = b'{"error": true, "reason": "Minutely API request limit exceeded. Please try again in one minute."}'
_PROBLEM = b'{"type": "https://api.weather.gov/problems/NotFound", "title": "Not Found", "status": 404, "detail": "x"}'


def _answers() -> Sequence[bytes]:
    chunked = b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\nContent-Type: application/json\r\n\r\n"
    return (
        http(),
        http(GOOD, 'ETag: "1"', "Set-Cookie: a=b; path=/", "Cache-Control: max-age=60", "Vary: Accept"),
        http(_REFUSAL, "Retry-After: 60", status="429 Too Many Requests"),
        http(_PROBLEM, status="404 Not Found"),
        http(b"", "Location: /v1/elevation?x=1", status="301 Moved Permanently"),
        http(b"", "Location: http://127.0.0.1:1/v1/elevation", status="302 Found"),
        http(b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x03\xabV", "Content-Encoding: gzip"),
        chunked + b"17\r\n" + GOOD + b"\r\n0\r\n\r\n",
    )


TARGETS: dict[str, Target] = {
    "nws point": (nws_point, [_packed(_POINT)]),
    "nws grid": (nws_grid, [_packed(_GRID)]),
    "open-meteo forecast": (open_meteo, [_packed(_HOURS), _packed([_HOURS, _HOURS])]),
    "open-meteo archive": (archive, [_packed(_ARCHIVE)]),
    "open-meteo elevation": (heights, [b'{"elevation": [1755.0, null]}', b'{"elevation": [1, 2], "value": "296.606"}']),
    "usgs elevation": (usgs, [b'{"location": {"x": -117.1}, "value": "296.606"}', b'{"value": -1000000}']),
    "answer": (raw_answer, [*_answers()]),
    "cache file": (cache_file, [_sound_cache().read_bytes()]),
    "cache row": (cache_row, _rows()),
    "kept weather": (kept_weather, [_kept()[0]]),
    "kept past years": (kept_past_years, [_kept()[1]]),
    "earlier plan": (earlier_plan, [_plan(), b'{"days": [{"to": "x"}], "legs": [1.5, null, true]}']),
    "normals": (normals, [_normals()]),
    "kernel cache": (kernel_cache, [b"\x80\x04\x8c\x060.68.1\x94.\x80\x04K\x01}\x86."]),
}
for _ready in (_report, _kernel):  # compiled now, so that no case has to wait for it
    _ready()
