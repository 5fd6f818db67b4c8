"""Where and when a session is held: height, air by the hour, sun."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, time

import numpy as np

from planner.files.sessionfile import Setup
from planner.model import clock, geo
from planner.model.trip import Place, Trip
from planner.weather.diurnal import haurwitz_w_per_m2
from planner.weather.expected import Anchor, expected_air_k, highs_lows_along

# ASSUMED: standard deviation of the day's air, entered for the session and from usual highs and lows.
ENTERED_SD_K, USUAL_SD_K = 2.0, 4.0
_FULL_SUN_W_PER_M2 = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """Where and when: height, air by the hour of the session's day, sun."""

    elevation_m: float
    low_k: float
    air_k: Callable[[time], float]
    sun_w_per_m2: Callable[[time], float]
    sd_k: float


def make_site(setup: Setup, trip: Trip) -> Site:
    """Find height, air and sun of a session."""
    place = trip.places.get(setup.place)
    elevation_m = setup.elevation_m if setup.elevation_m is not None else place.elevation_m if place else 0.0
    sun = (lambda _: _FULL_SUN_W_PER_M2) if place is None else (lambda at: _sun_w_per_m2(place, setup, at))
    if setup.air or place is None:
        hours, temps = [_hour(at) for at, _ in setup.air], [k for _, k in setup.air]
        return Site(
            elevation_m=elevation_m,
            low_k=min(temps),
            air_k=lambda at: float(np.interp(_hour(at), hours, temps)),
            sun_w_per_m2=sun,
            sd_k=ENTERED_SD_K,
        )
    anchors = _anchors(trip, place)
    _, low = highs_lows_along([0.0], [elevation_m], anchors)

    def air_k(at: time) -> float:
        found = expected_air_k(
            distance_m=[0.0, 1.0],
            elevation_m=[elevation_m] * 2,
            lat_deg=place.lat_deg,
            lon_deg=place.lon_deg,
            epoch_s=_epoch_s(place, setup, at),
            anchors=anchors,
        )
        return float(found[0])

    return Site(elevation_m=elevation_m, low_k=float(low[0]), air_k=air_k, sun_w_per_m2=sun, sd_k=USUAL_SD_K)


def _hour(at: time) -> float:
    """Hours since midnight. [h]."""
    return at.hour + at.minute / 60.0 + at.second / 3600.0


def _epoch_s(place: Place, setup: Setup, at: time) -> float:
    """Seconds since 1970 UTC of an hour of the session's day. [s]."""
    return clock.epoch_s(datetime.combine(setup.on, at), place.lat_deg, place.lon_deg)


def _sun_w_per_m2(place: Place, setup: Setup, at: time) -> float:
    """Clear-sky sunshine on level ground. [W/m2]."""
    height = clock.solar_elevation_deg(lat_deg=place.lat_deg, lon_deg=place.lon_deg, epoch_s=_epoch_s(place, setup, at))
    return float(haurwitz_w_per_m2(height))


def _anchors(trip: Trip, place: Place) -> list[Anchor]:
    """Usual high and low of a place, or of the nearest that has both."""
    known = [p for p in trip.places.values() if p.high_k is not None and p.low_k is not None]
    if not known:
        return []

    def away_m(other: Place) -> float:
        here = {"lat1_deg": place.lat_deg, "lon1_deg": place.lon_deg}
        return geo.distance_m(**here, lat2_deg=other.lat_deg, lon2_deg=other.lon_deg)

    near = min(known, key=lambda other: (away_m(other), other.key))
    return [Anchor(distance_m=0.0, elevation_m=near.elevation_m, high_k=near.high_k, low_k=near.low_k)]
