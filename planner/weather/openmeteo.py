"""Open-Meteo: worldwide forecasts, and usual values for the trip's days from ten past years.

For non-commercial use only. Past years are fetched once and kept.
"""

import math
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, timedelta
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from planner.model.display import counted
from planner.model.errors import OutputError
from planner.model.trip import Trip
from planner.weather.records import (
    AIR_K,
    MOST_HOURS,
    NEAR_DAYS,
    Answer,
    BadReply,
    ForecastService,
    Found,
    NoAnswer,
    PastYears,
    PlaceForecast,
    Point,
    brief,
    forecast_at,
    implausible_past_years,
    in_turn,
    misplaced,
    number_of,
    part_of,
    plain,
    require_near,
)
from planner.weather.store import load_past_years, save_past_years

if TYPE_CHECKING:
    from planner.weather.transport import Client

Reply = TypeVar("Reply")
URL = "https://api.open-meteo.com"
ARCHIVE_URL = "https://archive-api.open-meteo.com"
MAX_POINTS = 100
"""Maximum points in one request; more are refused."""
_ACCEPT = "application/json"
_ELEVATION_STEP_M = 10.0
_UNITS = {
    "time": "unixtime",
    "temperature_2m": "°C",
    "dew_point_2m": "°C",
    "wind_speed_10m": "m/s",
    "wind_direction_10m": "°",
}
_FORECAST_DAYS = 16  # always all of them, so that repeated requests hit the cache
ATTRIBUTION = "Weather data by Open-Meteo.com, https://open-meteo.com/ (CC BY 4.0)."
TERMS = "For non-commercial use; hours interpolated in time and adjusted to the road's elevation."


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenMeteo(ForecastService):
    """Client of Open-Meteo's forecast."""

    url: str = URL
    key: str = "open-meteo"
    name: str = "Open-Meteo"
    attribution: str = ATTRIBUTION
    terms: str = TERMS

    def fetch(self, points: Sequence[Point], *, client: "Client") -> tuple[PlaceForecast | NoAnswer, ...]:
        """Query up to 100 points per request."""
        params = {
            "hourly": ",".join(name for name in _UNITS if name != "time"),
            "wind_speed_unit": "ms",
            "temperature_unit": "celsius",
            "timeformat": "unixtime",
            "timezone": "UTC",
            "forecast_days": str(_FORECAST_DAYS),
        }

        def ask(batch: Sequence[Point]) -> list[tuple[dict[str, Any], float]]:
            client.progress(f"{self.name}: {counted(len(batch), 'place')} from {batch[0].place}")
            answer = client.get(f"{self.url}/v1/forecast", params | where(batch), accept=_ACCEPT)
            return [(reply, answer.fetched_s) for reply in each(answer.data, len(batch))]

        def read(point: Point, reply: tuple[dict[str, Any], float]) -> PlaceForecast:
            return parse_hours(reply[0], point=point, fetched_s=reply[1], source=self.key)

        found = in_batches(points, ask, read, give_up_after=1)
        return tuple(NoAnswer(place=p.place, why=one) if isinstance(one, str) else one for p, one in found)


def in_batches(
    points: Sequence[Point],
    ask: Callable[[Sequence[Point]], Sequence[Reply]],
    read: Callable[[Point, Reply], Found],
    *,
    give_up_after: int = sys.maxsize,
) -> Iterator[tuple[Point, Found | str]]:
    """Query up to 100 points per request, and read the reply to each: what it says, or why there is none."""
    lots = [points[first : first + MAX_POINTS] for first in range(0, len(points), MAX_POINTS)]
    for lot, replies in in_turn(lots, ask, give_up_after=give_up_after):
        if isinstance(replies, str):
            yield from ((point, replies) for point in lot)
        else:
            pairs = list(zip(lot, replies, strict=True))
            yield from ((point, found) for (point, _), found in in_turn(pairs, lambda pair: read(*pair)))


def where(points: Sequence[Point]) -> dict[str, str]:
    """Position parameters; nothing else of the trip is sent.

    >>> where([Point(place="a", lat_deg=39.7456, lon_deg=-105.2, elevation_m=1757.0)])
    {'latitude': '39.75', 'longitude': '-105.2', 'elevation': '1760'}
    """
    return {
        "latitude": ",".join(plain(p.lat_deg, 2) for p in points),
        "longitude": ",".join(plain(p.lon_deg, 2) for p in points),
        "elevation": ",".join(f"{asked_elevation_m(p):.0f}" for p in points),
    }


def asked_elevation_m(point: Point) -> float:
    """Elevation sent: the place's, rounded."""
    return round(point.elevation_m / _ELEVATION_STEP_M) * _ELEVATION_STEP_M + 0.0


