"""Site of a session: elevation, air by the hour from the plan's sources, sun."""

from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import datetime, time
from functools import cache

import numpy as np

from planner.files.sessionfile import Setup
from planner.forecast.assemble import Inputs
from planner.model import clock
from planner.model.trip import Place
from planner.route.graph import stops_of
from planner.route.timeline import Route
from planner.weather.along import AirAlong, air_along
from planner.weather.expected import dew_point_k, haurwitz_w_per_m2
from planner.weather.sources import weather_at

ENTERED_SD_K = 2.0  # ASSUMED: standard deviation of the day's air where it was entered for the session; 1 to 3
_FULL_SUN_W_PER_M2 = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """Elevation, air and dew point by hour, sun, and the uncertainty of the air."""

    elevation_m: float
    air_k: Callable[[time], float]
    dew_k: Callable[[time], float]
    sun_w_per_m2: Callable[[time], float]
    sd_k: float


def make_site(setup: Setup, inputs: Inputs, route: Route | None) -> Site:
    """Find elevation, air and sun of a session; `route` is None if the trip's days cannot be planned."""
    place = inputs.trip.places.get(setup.place)
    elevation_m = setup.elevation_m if setup.elevation_m is not None else place.elevation_m if place else 0.0
    sun = (lambda _: _FULL_SUN_W_PER_M2) if place is None else (lambda at: _sun_w_per_m2(place, setup, at))
    if setup.air or place is None:
        hours, temps = [_hour(at) for at, _ in setup.air], [k for _, k in setup.air]
        dew_k = float(dew_point_k(min(temps)))
        return Site(
            elevation_m=elevation_m,
            air_k=lambda at: float(np.interp(_hour(at), hours, temps)),
            dew_k=lambda at: min(dew_k, float(np.interp(_hour(at), hours, temps))),
            sun_w_per_m2=sun,
            sd_k=ENTERED_SD_K,
        )

    @cache
    def air(at: time) -> AirAlong:
        if route is not None and place.key in stops_of(route.legs):
            return _air_on_route(route, place, elevation_m, _epoch_s(place, setup, at))
        return _air_beside(inputs, place, elevation_m, _epoch_s(place, setup, at))

    return Site(
        elevation_m=elevation_m,
        air_k=lambda at: float(air(at).air_k[0]),
        dew_k=lambda at: float(air(at).dew_k[0]),
        sun_w_per_m2=sun,
        sd_k=float(air(setup.first).sd_k[0]),
    )


def _air_on_route(route: Route, place: Place, elevation_m: float, epoch_s: float) -> AirAlong:
    """Air at a place of the route, from the plan's sources, with the road's relief."""
    line, at_m = route.timeline, np.cumsum([0.0, *(leg.distance_m for leg in route.legs)])
    found = [float(at_m[i]) for i, key in enumerate(stops_of(route.legs)) if key == place.key]
    passed = [int(np.argmin(np.abs(line.end_m - at))) for at in found]
    number = min(range(len(passed)), key=lambda n: abs(float(line.end_s[passed[n]]) - epoch_s))
    row, distance, height = passed[number], line.end_m.copy(), line.drive.elevation_m.copy()
    distance[row], height[row] = found[number], elevation_m
    air = air_along(
        line.road.weather,
        distance_m=distance,
        elevation_m=height,
        lat_deg=place.lat_deg,
        lon_deg=place.lon_deg,
        epoch_s=epoch_s,
        bearing_deg=np.nan,
    )
    return _at(air, row)


def _air_beside(inputs: Inputs, place: Place, elevation_m: float, epoch_s: float) -> AirAlong:
    """Air at a place off the route, from its own data, else from the nearest place with both high and low."""
    air = air_along(
        weather_at(inputs.trip, place.key, inputs.known),
        distance_m=[0.0, 1.0],
        elevation_m=[elevation_m] * 2,
        lat_deg=place.lat_deg,
        lon_deg=place.lon_deg,
        epoch_s=epoch_s,
        bearing_deg=np.nan,
    )
    return _at(air, 0)


def _at(air: AirAlong, row: int) -> AirAlong:
    whole = {item.name: np.broadcast_to(getattr(air, item.name), air.air_k.shape) for item in fields(air)}
    return AirAlong(**{name: values[row : row + 1] for name, values in whole.items()})


def _hour(at: time) -> float:
    return at.hour + at.minute / 60.0 + at.second / 3600.0


def _epoch_s(place: Place, setup: Setup, at: time) -> float:
    """Seconds since 1970 UTC of a time on the session's day."""
    return clock.epoch_s(datetime.combine(setup.on, at), place.lat_deg, place.lon_deg)


def _sun_w_per_m2(place: Place, setup: Setup, at: time) -> float:
    """Clear-sky sunshine on level ground."""
    height = clock.solar_elevation_deg(lat_deg=place.lat_deg, lon_deg=place.lon_deg, epoch_s=_epoch_s(place, setup, at))
    return float(haurwitz_w_per_m2(height))
