"""Expected air and sun along the road, from highs and lows of places, with their uncertainty.

Hours are solar time, not local clock time.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from planner.model.clock import sun_at
from planner.model.errors import PlannerError
from thermal.ranges import FloatArray as Floats

# --- the day's curve ---

# Parton and Logan, Agricultural Meteorology 23 (1981) 205-216, air at 1.5 m (secondary source: published codes).
PEAK_DELAY_H = 1.86
"""Time from solar noon to the day's high, less the lag. [h]"""
NIGHT_DECAY = 2.20
"""How fast the air cools after sunset: exponent at the end of the night. [-]"""
PLAINS_LAG_H = -0.17
"""Time from sunrise to the day's low on open plains, a negative lag being before sunrise. [h]"""
VALLEY_LAG_H = 1.0
"""The same among mountains. Fitted to one station year at Mount Shasta, California; likely range 0.5 to 1.5. [h]"""

# ASSUMED: where mountains begin, as a ramp so that the forecast has no step along the road; likely range +-200 m each.
_HIGH_FROM_M, _HIGH_FULL_M = 750.0, 1050.0
_RELIEF_FROM_M, _RELIEF_FULL_M = 200.0, 500.0

# ASSUMED: polar days and nights are given the curve of the nearest length at which it keeps its shape.
_SHORTEST_DAY_H, _LONGEST_DAY_H = 7.0, 22.0


def haurwitz_w_per_m2(elevation_deg: ArrayLike) -> Floats:
    """Sunshine on level ground under a clear sky.

    Altitude is neglected: at 1,600 m a more complete model gives some 8 % more.

    B. Haurwitz, Journal of Meteorology 2 (1945) 154-166 and 3 (1946) 123-124, as given in pvlib.

    >>> haurwitz_w_per_m2([-5.0, 30.0, 90.0])
    array([   0.  ,  487.89, 1035.09])
    """
    cosine = np.sin(np.radians(np.asarray(elevation_deg, dtype=np.float64)))
    up = np.maximum(cosine, 1e-4)
    return np.asarray(np.where(cosine > 0.0, 1098.0 * up * np.exp(-0.059 / up), 0.0))


def day_length_h(*, lat_deg: ArrayLike, declination_deg: ArrayLike) -> Floats:
    """Time the sun's centre is above a flat horizon, without refraction.

    cos H = -tan(lat) tan(declination), the convention the curve's constants were fitted with.

    >>> float(day_length_h(lat_deg=40.0, declination_deg=21.517))
    14.576
    """
    lat = np.radians(np.asarray(lat_deg, dtype=np.float64))
    cosine = -np.tan(lat) * np.tan(np.radians(np.asarray(declination_deg, dtype=np.float64)))
    return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)) * (24.0 / np.pi))


def within_day(*, solar_h: ArrayLike, day_h: ArrayLike, lag_h: ArrayLike, closed: bool = True) -> Floats:
    """Position of the air temperature between the day's low (0) and high (1).

    By day a sine that is 0 at sunrise + lag and 1 at noon + 1.86 h + lag; after sunset an exponential. As printed, that
    is still 11 % of its drop above the low when the next day begins, a jump of a kelvin. So the night is rescaled to
    reach the low exactly, (e^-bx - e^-b)/(1 - e^-b) with x the elapsed share of the night, as in J. Goudriaan and H. H.
    van Laar, Modelling Potential Crop Growth Processes, 1994 (from memory). The hours before dawn follow the same day's
    curve, as if the previous sunset were as warm as the coming one.

    W. J. Parton and J. A. Logan, Agricultural Meteorology 23 (1981) 205-216 (equations from published codes).

    >>> within_day(solar_h=[4.54, 13.69], day_h=14.58, lag_h=-0.17)
    array([0., 1.])
    """
    hour, lag = np.asarray(solar_h, dtype=np.float64), np.asarray(lag_h, dtype=np.float64)
    day = np.clip(np.asarray(day_h, dtype=np.float64), _SHORTEST_DAY_H, _LONGEST_DAY_H)
    since_low = (hour - (12.0 - day / 2.0) - lag) % 24.0
    light = day - lag
    half_wave = np.pi / (day + 2.0 * PEAK_DELAY_H)
    gone = (since_low - light) / (24.0 - light)
    drop = np.exp(-NIGHT_DECAY * np.maximum(gone, 0.0))
    if closed:
        end = np.exp(-NIGHT_DECAY)
        drop = (drop - end) / (1.0 - end)
    by_night = np.sin(light * half_wave) * drop
    return np.asarray(np.where(gone <= 0.0, np.sin(since_low * half_wave), by_night))


