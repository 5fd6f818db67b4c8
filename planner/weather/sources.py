"""Choice of the weather source for a place and a day: forecast, entered value, usual value, guess.

`weather_for` reads all weather data of a trip without the network; `weather_along` maps it to a
route, `weather_at` to one place; `sources_used` and `source_sentences` report which source was used where, and how
old it is.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import UTC, date, datetime, timedelta

import numpy as np
from numpy.typing import ArrayLike

from planner.files.rows import DatedWeather, read_weather_file
from planner.model import geo
from planner.model.trip import Leg, Place, Trip
from planner.weather.expected import DATED_SD_K, GUESS_SD_K, Anchor, SeaLevel, sea_level_of, typical_sd_k
from planner.weather.normals import Normals, StationNormals, read_normals
from planner.weather.records import PastYears, PlaceForecast, WeatherSource
from planner.weather.services import credits_of, service_name
from planner.weather.store import load_forecasts, load_past_years
from thermal.ranges import FloatArray as Floats

EPOCH = date(1970, 1, 1)
_DAY_S = 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TripWeather:
    """Weather data of a trip beyond the usual values in places.csv, for any road."""

    dated: tuple[DatedWeather, ...] = ()
    forecasts: Mapping[str, tuple[PlaceForecast, ...]] = field(default_factory=dict)
    normals: StationNormals | None = None  # a table in the trip folder
    past: Mapping[str, PastYears] = field(default_factory=dict)
    stations: StationNormals | None = None  # for places without other data
    # Shift of one day's air from thermometer readings, with its uncertainty.
    read: Mapping[date, tuple[float, float]] = field(default_factory=dict)


NO_WEATHER = TripWeather()


def weather_for(
    trip: Trip,
    *,
    stations: StationNormals | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> TripWeather:
    """Read weather.csv, the trip's table of normals, and what `grademargin weather` fetched earlier."""
    return TripWeather(
        dated=read_weather_file(trip.folder, trip.places),
        forecasts=load_forecasts(trip, progress=progress),
        normals=normals_of(trip),
        past=load_past_years(trip, progress=progress),
        stations=stations,
    )


def normals_of(trip: Trip) -> Normals | None:
    """Read the table of station normals that a trip names, if any."""
    return read_normals(trip.folder / trip.normals, root=trip.folder) if trip.normals else None


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutePlace(Place):
    """A passing of a place; one passed twice occurs twice."""

    distance_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HighLow:
    """High and low used at a place on a day, without forecasts, and their uncertainty."""

    place: RoutePlace
    anchor: Anchor
    source: WeatherSource
    sd_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteWeather:
    """Weather data along one route."""

    places: tuple[RoutePlace, ...]
    month: int
    dated: Mapping[tuple[str, date], DatedWeather]
    forecasts: Mapping[str, tuple[PlaceForecast, ...]]
    normals: StationNormals | None
    past: Mapping[str, PastYears]
    stations: StationNormals | None
    read: Mapping[date, tuple[float, float]] = field(default_factory=dict)
    _by_day: dict[date, tuple[HighLow, ...]] = field(default_factory=dict, compare=False, repr=False)
    _levels: dict[date, tuple[SeaLevel, Floats, Floats]] = field(default_factory=dict, compare=False, repr=False)

    @property
    def changes_by_day(self) -> bool:
        """Whether the highs and lows, without forecasts, depend on the date."""
        return bool(self.dated or self.normals is not None or self.past or self.stations is not None)


def weather_along(trip: Trip, legs: Sequence[Leg], known: TripWeather = NO_WEATHER) -> RouteWeather:
    """Map the weather data to a route."""
    at = [(0.0, legs[0].start)]
    for leg in legs:
        at.append((at[-1][0] + leg.distance_m, leg.finish))
    return _weather_of(trip, tuple(_route_place(trip.places[key], distance_m) for distance_m, key in at), known)


def weather_at(trip: Trip, key: str, known: TripWeather = NO_WEATHER) -> RouteWeather:
    """Weather of one place, at distance 0; without an entered high and low the nearest place with both is used."""
    here = _route_place(trip.places[key], 0.0)
    both = [p for p in trip.places.values() if p.high_k is not None and p.low_k is not None]
    if here.has_air or not both:
        return _weather_of(trip, (here,), known)
    away_m, near = min(((geo.apart_m(here, p), p) for p in both), key=lambda found: (found[0], found[1].key))
    return _weather_of(trip, (here, _route_place(near, max(away_m, 1.0))), known)


