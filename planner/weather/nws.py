"""The US National Weather Service: raw gridded forecasts, land of the United States only, public domain.

Two steps: a point's grid cell, then the cell's layers as runs of equal values with ISO 8601 times in UTC.
"""

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from planner.weather.records import (
    MOST_HOURS,
    Answer,
    BadReply,
    ForecastService,
    NoAnswer,
    PlaceForecast,
    Point,
    Refused,
    ServiceError,
    brief,
    forecast_at,
    in_turn,
    number_of,
    part_of,
    plain,
    require_near,
    text_of,
)
from thermal.errors import shown

if TYPE_CHECKING:
    from planner.weather.transport import Client

URL = "https://api.weather.gov"
_ACCEPT = "application/geo+json"
_DURATION = re.compile(r"P(?:(\d{1,3})D)?(?:T(?:(\d{1,3})H)?(?:(\d{1,4})M)?)?", re.ASCII)
_GRID = re.compile(r"[A-Z]{3}", re.ASCII)
_CELL = re.compile(r"-?\d{1,4}", re.ASCII)
_GIVE_UP_AFTER = 2  # places in a row without any answer
# Approximate boxes around the area served: south, north, west, east; it refuses points of Canada and Mexico in them.
_BOXES = (
    (24.3, 49.5, -125.0, -66.8),
    (51.0, 71.6, -180.0, -129.0),
    (18.8, 22.4, -160.5, -154.6),
    (17.6, 18.6, -67.4, -64.5),
    (13.2, 15.4, 144.5, 146.2),
)
_LAYERS = {
    "air_k": "temperature",
    "dew_k": "dewpoint",
    "wind_m_per_s": "windSpeed",
    "wind_from_deg": "windDirection",
}
# Unit codes with or without a prefix such as "wmoUnit:", to SI: value * scale + offset.
_TEMPERATURE = {"degC": (1.0, 273.15), "degF": (5.0 / 9.0, 459.67 * 5.0 / 9.0), "K": (1.0, 0.0)}
_UNITS = {
    "temperature": _TEMPERATURE,
    "dewpoint": _TEMPERATURE,
    "windSpeed": {"km_h-1": (1.0 / 3.6, 0.0), "m_s-1": (1.0, 0.0), "kt": (1852.0 / 3600.0, 0.0)},
    "windDirection": {"degree_(angle)": (1.0, 0.0)},
    "elevation": {"m": (1.0, 0.0)},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class NationalWeatherService(ForecastService):
    """Client of the National Weather Service's forecast grids."""

    url: str = URL
    key: str = "nws"
    name: str = "US National Weather Service"
    attribution: str = "Forecast: National Weather Service (weather.gov)."
    terms: str = "Public domain; United States only. Hourly grid values, adjusted to the road's elevation."

    def fetch(self, points: Sequence[Point], *, client: "Client") -> tuple[PlaceForecast | NoAnswer, ...]:
        """Query every point in turn; stop after two successive failures to respond."""
        asked = [point for point in points if covered(point.lat_deg, point.lon_deg)]

        def ask(point: Point) -> PlaceForecast:
            client.progress(f"{self.name}: {point.place} ({asked.index(point) + 1} of {len(asked)})")
            return self._point(point, client)

        found = dict(in_turn(asked, ask, give_up_after=_GIVE_UP_AFTER))
        answers = (found.get(point, "covers the United States only") for point in points)
        return tuple(
            NoAnswer(place=point.place, why=answer) if isinstance(answer, str) else answer
            for point, answer in zip(points, answers, strict=True)
        )

    def _point(self, point: Point, client: "Client") -> PlaceForecast:
        cell = self._cell(point, client, again=False)
        answer: Answer | None = None
        try:
            answer = client.get(cell, accept=_ACCEPT)
        except Refused as exc:
            if exc.status != 404:
                raise
        if answer is None or (answer.stale and not client.offline):
            answer = self._moved(point, client, cell, answer)
        return parse_grid(answer, point=point, source=self.key)

    def _moved(self, point: Point, client: "Client", cell: str, old: Answer | None) -> Answer:
        """Query the point's grid cell again, since grids change from time to time."""
        try:
            now = self._cell(point, client, again=True)
            if old is None or now != cell:
                return client.get(now, accept=_ACCEPT)
        except ServiceError:
            if old is None:
                raise
        return old

    def _cell(self, point: Point, client: "Client", *, again: bool) -> str:
        """URL of the grid cell a point lies in."""
        url = f"{self.url}/points/{plain(point.lat_deg, 4)},{plain(point.lon_deg, 4)}"
        return f"{self.url}/gridpoints/{parse_cell(client.get(url, accept=_ACCEPT, again=again).data)}"


def covered(lat_deg: float, lon_deg: float) -> bool:
    """Whether a point may be in the United States.

    >>> covered(39.7, -97.1), covered(46.5, 8.4)
    (True, False)
    """
    return any(s <= lat_deg <= n and w <= lon_deg <= e for s, n, w, e in _BOXES)


def parse_cell(data: Any) -> str:
    """Read which grid cell a point lies in.

    >>> parse_cell({"properties": {"gridId": "TOP", "gridX": 31, "gridY": "80"}})
    'TOP/31,80'
    """
    properties = part_of(data, "properties")
    grid, x, y = (properties.get(name) for name in ("gridId", "gridX", "gridY"))
    if not isinstance(grid, str) or _GRID.fullmatch(grid) is None:
        message = f"sent no grid for the point (gridId {brief(grid)})"
        raise BadReply(message)
    if not all(isinstance(part, (int, str)) and _CELL.fullmatch(str(part)) for part in (x, y)):
        message = f"sent no grid cell for the point (gridX {brief(x)}, gridY {brief(y)})"
        raise BadReply(message)
    return f"{grid}/{x},{y}"


def duration_s(text: str) -> float:
    """Read an ISO 8601 duration of days, hours and minutes.

    >>> duration_s("PT5H"), duration_s("P1D"), duration_s("P7DT12H30M")
    (18000.0, 86400.0, 649800.0)
    """
    match = _DURATION.fullmatch(text)
    if match is None or text in ("P", "PT") or text.endswith("T"):
        message = f"sent an unreadable time span: {shown(text)}"
        raise BadReply(message)
    days, hours, minutes = (int(part or 0) for part in match.groups())
    return timedelta(days=days, hours=hours, minutes=minutes).total_seconds()


def instant_s(text: str) -> float:
    """Read an ISO 8601 instant with its offset.

    >>> instant_s("2026-07-01T07:00:00-05:00") == instant_s("2026-07-01T12:00:00Z")
    True
    """
    try:
        instant = datetime.fromisoformat(text)
        utc = instant.astimezone(UTC)
    except (ValueError, OverflowError) as exc:  # overflow: the first and the last possible day with an offset
        message = f"sent an unreadable time: {shown(text)}"
        raise BadReply(message) from exc
    if instant.tzinfo is None:
        message = f"sent a time without a UTC offset: {shown(text)}"
        raise BadReply(message)
    return utc.timestamp()


def parse_grid(answer: Answer, *, point: Point, source: str) -> PlaceForecast:
    """Read the layers needed from a grid cell's raw forecast."""
    properties = part_of(answer.data, "properties")
    require_near(*_middle_of(answer.data), point)
    layers = {name: _hours(properties, layer) for name, layer in _LAYERS.items()}
    epoch = sorted(layers["air_k"])
    issued, elevation = properties.get("updateTime"), part_of(properties, "elevation")
    _to_si("elevation", elevation.get("unitCode"))  # refuses all but metres
    return forecast_at(
        point,
        {"epoch_s": epoch, **{name: [held.get(at, math.nan) for at in epoch] for name, held in layers.items()}},
        source=source,
        elevation_m=number_of(elevation.get("value"), "elevation"),
        fetched_s=answer.fetched_s,
        issued_s=None if issued is None else instant_s(text_of(issued, "updateTime")),
    )


def _middle_of(data: Mapping[str, Any]) -> tuple[float, float]:
    """Latitude and longitude of the middle of a cell's outline, NaN when the reply gives none. [deg]."""
    if data.get("geometry") is None:
        return math.nan, math.nan
    try:
        corners = [
            (number_of(lat, "latitude"), number_of(lon, "longitude")) for lon, lat in data["geometry"]["coordinates"][0]
        ]
        lats, lons = zip(*corners, strict=True)
    except (KeyError, IndexError, TypeError, ValueError) as exc:
        message = "sent its cell's outline in an unexpected format"
        raise BadReply(message) from exc
    return sum(lats) / len(lats), sum(lons) / len(lons)


def _hours(properties: Mapping[str, Any], layer: str) -> dict[float, float]:
    """Instant and value in SI of every hour of a layer; nothing for one that is absent, empty or null."""
    if properties.get(layer) is None:
        return {}
    held = part_of(properties, layer)
    runs = [] if held.get("values") is None else held["values"]
    if not isinstance(runs, list) or not all(isinstance(run, dict) for run in runs):
        message = f"sent {layer} in an unexpected format"
        raise BadReply(message)
    found: dict[float, float] = {}
    scale, offset = _to_si(layer, held.get("uom")) if runs else (1.0, 0.0)
    for run in runs:
        value = number_of(run.get("value"), layer) * scale + offset
        for at in _instants(text_of(run.get("validTime"), "validTime")) if not math.isnan(value) else ():
            if at in found or len(found) >= MOST_HOURS:
                message = f"sent {layer} twice for one hour" if at in found else f"sent more than {MOST_HOURS} hours"
                raise BadReply(message)
            found[at] = value
    return found


def _instants(span: str) -> Iterator[float]:
    """Every whole hour from the start of a time span. [s since 1970 UTC]."""
    start, _, length = span.partition("/")
    begin = instant_s(start)
    return (begin + 3600.0 * hour for hour in range(max(round(duration_s(length) / 3600.0), 1)))


def _to_si(layer: str, uom: Any) -> tuple[float, float]:
    code = text_of(uom, f"unit of {layer}").rsplit(":", 1)[-1]
    if code not in _UNITS[layer]:
        message = f"sent {layer} in an unknown unit: {shown(code)}"
        raise BadReply(message)
    return _UNITS[layer][code]
