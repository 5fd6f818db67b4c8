"""Weather services behind one small protocol: each place is asked of the first that knows it, then of the next."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Protocol

from planner.model.errors import OutputError
from planner.model.trip import Leg, Trip
from planner.weather.nws import NationalWeatherService
from planner.weather.openmeteo import OpenMeteo
from planner.weather.records import HOURLY, Forecasts, NoAnswer, PlaceForecast, Point, point_at
from planner.weather.store import load_forecasts, save_forecasts

if TYPE_CHECKING:
    from planner.weather.transport import Client

REACH_DAYS = 16
"""No service here forecasts further ahead. [day]"""


class ForecastService(Protocol):
    """A service that forecasts the weather of places."""

    @property
    def key(self) -> str:
        """Its short name in files."""

    @property
    def name(self) -> str:
        """Its name, for people."""

    @property
    def attribution(self) -> str:
        """What must be shown beside its data."""

    @property
    def terms(self) -> str:
        """On what terms it may be used, and what was changed."""

    def fetch(self, points: Sequence[Point], *, client: "Client") -> tuple[PlaceForecast | NoAnswer, ...]:
        """Forecasts of all points, in order; `NoAnswer` where there is none. Raises nothing for want of an answer."""


SERVICES: tuple[ForecastService, ...] = (NationalWeatherService(), OpenMeteo())
"""Services in the order they are asked."""


def service_named(key: str, services: Sequence[ForecastService] = SERVICES) -> ForecastService | None:
    """Service of a short name.

    Examples
    --------
    >>> service_named("nws").name
    'US National Weather Service'
    """
    return next((service for service in services if service.key == key), None)


def points_on(trip: Trip, legs: Sequence[Leg]) -> tuple[Point, ...]:
    """Places of the route to ask the weather of."""
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
    """Fetch the forecast of all places, keep it with the trip, and fall back on what was kept."""
    old = load_forecasts(trip, progress=client.progress)
    new: dict[str, tuple[PlaceForecast, ...]] = {}
    missing: tuple[NoAnswer, ...] = ()
    notes = []
    if reason := out_of_reach(dates, client.now):
        notes.append(f"No forecast asked for: {reason}.")
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
    """Forecasts just fetched, then those of services that did not answer this time."""
    renewed = {one.source: one for one in new}
    better = [o for o in old if o.source in renewed and o.fetched_s > renewed[o.source].fetched_s]
    kept = {one.source: one for one in better}
    rest = [o for o in old if o.source not in renewed]
    return (*(kept.get(one.source, one) for one in new), *rest)


def out_of_reach(dates: Sequence[date], now: datetime) -> str:
    """Say why no forecast can cover the trip.

    Examples
    --------
    >>> out_of_reach([date(2027, 7, 6)], datetime(2027, 3, 1, tzinfo=UTC))
    'the trip starts in 127 days, forecasts reach 16'
    """
    today = now.astimezone(UTC).date()
    if dates[-1] < today - timedelta(days=1):
        return "the trip is over"
    if dates[0] > today + timedelta(days=REACH_DAYS):
        return f"the trip starts in {(dates[0] - today).days} days, forecasts reach {REACH_DAYS}"
    return ""


def _ask(
    points: Sequence[Point], dates: Sequence[date], *, client: "Client", services: Sequence[ForecastService]
) -> tuple[dict[str, tuple[PlaceForecast, ...]], tuple[NoAnswer, ...]]:
    """Ask every service for the places, and the days, that the ones before could not tell."""
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
                why = answer.why if isinstance(answer, NoAnswer) else "does not reach the days of the trip"
                reasons.setdefault(point.place, []).append(f"{service.name} {why}")
    missing = tuple(
        NoAnswer(place=p.place, why="; ".join(reasons.get(p.place, ["nobody was asked"])))
        for p in points
        if not found[p.place]
    )
    return {place: held for place, held in found.items() if held}, missing


def midnight_s(day: date) -> float:
    """Beginning of a day by the clock of Greenwich."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()


def _within(one: PlaceForecast, dates: Sequence[date]) -> PlaceForecast:
    """Keep the hours round the trip's days alone: a day more either way, for zones and delays."""
    first, last = midnight_s(dates[0]) - 86400.0, midnight_s(dates[-1]) + 3 * 86400.0
    rows = [i for i, at in enumerate(one.epoch_s) if first <= at <= last]
    cut: dict[str, Any] = {name: tuple(getattr(one, name)[i] for i in rows) for name in HOURLY}
    return replace(one, **cut)


def credits_of(
    fetched: Mapping[str, Sequence[PlaceForecast]], services: Sequence[ForecastService] = SERVICES, *, past: bool
) -> tuple[str, ...]:
    """What must be shown where the weather is shown: who it comes from and on what terms."""
    used = {one.source for held in fetched.values() for one in held} | ({OpenMeteo().key} if past else set())
    return tuple(f"{service.attribution} {service.terms}" for service in services if service.key in used)
