"""Weather records, plausibility checks, and parsing of replies."""

import math
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import IntEnum
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from planner.model import geo
from planner.model.errors import PlannerError
from planner.model.trip import Place
from planner.weather.expected import LAPSE_HIGH_K_PER_M
from thermal.errors import shown
from thermal.ranges import FloatArray as Floats

Lot = TypeVar("Lot")
Found = TypeVar("Found")
MAX_GAP_S = 3 * 3600.0
"""Longest time between two values that may be interpolated across. [s]"""
FRESH_FETCH_S, FRESH_ISSUE_S = 6 * 3600.0, 24 * 3600.0
"""ASSUMED: a forecast is fresh when fetched within 6 h and made within 24 h; services renew them every 1 to 6 h. [s]"""
NEAR_DAYS = 7
"""Days on either side from which past years' values of a day are computed. [day]"""
MOST_HOURS = 1000
"""Most hours of one place: 16 days have 384. [-]"""
ELEVATION_M = (-500.0, 9000.0)
"""Lowest and highest ground, with a reserve. [m]"""
AIR_K = (180.0, 335.0)
"""Coldest and warmest air ever measured near the ground, -89.2 and 56.7 degC (World Meteorological Organization's
archive of extremes), with a reserve. [K]"""
MOVED_M = 5_000.0
"""ASSUMED: a place moved further than this needs a forecast of its own; grids of services are 2 to 11 km wide. [m]"""
GRID_OFF_M = 50_000.0
"""ASSUMED: the centre of a place's cell is nearer than this; global models have 25 km. [m]"""
GROUND_OFF_M = 1_000.0
"""ASSUMED: largest difference of a cell's ground and a road in it, in steep mountains too; 500 to 1,500 m. [m]"""
_MOST_SD_K = 40.0  # of fifteen days; far above that of any climate
_INSTANT_S = (0.0, 4102444800.0)  # 1970 to 2100
# Possible values; wind: 113 m/s is the highest gust measured (the same archive), hourly means are lower.
_POSSIBLE: Mapping[str, tuple[str, str, float, float]] = {
    "epoch_s": ("a time", "s since 1970", *_INSTANT_S),
    "air_k": ("an air temperature", "K", *AIR_K),
    "dew_k": ("a dew point", "K", 150.0, AIR_K[1]),
    "wind_m_per_s": ("a wind", "m/s", 0.0, 120.0),
    "wind_from_deg": ("a wind direction", "degrees", 0.0, 360.0),
}


class WeatherSource(IntEnum):
    """Sources of a temperature, best first."""

    FORECAST = 0
    DATED = 1  # entered for a date
    ENTERED = 2  # entered as usual
    NORMALS = 3  # a table of stations in the trip folder
    PAST_YEARS = 4
    STATIONS = 5  # stations that come with the program
    GUESS = 6


HOURLY = tuple(_POSSIBLE)
"""Hourly series of a forecast."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A place to query, or one whose weather is known; then the elevation is that of the ground it is for."""

    place: str
    lat_deg: float
    lon_deg: float
    elevation_m: float

    @property
    def fault(self) -> str:
        """What is impossible in it; empty if nothing is."""
        if not _is_on_earth(self.lat_deg, self.lon_deg):
            return "sent an impossible position"
        fits = ELEVATION_M[0] <= self.elevation_m <= ELEVATION_M[1]
        return "" if fits else f"sent an impossible elevation, {self.elevation_m:.6g} m"


