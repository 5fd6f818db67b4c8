"""The chosen road cut into short segments: position, grade, held speed, heat of climbs."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta

import numpy as np
import numpy.typing as npt

from planner.model import clock, geo
from planner.model.trip import Leg, Trip
from planner.weather.expected import Anchor, expected_air_k
from planner.weather.sources import NO_WEATHER, RouteWeather, TripWeather, anchors_on, weather_along
from thermal.drive import Drive
from thermal.loads import held_speed_m_per_s, safe_descent_m_per_s
from thermal.ranges import FloatArray as Floats
from thermal.vehicle import Vehicle

_STEEP = 0.03
_NOON = time(12)
_OF_A_LEG = "length_m grade elevation_m end_elevation_m lat_deg lon_deg wanted_m_per_s ac_on".split()


@dataclass(frozen=True, slots=True, kw_only=True)
class Road:
    """The route cut into segments, shape (n_segment,), without times. `ac_on` is 1 where the A/C is on."""

    legs: tuple[Leg, ...]
    leg: npt.NDArray[np.int64]
    length_m: Floats
    grade: Floats
    elevation_m: Floats
    end_elevation_m: Floats
    lat_deg: Floats
    lon_deg: Floats
    end_m: Floats
    wanted_m_per_s: Floats
    ac_on: Floats
    anchors: tuple[Anchor, ...]
    weather: RouteWeather

    @property
    def carried(self) -> npt.NDArray[np.bool_]:
        """Segments on a ferry or train."""
        return np.array([leg.carried for leg in self.legs])[self.leg]

    @property
    def middle_m(self) -> Floats:
        """Distance along the route to the middle of every segment. [m]."""
        return self.end_m - 0.5 * self.length_m


def cut_road(trip: Trip, legs: Sequence[Leg], known: TripWeather = NO_WEATHER, *, like: Road | None = None) -> Road:
    """Cut the chosen legs into segments of at most a quarter mile; those of `like`, of the same trip, are cut."""
    parts = []
    done = {} if like is None else {id(leg): np.flatnonzero(like.leg == n) for n, leg in enumerate(like.legs)}
    for leg in legs:
        rows = done.get(id(leg))
        parts.append(_cut(trip, leg) if rows is None else {name: getattr(like, name)[rows] for name in _OF_A_LEG})
    joined = {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}
    leg_of = np.repeat(np.arange(len(legs)), [len(part["grade"]) for part in parts])
    weather = weather_along(trip, tuple(legs), known)
    return Road(
        legs=tuple(legs),
        leg=leg_of,
        end_m=np.cumsum(joined["length_m"]),
        anchors=anchors_on(weather, trip.first_date),
        weather=weather,
        **joined,
    )


def _cut(trip: Trip, leg: Leg) -> dict[str, Floats]:
    """Columns of one leg that are the same on every road."""
    a, b = trip.places[leg.start], trip.places[leg.finish]
    shape = leg.profile if leg.profile is not None else (a.elevation_m, b.elevation_m)
    cut = geo.segments(shape, leg.distance_m, where=f"{a.name} to {b.name}")
    n = len(cut.grade)
    lat, lon = positions_along(trip, leg, np.arange(1, n + 1) / n)
    return {
        "length_m": cut.length_m,
        "grade": 0.0 * cut.grade if leg.carried else cut.grade,
        "elevation_m": 0.5 * (cut.elevation_m[1:] + cut.elevation_m[:-1]),
        "end_elevation_m": cut.elevation_m[1:],
        "lat_deg": lat,
        "lon_deg": lon,
        "wanted_m_per_s": np.full(n, leg.speed_m_per_s),
        "ac_on": np.full(n, float(_ac_on(trip, leg))),
    }


def _ac_on(trip: Trip, leg: Leg) -> bool:
    return trip.air_conditioning if leg.air_conditioning is None else leg.air_conditioning


def positions_along(trip: Trip, leg: Leg, fractions: Floats) -> tuple[Floats, Floats]:
    """Points of a leg: along its track where it has one, else on the great circle between its places."""
    a, b, track = trip.places[leg.start], trip.places[leg.finish], leg.profile
    lat, lon = geo.positions(
        lat1_deg=a.lat_deg, lon1_deg=a.lon_deg, lat2_deg=b.lat_deg, lon2_deg=b.lon_deg, fractions=fractions
    )
    if track is None or not track.lat_deg:
        return lat, lon
    inside = (fractions > 0.0) & (fractions < 1.0)
    share = np.array(track.distance_m) / track.distance_m[-1]
    east_deg = np.interp(fractions, share, np.unwrap(track.lon_deg, period=360.0))
    return (
        np.where(inside, np.interp(fractions, share, track.lat_deg), lat),
        np.where(inside, (east_deg + 180.0) % 360.0 - 180.0, lon),
    )


def held_speed(road: Road, vehicle: Vehicle, *, air_k: Floats, wanted: Floats) -> Floats:
    """Speed the car can hold on every segment of road."""
    flat = np.ones(len(wanted))
    drive = Drive(
        duration_s=road.length_m / wanted,
        speed_m_per_s=wanted,
        end_speed_m_per_s=wanted,
        grade=road.grade,
        elevation_m=road.elevation_m,
        air_k=air_k,
        dew_k=air_k - 12.0,
        road_rise_k=0.0 * flat,
        headwind_m_per_s=0.0 * flat,
        idle_share=0.0 * flat,
        engine_on=flat,
        ac_on=road.ac_on,
        group=0.0 * flat,
        day=0.0 * flat,
    )
    held = safe_descent_m_per_s(vehicle, replace(drive, speed_m_per_s=held_speed_m_per_s(vehicle, drive)))
    return np.where(road.carried, wanted, held)


def climb_heat(trip: Trip, road: Road) -> Floats:
    """Cost of climbing each leg at each half hour of the day: metres climbed on grades times heat above 20 degC.

    Only grades above 3 % count. The hour is local time at the middle of the leg, on the day of departure.
    """
    steep = np.flatnonzero(road.grade > _STEEP)
    rise_m = road.length_m[steep] * road.grade[steep]
    table = np.zeros((len(road.legs), 48))
    if not steep.size:
        return table
    zone = clock.zone_of(float(road.lat_deg[0]), float(road.lon_deg[0]))
    for half in range(48):
        local = datetime.combine(trip.departure.date(), _NOON) + timedelta(minutes=30 * (half - 24))
        # mean solar time approximates local time
        epoch = clock.local_to_utc(local, zone).timestamp() + (road.lon_deg[0] - road.lon_deg[steep]) * 240.0
        air = expected_air_k(
            distance_m=road.middle_m[steep],
            elevation_m=road.elevation_m[steep],
            lat_deg=road.lat_deg[steep],
            lon_deg=road.lon_deg[steep],
            epoch_s=epoch,
            anchors=road.anchors,
        )
        heat = rise_m * np.maximum(air - 293.15, 0.0) / 1e4
        table[:, half] = np.bincount(road.leg[steep], weights=heat, minlength=len(road.legs))
    return table
