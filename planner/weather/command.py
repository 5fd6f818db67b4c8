"""The command `weather`: fetch and save the route's weather; report what is fresh, stale or missing."""

import math
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from planner.model import clock
from planner.model.display import counted
from planner.model.trip import Leg, Trip
from planner.weather.openmeteo import ARCHIVE_URL, past_years_for
from planner.weather.records import Forecasts, ForecastService, NoAnswer, PastYears, Point
from planner.weather.services import (
    SERVICES,
    credits_of,
    fetch_forecasts,
    midnight_s,
    out_of_reach,
    points_on,
    service_name,
)
from planner.weather.sources import age, normals_of, weather_along

FRESH, STALE, MISSING = "fresh", "stale", "missing"
NEAR_M = 100_000.0
"""ASSUMED: entered values nearer than this along the road serve a place without any; 50 to 200 km. [m]"""
_SPARE_DAYS = 2  # as the car may be slower than the entered speeds


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherRow:
    """State of one place's weather."""

    place: str
    name: str
    state: str
    source: str
    fetched: str
    made: str
    first: str
    last: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherReport:
    """Result of the command: one row per place, sentences, required credits."""

    rows: tuple[WeatherRow, ...]
    notes: tuple[str, ...]
    attribution: tuple[str, ...]
    asked: bool = True  # False if the trip is over, or too far ahead for any forecast

    @property
    def failed(self) -> bool:
        """Whether forecasts were requested and no place has one."""
        return self.asked and all(row.state == MISSING for row in self.rows)


def dates_of(trip: Trip, legs: Sequence[Leg]) -> tuple[date, ...]:
    """Days the trip may take at the entered speeds."""
    driving_s = sum(leg.distance_m / leg.speed_m_per_s for leg in legs)
    count = math.ceil(driving_s / (0.9 * trip.day.driving_s)) + len(trip.rest) + _SPARE_DAYS
    last = max([trip.first_date + timedelta(days=count - 1), *(event.on for event in trip.events)])
    return tuple(trip.first_date + timedelta(days=i) for i in range((last - trip.first_date).days + 1))


def run(
    trip: Trip,
    legs: Sequence[Leg],
    *,
    offline: bool,
    now: datetime,
    progress: Callable[[str], None] = lambda _: None,
    services: Sequence[ForecastService] = SERVICES,
    archive_url: str = ARCHIVE_URL,
    cache: Path | None = None,
    sleep: Callable[[float], None] = time.sleep,
) -> WeatherReport:
    """Fetch what the route needs."""
    points, dates = points_on(trip, legs), dates_of(trip, legs)
    from planner.weather.transport import Client  # slow to import

    has_normals = normals_of(trip) is not None
    with Client(cache, offline=offline, now=now, progress=progress) as client:
        forecasts = fetch_forecasts(trip, points, dates, client=client, services=services)
        past: dict[str, PastYears] = {}
        unknown = [] if has_normals else _unknown(trip, legs, points, forecasts, dates)
        failed: tuple[NoAnswer, ...] = ()
        if unknown:
            past, failed = past_years_for(trip, unknown, dates, client=client, url=archive_url, sleep=sleep)
    rows = tuple(_row(trip, p, forecasts, past, dates, now.timestamp()) for p in points)
    return WeatherReport(
        rows=rows,
        notes=(*forecasts.notes, *_missing(forecasts, failed)),
        attribution=credits_of(forecasts.by_place, past=bool(past)),
        asked=not out_of_reach(dates, now),
    )


def _missing(forecasts: Forecasts, failed: Sequence[NoAnswer]) -> Iterator[str]:
    """One sentence per reason for missing past years, one on missing forecasts."""
    for why, count in Counter(one.why for one in failed).items():
        yield f"No past years for {counted(count, 'place')}: {why}."
    if forecasts.missing:
        places = counted(len(forecasts.missing), "place")
        yield (
            f"No new forecast for {places}; run the command again later, with a network. Until then plans use the "
            "source listed for each place."
        )


def _unknown(
    trip: Trip, legs: Sequence[Leg], points: Sequence[Point], forecasts: Forecasts, dates: Sequence[date]
) -> list[Point]:
    """Places far from any with entered usual highs and lows, unless forecasts cover the whole trip."""
    end_s = midnight_s(dates[-1]) + 86400.0
    places = weather_along(trip, legs).places
    entered = [place.distance_m for place in places if place.has_air]
    near = {s.key for s in places if any(abs(s.distance_m - at) <= NEAR_M for at in entered)}
    covered = {key for key, held in forecasts.by_place.items() if any(one.epoch_s[-1] >= end_s for one in held)}
    return [p for p in points if p.place not in near and p.place not in covered]


def _row(
    trip: Trip, point: Point, forecasts: Forecasts, past: Mapping[str, PastYears], dates: Sequence[date], now_s: float
) -> WeatherRow:
    zone = clock.zone_of(point.lat_deg, point.lon_deg)
    end_s = clock.local_to_utc(datetime(dates[-1].year, dates[-1].month, dates[-1].day, 12), zone).timestamp()
    begin_s = midnight_s(dates[0])
    held = [one for one in forecasts.by_place.get(point.place, ()) if one.epoch_s and one.epoch_s[-1] >= begin_s]
    why = next((one.why for one in forecasts.missing if one.place == point.place), "")
    fresh = bool(held) and all(one.is_fresh(now_s) for one in held)
    notes = [why] if why and not fresh else []
    if not held or held[-1].epoch_s[-1] < end_s:
        notes.append(f"{'after that ' if held else ''}{_stand_in(trip, point.place, past)}")
    return WeatherRow(
        place=point.place,
        name=trip.places[point.place].name,
        state=(FRESH if fresh else STALE) if held else MISSING,
        source=", ".join(service_name(one.source) for one in held),
        fetched=age(now_s - min(one.fetched_s for one in held)) if held else "",
        made=age(now_s - min(one.made_s for one in held)) if held else "",
        first=_local_day(min(one.epoch_s[0] for one in held), zone) if held else "",
        last=_local_day(max(one.epoch_s[-1] for one in held), zone) if held else "",
        note="; ".join(notes),
    )


def _stand_in(trip: Trip, key: str, past: Mapping[str, PastYears]) -> str:
    """Source used where no forecast is available."""
    place = trip.places[key]
    if place.has_air:
        return "the usual values from places.csv"
    if trip.normals:
        return "the table of station normals"
    if key in past:
        first, last = past[key].years
        return f"the means of {first} to {last}"
    return "interpolated from nearby places"


def _local_day(epoch_s: float, zone: str) -> str:
    return f"{clock.to_local(datetime.fromtimestamp(epoch_s, UTC), zone):%Y-%m-%d}"
