"""Weather services behind one small protocol: each place is asked of the first that knows it, then of the next."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Protocol

from planner.model.errors import OutputError
from planner.model.trip import Leg, Trip
from planner.weather.keep import load_kept, save_weather
from planner.weather.nws import NationalWeatherService
from planner.weather.openmeteo import OpenMeteo
from planner.weather.record import Fetched, Missing, Point, Weather, point_at

if TYPE_CHECKING:
    from planner.weather.web import Web

REACH_DAYS = 16
"""No service here forecasts further ahead. [day]"""


class Source(Protocol):
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

    def fetch(
        self, points: Sequence[Point], days: Sequence[date], *, web: "Web", tell: Callable[[str], None]
    ) -> tuple[Fetched | Missing, ...]:
        """Forecasts of all points, in order; `Missing` where there is none. Raises nothing for want of an answer."""


SOURCES: tuple[Source, ...] = (NationalWeatherService(), OpenMeteo())
"""Services in the order they are asked."""


def source_named(key: str, sources: Sequence[Source] = SOURCES) -> Source | None:
    """Service of a short name.

    Parameters
    ----------
    key : str
        As in `Fetched.source`. [-]
    sources : sequence of Source
        Where to look. [-]

    Returns
    -------
    Source or None
        None for one that is no longer known.

    Examples
    --------
    >>> source_named("nws").name
    'US National Weather Service'
    """
    return next((source for source in sources if source.key == key), None)


def points_on(trip: Trip, legs: Sequence[Leg]) -> tuple[Point, ...]:
    """Places of the route to ask the weather of.

    Parameters
    ----------
    trip : Trip
        Its places. [-]
    legs : sequence of Leg
        The route. [-]

    Returns
    -------
    tuple of Point
        Each place once, in order.
    """
    keys = dict.fromkeys([legs[0].start, *(leg.finish for leg in legs)])
    return tuple(point_at(trip.places[key]) for key in keys)


def fetch_weather(
    trip: Trip,
    points: Sequence[Point],
    dates: Sequence[date],
    *,
    web: "Web",
    sources: Sequence[Source] = SOURCES,
    now: datetime,
    tell: Callable[[str], None] = lambda _: None,
) -> Weather:
    """Fetch the forecast of all places, keep it with the trip, and fall back on what was kept.

    Parameters
    ----------
    trip : Trip
        Where to keep it. [-]
    points : sequence of Point
        Places. [-]
    dates : sequence of date
        Days of the trip, rising. [-]
    web : Web
        The network, or offline its cache. [-]
    sources : sequence of Source
        Services in the order they are asked. [-]
    now : datetime
        The present, aware. [-]
    tell : callable
        Receives progress. [-]

    Returns
    -------
    Weather
        Newest forecast of every place; `missing` says why a place has none.
    """
    kept = load_kept(trip, tell=tell)
    notes: list[str] = []
    new: dict[str, tuple[Fetched, ...]] = {}
    reason = out_of_reach(dates, now)
    if reason:
        missing = tuple(Missing(place=p.place, why=reason) for p in points)
        notes.append(f"No forecast asked for: {reason}.")
    else:
        new, missing = _ask(points, dates, web=web, sources=sources, tell=tell)
    old = {} if kept is None else kept.fetched
    held = {p.place: _newest(new.get(p.place, ()), old.get(p.place, ())) for p in points}
    weather = Weather(
        fetched={place: one for place, one in held.items() if one},
        missing=missing,
        dates=tuple(dates),
        notes=tuple(notes),
    )
    if new:
        try:
            save_weather(trip, weather)
        except OutputError as exc:
            tell(str(exc))
            weather = replace(weather, notes=(*weather.notes, str(exc)))
    return weather


def _newest(new: Sequence[Fetched], old: Sequence[Fetched]) -> tuple[Fetched, ...]:
    """Forecasts just fetched, then those of services that did not answer this time."""
    renewed = {one.source: one for one in new}
    better = [o for o in old if o.source in renewed and o.fetched_s > renewed[o.source].fetched_s]
    kept = {one.source: one for one in better}
    rest = [o for o in old if o.source not in renewed]
    return (*(kept.get(one.source, one) for one in new), *rest)


def out_of_reach(dates: Sequence[date], now: datetime) -> str:
    """Say why no forecast can cover the trip.

    Parameters
    ----------
    dates : sequence of date
        Days of the trip, rising. [-]
    now : datetime
        The present, aware. [-]

    Returns
    -------
    str
        Part of a sentence; empty when one can.

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
    points: Sequence[Point],
    dates: Sequence[date],
    *,
    web: "Web",
    sources: Sequence[Source],
    tell: Callable[[str], None],
) -> tuple[dict[str, tuple[Fetched, ...]], tuple[Missing, ...]]:
    """Ask every service for the places, and the days, that the ones before could not tell."""
    found: dict[str, tuple[Fetched, ...]] = {p.place: () for p in points}
    reasons: dict[str, list[str]] = {}
    end_s = midnight_s(dates[-1]) + 86400.0
    for source in sources:
        asked = [p for p in points if not any(one.epoch_s[-1] >= end_s for one in found[p.place])]
        if not asked:
            break
        for point, answer in zip(asked, source.fetch(asked, dates, web=web, tell=tell), strict=True):
            held = _within(answer, dates) if isinstance(answer, Fetched) else None
            if held is not None and held.epoch_s:
                found[point.place] += (held,)
            else:
                why = answer.why if isinstance(answer, Missing) else "does not reach the days of the trip"
                reasons.setdefault(point.place, []).append(f"{source.name} {why}")
    missing = tuple(
        Missing(place=p.place, why="; ".join(reasons.get(p.place, ["nobody was asked"])))
        for p in points
        if not found[p.place]
    )
    return {place: held for place, held in found.items() if held}, missing


def midnight_s(day: date) -> float:
    """Beginning of a day by the clock of Greenwich.

    Parameters
    ----------
    day : date
        The day. [-]

    Returns
    -------
    float
        Seconds since 1970 UTC. [s]
    """
    return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()


def _within(one: Fetched, dates: Sequence[date]) -> Fetched:
    """Keep the hours round the trip's days alone: a day more either way, for zones and delays."""
    first, last = midnight_s(dates[0]) - 86400.0, midnight_s(dates[-1]) + 3 * 86400.0
    rows = [i for i, at in enumerate(one.epoch_s) if first <= at <= last]

    def cut(values: Sequence[float]) -> tuple[float, ...]:
        return tuple(values[i] for i in rows)

    return replace(
        one,
        epoch_s=cut(one.epoch_s),
        air_k=cut(one.air_k),
        dew_k=cut(one.dew_k),
        wind_m_per_s=cut(one.wind_m_per_s),
        wind_from_deg=cut(one.wind_from_deg),
    )


def credits_of(
    fetched: Mapping[str, Sequence[Fetched]], sources: Sequence[Source] = SOURCES, *, past: bool
) -> tuple[str, ...]:
    """What must be shown where the weather is shown: who it comes from and on what terms.

    Parameters
    ----------
    fetched : mapping of str to sequence of Fetched
        Forecasts used, by place. [-]
    sources : sequence of Source
        Known services. [-]
    past : bool
        Whether past years were used as well, which Open-Meteo keeps. [-]

    Returns
    -------
    tuple of str
        One sentence or two for each service used.
    """
    used = {one.source for held in fetched.values() for one in held} | ({OpenMeteo().key} if past else set())
    return tuple(f"{source.attribution} {source.terms}" for source in sources if source.key in used)
