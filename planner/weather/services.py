"""Weather services behind one protocol; each place is queried from the first service, then from the next."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from planner.model.errors import OutputError
from planner.model.trip import Leg, Trip
from planner.weather.nws import NationalWeatherService
from planner.weather.openmeteo import OpenMeteo
from planner.weather.records import HOURLY, Forecasts, ForecastService, NoAnswer, PlaceForecast, Point, point_at
from planner.weather.store import load_forecasts, save_forecasts

if TYPE_CHECKING:
    from planner.weather.transport import Client

REACH_DAYS = 16
"""Longest lead time of all services. [day]"""


SERVICES: tuple[ForecastService, ...] = (NationalWeatherService(), OpenMeteo())
"""Services in the order of queries."""


def service_name(key: str) -> str:
    """Name of a service, for people.

    >>> service_name("nws")
    'US National Weather Service'
    """
    return next((service.name for service in SERVICES if service.key == key), key)


def points_on(trip: Trip, legs: Sequence[Leg]) -> tuple[Point, ...]:
    """Query points of the route."""
    keys = dict.fromkeys([legs[0].start, *(leg.finish for leg in legs)])
    return tuple(point_at(trip.places[key]) for key in keys)


def fetch_forecasts(
    trip: Trip,
    points: Sequence[Point],
    dates: Sequence[date],
    *,
    client: "Client",
    services: Sequence[ForecastService] = SERVICES,
) -> Forecasts:
    """Fetch and save the forecast of all places; fall back on saved ones."""
    old = load_forecasts(trip, progress=client.progress)
    new: dict[str, tuple[PlaceForecast, ...]] = {}
    missing: tuple[NoAnswer, ...] = ()
    notes = []
    if reason := out_of_reach(dates, client.now):
        notes.append(f"No forecast requested: {reason}.")
    else:
        new, missing = _ask(points, dates, client=client, services=services)
    held = {p.place: _newest(new.get(p.place, ()), old.get(p.place, ())) for p in points}
    held = {place: one for place, one in held.items() if one}
    if new:
        try:
            save_forecasts(trip, held)
        except OutputError as exc:
            client.progress(str(exc))
            notes.append(str(exc))
    return Forecasts(by_place=held, missing=missing, notes=tuple(notes))


def _newest(new: Sequence[PlaceForecast], old: Sequence[PlaceForecast]) -> tuple[PlaceForecast, ...]:
    """New forecasts, then saved ones of services that failed this time."""
    saved, renewed = {one.source: one for one in old}, {one.source for one in new}
    latest = (max(one, saved.get(one.source, one), key=lambda either: either.fetched_s) for one in new)
    return (*latest, *(one for one in old if one.source not in renewed))


def out_of_reach(dates: Sequence[date], now: datetime) -> str:
    """Return why no forecast can cover the trip; empty if one can.

    >>> out_of_reach([date(2027, 7, 6)], datetime(2027, 3, 1, tzinfo=UTC))
    'the trip starts in 127 days, but forecasts cover 16 days'
    """
    today = now.astimezone(UTC).date()
    if dates[-1] < today - timedelta(days=1):
        return "the trip is over"
    if dates[0] > today + timedelta(days=REACH_DAYS):
        return f"the trip starts in {(dates[0] - today).days} days, but forecasts cover {REACH_DAYS} days"
    return ""


def _ask(
    points: Sequence[Point], dates: Sequence[date], *, client: "Client", services: Sequence[ForecastService]
) -> tuple[dict[str, tuple[PlaceForecast, ...]], tuple[NoAnswer, ...]]:
    """Query each service for the places and days that the previous ones did not cover."""
    found: dict[str, tuple[PlaceForecast, ...]] = {p.place: () for p in points}
    reasons: dict[str, list[str]] = {}
    end_s = midnight_s(dates[-1]) + 86400.0
    for service in services:
        asked = [p for p in points if not any(one.epoch_s[-1] >= end_s for one in found[p.place])]
        if not asked:
            break
        for point, answer in zip(asked, service.fetch(asked, client=client), strict=True):
            held = _within(answer, dates) if isinstance(answer, PlaceForecast) else None
            if held is not None and held.epoch_s:
                found[point.place] += (held,)
            else:
                why = answer.why if isinstance(answer, NoAnswer) else "does not cover the days of the trip"
                reasons.setdefault(point.place, []).append(f"{service.name} {why}")
    missing = tuple(
        NoAnswer(place=p.place, why="; ".join(reasons.get(p.place, ["no service was asked"])))
        for p in points
        if not found[p.place]
    )
    return {place: held for place, held in found.items() if held}, missing


def midnight_s(day: date) -> float:
    """Midnight UTC at the start of a day."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()


def _within(one: PlaceForecast, dates: Sequence[date]) -> PlaceForecast:
    """Keep the hours of the trip's days, with one more day on either side."""
    first, last = midnight_s(dates[0]) - 86400.0, midnight_s(dates[-1]) + 3 * 86400.0
    rows = [i for i, at in enumerate(one.epoch_s) if first <= at <= last]
    cut: dict[str, Any] = {name: tuple(getattr(one, name)[i] for i in rows) for name in HOURLY}
    return replace(one, **cut)


def credits_of(fetched: Mapping[str, Sequence[PlaceForecast]], *, past: bool) -> tuple[str, ...]:
    """Attribution and terms to show with the weather."""
    used = {one.source for held in fetched.values() for one in held} | ({OpenMeteo().key} if past else set())
    return tuple(f"{service.attribution} {service.terms}" for service in SERVICES if service.key in used)