def point_at(place: Place) -> Point:
    """The query point of a place."""
    return Point(place=place.key, lat_deg=place.lat_deg, lon_deg=place.lon_deg, elevation_m=place.elevation_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoAnswer:
    """A place without an answer, and the reason, as the rest of a sentence."""

    place: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceForecast(Point):
    """The forecast of one place, hour by hour; NaN where the service left a value out."""

    source: str
    fetched_s: float
    issued_s: float | None
    epoch_s: tuple[float, ...]
    air_k: tuple[float, ...]
    dew_k: tuple[float, ...]
    wind_m_per_s: tuple[float, ...]
    wind_from_deg: tuple[float, ...]

    @property
    def made_s(self) -> float:
        """Time of issue, else the time of fetching. [s since 1970 UTC]."""
        return self.fetched_s if self.issued_s is None else min(self.issued_s, self.fetched_s)

    def is_fresh(self, now_s: float) -> bool:
        """Whether it is recent enough."""
        return now_s - self.fetched_s <= FRESH_FETCH_S and now_s - self.made_s <= FRESH_ISSUE_S

    def air_at(self, epoch_s: ArrayLike) -> Floats:
        """Air temperature at instants, NaN outside the forecast. [K]."""
        return between(epoch_s, self.epoch_s, self.air_k)

    def dew_at(self, epoch_s: ArrayLike) -> Floats:
        """Dew point at instants, NaN where unknown. [K]."""
        return between(epoch_s, self.epoch_s, self.dew_k)

    def wind_at(self, epoch_s: ArrayLike) -> tuple[Floats, Floats]:
        """Wind towards the east and towards the north at instants, NaN where unknown. [m/s]."""
        east, north = wind_parts(self.wind_m_per_s, self.wind_from_deg)
        return between(epoch_s, self.epoch_s, east), between(epoch_s, self.epoch_s, north)


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecasts:
    """Everything fetched for a trip: forecasts of every place, preferred first, and places without any."""

    by_place: Mapping[str, tuple[PlaceForecast, ...]]
    missing: tuple[NoAnswer, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PastYears(Point):
    """Usual highs and lows of one place on the days of the trip, each from a 15-day window in past years."""

    days: tuple[date, ...]
    high_k: tuple[float, ...]
    low_k: tuple[float, ...]
    sd_k: tuple[float, ...]
    years: tuple[int, int]
    fetched_s: float

    def on(self, day: date) -> tuple[float, float, float] | None:
        """High, low and spread of a day; of the nearest one within a week. [K]."""
        near = min(range(len(self.days)), key=lambda i: abs((self.days[i] - day).days))
        if abs((self.days[near] - day).days) > NEAR_DAYS:
            return None
        return self.high_k[near], self.low_k[near], self.sd_k[near]


def implausible(one: PlaceForecast) -> str:
    """Return what is impossible in a forecast, from any source."""
    if one.fault:
        return one.fault
    count = len(one.epoch_s)
    if not 0 < count <= MOST_HOURS:
        return f"sent {count} hours; allowed is 1 to {MOST_HOURS}"
    columns = {name: np.asarray(getattr(one, name), dtype=np.float64) for name in _POSSIBLE}
    if any(len(column) != count for column in columns.values()):
        return "sent series of different lengths"
    for name, column in columns.items():
        what, unit, low, high = _POSSIBLE[name]
        known = column if name in ("epoch_s", "air_k") else column[~np.isnan(column)]  # the other three are optional
        wrong = known[~((known >= low) & (known <= high))]
        if wrong.size:
            return f"sent {what} of {wrong[0]:.6g} {unit}; allowed is {low:.6g} to {high:.6g}"
    if np.any(np.diff(columns["epoch_s"]) <= 0.0):
        return "sent hours out of order, or an hour twice"
    made = (one.fetched_s, one.fetched_s if one.issued_s is None else one.issued_s)
    return "" if all(_INSTANT_S[0] <= at <= _INSTANT_S[1] for at in made) else "sent an impossible time of issue"


def implausible_past_years(one: PastYears) -> str:
    """Return what is impossible in past years, from any source."""
    if one.fault:
        return one.fault
    count = len(one.days)
    if not 0 < count == len(set(one.days)) == len(one.high_k) == len(one.low_k) == len(one.sd_k):
        return "sent no days, a day twice, or series of different lengths"
    for high, low, sd in zip(one.high_k, one.low_k, one.sd_k, strict=True):
        if not (AIR_K[0] <= low <= high <= AIR_K[1] and 0.0 <= sd <= _MOST_SD_K):
            return f"sent an impossible high of {high:.6g} K, low of {low:.6g} K or spread of {sd:.6g} K"
    known = _INSTANT_S[0] <= one.fetched_s <= _INSTANT_S[1] and 1900 <= one.years[0] <= one.years[1] <= 2200
    return "" if known else "sent impossible years"


def _is_on_earth(lat_deg: float, lon_deg: float) -> bool:
    return abs(lat_deg) <= 90.0 and abs(lon_deg) <= 180.0


def misplaced(one: PlaceForecast | PastYears, point: Point) -> str:
    """Return why weather does not belong to a place: other position, or very different ground elevation."""
    away_m = geo.apart_m(one, point)
    if not away_m <= MOVED_M:
        return f"is for a point {away_m / 1e3:.0f} km away; the place has moved since"
    higher_m = one.elevation_m - point.elevation_m
    if not abs(higher_m) <= GROUND_OFF_M:
        return (
            f"is for ground at {one.elevation_m:.0f} m, the place at {point.elevation_m:.0f} m; more than "
            f"{GROUND_OFF_M:.0f} m apart, one of the two is wrong"
        )
    hottest_k = max(one.air_k if isinstance(one, PlaceForecast) else one.high_k) + LAPSE_HIGH_K_PER_M * higher_m
    return "" if hottest_k <= AIR_K[1] else f"implies air at {hottest_k - 273.15:.0f} degC at the place's elevation"


def require_near(lat_deg: float, lon_deg: float, point: Point) -> None:
    """Refuse a reply whose own coordinates, if any, are far from the queried point."""
    if math.isnan(lat_deg) and math.isnan(lon_deg):
        return
    if not _is_on_earth(lat_deg, lon_deg):
        message = f"sent values for {lat_deg:.6g}, {lon_deg:.6g}, which is not a position"
        raise BadReply(message)
    away_m = geo.distance_m(lat1_deg=lat_deg, lon1_deg=lon_deg, lat2_deg=point.lat_deg, lon2_deg=point.lon_deg)
    if away_m > GRID_OFF_M:
        message = f"sent values for a point {away_m / 1e3:.0f} km away"
        raise BadReply(message)


def wind_parts(wind_m_per_s: ArrayLike, wind_from_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Parts of a wind towards the east and the north.

    >>> east, north = wind_parts([10.0, 5.0], [270.0, 0.0])  # a west wind blows east, a north wind south
    >>> east.round(6) + 0.0, north.round(6) + 0.0
    (array([10., 0.]), array([ 0., -5.]))
    """
    speed, angle = np.asarray(wind_m_per_s, dtype=np.float64), np.radians(np.asarray(wind_from_deg, dtype=np.float64))
    return np.asarray(-speed * np.sin(angle)), np.asarray(-speed * np.cos(angle))


def between(at_s: ArrayLike, epoch_s: ArrayLike, values: ArrayLike) -> Floats:
    """Interpolate a series in time, never across more than three hours and never beyond its ends.

    >>> between([0.0, 1800.0, 9000.0, 40000.0], [0.0, 3600.0, 36000.0], [10.0, 12.0, 20.0])
    array([10., 11., nan, nan])
    """
    at, held = np.asarray(at_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
    known = np.isfinite(held)
    times, held = np.asarray(epoch_s, dtype=np.float64)[known], held[known]
    if not times.size:
        return np.full_like(at, np.nan)
    after = np.clip(np.searchsorted(times, at, side="left"), 0, times.size - 1)
    before = np.clip(np.searchsorted(times, at, side="right") - 1, 0, times.size - 1)
    sound = (at >= times[0]) & (at <= times[-1]) & (times[after] - times[before] <= MAX_GAP_S)
    return np.asarray(np.where(sound, np.interp(at, times, held), np.nan))


# --- services, and reading their replies ---


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastService:
    """A service that forecasts the weather of places."""

    url: str
    key: str  # in files
    name: str
    attribution: str  # to be shown with its data
    terms: str  # of use, and changes made

    def fetch(self, points: Sequence[Point], *, client: Any) -> tuple[PlaceForecast | NoAnswer, ...]:
        """Forecasts of all points by a `Client`, in order; `NoAnswer` if there is none, never an exception."""
        raise NotImplementedError


class ServiceError(PlannerError):
    """A service request failed."""


class Unreachable(ServiceError):
    """No valid response: no network, timeout, interrupted, or not JSON."""


class NeverFetched(ServiceError):
    """Offline, and not in the cache."""


class Refused(ServiceError):
    """The service returned an error."""

    def __init__(self, status: int, kind: str, text: str) -> None:
        self.status, self.kind = status, kind
        super().__init__(text)


class BadReply(ServiceError):
    """The reply is JSON of an unexpected format."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A parsed response, its fetch time, whether it is from the cache, and whether it is stale."""

    data: Any
    fetched_s: float
    stale: bool
    cached: bool = False


def plain(degrees: float, digits: int) -> str:
    """Write a coordinate in the service's canonical form: rounded, no trailing zeros.

    >>> plain(39.70004, 4), plain(-105.0, 4), plain(-0.00001, 4)
    ('39.7', '-105', '0')
    """
    text = f"{degrees:.{digits}f}".rstrip("0").rstrip(".") if digits else f"{degrees:.0f}"
    return "0" if text == "-0" else text


def number_of(value: Any, name: str) -> float:
    """Read a number of a reply.

    >>> number_of(3, "wind"), number_of(None, "wind")
    (3.0, nan)
    """
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < 1e12:
        message = f"sent {name} as {brief(value)}, not a valid number"
        raise BadReply(message)
    return float(value)


def in_turn(
    lots: Iterable[Lot], ask: Callable[[Lot], Found], *, give_up_after: int = sys.maxsize
) -> Iterator[tuple[Lot, Found | str]]:
    """Query lot after lot: the reply to each, or why there is none; stop after some failures to respond in a row."""
    silent, why = 0, ""
    for lot in lots:
        if silent >= give_up_after:
            yield lot, f"not asked: it {why}"
            continue
        try:
            found: Found | str = ask(lot)
            silent = 0
        except ServiceError as exc:
            found = why = str(exc)
            silent = silent + 1 if isinstance(exc, Unreachable) else 0
        yield lot, found


def forecast_at(point: Point, hours: Mapping[str, Sequence[float]], **made: Any) -> PlaceForecast:
    """A plausible forecast of a point from its hourly series, without hours that lack a temperature; or `BadReply`."""
    kept = [i for i, air_k in enumerate(hours["air_k"]) if not math.isnan(air_k)]
    if not kept:
        message = "sent no temperatures for this place"
        raise BadReply(message)
    series: dict[str, Any] = {name: tuple(values[i] for i in kept) for name, values in hours.items()}
    one = PlaceForecast(place=point.place, lat_deg=point.lat_deg, lon_deg=point.lon_deg, **series, **made)
    why = implausible(one) or misplaced(one, point)
    if why:
        message = f"{why}; its reply is not used"
        raise BadReply(message)
    return one


def brief(value: Any) -> str:
    """Quote part of a reply; a nested one by its kind alone."""
    return shown(value) if isinstance(value, (str, int, float)) or value is None else f"a {type(value).__name__}"


def text_of(value: Any, name: str) -> str:
    """Read a text of a reply."""
    if not isinstance(value, str):
        message = f"sent {name} as {brief(value)}, not text"
        raise BadReply(message)
    return value


def part_of(data: Any, key: str) -> dict[str, Any]:
    """Read an object inside a reply."""
    held = data.get(key) if isinstance(data, dict) else None
    if not isinstance(held, dict):
        message = f"sent a reply without {key!r}; its format may have changed"
        raise BadReply(message)
    return held