def mountain_lag_h(*, elevation_m: ArrayLike, relief_m: ArrayLike) -> Floats:
    """Lag of the daily low behind sunrise, estimated from the road's elevation and relief.

    ASSUMED: a road about 900 m up (ramp 750 to 1,050) with about 350 m of relief nearby (ramp 200 to 500) runs among
    mountains, whose shade and cold pools delay the morning. High plains have the height without the relief, coastal
    hills the relief without the height; both stay with the plains' value. Evidence: three station years only.

    >>> mountain_lag_h(elevation_m=[200.0, 1600.0, 1600.0], relief_m=[600.0, 60.0, 900.0])
    array([-0.17, -0.17,  1.  ])
    """
    high = (np.asarray(elevation_m, dtype=np.float64) - _HIGH_FROM_M) / (_HIGH_FULL_M - _HIGH_FROM_M)
    rough = (np.asarray(relief_m, dtype=np.float64) - _RELIEF_FROM_M) / (_RELIEF_FULL_M - _RELIEF_FROM_M)
    share = np.clip(high, 0.0, 1.0) * np.clip(rough, 0.0, 1.0)
    return np.asarray(PLAINS_LAG_H + (VALLEY_LAG_H - PLAINS_LAG_H) * share)


def air_k(
    *,
    epoch_s: ArrayLike,
    lat_deg: ArrayLike,
    lon_deg: ArrayLike,
    low_k: ArrayLike,
    high_k: ArrayLike,
    lag_h: ArrayLike = PLAINS_LAG_H,
) -> Floats:
    """Air temperature at an instant from the day's low and high.

    Curve of `within_day` on true solar time. Against the July hours of three US typical years the error is 1.6 to 1.9 K
    RMS, with single hours 6 to 8 K off; in winter, when fronts rule, it can be worse than the mean.

    >>> afternoon = 1752613200.0  # 2025-07-15 21:00 UTC, 14:00 by the sun at 105 W
    >>> float(air_k(epoch_s=afternoon, lat_deg=40.0, lon_deg=-105.0, low_k=288.15, high_k=305.15))
    305.1
    """
    declination_deg, solar_h = sun_at(lon_deg=lon_deg, epoch_s=epoch_s)
    share = within_day(
        solar_h=solar_h,
        day_h=day_length_h(lat_deg=lat_deg, declination_deg=declination_deg),
        lag_h=lag_h,
    )
    low = np.asarray(low_k, dtype=np.float64)
    return np.asarray(low + (np.asarray(high_k, dtype=np.float64) - low) * share)


# --- highs and lows along the road ---

LAPSE_HIGH_K_PER_M = 0.0065
"""Fall of the daily high with height: U.S. Standard Atmosphere 1976. Likely range 0.005 to 0.008. [K/m]"""
LAPSE_LOW_K_PER_M = 0.0045
"""ASSUMED: fall of the daily low, less as cold air gathers in valleys; common practice, range 0.0025 to 0.006. [K/m]"""

# ASSUMED when no place gives any: a hot summer's day at low elevation; likely range +-10 K.
ASSUMED_HIGH_K, ASSUMED_LOW_K, ASSUMED_ELEVATION_M = 308.15, 293.15, 300.0

