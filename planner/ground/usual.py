"""Usual highs and lows from the shipped station normals, with their errors."""

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.ground.packed import Unpacker, damaged
from planner.ground.terrain import sea_km
from planner.ground.towns import apart_km
from planner.model.paths import data_folder

Floats = NDArray[np.float64]

PERIOD = "1981-2010"
BELIEVED_SD_K = 3.5
"""ASSUMED: a usual high that is further out than this is not to be planned on; likely range 3 to 5."""
FARTHEST_KM = 400.0
NEIGHBOURS = 10
_NEAR_KM = 10.0  # bounds the weight of a station at the point
_ALIKE_M = 400.0  # difference of height at which a station's weight has fallen to 1/e
_COAST_KM = 40.0  # distance inland at which the effect of the sea has fallen to 1/e
# Fall of monthly mean highs and lows with height, K/km in January and July, a cosine between. Chosen for the least
# error at some 6,000 US stations predicted from 1,000; 6.5 the year round is as good for July highs, worse for lows.
_LAPSE_HIGH, _LAPSE_LOW = (4.0, 7.0), (2.5, 4.5)
# Errors of the shipped stations, each predicted from the others and from those beyond 50, 100 and 200 km: parts of the
# variance fitted to the squares [K]: constant; a 100 km; a 1000 m of height; a unit of difference in log distance to
# the sea; at the sea in winter, and more in summer; a kelvin of disagreement between the stations.
_SD_HIGH = (0.6, 0.4, 3.0, 2.1, 1.2, 1.6, 0.5)
_SD_LOW = (1.3, 0.4, 4.0, 1.7, 0.8, 0.0, 0.4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """Usual high and low of a place, their standard errors, and the station with the largest weight."""

    high_k: float
    low_k: float
    high_sd_k: float
    low_sd_k: float
    station: str
    station_km: float
    coast: bool

    @property
    def believed(self) -> bool:
        """Whether the high is reliable enough for planning."""
        return self.high_sd_k <= BELIEVED_SD_K


@dataclass(frozen=True, slots=True, kw_only=True)
class Stations:
    """The shipped stations; arrays over them, the monthly ones shape (n, 12)."""

    number: tuple[str, ...]
    name: tuple[str, ...]
    lat_deg: Floats
    lon_deg: Floats
    elevation_m: Floats
    sea_km: Floats
    high_k: Floats
    low_k: Floats


@functools.cache
def stations() -> Stations:
    """Read the shipped table, once."""
    path = data_folder() / "normals" / "stations.bin"
    packed = Unpacker(path)
    head: dict[str, Any] = packed.head()
    count = head.get("stations")
    if not isinstance(count, int) or count < NEIGHBOURS:
        raise damaged(path, "bad first line")
    lat, lon, height, sea = (packed.summed(count) for _ in range(4))
    high, low = (packed.summed(12 * count).reshape(12, count).T / 10.0 + 273.15 for _ in range(2))
    named = [line.partition("\t") for line in packed.lines(count).text().split("\n")]
    return Stations(
        number=tuple(parts[0] for parts in named),
        name=tuple(parts[2] for parts in named),
        lat_deg=lat / 1e4,
        lon_deg=lon / 1e4,
        elevation_m=height / 10.0,
        sea_km=sea / 10.0,
        high_k=high,
        low_k=low,
    )


def month_of(day: date) -> float:
    """Time of year as a month number that is whole in the middle of each month.

    >>> month_of(date(2027, 7, 16)), month_of(date(2027, 7, 1))
    (7.0, 6.5)
    """
    following = date(day.year + day.month // 12, day.month % 12 + 1, 1)
    length = (following - day.replace(day=1)).days
    return day.month - 0.5 + round((day.day - 1) / length, 1)


def summer_share(month: float, lat_deg: ArrayLike = 45.0) -> Floats:
    """Summer fraction of a time of year: 1 in mid July, 0 in mid January; reversed south of the equator.

    >>> summer_share(7.0, [45.0, -33.9])
    array([1., 0.])
    """
    share = 0.5 - 0.5 * np.cos(2.0 * np.pi * (month - 1.0) / 12.0)
    return np.asarray(np.where(np.asarray(lat_deg) >= 0.0, share, 1.0 - share))


def lapse_k_per_m(month: float, lat_deg: ArrayLike = 45.0) -> tuple[Floats, Floats]:
    """Fall of usual highs and lows with height, by the time of year.

    >>> high, low = lapse_k_per_m(1.0, [40.0, -33.0])
    >>> high * 1e3, low * 1e3
    (array([4., 7.]), array([2.5, 4.5]))
    """
    share = summer_share(month, lat_deg)
    high, low = ((cold + (warm - cold) * share) / 1e3 for cold, warm in (_LAPSE_HIGH, _LAPSE_LOW))
    return high, low


def in_month(monthly: Floats, month: float) -> Floats:
    """Interpolate monthly values along the last axis, December being followed by January."""
    before = int(np.floor(month))
    share = month - before
    return np.asarray((1.0 - share) * monthly[..., (before - 1) % 12] + share * monthly[..., before % 12])


def usual_highs_lows(
    where: Sequence[tuple[float, float, float]], *, day: date, beyond_km: float = 0.0
) -> list[Usual | None]:
    """Usual highs and lows of places from the shipped stations around them; None without one within `FARTHEST_KM`.

    Mean of the 10 nearest stations brought to the place's height, weights
    1 / (d^2 + (10 km)^2) exp(-(dz / 400 m)^2 - dc^2) with dc the difference of log(distance to the sea + 10 km). One
    station in 998 predicted from the others: July highs within 1.3 K (standard deviation), within 60 km of the sea 2.8.
    Stations: NOAA/NCEI US Climate Normals 1981-2010, public domain; data/SOURCES.md.

    >>> (phoenix,) = usual_highs_lows([(33.45, -112.07, 331.0)], day=date(2027, 7, 16))
    >>> round(phoenix.high_k - 273.15), phoenix.believed
    (41, True)
    """
    month = month_of(day)
    return [_usual_at(*place, month=month, beyond_km=beyond_km) for place in where]


@functools.lru_cache(maxsize=4096)
def _around(lat_deg: float, lon_deg: float, beyond_km: float) -> tuple[NDArray[np.intp], Floats, float]:
    """The nearest stations of a point with their distances, and that of the sea, whatever the day. [-, km, km]"""
    table = stations()
    apart = apart_km(lat_deg, lon_deg, table.lat_deg, table.lon_deg)
    if beyond_km > 0.0:
        apart = np.where(apart < beyond_km, np.inf, apart)
    near = np.argpartition(apart, NEIGHBOURS)[:NEIGHBOURS]
    near = near[apart[near] <= FARTHEST_KM]
    return near, apart[near], sea_km(lat_deg, lon_deg) if near.size else 0.0


def _usual_at(lat_deg: float, lon_deg: float, elevation_m: float, *, month: float, beyond_km: float) -> Usual | None:
    table, (near, km, sea) = stations(), _around(lat_deg, lon_deg, beyond_km)
    if not near.size:
        return None
    higher_m = table.elevation_m[near] - elevation_m
    coast = np.log((table.sea_km[near] + 10.0) / (sea + 10.0))
    log_weight = -np.log(km**2 + _NEAR_KM**2) - (higher_m / _ALIKE_M) ** 2 - coast**2
    weight = np.exp(log_weight - log_weight.max())  # keeps all weights from vanishing
    weight /= weight.sum()
    summer = float(summer_share(month, lat_deg))
    unlike = (1.0, weight @ km / 100.0, weight @ np.abs(higher_m) / 1e3, weight @ np.abs(coast))
    by_sea = float(np.exp(-sea / _COAST_KM))
    found = []
    for monthly, lapse, parts in zip(
        (table.high_k, table.low_k), lapse_k_per_m(month, lat_deg), (_SD_HIGH, _SD_LOW), strict=True
    ):
        brought = in_month(monthly[near], month) + lapse * higher_m
        mean = float(weight @ brought)
        scatter = float(np.sqrt(weight @ (brought - mean) ** 2))
        terms = (*unlike, by_sea, by_sea * summer, scatter)
        found.append((mean, float(np.sqrt(sum((part * term) ** 2 for part, term in zip(parts, terms, strict=True))))))
    best = int(np.argmax(weight))
    (high, high_sd), (low, low_sd) = found
    return Usual(
        high_k=max(high, low),
        low_k=low,
        high_sd_k=high_sd,
        low_sd_k=low_sd,
        station=table.name[near[best]],
        station_km=float(km[best]),
        coast=bool(table.sea_km[near[best]] < _COAST_KM),
    )
