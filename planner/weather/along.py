"""Air along a timed drive: temperature and its uncertainty, dew point, headwind."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import timedelta

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.files.rows import DatedWeather
from planner.model.errors import PlannerError
from planner.weather.expected import (
    LAPSE_HIGH_K_PER_M,
    LAPSE_LOW_K_PER_M,
    dew_point_k,
    forecast_sd_k,
    mountain_lag_h,
    relief_m,
)
from planner.weather.expected import air_k as air_from_day
from planner.weather.records import AIR_K, wind_parts
from planner.weather.sources import EPOCH, RoutePlace, RouteWeather, dated_on, highs_lows_at, solar_day
from thermal.ranges import FloatArray as Floats

WIND_AT_CAR = 0.6
"""ASSUMED: wind 1 m above open grass against that at 10 m: ln(1/0.03)/ln(10/0.03) with a roughness of 0.03 m; likely
range 0.5 to 0.7, less among trees and houses. [-]"""
READ_SD_K = 1.5
"""ASSUMED: uncertainty of the air on the rest of the day's road after a thermometer reading, 1 to 3 K. [K]"""
REACH_M = 150_000.0
"""ASSUMED: distance along the road over which a forecast's influence fades to zero, linearly; 50 to 300 km. [m]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class AirAlong:
    """The air at every segment of a drive, shape (n,)."""

    air_k: Floats
    dew_k: Floats
    headwind_m_per_s: Floats
    sd_k: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class _Samples:
    """Positions and times as arrays; `share` is the position of the air between the day's low (0) and high (1)."""

    distance_m: Floats
    elevation_m: Floats
    lon_deg: Floats
    epoch_s: Floats
    share: Floats

    def part(self, rows: NDArray[np.int64]) -> "_Samples":
        return _Samples(**{field.name: getattr(self, field.name)[rows] for field in fields(self)})

    @property
    def lapse_k_per_m(self) -> Floats:
        """Fall of temperature with height at that hour. [K/m]."""
        return LAPSE_LOW_K_PER_M + (LAPSE_HIGH_K_PER_M - LAPSE_LOW_K_PER_M) * self.share


def air_along(
    weather: RouteWeather,
    *,
    distance_m: ArrayLike,
    elevation_m: ArrayLike,
    lat_deg: ArrayLike,
    lon_deg: ArrayLike,
    epoch_s: ArrayLike,
    bearing_deg: ArrayLike,
) -> AirAlong:
    """Air along a timed drive, from the best source for every place and instant.

    Highs and lows entered, or known from stations or past years, give a day's curve everywhere. A forecast's hours, at
    the elevation of its grid cell, are converted to the place's with the hour's lapse rate; their difference from the
    curve is interpolated along the road between places, and fades out over 150 km beyond the last. Dew point and wind
    are interpolated the same way. Without data, the dew point is 2 K below the low and the wind zero.
    """
    along, height, lat, lon, epoch = np.broadcast_arrays(
        *(np.asarray(x, dtype=np.float64) for x in (distance_m, elevation_m, lat_deg, lon_deg, epoch_s))
    )
    high, low, sd = highs_lows_at(weather, distance_m=along, elevation_m=height, lon_deg=lon, epoch_s=epoch)
    lag = mountain_lag_h(elevation_m=height, relief_m=relief_m(along, height))
    here = {"epoch_s": epoch, "lat_deg": lat, "lon_deg": lon, "lag_h": lag}
    air = air_from_day(**here, low_k=low, high_k=high)
    dew = dew_point_k(low)
    wind = np.zeros_like(air)
    if weather.forecasts or weather.dated:
        share = air_from_day(**here, low_k=0.0, high_k=1.0)
        samples = _Samples(distance_m=along, elevation_m=height, lon_deg=lon, epoch_s=epoch, share=share)
        air, sd = _with_forecasts(weather, samples, air, sd)
        dew = dew + _dew_change(weather, samples)
        wind = _headwind(weather, samples, np.broadcast_to(np.asarray(bearing_deg, dtype=np.float64), air.shape))
    air, sd = _with_read(weather, lon, epoch, air, sd)
    _require_possible(air, along, weather)
    return AirAlong(air_k=air, dew_k=np.minimum(dew, air), headwind_m_per_s=wind, sd_k=sd)


