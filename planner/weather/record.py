"""What came from a weather service, in the planner's own terms, and what of it cannot be: forecasts and past years."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.model.trip import Place

Floats = NDArray[np.float64]

MAX_GAP_S = 3 * 3600.0
"""Longest time between two values that may be interpolated across. [s]"""
FRESH_FETCH_S, FRESH_ISSUE_S = 6 * 3600.0, 24 * 3600.0
"""ASSUMED: a forecast is fresh when fetched within 6 h and made within 24 h; services renew them every 1 to 6 h. [s]"""
NEAR_DAYS = 7
"""Past years tell of a day from those up to this far on either side. [day]"""
MOST_HOURS = 1000
"""Most hours of one place: 16 days have 384. [-]"""
ELEVATION_M = (-500.0, 9000.0)
"""Lowest and highest ground, with some to spare. [m]"""
AIR_K = (180.0, 335.0)
"""Coldest and warmest air ever measured near the ground, -89.2 and 56.7 degC (World Meteorological Organization's
archive of extremes), with some to spare. [K]"""
_MOST_SD_K = 40.0  # of fifteen days about their mean: far above any climate's
_INSTANT_S = (0.0, 4102444800.0)  # 1970 to 2100
# What a value can be at most; wind: 113 m/s is the highest gust measured (the same archive), hourly means are lower.
_POSSIBLE: Mapping[str, tuple[str, str, float, float]] = {
    "epoch_s": ("a time", "s since 1970", *_INSTANT_S),
    "air_k": ("an air temperature", "K", *AIR_K),
    "dew_k": ("a dew point", "K", 150.0, AIR_K[1]),
    "wind_m_per_s": ("a wind", "m/s", 0.0, 120.0),
    "wind_from_deg": ("a wind direction", "degrees", 0.0, 360.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A place to ask the weather of."""

    place: str
    lat_deg: float
    lon_deg: float
    elevation_m: float


