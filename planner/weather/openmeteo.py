"""Open-Meteo: forecasts for anywhere in the world. For non-commercial use only."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from planner.model.display import counted
from planner.weather.record import MOST_HOURS, Fetched, Missing, Point
from planner.weather.reply import Answer, BadReply, ServiceError, Unreachable, brief, number_of, part_of, plain, sound

if TYPE_CHECKING:
    from planner.weather.web import Web

URL = "https://api.open-meteo.com"
ARCHIVE_URL = "https://archive-api.open-meteo.com"
MAX_POINTS = 100
"""Most points in one request; more were refused."""
_ACCEPT = "application/json"
_ELEVATION_STEP_M = 10.0
_HOURLY = ("temperature_2m", "dew_point_2m", "wind_speed_10m", "wind_direction_10m")
_UNITS = {
    "time": "unixtime",
    "temperature_2m": "°C",
    "dew_point_2m": "°C",
    "wind_speed_10m": "m/s",
    "wind_direction_10m": "°",
}
_FORECAST_DAYS = 16  # always all of them: the same question every day is found again in the cache
ATTRIBUTION = "Weather data by Open-Meteo.com, https://open-meteo.com/ (CC BY 4.0)."
TERMS = "For non-commercial use; hours interpolated in time and fitted to the road's elevation here."


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenMeteo:
    """Client of Open-Meteo's forecast."""

    url: str = URL
    key: str = "open-meteo"
    name: str = "Open-Meteo"
    attribution: str = ATTRIBUTION
    terms: str = TERMS

    def fetch(
        self, points: Sequence[Point], days: Sequence[date], *, web: "Web", tell: Callable[[str], None]
    ) -> tuple[Fetched | Missing, ...]:
        """Ask for up to 100 points at a time."""
        found: list[Fetched | Missing] = []
        params = {
            "hourly": ",".join(_HOURLY),
            "wind_speed_unit": "ms",
            "temperature_unit": "celsius",
            "timeformat": "unixtime",
            "timezone": "UTC",
            "forecast_days": str(_FORECAST_DAYS),
        }
        why = ""
        for batch in batches(points):
            if why:
                found += [Missing(place=p.place, why=why) for p in batch]
                continue
            tell(f"{self.name}: {counted(len(batch), 'place')} from {batch[0].place}")
            try:
                answer = web.get(f"{self.url}/v1/forecast", params | where(batch), accept=_ACCEPT)
                replies = each(answer.data, len(batch))
            except ServiceError as exc:
                found += [Missing(place=p.place, why=str(exc)) for p in batch]
                why = f"not asked, as it {exc}" if isinstance(exc, Unreachable) else ""
                continue
            found += [self._read(reply, point, answer) for reply, point in zip(replies, batch, strict=True)]
        return tuple(found)

    def _read(self, reply: Mapping[str, Any], point: Point, answer: Answer) -> Fetched | Missing:
        try:
            return parse_hours(reply, point=point, fetched_s=answer.fetched_s, source=self.key)
        except ServiceError as exc:
            return Missing(place=point.place, why=str(exc))


def batches(points: Sequence[Point], size: int = MAX_POINTS) -> Iterator[Sequence[Point]]:
    """Yield points in lots the service accepts.

    Parameters
    ----------
    points : sequence of Point
        All of them. [-]
    size : int
        Most in one lot. [-]

    Yields
    ------
    sequence of Point
        In order.
    """
    for first in range(0, len(points), size):
        yield points[first : first + size]


def where(points: Sequence[Point]) -> dict[str, str]:
    """Parameters that say where: all that is told of the trip.

    Parameters
    ----------
    points : sequence of Point
        The places. [-]

    Returns
    -------
    dict of str to str
        Coordinates to 0.01 degree, about 1 km, and elevations to 10 m.

    Examples
    --------
    >>> where([Point(place="a", lat_deg=39.7456, lon_deg=-105.2, elevation_m=1757.0)])
    {'latitude': '39.75', 'longitude': '-105.2', 'elevation': '1760'}
    """
    return {
        "latitude": ",".join(plain(p.lat_deg, 2) for p in points),
        "longitude": ",".join(plain(p.lon_deg, 2) for p in points),
        "elevation": ",".join(f"{asked_elevation_m(p):.0f}" for p in points),
    }