DEW_POINT_BELOW_LOW_K = 2.0
"""ASSUMED: July and April means of three US stations lay from 0.1 above the low (humid) to 5.9 below (arid). [K]"""

RELIEF_REACH_M = 25_000.0
"""ASSUMED: distance in both directions of the road used for the relief of the land; likely range 10 to 50 km. [m]"""
_RELIEF_STEP_M = 500.0

SUNLIT_RISE_K, CRAWLING_RISE_K = 3.0, 6.0
"""ASSUMED, common practice, no source found: likely range 1 to 5 moving, to 8 in slow traffic. [K]"""
CRAWL_M_PER_S = 5.0
_FULL_SUN_W_PER_M2 = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """A place on the route whose usual daily high and low are known."""

    distance_m: float
    elevation_m: float
    high_k: float | None
    low_k: float | None


def highs_lows_along(distance_m: ArrayLike, elevation_m: ArrayLike, anchors: Sequence[Anchor]) -> tuple[Floats, Floats]:
    """Daily high and low at points of the road.

    Each anchor is brought to sea level, the values are interpolated along the road (level beyond the outermost), and
    brought to the road's height; of two anchors at one distance the first counts. With no high anywhere 35 degC at
    300 m is assumed; with no low anywhere the highs less the assumed range of 15 K, and the other way round.

    >>> town = Anchor(distance_m=0.0, elevation_m=1000.0, high_k=305.0, low_k=290.0)
    >>> high_k, low_k = highs_lows_along([0.0, 20e3], [1000.0, 2000.0], [town])
    >>> high_k, low_k
    (array([305. , 298.5]), array([290. , 285.5]))
    """
    return sea_level_of(anchors).along(distance_m, elevation_m)


class SeaLevel(NamedTuple):
    """Highs and lows of a day at sea level: distances and values of each."""

    high: tuple[Floats, Floats]
    low: tuple[Floats, Floats]

    def along(self, distance_m: ArrayLike, elevation_m: ArrayLike) -> tuple[Floats, Floats]:
        """High and low at points of the road."""
        at, height = np.asarray(distance_m, dtype=np.float64), np.asarray(elevation_m, dtype=np.float64)
        high_k = np.interp(at, *self.high) - LAPSE_HIGH_K_PER_M * height
        low_k = np.interp(at, *self.low) - LAPSE_LOW_K_PER_M * height
        return high_k, np.minimum(low_k, high_k)


def sea_level_of(anchors: Sequence[Anchor]) -> SeaLevel:
    """Reduce the known values of a day to sea level, as `highs_lows_along` describes."""
    for anchor in anchors:
        _require_anchor(anchor)
    highs = [(a.distance_m, a.elevation_m, a.high_k) for a in anchors if a.high_k is not None]
    lows = [(a.distance_m, a.elevation_m, a.low_k) for a in anchors if a.low_k is not None]
    range_k = ASSUMED_HIGH_K - ASSUMED_LOW_K
    if not highs and not lows:
        highs = [(0.0, ASSUMED_ELEVATION_M, ASSUMED_HIGH_K)]
        lows = [(0.0, ASSUMED_ELEVATION_M, ASSUMED_LOW_K)]
    highs = highs or [(d, z, k + range_k) for d, z, k in lows]
    lows = lows or [(d, z, k - range_k) for d, z, k in highs]
    return SeaLevel(_at_sea_level(highs, LAPSE_HIGH_K_PER_M), _at_sea_level(lows, LAPSE_LOW_K_PER_M))


def _require_anchor(anchor: Anchor) -> None:
    high_k, low_k = anchor.high_k, anchor.low_k
    given = [x for x in (anchor.distance_m, anchor.elevation_m, high_k, low_k) if x is not None]
    if not all(map(math.isfinite, given)):
        message = f"place at {anchor.distance_m} m: {anchor} has a value that is not a number; leave unknown ones empty"
        raise PlannerError(message)
    if high_k is not None and low_k is not None and low_k > high_k:
        message = (
            f"place {anchor.distance_m / 1000.0:.1f} km along: low {low_k - 273.15:.1f} degC is above "
            f"high {high_k - 273.15:.1f} degC; swap them or check their units"
        )
        raise PlannerError(message)