def _with_read(
    weather: RouteWeather, lon_deg: Floats, epoch_s: Floats, air: Floats, sd: Floats
) -> tuple[Floats, Floats]:
    """Shift the air of days with a thermometer reading."""
    day = np.floor(solar_day(lon_deg, epoch_s))
    for on, (shift_k, sd_k) in weather.read.items():
        today = day == (on - EPOCH).days
        air, sd = np.where(today, air + shift_k, air), np.where(today, np.minimum(sd, np.hypot(sd_k, READ_SD_K)), sd)
    return air, sd


def _require_possible(air: Floats, distance_m: Floats, weather: RouteWeather) -> None:
    """Refuse air outside the measured records: an elevation, a high or a low is wrong."""
    wrong = np.flatnonzero(~((air >= AIR_K[0]) & (air <= AIR_K[1])))
    if wrong.size:
        near = min(weather.places, key=lambda place: abs(place.distance_m - distance_m[wrong[0]]))
        low, high = (bound - 273.15 for bound in AIR_K)
        message = (
            f"air near {near.name} would be {air[wrong[0]] - 273.15:.0f} degC; {low:.0f} to {high:.0f} is possible. "
            "Check the highs, lows and elevations of nearby places, and its dates in weather.csv"
        )
        raise PlannerError(message)