def asked_elevation_m(point: Point) -> float:
    """Elevation asked for: a place's own, rounded.

    Parameters
    ----------
    point : Point
        The place. [-]

    Returns
    -------
    float
        To 10 m. [m]
    """
    return round(point.elevation_m / _ELEVATION_STEP_M) * _ELEVATION_STEP_M + 0.0


def each(data: Any, count: int) -> list[dict[str, Any]]:
    """Replies in the order of the points: one comes bare, several in a list.

    Parameters
    ----------
    data : object
        The JSON. [-]
    count : int
        How many points were asked for. [-]

    Returns
    -------
    list of dict
        One for each point.

    Raises
    ------
    BadReply
        If there are more or fewer, or they are something else.
    """
    replies = data if isinstance(data, list) else [data]
    if len(replies) != count or not all(isinstance(reply, dict) for reply in replies):
        message = f"gave {len(replies)} replies for {count} places; its form may have changed"
        raise BadReply(message)
    return replies


def parse_hours(reply: Mapping[str, Any], *, point: Point, fetched_s: float, source: str) -> Fetched:
    """Read the hours of one place.

    Parameters
    ----------
    reply : mapping
        The service's object for the place. [-]
    point : Point
        The place, as asked for. [-]
    fetched_s : float
        When the reply came. [s since 1970 UTC]
    source : str
        Key of the service. [-]

    Returns
    -------
    Fetched
        Hours with a temperature, for the elevation in the reply.

    Raises
    ------
    BadReply
        If there are none, units or shape are not as asked for, or a value in it cannot be.
    """
    hourly, units = part_of(reply, "hourly"), part_of(reply, "hourly_units")
    for name, wanted in _UNITS.items():
        unit = units.get(name)
        if name in hourly and unit != wanted:
            message = f"gave {name} in {brief(unit) if isinstance(unit, str) else 'no unit'} instead of {wanted!r}"
            raise BadReply(message)
    times = hourly.get("time")
    count = len(times) if isinstance(times, list) else 0
    if count > MOST_HOURS:
        message = f"gave {count} hours; up to {MOST_HOURS} are possible"
        raise BadReply(message)
    epoch = _column(hourly, "time", count)
    air, dew, wind, wind_from = (_column(hourly, name, len(epoch)) for name in _HOURLY)
    kept = [i for i, celsius in enumerate(air) if not math.isnan(celsius)]
    if not kept:
        message = "gave no temperatures for this place"
        raise BadReply(message)
    height = number_of(reply.get("elevation"), "elevation")
    return sound(
        Fetched(
            place=point.place,
            source=source,
            elevation_m=asked_elevation_m(point) if math.isnan(height) else height,
            fetched_s=fetched_s,
            issued_s=None,
            epoch_s=tuple(epoch[i] for i in kept),
            air_k=tuple(air[i] + 273.15 for i in kept),
            dew_k=tuple(dew[i] + 273.15 for i in kept),
            wind_m_per_s=tuple(wind[i] for i in kept),
            wind_from_deg=tuple(wind_from[i] for i in kept),
        )
    )


def _column(hourly: Mapping[str, Any], name: str, count: int) -> list[float]:
    """Numbers of one variable, NaN for null; an absent one is all NaN."""
    held = hourly.get(name)
    if held is None:
        return [math.nan] * count
    if not isinstance(held, list) or len(held) != count:
        message = f"gave {name} with another number of hours than the rest"
        raise BadReply(message)
    return [number_of(value, name) for value in held]