def _weather_of(trip: Trip, places: tuple[RoutePlace, ...], known: TripWeather) -> RouteWeather:
    keys = {place.key for place in places}
    return RouteWeather(
        places=places,
        month=trip.departure.month,
        dated={(row.place, row.date): row for row in known.dated if row.place in keys},
        forecasts={key: found for key, found in known.forecasts.items() if key in keys and found},
        normals=known.normals,
        past={key: one for key, one in known.past.items() if key in keys},
        stations=known.stations,
        read=known.read,
    )


def _route_place(place: Place, distance_m: float) -> RoutePlace:
    return RoutePlace(distance_m=distance_m, **{item.name: getattr(place, item.name) for item in fields(Place)})


# --- highs and lows of a day ---


def dated_on(weather: RouteWeather, key: str, day: date) -> DatedWeather | None:
    """Weather entered for a place on a date, else on the day before or after."""
    if not weather.dated:
        return None
    near = (weather.dated.get((key, day + timedelta(days=off))) for off in (0, -1, 1))
    return next((row for row in near if row is not None), None)


def highs_lows_on(weather: RouteWeather, day: date) -> tuple[HighLow, ...]:
    """Highs and lows on a day without forecast, for every place with data."""
    found = weather._by_day.get(day)
    if found is None:
        best = [_best_at(weather, place, day) for place in weather.places]
        for table, source in ((weather.normals, WeatherSource.NORMALS), (weather.stations, WeatherSource.STATIONS)):
            if table is not None:
                _add_stations(weather, table, source, best, day)
        found = tuple(one for one in best if one is not None)
        weather._by_day[day] = found
    return found


def _add_stations(
    weather: RouteWeather, table: StationNormals, source: WeatherSource, best: list[HighLow | None], day: date
) -> None:
    """Add station values for places without a better source."""
    at = [i for i, held in enumerate(best) if held is None or source < held.source]
    places = [weather.places[i] for i in at]
    where = np.array([[place.lat_deg, place.lon_deg, place.elevation_m] for place in places]).reshape(-1, 3)
    for i, place, one in zip(at, places, table.at(where, day=day) if places else (), strict=True):
        if one is not None:
            sd_k = float(np.hypot(_typical_sd_k(weather, place), one.error_k))
            best[i] = _high_low(place, one.high_k, one.low_k, source, sd_k)


def _best_at(weather: RouteWeather, place: RoutePlace, day: date) -> HighLow | None:
    """Values entered for the day or as usual, else from past years."""
    row = dated_on(weather, place.key, day)
    if row is not None and row.high_k is not None:
        return _high_low(place, row.high_k, row.low_k, WeatherSource.DATED, DATED_SD_K)
    if place.has_air:
        return _high_low(place, place.high_k, place.low_k, WeatherSource.ENTERED, _typical_sd_k(weather, place))
    years = weather.past.get(place.key)
    past = None if years is None else years.on(day)
    if years is None or past is None:
        return None
    return _high_low(place, past[0], past[1], WeatherSource.PAST_YEARS, past[2], years.elevation_m)


def _typical_sd_k(weather: RouteWeather, place: RoutePlace) -> float:
    return typical_sd_k(weather.month, lat_deg=place.lat_deg)


def _high_low(
    place: RoutePlace,
    high_k: float | None,
    low_k: float | None,
    source: WeatherSource,
    sd_k: float,
    elevation_m: float | None = None,
) -> HighLow:
    height_m = place.elevation_m if elevation_m is None else elevation_m
    anchor = Anchor(distance_m=place.distance_m, elevation_m=height_m, high_k=high_k, low_k=low_k)
    return HighLow(place=place, anchor=anchor, source=source, sd_k=sd_k)


def anchors_on(weather: RouteWeather, day: date) -> tuple[Anchor, ...]:
    """Highs and lows of a day at every place with data, forecasts first."""
    held = {one.place.distance_m: one.anchor for one in highs_lows_on(weather, day)}
    found = (_forecast_anchor(weather, place, day) or held.get(place.distance_m) for place in weather.places)
    return tuple(anchor for anchor in found if anchor is not None)