def point_at(place: Place) -> Point:
    """Ask about a place of the trip.

    Parameters
    ----------
    place : Place
        The place. [-]

    Returns
    -------
    Point
        Where it is.
    """
    return Point(place=place.key, lat_deg=place.lat_deg, lon_deg=place.lon_deg, elevation_m=place.elevation_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """A place that no answer came for, and why, as the rest of a sentence."""

    place: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fetched:
    """The forecast of one place, hour by hour; NaN where the service left a value out.

    Attributes
    ----------
    place : str
        Key of the place. [-]
    source : str
        Key of the service. [-]
    elevation_m : float
        Elevation the temperatures are for. [m]
    fetched_s, issued_s : float, float or None
        When the reply came, and when the service says it made the forecast. [s since 1970 UTC]
    epoch_s : tuple of float
        Instants, rising. [s since 1970 UTC]
    air_k, dew_k : tuple of float
        Air temperature and dew point. [K]
    wind_m_per_s, wind_from_deg : tuple of float
        Wind 10 m above ground, and where it blows from, clockwise from north. [m/s, deg]
    """

    place: str
    source: str
    elevation_m: float
    fetched_s: float
    issued_s: float | None
    epoch_s: tuple[float, ...]
    air_k: tuple[float, ...]
    dew_k: tuple[float, ...]
    wind_m_per_s: tuple[float, ...]
    wind_from_deg: tuple[float, ...]

    @property
    def made_s(self) -> float:
        """When the forecast was made: as the service says, else when it was fetched. [s since 1970 UTC]."""
        return self.fetched_s if self.issued_s is None else min(self.issued_s, self.fetched_s)

    def is_fresh(self, now_s: float) -> bool:
        """Whether it is as new as a service can be expected to have."""
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
class Weather:
    """Everything fetched for a trip: forecasts of every place, the one to go by first, and places without any."""

    fetched: Mapping[str, tuple[Fetched, ...]]
    missing: tuple[Missing, ...] = ()
    dates: tuple[date, ...] = ()
    notes: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class PastYears:
    """Usual highs and lows of one place on the days of the trip, each from the 15 days round it in past years.

    Attributes
    ----------
    place : str
        Key of the place. [-]
    elevation_m : float
        Elevation they are for. [m]
    days : tuple of date
        Days of the trip. [-]
    high_k, low_k : tuple of float
        Means. [K]
    sd_k : tuple of float
        Standard deviation of single days' highs. [K]
    years : tuple of int
        First and last year. [-]
    fetched_s : float
        When. [s since 1970 UTC]
    """

    place: str
    elevation_m: float
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


def odd(one: Fetched) -> str:
    """Say what in a forecast cannot be, whoever it came from.

    Parameters
    ----------
    one : Fetched
        As read from a service or a file. [-]

    Returns
    -------
    str
        Rest of a sentence, 'gave ...'; empty when all of it is possible.
    """
    count = len(one.epoch_s)
    if not 0 < count <= MOST_HOURS:
        return f"gave {count} hours; 1 to {MOST_HOURS} are possible"
    columns = {name: np.asarray(getattr(one, name), dtype=np.float64) for name in _POSSIBLE}
    if any(len(column) != count for column in columns.values()):
        return "gave series of different lengths"
    for name, column in columns.items():
        what, unit, low, high = _POSSIBLE[name]
        known = column if name in ("epoch_s", "air_k") else column[~np.isnan(column)]  # the other three may be lacking
        wrong = known[~((known >= low) & (known <= high))]
        if wrong.size:
            return f"gave {what} of {wrong[0]:.6g} {unit}; {low:.6g} to {high:.6g} are possible"
    if np.any(np.diff(columns["epoch_s"]) <= 0.0):
        return "gave hours out of order, or one twice"
    if not ELEVATION_M[0] <= one.elevation_m <= ELEVATION_M[1]:
        return f"gave an elevation of {one.elevation_m:.6g} m"
    made = (one.fetched_s, one.fetched_s if one.issued_s is None else one.issued_s)
    return "" if all(_INSTANT_S[0] <= at <= _INSTANT_S[1] for at in made) else "gave a time of issue that cannot be"


def odd_past_years(one: PastYears) -> str:
    """Say what in past years cannot be, whoever it came from.

    Parameters
    ----------
    one : PastYears
        As made of a service's replies, or read from a file. [-]

    Returns
    -------
    str
        Rest of a sentence, 'gave ...'; empty when all of it is possible.
    """
    count = len(one.days)
    if not 0 < count == len(set(one.days)) == len(one.high_k) == len(one.low_k) == len(one.sd_k):
        return "gave no days, one twice, or series of different lengths"
    for high, low, sd in zip(one.high_k, one.low_k, one.sd_k, strict=True):
        if not (AIR_K[0] <= low <= high <= AIR_K[1] and 0.0 <= sd <= _MOST_SD_K):
            return f"gave a high of {high:.6g} K, a low of {low:.6g} and a spread of {sd:.6g}, which cannot be"
    if not ELEVATION_M[0] <= one.elevation_m <= ELEVATION_M[1]:
        return f"gave an elevation of {one.elevation_m:.6g} m"
    known = _INSTANT_S[0] <= one.fetched_s <= _INSTANT_S[1] and 1900 <= one.years[0] <= one.years[1] <= 2200
    return "" if known else "gave years that cannot be"


def wind_parts(wind_m_per_s: ArrayLike, wind_from_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Parts of a wind towards the east and the north.

    Parameters
    ----------
    wind_m_per_s : array_like
        Speed. [m/s]
    wind_from_deg : array_like
        Where it blows from, clockwise from north. [deg]

    Returns
    -------
    tuple of ndarray
        Eastward and northward speed. [m/s]

    Examples
    --------
    >>> east, north = wind_parts([10.0, 5.0], [270.0, 0.0])  # a west wind blows east, a north wind south
    >>> east.round(6) + 0.0, north.round(6) + 0.0
    (array([10., 0.]), array([ 0., -5.]))
    """
    speed, angle = np.asarray(wind_m_per_s, dtype=np.float64), np.radians(np.asarray(wind_from_deg, dtype=np.float64))
    return np.asarray(-speed * np.sin(angle)), np.asarray(-speed * np.cos(angle))


def between(at_s: ArrayLike, epoch_s: ArrayLike, values: ArrayLike) -> Floats:
    """Interpolate a series in time, never across more than three hours and never beyond its ends.

    Parameters
    ----------
    at_s : array_like
        Instants wanted. [s]
    epoch_s, values : array_like, shape (n,)
        The series, NaN where a value is missing. [s, any]

    Returns
    -------
    ndarray
        NaN where the series cannot tell.

    Examples
    --------
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
