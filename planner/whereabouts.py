"""Where on, or beside, its route a car is; a point along a leg becomes a place of its own."""

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from planner import clock, geo
from planner.days import split_days
from planner.display import units_of
from planner.errors import NoRouteError, PlannerError
from planner.files.reading import nearest, shown
from planner.model import Leg, Place, Profile, Trip

Along = tuple[str, str, float]
UNDER_WAY = "under-way"
"""Key of the place made for a point along a leg."""
_NEAR_END_M = 10.0
_JOIN_M = 1.0  # a profile point closer than this to the cut is dropped


@dataclass(frozen=True, slots=True, kw_only=True)
class Here:
    """Where the car is, and the trip with that place in its network.

    Attributes
    ----------
    key : str
        The place. [-]
    behind : int
        Position on the old route up to which it is driven; the start is 0. [-]
    driven_m : float
        Distance driven. [m]
    forced : tuple of str
        Place that must be driven to next. [-]
    """

    trip: Trip
    key: str
    behind: int
    driven_m: float
    forced: tuple[str, ...]


def locate(trip: Trip, legs: Sequence[Leg], where: str | Along, at: datetime) -> Here:
    """Find where the car is.

    Parameters
    ----------
    trip : Trip
        The trip. [-]
    legs : sequence of Leg
        Its route. [-]
    where : str or tuple of (str, str, float)
        Key or name of a place; or a leg's two places, in the direction driven, and the distance along it. [-, -, m]
    at : datetime
        Local time there, which tells one passing of a place from another. [-]

    Returns
    -------
    Here
        The place, on the route or beside it.

    Raises
    ------
    PlannerError
        If there is no such place or leg, or it lies beside a route that is listed place by place.
    """
    return _at_place(trip, legs, where, at) if isinstance(where, str) else _along(trip, legs, where, at)


def stops_of(legs: Sequence[Leg]) -> list[str]:
    """Places of a route in driving order, start first.

    Parameters
    ----------
    legs : sequence of Leg
        The route. [-]

    Returns
    -------
    list of str
        Keys, one more than legs.
    """
    return [legs[0].start, *(leg.finish for leg in legs)]


def find_place(trip: Trip, text: str) -> Place:
    """Find a place by its key or name.

    Parameters
    ----------
    trip : Trip
        Its places. [-]
    text : str
        Key or name, capitals ignored. [-]

    Returns
    -------
    Place
        The one meant.

    Raises
    ------
    PlannerError
        If there is none, or several of that name.
    """
    wanted = _folded(" ".join(text.split()))
    if wanted in trip.places:
        return trip.places[wanted]
    named = [place for place in trip.places.values() if _folded(place.name) == wanted]
    if len(named) == 1:
        return named[0]
    if named:
        message = f"several places are called {shown(text)}; give a key: {', '.join(place.key for place in named)}"
        raise PlannerError(message)
    names = [*trip.places, *(place.name for place in trip.places.values())]
    message = f"place {shown(text)} is not among the trip's places; {nearest(text, names)}"
    raise PlannerError(message)


def _folded(text: str) -> str:
    """A name as it is compared: capitals, and how accents are encoded, do not count."""
    return unicodedata.normalize("NFC", text).casefold()


def _at_place(trip: Trip, legs: Sequence[Leg], text: str, at: datetime) -> Here:
    """Find a place on the route, or beside it."""
    place, stops = find_place(trip, text), stops_of(legs)
    found = [position for position, key in enumerate(stops) if key == place.key]
    if found:
        position = _nearest_passing(trip, legs, found, at)
        driven_m = sum(leg.distance_m for leg in legs[:position])
        return Here(trip=trip, key=place.key, behind=position, driven_m=driven_m, forced=())
    _require_choice(trip, place.name)
    beside = _beside(trip, stops, place)
    driven_m = sum(leg.distance_m for leg in legs[:beside])
    return Here(trip=trip, key=place.key, behind=max(beside - 1, 0), driven_m=driven_m, forced=())


def _require_choice(trip: Trip, name: str) -> None:
    """Refuse a start beside a route that is listed place by place."""
    if trip.explicit:
        message = (
            f"{name!r} is not on the route, which lists every place in order; start at one of its places, or give "
            "'start', 'finish' and 'via' in trip.toml instead of 'route'"
        )
        raise PlannerError(message)


def _beside(trip: Trip, stops: Sequence[str], place: Place) -> int:
    """Position on the route nearest to a place."""

    def away_m(position: int) -> float:
        other = trip.places[stops[position]]
        return geo.distance_m(
            lat1_deg=place.lat_deg, lon1_deg=place.lon_deg, lat2_deg=other.lat_deg, lon2_deg=other.lon_deg
        )

    return min(range(len(stops)), key=away_m)


