"""Locating the car on or near its route; a point along a leg becomes a new place."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime

import numpy as np

from planner.files.names import Along, find_place
from planner.model import clock, geo
from planner.model.display import units_of
from planner.model.errors import NoRouteError, PlannerError
from planner.model.trip import Leg, Place, Profile, Trip
from planner.route.days import split_days
from planner.route.graph import stops_of
from planner.route.road import positions_along
from planner.route.timeline import Timeline

UNDER_WAY = "under-way"
"""Key of the place made for a point along a leg."""
_NEAR_END_M = 10.0
_JOIN_M = 1.0  # a profile point closer than this to the cut is dropped


@dataclass(frozen=True, slots=True, kw_only=True)
class Here:
    """Position of the car, and the trip with that place in its network."""

    trip: Trip
    key: str  # of the place
    behind: int  # position on the old route reached so far; the start is 0
    driven_m: float
    forced: tuple[str, ...]  # place that must be driven to next
    today_s: float  # planned driving of that day so far; zero if the plan has the car elsewhere that day


def locate(trip: Trip, legs: Sequence[Leg], where: str | Along, at: datetime, line: Timeline | None = None) -> Here:
    """Find the car's position, using the plan's timeline if there is one."""
    plan = _planned(trip, legs, line)
    return _at_place(trip, legs, plan, where, at) if isinstance(where, str) else _along(trip, legs, plan, where, at)


def _at_place(trip: Trip, legs: Sequence[Leg], plan: Sequence["_Passing"], text: str, at: datetime) -> Here:
    place, stops = find_place(trip, text), stops_of(legs)
    found = [position for position, key in enumerate(stops) if key == place.key]
    if not found:
        _require_choice(trip, place.name)
    position = _nearest_passing(trip, plan, found, stops, at) if found else _beside(trip, stops, place)
    behind, driven_m = position if found else max(position - 1, 0), sum(leg.distance_m for leg in legs[:position])
    today_s = plan[position].today_s(at)
    return Here(trip=trip, key=place.key, behind=behind, driven_m=driven_m, forced=(), today_s=today_s)


def _require_choice(trip: Trip, name: str) -> None:
    """Refuse a start off a route that is listed place by place."""
    if trip.explicit:
        message = (
            f"{name!r} is not on the route, which lists every place in order; start at one of those places, or give "
            "'start', 'finish' and 'via' in trip.toml instead of 'route'"
        )
        raise PlannerError(message)


def _beside(trip: Trip, stops: Sequence[str], place: Place) -> int:
    return min(range(len(stops)), key=lambda position: geo.apart_m(place, trip.places[stops[position]]))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Passing:
    """Planned time at a position of the route, and driving done that day."""

    arrival: datetime  # local
    epoch_s: float
    driven_s: float

    def today_s(self, at: datetime, *, before_s: float = 0.0) -> float:
        """Driving done by then; zero if the plan has the car here on another day. [s]."""
        return max(self.driven_s - before_s, 0.0) if at.date() == self.arrival.date() else 0.0


def _planned(trip: Trip, legs: Sequence[Leg], line: Timeline | None) -> list[_Passing]:
    """Planned time at every position of the route; from driving time alone if the days cannot be planned.

    Held speeds, not entered ones, decide the days, so a slow car's nights are correct.
    """
    entered = [leg.distance_m / leg.speed_m_per_s / (1.0 - leg.idle_share) for leg in legs]
    times = entered if line is None else line.leg_s
    places = [trip.places[key] for key in stops_of(legs)]
    start_s = _epoch_s(trip, legs[0].start, trip.departure)
    passed = [(start_s, 0.0)]
    try:
        days = split_days(trip, legs, times) if line is None else line.days
    except NoRouteError:
        days = ()
        passed += [(start_s + sum(times[: i + 1]), 0.0) for i in range(len(legs))]
    for day in days:
        now_s = day.start_s
        for i in range(day.first, day.last + 1):
            now_s += times[i]
            passed.append((now_s, sum(times[n] for n in range(day.first, i + 1) if not legs[n].carried)))
            now_s += sum(seconds for after, seconds, _ in day.pauses if after == i)
    return [
        _Passing(arrival=clock.local(at_s, place.lat_deg, place.lon_deg), epoch_s=at_s, driven_s=driven_s)
        for place, (at_s, driven_s) in zip(places, passed, strict=True)
    ]


def _nearest_passing(
    trip: Trip, plan: Sequence[_Passing], found: Sequence[int], stops: Sequence[str], at: datetime
) -> int:
    here_s = _epoch_s(trip, stops[found[0]], at)
    return min(found, key=lambda position: abs(plan[position].epoch_s - here_s))


def _epoch_s(trip: Trip, key: str, wall: datetime) -> float:
    return clock.epoch_s(wall, trip.places[key].lat_deg, trip.places[key].lon_deg)


def _along(trip: Trip, legs: Sequence[Leg], plan: Sequence[_Passing], where: Along, at: datetime) -> Here:
    """Find a point along a leg, and insert it as a place."""
    start, finish, stops = find_place(trip, where[0]), find_place(trip, where[1]), stops_of(legs)
    found = [i for i, leg in enumerate(legs) if (leg.start, leg.finish) == (start.key, finish.key)]
    if not found:
        _refuse_backwards(trip, legs, start, finish, where[2])
    if found:
        behind = _nearest_passing(trip, plan, found, stops, at)
        leg, ahead = legs[behind], behind + 1
        driven_m = sum(one.distance_m for one in legs[:behind]) + where[2]
    else:
        leg = _other_leg(trip, start, finish)
        ahead = _beside(trip, stops, finish)
        behind, driven_m = max(ahead - 1, 0), sum(one.distance_m for one in legs[:ahead])
    if not _NEAR_END_M <= where[2] <= leg.distance_m - _NEAR_END_M:
        u = units_of(trip.units)
        message = (
            f"{u.dist(where[2]):g} {u.distance} along {start.name} to {finish.name}: the leg is "
            f"{u.dist(leg.distance_m):.1f} {u.distance} long; give a distance within the leg, or start at the place "
            "itself"
        )
        raise PlannerError(message)
    return Here(
        trip=split_leg(trip, leg, where[2]),
        key=UNDER_WAY,
        behind=behind,
        driven_m=driven_m,
        forced=(finish.key,),
        today_s=plan[ahead].today_s(at, before_s=(leg.distance_m - where[2]) / leg.speed_m_per_s),
    )


def _refuse_backwards(trip: Trip, legs: Sequence[Leg], start: Place, finish: Place, along_m: float) -> None:
    """Refuse a point on a leg named against the driving direction, with the correct name."""
    leg = next((leg for leg in legs if (leg.start, leg.finish) == (finish.key, start.key)), None)
    if leg is None:
        return
    u = units_of(trip.units)
    rest = f"{u.dist(max(leg.distance_m - along_m, 0.0)):.1f} {u.distance}"
    message = (
        f"--along: the route drives {finish.name} to {start.name}, not in that direction; for the same point write "
        f"'{finish.key}>{start.key}:{rest}'"
    )
    raise PlannerError(message)


def _other_leg(trip: Trip, start: Place, finish: Place) -> Leg:
    _require_choice(trip, f"{start.name} to {finish.name}")
    ways = [leg for leg in trip.directed_legs() if (leg.start, leg.finish) == (start.key, finish.key)]
    if not ways:
        onward = sorted({leg.finish for leg in trip.directed_legs() if leg.start == start.key})
        message = f"no open leg goes from {start.key!r} to {finish.key!r}; from there they lead to {', '.join(onward)}"
        raise PlannerError(message)
    return min(ways, key=lambda leg: (leg.distance_m / leg.speed_m_per_s, leg.road))


def split_leg(trip: Trip, leg: Leg, along_m: float) -> Trip:
    """Insert a place into a leg."""
    a, b, share = trip.places[leg.start], trip.places[leg.finish], along_m / leg.distance_m
    lat, lon = positions_along(trip, leg, np.array([share]))
    u = units_of(trip.units)
    place = Place(
        key=UNDER_WAY,
        name=f"{u.dist(along_m):.1f} {u.distance} past {a.name}",
        lat_deg=float(lat[0]),
        lon_deg=float(lon[0]),
        elevation_m=_elevation_m(leg, a.elevation_m, b.elevation_m, share),
        kind="waypoint",
        services=frozenset(),
        high_k=None,
        low_k=None,
        note="",
    )
    first, second = _split_profile(leg, place, along_m)
    parts = (
        replace(leg, finish=place.key, distance_m=along_m, profile=first),
        replace(leg, start=place.key, distance_m=leg.distance_m - along_m, profile=second),
    )
    others = tuple(one for one in trip.legs if one != leg and one.reverse() != leg)
    return replace(trip, places={**trip.places, place.key: place}, legs=(*others, *parts))


def _elevation_m(leg: Leg, start_m: float, finish_m: float, share: float) -> float:
    if leg.profile is None:
        return start_m + (finish_m - start_m) * share
    return float(np.interp(share * leg.profile.distance_m[-1], leg.profile.distance_m, leg.profile.elevation_m))


def _split_profile(leg: Leg, place: Place, along_m: float) -> tuple[Profile | None, Profile | None]:
    """Split the profile of a leg, if any, at a place on it."""
    if leg.profile is None:
        return None, None
    rows = {item.name: np.array(getattr(leg.profile, item.name)) for item in fields(Profile)}
    rows["distance_m"] = rows["distance_m"] * leg.distance_m / rows["distance_m"][-1]
    cut = {"distance_m": along_m, "elevation_m": place.elevation_m, "lat_deg": place.lat_deg, "lon_deg": place.lon_deg}
    before, after = rows["distance_m"] < along_m - _JOIN_M, rows["distance_m"] > along_m + _JOIN_M
    first = {name: (*values[before].tolist(), cut[name]) for name, values in rows.items() if values.size}
    second = {name: (cut[name], *values[after].tolist()) for name, values in rows.items() if values.size}
    second["distance_m"] = tuple(distance_m - along_m for distance_m in second["distance_m"])
    return Profile(**first), Profile(**second)