def _with_forecasts(weather: RouteWeather, samples: _Samples, air: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Add forecasts: their difference from the day's curve, and their error."""

    def ask(place: RoutePlace, part: _Samples) -> Floats:
        hours, variance = _forecast_air(weather, place, part)
        high, low, _ = _highs_lows_of(weather, place, part)
        return np.array([hours - (low + (high - low) * part.share), variance])

    places = [place for place in weather.places if place.key in weather.forecasts]
    (change, variance), (weight, _) = carried(places, samples, ask, 2)
    return air + change, np.sqrt(variance + (1.0 - weight) * sd**2) if places else sd


def _highs_lows_of(weather: RouteWeather, place: RoutePlace, part: _Samples) -> tuple[Floats, Floats, Floats]:
    """High and low used at a place, at the times of some segments."""
    at_m, height_m = (np.full(len(part.epoch_s), value) for value in (place.distance_m, place.elevation_m))
    return highs_lows_at(weather, distance_m=at_m, elevation_m=height_m, lon_deg=part.lon_deg, epoch_s=part.epoch_s)


def _forecast_air(weather: RouteWeather, place: RoutePlace, part: _Samples) -> tuple[Floats, Floats]:
    """Forecast temperature at a place's elevation, and its error variance; NaN outside the forecast."""
    air, variance = np.full(len(part.epoch_s), np.nan), np.full(len(part.epoch_s), np.nan)
    for one in weather.forecasts[place.key]:
        hours = one.air_at(part.epoch_s) + part.lapse_k_per_m * (one.elevation_m - place.elevation_m)
        fill = np.isnan(air) & np.isfinite(hours)
        air = np.where(fill, hours, air)
        variance = np.where(fill, forecast_sd_k(part.epoch_s - one.made_s) ** 2, variance)
    return air, variance


def carried(
    places: Sequence[RoutePlace], samples: _Samples, ask: Callable[[RoutePlace, _Samples], Floats], count: int
) -> tuple[Floats, Floats]:
    """Interpolate values known at places along the road."""
    total, weights = np.zeros((count, len(samples.distance_m))), np.zeros((count, len(samples.distance_m)))
    distances = [place.distance_m for place in places]
    for i, place in enumerate(places):
        before = place.distance_m - distances[i - 1] if i else np.inf
        after = distances[i + 1] - place.distance_m if i + 1 < len(places) else np.inf
        gap = np.where(samples.distance_m < place.distance_m, before, after)
        gap = np.where(gap > 2.0 * REACH_M, REACH_M, gap)
        off = np.abs(samples.distance_m - place.distance_m)
        weight = np.where(gap > 0.0, 1.0 - off / np.maximum(gap, 1e-9), 0.0)
        rows = np.flatnonzero(weight > 0.0)
        if rows.size:
            values = ask(place, samples.part(rows))
            known = np.isfinite(values)
            total[:, rows] += weight[rows] * np.where(known, values, 0.0)
            weights[:, rows] += weight[rows] * known
    return total, np.minimum(weights, 1.0)


def _dew_change(weather: RouteWeather, samples: _Samples) -> Floats:
    """Difference of known dew points from the assumed one.

    An entered daily mean humidity is that at the mean of the day's high and low.
    """

    def ask(place: RoutePlace, part: _Samples) -> Floats:
        dew = np.full(len(part.epoch_s), np.nan)
        for one in weather.forecasts.get(place.key, ()):
            dew = np.where(np.isnan(dew), one.dew_at(part.epoch_s), dew)
        high, low, _ = _highs_lows_of(weather, place, part)
        for row, at in _dated_rows(weather, place, part):
            if row.humidity is not None:
                of_day = dew_of(0.5 * (high[at] + low[at]), row.humidity)
                dew[at] = np.where(np.isnan(dew[at]), of_day, dew[at])
        return np.array([dew - dew_point_k(low)])

    humid = {key for (key, _), row in weather.dated.items() if row.humidity is not None}
    places = [place for place in weather.places if place.key in humid or place.key in weather.forecasts]
    return np.asarray(carried(places, samples, ask, 1)[0][0])


def _dated_rows(
    weather: RouteWeather, place: RoutePlace, part: _Samples
) -> Iterator[tuple[DatedWeather, NDArray[np.int64]]]:
    """Weather entered for each day at a place, with the segments of that day."""
    day = np.floor(solar_day(part.lon_deg, part.epoch_s))
    for number in np.unique(day):
        row = dated_on(weather, place.key, EPOCH + timedelta(days=int(number)))
        if row is not None:
            yield row, np.flatnonzero(day == number)


def dew_of(air_k: ArrayLike, humidity: float) -> Floats:
    """Dew point of air of a given relative humidity.

    Magnus form with the constants of O. A. Alduchov and R. E. Eskridge, J. Appl. Meteorol. 35 (1996), eq. 21, inverted.

    >>> float(dew_of(298.15, 0.5)) - 273.15
    13.9
    """
    celsius = np.asarray(air_k, dtype=np.float64) - 273.15
    gamma = np.log(max(humidity, 0.01)) + 17.625 * celsius / (celsius + 243.04)
    return np.asarray(243.04 * gamma / (17.625 - gamma) + 273.15)


def _headwind(weather: RouteWeather, samples: _Samples, bearing_deg: Floats) -> Floats:
    """Headwind at the height of a car; zero if the car is stopped or the wind is unknown."""

    def ask(place: RoutePlace, part: _Samples) -> Floats:
        wind = np.full((2, len(part.epoch_s)), np.nan)
        for one in weather.forecasts.get(place.key, ()):
            wind = np.where(np.isnan(wind), np.array(one.wind_at(part.epoch_s)), wind)
        for row, at in _dated_rows(weather, place, part):
            if row.wind_m_per_s is not None:
                of_day = np.array(wind_parts(row.wind_m_per_s, row.wind_from_deg or 0.0))[:, np.newaxis]
                wind[:, at] = np.where(np.isnan(wind[:, at]), of_day, wind[:, at])
        return wind

    windy = {key for (key, _), row in weather.dated.items() if row.wind_m_per_s is not None}
    places = [place for place in weather.places if place.key in windy or place.key in weather.forecasts]
    (east, north), _ = carried(places, samples, ask, 2)
    heading = np.radians(bearing_deg)
    against = -WIND_AT_CAR * (east * np.sin(heading) + north * np.cos(heading))
    return np.where(np.isfinite(against), against, 0.0)


def bearings_deg(lat_deg: ArrayLike, lon_deg: ArrayLike) -> Floats:
    """Heading at each point, from the previous point; NaN if it has not moved.

    >>> bearings_deg([0.0, 0.0, 1.0, 1.0], [0.0, 1.0, 1.0, 1.0])
    array([90., 90.,  0., nan])
    """
    lat, lon = np.radians(np.asarray(lat_deg, dtype=np.float64)), np.radians(np.asarray(lon_deg, dtype=np.float64))
    step = lon[1:] - lon[:-1]
    east = np.sin(step) * np.cos(lat[1:])
    north = np.cos(lat[:-1]) * np.sin(lat[1:]) - np.sin(lat[:-1]) * np.cos(lat[1:]) * np.cos(step)
    bearing = np.where(np.hypot(east, north) > 1e-9, np.degrees(np.arctan2(east, north)) % 360.0, np.nan)
    return np.concatenate((bearing[:1], bearing)) if bearing.size else np.full(lat.shape, np.nan)