def _nearest_passing(trip: Trip, legs: Sequence[Leg], found: Sequence[int], at: datetime) -> int:
    """Choose among the positions at which the route passes a place, by the planned time."""
    if len(found) == 1:
        return found[0]
    times = [leg.distance_m / leg.speed_m_per_s / (1.0 - leg.idle_share) for leg in legs]
    planned = {0: clock.local_to_utc(trip.departure, _zone(trip, legs[0].start)).timestamp()}
    try:
        for day in split_days(trip, legs, times):
            now = day.start_s
            for i in range(day.first, day.last + 1):
                now += times[i]
                planned[i + 1] = now
                now += sum(seconds for after, seconds, _ in day.pauses if after == i)
    except NoRouteError:  # no days as planned: by driving time alone
        planned |= {i + 1: planned[0] + sum(times[: i + 1]) for i in range(len(legs))}
    here = clock.local_to_utc(at, _zone(trip, stops_of(legs)[found[0]])).timestamp()
    return min(found, key=lambda position: abs(planned[position] - here))


def _zone(trip: Trip, key: str) -> str:
    """Time zone of a place."""
    return clock.zone_of(trip.places[key].lat_deg, trip.places[key].lon_deg)


def _along(trip: Trip, legs: Sequence[Leg], where: Along, at: datetime) -> Here:
    """Find a point along a leg, and make a place of it."""
    start, finish = find_place(trip, where[0]), find_place(trip, where[1])
    found = [i for i, leg in enumerate(legs) if (leg.start, leg.finish) == (start.key, finish.key)]
    if found:
        i = _nearest_passing(trip, legs, found, at)
        leg, behind = legs[i], i
        driven_m = sum(one.distance_m for one in legs[:i]) + where[2]
    else:
        leg = _other_leg(trip, start, finish)
        beside = _beside(trip, stops_of(legs), finish)
        behind, driven_m = max(beside - 1, 0), sum(one.distance_m for one in legs[:beside])
    if not _NEAR_END_M <= where[2] <= leg.distance_m - _NEAR_END_M:
        u = units_of(trip.units)
        message = (
            f"{u.dist(where[2]):g} {u.distance} along {start.name} to {finish.name}: the leg is "
            f"{u.dist(leg.distance_m):.1f} {u.distance} long; give a distance between, or start at the place itself"
        )
        raise PlannerError(message)
    return Here(
        trip=split_leg(trip, leg, where[2]), key=UNDER_WAY, behind=behind, driven_m=driven_m, forced=(finish.key,)
    )


def _other_leg(trip: Trip, start: Place, finish: Place) -> Leg:
    """Find a leg that the route does not drive."""
    _require_choice(trip, f"{start.name} to {finish.name}")
    ways = [leg for leg in trip.directed_legs() if (leg.start, leg.finish) == (start.key, finish.key)]
    if not ways:
        onward = sorted({leg.finish for leg in trip.directed_legs() if leg.start == start.key})
        message = f"no open leg goes from {start.key!r} to {finish.key!r}; from there they lead to {', '.join(onward)}"
        raise PlannerError(message)
    return min(ways, key=lambda leg: (leg.distance_m / leg.speed_m_per_s, leg.road))


def split_leg(trip: Trip, leg: Leg, along_m: float) -> Trip:
    """Put a place into a leg.

    Parameters
    ----------
    trip : Trip
        The trip. [-]
    leg : Leg
        One of its legs, in the direction driven. [-]
    along_m : float
        Where, from the leg's start, within its length. [m]

    Returns
    -------
    Trip
        With the place, its elevation that of the leg's profile there, and two legs instead of the one.
    """
    a, b, share = trip.places[leg.start], trip.places[leg.finish], along_m / leg.distance_m
    first, second, elevation_m = _split_profile(leg, a.elevation_m, b.elevation_m, along_m)
    lat, lon = geo.positions(
        lat1_deg=a.lat_deg, lon1_deg=a.lon_deg, lat2_deg=b.lat_deg, lon2_deg=b.lon_deg, fractions=[share]
    )
    u = units_of(trip.units)
    place = Place(
        key=UNDER_WAY,
        name=f"{u.dist(along_m):.1f} {u.distance} past {a.name}",
        lat_deg=float(lat[0]),
        lon_deg=float(lon[0]),
        elevation_m=elevation_m,
        kind="waypoint",
        services=frozenset(),
        high_k=None,
        low_k=None,
        note="",
    )
    parts = (
        replace(leg, finish=place.key, distance_m=along_m, profile=first),
        replace(leg, start=place.key, distance_m=leg.distance_m - along_m, profile=second),
    )
    others = tuple(one for one in trip.legs if one != leg and one.reverse() != leg)
    return replace(trip, places={**trip.places, place.key: place}, legs=(*others, *parts))


def _split_profile(
    leg: Leg, start_m: float, finish_m: float, along_m: float
) -> tuple[Profile | None, Profile | None, float]:
    """Cut the profile of a leg, if it has one; with the elevation of the cut."""
    if leg.profile is None:
        return None, None, start_m + (finish_m - start_m) * along_m / leg.distance_m
    scale = leg.distance_m / leg.profile.distance_m[-1]
    points = [(d * scale, z) for d, z in zip(leg.profile.distance_m, leg.profile.elevation_m, strict=True)]
    here = float(np.interp(along_m, [d for d, _ in points], [z for _, z in points]))
    before = [*((d, z) for d, z in points if d < along_m - _JOIN_M), (along_m, here)]
    after = [(0.0, here), *((d - along_m, z) for d, z in points if d > along_m + _JOIN_M)]
    first, second = (
        Profile(distance_m=tuple(d for d, _ in part), elevation_m=tuple(z for _, z in part)) for part in (before, after)
    )
    return first, second, here