def _at_sea_level(known: Sequence[tuple[float, float, float]], lapse_k_per_m: float) -> tuple[Floats, Floats]:
    at, first = np.unique([d for d, _, _ in known], return_index=True)
    return at, np.array([k + lapse_k_per_m * z for _, z, k in known])[first]


def relief_m(distance_m: ArrayLike, elevation_m: ArrayLike) -> Floats:
    """Difference between the highest and the lowest road within 25 km either way.

    >>> relief_m([0.0, 10e3, 100e3, 200e3], [300.0, 800.0, 800.0, 800.0])
    array([500., 500.,   0.,   0.])
    """
    along, height = np.asarray(distance_m, dtype=np.float64), np.asarray(elevation_m, dtype=np.float64)
    count = int((along[-1] - along[0]) / _RELIEF_STEP_M) + 2
    grid, step_m = np.linspace(along[0], along[-1], count, retstep=True)
    posts = np.interp(grid, along, height)
    reach = min(round(RELIEF_REACH_M / max(float(step_m), 1.0)), count)
    padded, wide = np.pad(posts, reach, mode="edge"), 2 * reach + 1
    relief = _within(np.maximum, padded, wide) - _within(np.minimum, padded, wide)
    return np.asarray(np.interp(along, grid, relief))


def _within(pick: np.ufunc, values: Floats, wide: int) -> Floats:
    """The highest or lowest of every so many neighbours, as `pick` says: of two of them, of four, and so on."""
    had = 1
    while had < wide:
        more = min(had, wide - had)
        values, had = pick(values[:-more], values[more:]), had + more
    return values


def expected_air_k(
    *,
    distance_m: ArrayLike,
    elevation_m: ArrayLike,
    lat_deg: ArrayLike,
    lon_deg: ArrayLike,
    epoch_s: ArrayLike,
    anchors: Sequence[Anchor],
) -> Floats:
    """Air temperature to expect at each point of a timed drive.

    `highs_lows_along`, then the day's curve of `air_k` with the lag of `mountain_lag_h`. So the lapse rate depends on
    the hour: 4.5 K/km at the low, 6.5 K/km at the high, in proportion between.

    >>> town = Anchor(distance_m=0.0, elevation_m=200.0, high_k=305.15, low_k=288.15)
    >>> here = {"distance_m": [0.0, 1.0], "elevation_m": [200.0, 200.0], "lat_deg": 40.0, "lon_deg": -105.0}
    >>> expected_air_k(**here, epoch_s=1752613200.0, anchors=[town])  # 14:00 by the sun
    array([305.1, 305.1])
    """
    high_k, low_k = highs_lows_along(distance_m, elevation_m, anchors)
    lag_h = mountain_lag_h(elevation_m=elevation_m, relief_m=relief_m(distance_m, elevation_m))
    return air_k(epoch_s=epoch_s, lat_deg=lat_deg, lon_deg=lon_deg, low_k=low_k, high_k=high_k, lag_h=lag_h)


def dew_point_k(low_k: ArrayLike) -> Floats:
    """Dew point assumed without humidity data.

    ASSUMED: the low less 2 K. Air cools at night until dew forms, so the two lie close where it is humid; arid places
    in summer are up to 6 K drier.

    >>> float(dew_point_k(290.0))
    288.0
    """
    return np.asarray(np.asarray(low_k, dtype=np.float64) - DEW_POINT_BELOW_LOW_K)


