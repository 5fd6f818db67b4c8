"""The air along a timed drive: temperature, dew point, headwind and how sure the temperature is."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.files.rows import DatedWeather
from planner.weather.diurnal import air_k as air_from_day
from planner.weather.diurnal import mountain_lag_h
from planner.weather.expected import (
    LAPSE_HIGH_K_PER_M,
    LAPSE_LOW_K_PER_M,
    dew_point_k,
    relief_m,
)
from planner.weather.outlook import EPOCH, Outlook, Stop, basis_along, dated_on, solar_day
from planner.weather.record import wind_parts
from planner.weather.spread import forecast_sd_k

Floats = NDArray[np.float64]

WIND_AT_CAR = 0.6
"""ASSUMED: wind 1 m above open grass against that at 10 m: ln(1/0.03)/ln(10/0.03) with a roughness of 0.03 m; likely
range 0.5 to 0.7, less among trees and houses. [-]"""
REACH_M = 150_000.0
"""ASSUMED: how far along the road a forecast tells of places without one, fading in proportion; 50 to 300 km. [m]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class AirAlong:
    """The air at every segment of a drive, shape (n,).

    Attributes
    ----------
    air_k, dew_k : ndarray
        Air temperature and dew point, the latter never above the former. [K]
    headwind_m_per_s : ndarray
        At the height of a car, positive from ahead. [m/s]
    sd_k : ndarray
        Standard deviation of the temperature by its source. [K]
    """

    air_k: Floats
    dew_k: Floats
    headwind_m_per_s: Floats
    sd_k: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drive:
    """Where and when, as arrays; `share` is how far the air stands above the day's low on the way to its high."""

    distance_m: Floats
    elevation_m: Floats
    lon_deg: Floats
    epoch_s: Floats
    share: Floats

    def part(self, rows: NDArray[np.int64]) -> "_Drive":
        """Some of the segments."""
        return _Drive(
            distance_m=self.distance_m[rows],
            elevation_m=self.elevation_m[rows],
            lon_deg=self.lon_deg[rows],
            epoch_s=self.epoch_s[rows],
            share=self.share[rows],
        )

    @property
    def lapse_k_per_m(self) -> Floats:
        """Fall of temperature with height at that hour. [K/m]."""
        return LAPSE_LOW_K_PER_M + (LAPSE_HIGH_K_PER_M - LAPSE_LOW_K_PER_M) * self.share


def air_along(
    outlook: Outlook,
    *,
    distance_m: ArrayLike,
    elevation_m: ArrayLike,
    lat_deg: ArrayLike,
    lon_deg: ArrayLike,
    epoch_s: ArrayLike,
    bearing_deg: ArrayLike,
) -> AirAlong:
    """Air along a timed drive, from the best source for every place and instant.

    Parameters
    ----------
    outlook : Outlook
        What is known. [-]
    distance_m, elevation_m : array_like, shape (n,)
        Distance along the route, never falling, and elevation of the road. [m]
    lat_deg, lon_deg : array_like, shape (n,)
        Where that is. [deg]
    epoch_s : array_like, shape (n,)
        When the car is there. [s since 1970 UTC]
    bearing_deg : array_like, shape (n,)
        Where it heads, clockwise from north; NaN where it stands. [deg]

    Returns
    -------
    AirAlong
        With usual highs and lows alone, or nothing at all, exactly what `expected_air_k` gives.

    Notes
    -----
    Highs and lows entered, or known from stations or past years, give a day's curve everywhere. A forecast's hours, at
    the elevation of its grid cell, are brought to the place's with the hour's lapse rate; what they differ by from the
    curve there is carried along the road, in proportion between places, and fades out over 150 km where none follows.
    Dew point and wind are carried likewise. Where nobody says, the dew point is 2 K below the low and the wind nil.
    """
    along, height, lat, lon, epoch = np.broadcast_arrays(
        *(np.asarray(x, dtype=np.float64) for x in (distance_m, elevation_m, lat_deg, lon_deg, epoch_s))
    )
    high, low, sd = basis_along(outlook, distance_m=along, elevation_m=height, lon_deg=lon, epoch_s=epoch)
    lag = mountain_lag_h(elevation_m=height, relief_m=relief_m(along, height))
    place = {"epoch_s": epoch, "lat_deg": lat, "lon_deg": lon, "lag_h": lag}
    air = air_from_day(**place, low_k=low, high_k=high)
    dew = dew_point_k(low)
    wind = np.zeros_like(air)
    if outlook.forecasts or outlook.dated:
        share = air_from_day(**place, low_k=0.0, high_k=1.0)
        drive = _Drive(distance_m=along, elevation_m=height, lon_deg=lon, epoch_s=epoch, share=share)
        air, sd = _with_forecasts(outlook, drive, air, sd)
        dew = dew + _dew_change(outlook, drive)
        wind = _headwind(outlook, drive, np.broadcast_to(np.asarray(bearing_deg, dtype=np.float64), air.shape))
    return AirAlong(air_k=air, dew_k=np.minimum(dew, air), headwind_m_per_s=wind, sd_k=sd)