def each(data: Any, count: int) -> list[dict[str, Any]]:
    """Replies in the order of the points; a single one is not in a list."""
    replies = data if isinstance(data, list) else [data]
    if len(replies) != count or not all(isinstance(reply, dict) for reply in replies):
        message = f"sent {len(replies)} replies for {count} places; its format may have changed"
        raise BadReply(message)
    return replies


def parse_hours(reply: Mapping[str, Any], *, point: Point, fetched_s: float, source: str) -> PlaceForecast:
    """Read the hours of one place."""
    hourly, units = part_of(reply, "hourly"), part_of(reply, "hourly_units")
    for name, wanted in _UNITS.items():
        unit = units.get(name)
        if name in hourly and unit != wanted:
            message = f"sent {name} in {brief(unit) if isinstance(unit, str) else 'no unit'} instead of {wanted!r}"
            raise BadReply(message)
    times = hourly.get("time")
    count = len(times) if isinstance(times, list) else 0
    if count > MOST_HOURS:
        message = f"sent {count} hours; the maximum is {MOST_HOURS}"
        raise BadReply(message)
    epoch_s, air_c, dew_c, wind, wind_from = (_column(hourly, name, count) for name in _UNITS)
    air_k, dew_k = ([celsius + 273.15 for celsius in column] for column in (air_c, dew_c))
    height = number_of(reply.get("elevation"), "elevation")
    _require_place(reply, point)
    return forecast_at(
        point,
        {"epoch_s": epoch_s, "air_k": air_k, "dew_k": dew_k, "wind_m_per_s": wind, "wind_from_deg": wind_from},
        source=source,
        elevation_m=asked_elevation_m(point) if math.isnan(height) else height,
        fetched_s=fetched_s,
        issued_s=None,
    )


def _require_place(reply: Mapping[str, Any], point: Point) -> None:
    lat_deg, lon_deg = (number_of(reply.get(name), name) for name in ("latitude", "longitude"))
    require_near(lat_deg, lon_deg, point)


def _column(hourly: Mapping[str, Any], name: str, count: int) -> list[float]:
    """Numbers of one variable, NaN for null; an absent one is all NaN."""
    held = hourly.get(name)
    if held is None:
        return [math.nan] * count
    if not isinstance(held, list) or len(held) != count:
        message = f"sent {name} with a different number of hours"
        raise BadReply(message)
    return [number_of(value, name) for value in held]


# --- past years ---

YEARS = 10
MAX_PLACES = 40
"""Maximum places to query; more are thinned evenly. [-]"""
_BEHIND_DAYS = 6  # the archive ends about five days before the present
_LEAST_VALUES = 60  # of 150: ten years of fifteen days
_CALLS_A_MINUTE = 500.0  # of 600 allowed; every place counts, and twice beyond two weeks
_DAILY = ("temperature_2m_max", "temperature_2m_min")
_PAST = {"daily": ",".join(_DAILY), "temperature_unit": "celsius", "timezone": "auto"}


def thinned(points: Sequence[Point]) -> tuple[Point, ...]:
    """Choose at most 40 places evenly, the first and the last among them."""
    count = min(len(points), MAX_PLACES)
    return tuple(points[i] for i in np.linspace(0, len(points) - 1, count).round().astype(int))


def fetch_past_years(
    points: Sequence[Point],
    dates: Sequence[date],
    *,
    client: "Client",
    url: str = ARCHIVE_URL,
    sleep: Callable[[float], None] = time.sleep,
) -> tuple[dict[str, PastYears], tuple[NoAnswer, ...]]:
    """Fetch the days of the trip in ten past years from the archive."""
    spans = year_spans(dates, client.now.astimezone(UTC).date())

    def ask(batch: Sequence[Point]) -> list[tuple[Sequence[dict[str, Any]], float]]:
        pause_s = 60.0 * len(batch) * max(1.0, (len(dates) + 2 * NEAR_DAYS) / 14.0) / _CALLS_A_MINUTE
        answers: list[Answer] = []
        for number, (first, last) in enumerate(spans):
            if number and not answers[-1].cached:
                sleep(pause_s)
            client.progress(f"past years: {first.year} ({number + 1} of {len(spans)})")
            params = _PAST | {"start_date": first.isoformat(), "end_date": last.isoformat()} | where(batch)
            answers.append(client.get(f"{url}/v1/archive", params, accept=_ACCEPT))
        fetched_s = min(answer.fetched_s for answer in answers)
        return [(years, fetched_s) for years in zip(*(each(one.data, len(batch)) for one in answers), strict=True)]

    def read(point: Point, reply: tuple[Sequence[dict[str, Any]], float]) -> PastYears:
        return summary(reply[0], spans, point=point, dates=dates, fetched_s=reply[1])

    found: dict[str, PastYears] = {}
    missing: list[NoAnswer] = []
    for point, one in in_batches(points, ask, read):
        if isinstance(one, str):
            missing.append(NoAnswer(place=point.place, why=f"Open-Meteo archive {one}"))
        else:
            found[point.place] = one
    return found, tuple(missing)