def grille_rise_k(irradiance_w_per_m2: ArrayLike, speed_m_per_s: ArrayLike) -> Floats:
    """How much warmer the air at grille height above sunlit asphalt is than at a weather station.

    ASSUMED, common practice, no source found: 3 K moving (likely 1 to 5) and 6 K standing (to 8) at 1,000 W/m2.

    >>> grille_rise_k([1000.0, 1000.0, 0.0], [25.0, 0.0, 25.0])
    array([3., 6., 0.])
    """
    sun = np.maximum(np.asarray(irradiance_w_per_m2, dtype=np.float64), 0.0) / _FULL_SUN_W_PER_M2
    slow = np.clip(1.0 - np.asarray(speed_m_per_s, dtype=np.float64) / CRAWL_M_PER_S, 0.0, 1.0)
    return np.asarray(sun * (SUNLIT_RISE_K + (CRAWLING_RISE_K - SUNLIT_RISE_K) * slow))


# --- uncertainty of a day ---

# Standard deviation of a day's temperature against its usual value, by month. ASSUMED after daily values at two New
# England stations and three typical-year files: 5.5 K winter and spring, 3.6 K summer, 4.5 K autumn.
TYPICAL_SD_K = (5.5, 5.5, 5.5, 5.5, 5.5, 3.6, 3.6, 3.6, 4.5, 4.5, 4.5, 5.5)
FORECAST_SD_DAY_1_K, FORECAST_SD_DAY_7_K = 1.5, 3.5
"""ASSUMED, common practice, no source found: error of a forecast high one and seven days ahead; likely +-0.5. [K]"""
FORECAST_SD_MOST_K = 6.0
"""ASSUMED: a forecast is never worse than a guess. [K]"""
DATED_SD_K = 3.0
"""ASSUMED: entered for a date, most likely from a forecast of unknown age, some five days ahead; 1.5 to 4. [K]"""
GUESS_SD_K = 6.0
"""ASSUMED: a hot summer's day for a place without data; likely range +-10 K, so 5 to 7. [K]"""


def typical_sd_k(month: int, *, lat_deg: float) -> float:
    """Day-to-day spread about usual highs and lows; south of the equator that of half a year later.

    >>> typical_sd_k(7, lat_deg=40.0), typical_sd_k(1, lat_deg=-33.0)
    (3.6, 3.6)
    """
    return TYPICAL_SD_K[(month - 1 + (0 if lat_deg >= 0.0 else 6)) % 12]


def forecast_sd_k(ahead_s: ArrayLike) -> Floats:
    """Forecast error by lead time.

    >>> forecast_sd_k([0.0, 86400.0, 4 * 86400.0, 7 * 86400.0, 30 * 86400.0])
    array([1.5, 1.5, 2.5, 3.5, 6. ])
    """
    days = np.asarray(ahead_s, dtype=np.float64) / 86400.0
    slope = (FORECAST_SD_DAY_7_K - FORECAST_SD_DAY_1_K) / 6.0
    return np.clip(FORECAST_SD_DAY_1_K + slope * (days - 1.0), FORECAST_SD_DAY_1_K, FORECAST_SD_MOST_K)


def day_sd_k(sd_k: ArrayLike, *, day: ArrayLike, weight: ArrayLike, n_day: int) -> Floats:
    """One standard deviation for each day of a trip.

    >>> day_sd_k([1.5, 1.5, 3.6], day=[0, 0, 1], weight=[60.0, 60.0, 60.0], n_day=2)
    array([1.5, 3.6])
    """
    sd, number = np.asarray(sd_k, dtype=np.float64), np.asarray(day, dtype=np.int64)
    driven = np.asarray(weight, dtype=np.float64)
    idle = np.bincount(number, weights=driven, minlength=n_day)[number] <= 0.0
    driven = np.where(idle, 1.0, driven)
    total = np.bincount(number, weights=driven, minlength=n_day)
    square = np.bincount(number, weights=driven * sd**2, minlength=n_day)
    return np.asarray(np.round(np.sqrt(square / np.maximum(total, 1e-9)), 3))
