"""How air temperature and sunshine go through the day, by the sun and not by the clock on the wall."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.model.clock import solar_time_h, sun_angles

Floats = NDArray[np.float64]

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

    Parameters
    ----------
    elevation_deg : array_like
        Height of the sun, negative at night; whole numbers are read as floats. [deg]

    Returns
    -------
    ndarray
        Global horizontal irradiance, 0 at night. [W/m2]

    Notes
    -----
    Knows no altitude: at 1,600 m a fuller model gives some 8 % more.

    References
    ----------
    B. Haurwitz, Journal of Meteorology 2 (1945) 154-166 and 3 (1946) 123-124, as given in pvlib.

    Examples
    --------
    >>> haurwitz_w_per_m2([-5.0, 30.0, 90.0])
    array([   0.  ,  487.89, 1035.09])
    """
    cosine = np.sin(np.radians(np.asarray(elevation_deg, dtype=np.float64)))
    up = np.maximum(cosine, 1e-4)
    return np.asarray(np.where(cosine > 0.0, 1098.0 * up * np.exp(-0.059 / up), 0.0))


def day_length_h(*, lat_deg: ArrayLike, declination_deg: ArrayLike) -> Floats:
    """Time the sun's centre is above a flat horizon, without refraction.

    Parameters
    ----------
    lat_deg : array_like
        Latitude, north positive. [deg]
    declination_deg : array_like
        Declination of the sun. [deg]

    Returns
    -------
    ndarray
        Day length: 0 in polar night, 24 in polar day. [h]

    Notes
    -----
    cos H = -tan(lat) tan(declination), the convention the curve's constants were fitted with.

    Examples
    --------
    >>> float(day_length_h(lat_deg=40.0, declination_deg=21.517))
    14.576
    """
    lat = np.radians(np.asarray(lat_deg, dtype=np.float64))
    cosine = -np.tan(lat) * np.tan(np.radians(np.asarray(declination_deg, dtype=np.float64)))
    return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)) * (24.0 / np.pi))


def within_day(*, solar_h: ArrayLike, day_h: ArrayLike, lag_h: ArrayLike, closed: bool = True) -> Floats:
    """Where the air stands between the day's low (0) and high (1).

    Parameters
    ----------
    solar_h : array_like
        True solar time, 0 to 24. [h]
    day_h : array_like
        Day length; held within 7 to 22. [h]
    lag_h : array_like
        Time from sunrise to the low, -0.2 to 1.5. [h]
    closed : bool
        Let the night reach the low at dawn; False gives the curve as printed. [-]

    Returns
    -------
    ndarray
        Share of the daily range above the low. [-]

    Notes
    -----
    By day a sine that is 0 at sunrise + lag and 1 at noon + 1.86 h + lag; after sunset an exponential. As printed, that
    still stands 11 % of its drop above the low when the next day begins, a jump of a kelvin. Remedy: the night is
    rescaled to reach the low exactly, (e^-bx - e^-b)/(1 - e^-b) with x the share of the night gone, as in
    J. Goudriaan and H. H. van Laar, Modelling Potential Crop Growth Processes, 1994 (from memory).
    The hours before dawn follow the same day's curve, the previous sunset being taken as warm as the coming one.

    References
    ----------
    W. J. Parton and J. A. Logan, Agricultural Meteorology 23 (1981) 205-216 (equations from published codes).

    Examples
    --------
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
    """Lag of the daily low behind sunrise, from what the road tells of the land.

    Parameters
    ----------
    elevation_m : array_like
        Elevation of the road. [m]
    relief_m : array_like
        Difference between the highest and lowest road nearby. [m]

    Returns
    -------
    ndarray
        -0.17 on plains, high or low; +1.0 among mountains. [h]

    Notes
    -----
    ASSUMED: a road about 900 m up (ramp 750 to 1,050) with about 350 m of relief nearby (ramp 200 to 500) runs among
    mountains, whose shade and cold pools delay the morning. High plains have the height without the relief, coastal
    hills the relief without the height; both stay with the plains' value. Evidence: three station years only.

    Examples
    --------
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

    Parameters
    ----------
    epoch_s : array_like
        Instants as seconds since 1970-01-01 UTC. [s]
    lat_deg, lon_deg : array_like
        Places, north and east positive. [deg]
    low_k, high_k : array_like
        Lowest and highest temperature of the day at those places. [K]
    lag_h : array_like
        Time from sunrise to the low (`mountain_lag_h`). [h]

    Returns
    -------
    ndarray
        Temperature 1.5 m above ground; the arguments broadcast. Continuous in time, at dawn and midnight too. [K]

    Notes
    -----
    Curve of `within_day` on true solar time. Against the July hours of three US typical years the error is 1.6 to 1.9 K
    RMS, with single hours 6 to 8 K off; in winter, when fronts rule, it can be worse than the mean.

    Examples
    --------
    >>> afternoon = 1752613200.0  # 2025-07-15 21:00 UTC, 14:00 by the sun at 105 W
    >>> float(air_k(epoch_s=afternoon, lat_deg=40.0, lon_deg=-105.0, low_k=288.15, high_k=305.15))
    305.1
    """
    epoch = np.asarray(epoch_s, dtype=np.float64)
    declination_deg, _ = sun_angles(epoch)
    share = within_day(
        solar_h=solar_time_h(lon_deg=lon_deg, epoch_s=epoch),
        day_h=day_length_h(lat_deg=lat_deg, declination_deg=declination_deg),
        lag_h=lag_h,
    )
    low = np.asarray(low_k, dtype=np.float64)
    return np.asarray(low + (np.asarray(high_k, dtype=np.float64) - low) * share)