def year_spans(dates: Sequence[date], today: date) -> list[tuple[date, date]]:
    """First and last day to ask for in each of ten past years, the latest year first.

    >>> spans = year_spans([date(2027, 7, 6), date(2027, 7, 7)], date(2027, 3, 1))
    >>> len(spans), spans[0]
    (10, (datetime.date(2026, 6, 29), datetime.date(2026, 7, 14)))
    """
    length = timedelta(days=(dates[-1] - dates[0]).days + NEAR_DAYS)
    year = dates[0].year
    while _in_year(dates[0], year) + length > today - timedelta(days=_BEHIND_DAYS):
        year -= 1
    starts = [_in_year(dates[0], y) for y in range(year, year - YEARS, -1)]
    return [(start - timedelta(days=NEAR_DAYS), start + length) for start in starts]


def _in_year(day: date, year: int) -> date:
    with suppress(ValueError):
        return day.replace(year=year)
    return date(year, 2, 28)


def summary(
    replies: Sequence[Mapping[str, Any]],
    spans: Sequence[tuple[date, date]],
    *,
    point: Point,
    dates: Sequence[date],
    fetched_s: float,
) -> PastYears:
    """Take means and spread of every day of the trip from the years' windows."""
    days = np.array([_window(reply, *span) for reply, span in zip(replies, spans, strict=True)])  # year, high/low, day
    offsets = [(day - dates[0]).days for day in dates]
    highs, lows, sds = [], [], []
    for offset in offsets:
        high, low = (days[:, row, offset : offset + 2 * NEAR_DAYS + 1].ravel() for row in (0, 1))
        high, low = high[np.isfinite(high)], low[np.isfinite(low)]
        if min(high.size, low.size) < _LEAST_VALUES:
            message = "has too few days"
            raise BadReply(message)
        highs.append(float(high.mean()) + 273.15)
        lows.append(min(float(low.mean()) + 273.15, highs[-1]))
        sds.append(float(high.std(ddof=1)))
    height = number_of(replies[0].get("elevation"), "elevation")
    for reply in replies:
        _require_place(reply, point)
    one = PastYears(
        place=point.place,
        lat_deg=point.lat_deg,
        lon_deg=point.lon_deg,
        elevation_m=point.elevation_m if np.isnan(height) else height,
        days=tuple(dates),
        high_k=tuple(highs),
        low_k=tuple(lows),
        sd_k=tuple(sds),
        years=(spans[-1][0].year, spans[0][0].year),
        fetched_s=fetched_s,
    )
    why = implausible_past_years(one) or misplaced(one, point)
    if why:
        raise BadReply(why)
    return one


def _window(reply: Mapping[str, Any], first: date, last: date) -> list[list[float]]:
    """Highs and lows of one year, NaN for null."""
    daily, units = part_of(reply, "daily"), part_of(reply, "daily_units")
    asked = [(first + timedelta(days=i)).isoformat() for i in range((last - first).days + 1)]
    if daily.get("time") != asked:
        message = f"sent days other than {first} to {last}"
        raise BadReply(message)
    found = []
    for name in _DAILY:
        held = daily.get(name)
        if units.get(name) != "°C" or not isinstance(held, list) or len(held) != len(asked):
            message = f"sent {name} in a different unit, or for a different number of days, than requested"
            raise BadReply(message)
        found.append([number_of(value, name) for value in held])
        if any(not AIR_K[0] <= value + 273.15 <= AIR_K[1] for value in found[-1] if value == value):
            message = f"sent an impossible {name}; its reply is not used"
            raise BadReply(message)
    return found


def past_years_for(
    trip: Trip,
    points: Sequence[Point],
    dates: Sequence[date],
    *,
    client: "Client",
    url: str = ARCHIVE_URL,
    sleep: Callable[[float], None] = time.sleep,
) -> tuple[dict[str, PastYears], tuple[NoAnswer, ...]]:
    """Past years of places: saved ones if they cover the dates, else fetched and saved."""
    wanted = thinned(points)
    kept = load_past_years(trip, progress=client.progress)
    lacking = [p for p in wanted if p.place not in kept or not set(dates) <= set(kept[p.place].days)]
    if not lacking:
        return kept, ()
    found, missing = fetch_past_years(lacking, dates, client=client, url=url, sleep=sleep)
    if found:
        try:
            save_past_years(trip, kept | found)
        except OutputError as exc:
            client.progress(str(exc))
    return kept | found, missing