def _forecast_anchor(weather: RouteWeather, place: RoutePlace, day: date) -> Anchor | None:
    midnight_s = (day - EPOCH).days * _DAY_S - 240.0 * place.lon_deg
    hours = midnight_s + np.arange(3.0, 21.5, 0.5) * 3600.0
    for one in weather.forecasts.get(place.key, ()):
        air = one.air_at(hours)
        if np.all(np.isfinite(air)):
            high, low = float(air.max()), float(air.min())
            return Anchor(distance_m=place.distance_m, elevation_m=one.elevation_m, high_k=high, low_k=low)
    return None


def solar_day(lon_deg: Floats, epoch_s: Floats) -> Floats:
    """Days since 1970 by mean solar time, with the time of day as fraction."""
    return np.asarray((epoch_s + 240.0 * lon_deg) / _DAY_S)


def into_next_day(days: Floats) -> tuple[Floats, Floats]:
    """The day whose high and low apply at a time, and the weight of the next day's.

    >>> into_next_day(np.array([10.0, 10.5, 10.75, 11.0, 11.25]))
    (array([ 9., 10., 10., 10., 11.]), array([0.5, 0. , 0. , 0.5, 0. ]))
    """
    since_six = days - 0.25
    day = np.floor(since_six)
    return day, np.clip(2.0 * (since_six - day) - 1.0, 0.0, 1.0)


def highs_lows_at(
    weather: RouteWeather, *, distance_m: Floats, elevation_m: Floats, lon_deg: Floats, epoch_s: Floats
) -> tuple[Floats, Floats, Floats]:
    """Daily high and low with uncertainty at points of the road and times, without forecasts.

    From 06:00 to 18:00 solar time the day's own; overnight a gradual change to the next day's, so that the air does not
    jump at midnight.
    """
    if not weather.changes_by_day:
        return _on_day(weather, EPOCH, distance_m, elevation_m)
    day, to_next = into_next_day(solar_day(lon_deg, epoch_s))
    out = np.zeros((3, len(distance_m)))
    for number in np.unique(day):
        today = day == number
        for on, share in ((number, 1.0 - to_next), (number + 1.0, to_next)):
            rows = np.flatnonzero(today & (share > 0.0))
            if rows.size:
                values = _on_day(weather, EPOCH + timedelta(days=int(on)), distance_m[rows], elevation_m[rows])
                out[:, rows] += share[rows] * np.array(values)
    return out[0], out[1], out[2]


def _on_day(weather: RouteWeather, day: date, distance_m: Floats, elevation_m: Floats) -> tuple[Floats, Floats, Floats]:
    found = weather._levels.get(day)
    if found is None:
        held = highs_lows_on(weather, day)
        at, sd = [one.anchor.distance_m for one in held] or [0.0], [one.sd_k for one in held] or [GUESS_SD_K]
        found = sea_level_of([one.anchor for one in held]), np.array(at), np.array(sd)
        weather._levels[day] = found
    level, at_m, sd_k = found
    return *level.along(distance_m, elevation_m), np.interp(distance_m, at_m, sd_k)


# --- reporting the sources used ---

_NAMES_SHOWN = 4
_WHAT = {
    WeatherSource.DATED: "entered by date in weather.csv",
    WeatherSource.ENTERED: "usual highs and lows from places.csv",
    WeatherSource.GUESS: "35 degC / 20 degC at 300 m elevation, a guess",
}
BETWEEN = "interpolated from the nearest places with values"


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceUse:
    """The source used at a place when the car is there."""

    day: int
    place: RoutePlace
    source: WeatherSource | None
    forecast: PlaceForecast | None


