"""Stretches of unknown elevation, and the hardest road that the terrain allows there.

The forecast assumes a constant grade on such a stretch. If the coarse terrain differs from it, the margins may be
wrong; the hardest road gives their lower bound.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from planner.ground.between import Between, ground_between
from planner.model import geo
from planner.model.trip import Leg, Profile, Trip
from thermal.ranges import FloatArray as Floats

SPARSE_M = 16_000.0
"""ASSUMED: a profile is not used between points further apart; likely range 10 to 25 km."""
STEEP = 0.07
"""ASSUMED: grade of a hard climb all the way; US highways in mountains are built up to 6 or 7 % (AASHTO, A Policy on
Geometric Design of Highways and Streets, table of maximum grades, from memory); likely range 0.06 to 0.08."""
STEEPER = 0.04
"""ASSUMED: or that much steeper than its mean, where that is more: Teton Pass is 10 % on a mean of 6, the Oberalp the
same (published, from memory); likely range 0.02 to 0.05."""
HIDDEN_M = 200.0
"""ASSUMED: a pass may be this much higher than cells of 9 km show; the worst of twelve passes is 195 m."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A stretch of one leg with unknown elevations over uneven terrain."""

    leg: int
    begin_m: float
    end_m: float
    begin_height_m: float
    end_height_m: float
    ground: Between

    @property
    def length_m(self) -> float:
        """How long it is."""
        return self.end_m - self.begin_m


def find_gaps(trip: Trip, legs: Sequence[Leg]) -> tuple[Gap, ...]:
    """Find stretches where a constant grade is not acceptable, in driving order."""
    return tuple(gap for number, leg in enumerate(legs) for gap in _of_leg(trip, number, leg))


def _of_leg(trip: Trip, number: int, leg: Leg) -> list[Gap]:
    """Gaps of one leg: the whole leg without a profile, else stretches between widely spaced points."""
    along, height = _known(trip, leg)
    found = []
    for i, (begin, end) in enumerate(pairwise(along.tolist())):
        if leg.profile is not None and end - begin <= SPARSE_M:
            continue
        low, high = height[i : i + 2].tolist()
        lat, lon = (ends.tolist() for ends in _position(trip, leg, np.array([begin, end]) / leg.distance_m))
        ground = ground_between((lat[0], lon[0], low), (lat[1], lon[1], high), distance_m=end - begin)
        if not ground.even:
            heights = {"begin_height_m": low, "end_height_m": high}
            found.append(Gap(leg=number, begin_m=begin, end_m=end, ground=ground, **heights))
    return found


def _known(trip: Trip, leg: Leg) -> tuple[Floats, Floats]:
    """Distances with known elevation, scaled to the leg's length, and the elevations."""
    if leg.profile is None:
        ends = trip.places[leg.start].elevation_m, trip.places[leg.finish].elevation_m
        return np.array([0.0, leg.distance_m]), np.array(ends)
    along = np.array(leg.profile.distance_m)
    return (along - along[0]) * (leg.distance_m / (along[-1] - along[0])), np.array(leg.profile.elevation_m)


def _position(trip: Trip, leg: Leg, share: Floats) -> tuple[Floats, Floats]:
    """Positions of points of a leg, on its track or on the great circle between its ends."""
    a, b = trip.places[leg.start], trip.places[leg.finish]
    if leg.profile is not None and leg.profile.lat_deg:
        at = np.array(leg.profile.distance_m) / leg.profile.distance_m[-1]
        east = np.interp(share, at, np.unwrap(leg.profile.lon_deg, period=360.0))
        return np.interp(share, at, leg.profile.lat_deg), (east + 180.0) % 360.0 - 180.0
    return geo.positions(
        lat1_deg=a.lat_deg, lon1_deg=a.lon_deg, lat2_deg=b.lat_deg, lon2_deg=b.lon_deg, fractions=share
    )


def hardest_legs(trip: Trip, legs: Sequence[Leg], gaps: Sequence[Gap]) -> tuple[Leg, ...]:
    """The same road with the hardest possible climb in every gap."""
    found = list(legs)
    for number in sorted({gap.leg for gap in gaps}):
        along, height = _known(trip, legs[number])
        points = dict(zip(along.tolist(), height.tolist(), strict=True))
        for gap in (one for one in gaps if one.leg == number):
            points |= _hardest(gap)
        distances = sorted(points)
        profile = Profile(distance_m=tuple(distances), elevation_m=tuple(points[d] for d in distances))
        found[number] = replace(legs[number], profile=_with_line(trip, legs[number], profile))
    return tuple(found)


def _hardest(gap: Gap) -> dict[float, float]:
    """Elevation by distance: down to the foot, then up to the top at the steepest road grade, as late as possible."""
    foot, top = gap.ground.climb_m
    dip = max(0.0, gap.begin_height_m - foot)
    over = max(0.0, top + HIDDEN_M - gap.end_height_m)
    rise = gap.end_height_m - gap.begin_height_m
    steep = max(STEEP, abs(rise) / gap.length_m + STEEPER)
    room = steep * gap.length_m - rise
    share = min(1.0, room / (2.0 * (dip + over)))  # a short stretch has room for only part of the climb
    low, high = gap.begin_height_m - share * dip, gap.end_height_m + share * over
    top_m = gap.end_m - (high - gap.end_height_m) / steep
    foot_m = top_m - (high - low) / steep
    return {max(foot_m, gap.begin_m): low, top_m: high}


def _with_line(trip: Trip, leg: Leg, profile: Profile) -> Profile:
    """Keep a track's positions with the changed elevations."""
    if leg.profile is None or not leg.profile.lat_deg:
        return profile
    lat, lon = _position(trip, leg, np.array(profile.distance_m) / leg.distance_m)
    return replace(profile, lat_deg=tuple(lat.tolist()), lon_deg=tuple(lon.tolist()))