def _with_forecasts(outlook: Outlook, drive: _Drive, air: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Bring forecasts in: what they differ by from the day's curve, and their own error."""

    def ask(stop: Stop, part: _Drive) -> Floats:
        hours, variance = _forecast_air(outlook, stop, part)
        high, low, _ = _basis_at(outlook, stop, part)
        return np.array([hours - (low + (high - low) * part.share), variance])

    stops = [stop for stop in outlook.stops if stop.key in outlook.forecasts]
    (change, variance), (weight, _) = carried(stops, drive, ask, 2)
    return air + change, np.sqrt(variance + (1.0 - weight) * sd**2) if stops else sd


def _basis_at(outlook: Outlook, stop: Stop, part: _Drive) -> tuple[Floats, Floats, Floats]:
    """High and low gone by at a stop, at the instants of some segments."""
    here = np.ones(len(part.epoch_s))
    return basis_along(
        outlook,
        distance_m=stop.distance_m * here,
        elevation_m=stop.elevation_m * here,
        lon_deg=part.lon_deg,
        epoch_s=part.epoch_s,
    )


def _forecast_air(outlook: Outlook, stop: Stop, part: _Drive) -> tuple[Floats, Floats]:
    """Forecast temperature at a stop's elevation, and the square of its error; NaN where no forecast reaches."""
    air, variance = np.full(len(part.epoch_s), np.nan), np.full(len(part.epoch_s), np.nan)
    for one in outlook.forecasts[stop.key]:
        hours = one.air_at(part.epoch_s) + part.lapse_k_per_m * (one.elevation_m - stop.elevation_m)
        fill = np.isnan(air) & np.isfinite(hours)
        air = np.where(fill, hours, air)
        variance = np.where(fill, forecast_sd_k(part.epoch_s - one.made_s) ** 2, variance)
    return air, variance


def carried(
    stops: Sequence[Stop], drive: _Drive, ask: Callable[[Stop, _Drive], Floats], count: int
) -> tuple[Floats, Floats]:
    """Carry values known at stops along the road.

    Parameters
    ----------
    stops : sequence of Stop
        In order of distance. [-]
    drive : _Drive
        Segments. [-]
    ask : callable
        Gives values, shape (count, n), of a stop at the instants of some segments; NaN where unknown. [any]
    count : int
        How many values. [-]

    Returns
    -------
    tuple of ndarray, shape (count, n)
        Sum of weight times value, and sum of weights: 1 where both neighbours know, 0 far from any that does.
    """
    total, weights = np.zeros((count, len(drive.distance_m))), np.zeros((count, len(drive.distance_m)))
    distances = [stop.distance_m for stop in stops]
    for i, stop in enumerate(stops):
        before = stop.distance_m - distances[i - 1] if i else np.inf
        after = distances[i + 1] - stop.distance_m if i + 1 < len(stops) else np.inf
        gap = np.where(drive.distance_m < stop.distance_m, before, after)
        gap = np.where(gap > 2.0 * REACH_M, REACH_M, gap)
        off = np.abs(drive.distance_m - stop.distance_m)
        weight = np.where(gap > 0.0, 1.0 - off / np.maximum(gap, 1e-9), 0.0)
        rows = np.flatnonzero(weight > 0.0)
        if rows.size:
            values = ask(stop, drive.part(rows))
            known = np.isfinite(values)
            total[:, rows] += weight[rows] * np.where(known, values, 0.0)
            weights[:, rows] += weight[rows] * known
    return total, np.minimum(weights, 1.0)


def _dew_change(outlook: Outlook, drive: _Drive) -> Floats:
    """What known dew points differ by from the assumed one."""

    def ask(stop: Stop, part: _Drive) -> Floats:
        dew = np.full(len(part.epoch_s), np.nan)
        for one in outlook.forecasts.get(stop.key, ()):
            dew = np.where(np.isnan(dew), one.dew_at(part.epoch_s), dew)
        _, low, _ = _basis_at(outlook, stop, part)
        return np.array([np.where(np.isnan(dew), _dated_dew(outlook, stop, part), dew) - dew_point_k(low)])

    humid = {key for (key, _), row in outlook.dated.items() if row.humidity is not None}
    stops = [stop for stop in outlook.stops if stop.key in humid or stop.key in outlook.forecasts]
    return np.asarray(carried(stops, drive, ask, 1)[0][0])


def _dated_dew(outlook: Outlook, stop: Stop, part: _Drive) -> Floats:
    """Dew point from the entered humidity, a day's mean, at the middle between the day's high and low."""
    dew = np.full(len(part.epoch_s), np.nan)
    for row, at in _dated_rows(outlook, stop, part):
        if row.humidity is not None:
            high, low, _ = _basis_at(outlook, stop, part.part(at))
            dew[at] = dew_of(0.5 * (high + low), row.humidity)
    return dew


def _dated_rows(outlook: Outlook, stop: Stop, part: _Drive) -> Iterator[tuple[DatedWeather, NDArray[np.int64]]]:
    """What was entered for each day at a stop, with the segments of that day."""
    day = np.floor(solar_day(part.lon_deg, part.epoch_s))
    for number in np.unique(day):
        row = dated_on(outlook, stop.key, EPOCH + timedelta(days=int(number)))
        if row is not None:
            yield row, np.flatnonzero(day == number)


def dew_of(air_k: ArrayLike, humidity: float) -> Floats:
    """Dew point of air of a given relative humidity.

    Parameters
    ----------
    air_k : array_like
        Air temperature, -40 to 50 degC. [K]
    humidity : float
        Relative humidity, 0 to 1; below 1 % taken as 1 %. [-]

    Returns
    -------
    ndarray
        Dew point. [K]

    References
    ----------
    Magnus form with the constants of O. A. Alduchov and R. E. Eskridge, J. Appl. Meteorol. 35 (1996), eq. 21, inverted.

    Examples
    --------
    >>> float(dew_of(298.15, 0.5)) - 273.15
    13.9
    """
    celsius = np.asarray(air_k, dtype=np.float64) - 273.15
    gamma = np.log(max(humidity, 0.01)) + 17.625 * celsius / (celsius + 243.04)
    return np.asarray(243.04 * gamma / (17.625 - gamma) + 273.15)


def _headwind(outlook: Outlook, drive: _Drive, bearing_deg: Floats) -> Floats:
    """Wind from ahead at the height of a car; none where the car stands or nobody knows."""

    def ask(stop: Stop, part: _Drive) -> Floats:
        wind = np.full((2, len(part.epoch_s)), np.nan)
        for one in outlook.forecasts.get(stop.key, ()):
            wind = np.where(np.isnan(wind), np.array(one.wind_at(part.epoch_s)), wind)
        return np.where(np.isnan(wind), _dated_wind(outlook, stop, part), wind)

    windy = {key for (key, _), row in outlook.dated.items() if row.wind_m_per_s is not None}
    stops = [stop for stop in outlook.stops if stop.key in windy or stop.key in outlook.forecasts]
    (east, north), _ = carried(stops, drive, ask, 2)
    heading = np.radians(bearing_deg)
    against = -WIND_AT_CAR * (east * np.sin(heading) + north * np.cos(heading))
    return np.where(np.isfinite(against), against, 0.0)


def _dated_wind(outlook: Outlook, stop: Stop, part: _Drive) -> Floats:
    wind = np.full((2, len(part.epoch_s)), np.nan)
    for row, at in _dated_rows(outlook, stop, part):
        if row.wind_m_per_s is not None:
            wind[:, at] = np.array(wind_parts(row.wind_m_per_s, row.wind_from_deg or 0.0))[:, np.newaxis]
    return wind


def bearings_deg(lat_deg: ArrayLike, lon_deg: ArrayLike) -> Floats:
    """Where a car heads at each of a row of points, from the point before; NaN where it has not moved.

    Parameters
    ----------
    lat_deg, lon_deg : array_like, shape (n,)
        Points in driving order; the first takes the bearing of the second. [deg]

    Returns
    -------
    ndarray, shape (n,)
        Clockwise from north, 0 to 360. [deg]

    Examples
    --------
    >>> bearings_deg([0.0, 0.0, 1.0, 1.0], [0.0, 1.0, 1.0, 1.0])
    array([90., 90.,  0., nan])
    """
    lat, lon = np.radians(np.asarray(lat_deg, dtype=np.float64)), np.radians(np.asarray(lon_deg, dtype=np.float64))
    step = lon[1:] - lon[:-1]
    east = np.sin(step) * np.cos(lat[1:])
    north = np.cos(lat[:-1]) * np.sin(lat[1:]) - np.sin(lat[:-1]) * np.cos(lat[1:]) * np.cos(step)
    bearing = np.where(np.hypot(east, north) > 1e-9, np.degrees(np.arctan2(east, north)) % 360.0, np.nan)
    return np.concatenate((bearing[:1], bearing)) if bearing.size else np.full(lat.shape, np.nan)