def sources_used(
    weather: RouteWeather, *, distance_m: ArrayLike, lon_deg: ArrayLike, epoch_s: ArrayLike, day: ArrayLike
) -> tuple[SourceUse, ...]:
    """Sources used at every place the drive passes, on the day it does."""
    along, lon, epoch = (np.asarray(x, dtype=np.float64) for x in (distance_m, lon_deg, epoch_s))
    number = np.asarray(day, dtype=np.int64)
    found = []
    for one in np.unique(number):
        rows = np.flatnonzero(number == one)
        first, last = along[max(rows[0] - 1, 0)] if one else 0.0, along[rows[-1]]
        for place in weather.places:
            if first - 1.0 <= place.distance_m <= last + 1.0:
                at = rows[np.argmin(np.abs(along[rows] - place.distance_m))]
                found.append(_used(weather, place, int(one), float(lon[at]), float(epoch[at])))
    return tuple(found)


def _used(weather: RouteWeather, place: RoutePlace, day: int, lon_deg: float, epoch_s: float) -> SourceUse:
    for one in weather.forecasts.get(place.key, ()):
        if np.isfinite(one.air_at(epoch_s)):
            return SourceUse(day=day, place=place, source=WeatherSource.FORECAST, forecast=one)
    number = int(np.floor(solar_day(np.asarray(lon_deg), np.asarray(epoch_s))))
    held = highs_lows_on(weather, EPOCH + timedelta(days=number))
    source = next((one.source for one in held if one.place is place), None) if held else WeatherSource.GUESS
    return SourceUse(day=day, place=place, source=source, forecast=None)


def source_sentences(used: Sequence[SourceUse], weather: RouteWeather) -> tuple[str, ...]:
    """Report which source was used on which days and places, and when a forecast was made."""
    groups: dict[tuple[int, str], list[SourceUse]] = {}
    for one in used:
        order = len(WeatherSource) if one.source is None else int(one.source)
        groups.setdefault((order, "" if one.forecast is None else one.forecast.source), []).append(one)
    told = [_sentence(groups[key], weather) for key in sorted(groups)]
    forecasts = {one.place.key: (one.forecast,) for one in used if one.forecast is not None}
    past = any(one.source is WeatherSource.PAST_YEARS for one in used)
    return (*told, *credits_of(forecasts, past=past))


def _sentence(group: Sequence[SourceUse], weather: RouteWeather) -> str:
    names = list(dict.fromkeys(one.place.name for one in group))
    shown = f"at {', '.join(names)}" if len(names) <= _NAMES_SHOWN else f"at {len(names)} places"
    return f"Weather of {_days(sorted({one.day for one in group}))} {shown}: {_what(group, weather)}."


def _what(group: Sequence[SourceUse], weather: RouteWeather) -> str:
    kind = group[0].source
    if kind is None:
        return BETWEEN
    for table, source in ((weather.normals, WeatherSource.NORMALS), (weather.stations, WeatherSource.STATIONS)):
        if kind is source and table is not None:
            return table.words
    if kind is WeatherSource.PAST_YEARS:
        first, last = weather.past[group[0].place.key].years
        return f"means of the years {first} to {last} from Open-Meteo's archive"
    if kind is not WeatherSource.FORECAST:
        return _WHAT[kind]
    held = [one.forecast for one in group if one.forecast is not None]
    oldest = min(one.fetched_s for one in held), min(one.made_s for one in held)
    fetched, made = (f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d %H:%M} UTC" for at_s in oldest)
    return f"forecast of {service_name(held[0].source)}, fetched {fetched}, issued {made}"


def _days(days: Sequence[int]) -> str:
    """Write day numbers as ranges.

    >>> _days([0, 1, 2, 4])
    'days 1 to 3, 5'
    """
    runs: list[list[int]] = []
    for day in days:
        if runs and day == runs[-1][-1] + 1:
            runs[-1].append(day)
        else:
            runs.append([day])
    texts = [f"{run[0] + 1}" if len(run) == 1 else f"{run[0] + 1} to {run[-1] + 1}" for run in runs]
    return f"{'day' if len(days) == 1 else 'days'} {', '.join(texts)}"


def age(seconds: float) -> str:
    """Format an age; negative ages count as zero.

    >>> age(-5.0), age(1800.0), age(7200.0), age(4 * 86400.0)
    ('0 min', '30 min', '2 h', '4 days')
    """
    minutes = max(seconds, 0.0) / 60.0
    if minutes < 90.0:
        return f"{minutes:.0f} min"
    return f"{minutes / 60.0:.0f} h" if minutes < 72 * 60.0 else f"{minutes / 1440.0:.0f} days"
