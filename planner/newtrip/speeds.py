"""What a careful driver would keep up on a road of which only the shape is known: ASSUMED, every number.

The order of them matters more than their size: one line of trip.toml changes them all.
"""

import numpy as np
from numpy.typing import NDArray

from planner.files.tracks import GpxTrack

Floats = NDArray[np.float64]

OPEN_M_PER_S = 26.8
"""ASSUMED: 60 mph on an open road; likely range 50 to 70 mph."""
SIDEWAYS_M_PER_S2 = 1.8
"""ASSUMED: sideways acceleration in bends, 0.18 g; likely range 0.15 to 0.28 (advisory speeds, AASHTO, from memory)."""
TOWN_M_PER_S, TOWN_REACH_M, TOWN_PEOPLE = 15.6, 1500.0, 2000.0
"""ASSUMED: 35 mph within 1.5 km of the middle of a town of 2,000 people; likely range 25 to 45 mph."""
GRADES = ((0.03, 24.6), (0.05, 22.4), (0.07, 18.0), (0.09, 14.0))
"""ASSUMED: m/s kept on grades from these on, up or down: 55, 50, 40 and 31 mph."""
_SLOWEST_M_PER_S = 6.7
_CHORD_M = 60.0


def speed_m_per_s(part: GpxTrack, town_middles_m: tuple[float, ...] = ()) -> float:
    """Mean speed of a stretch by its grades, bends and the towns in it, at distances from its start."""
    posts = np.linspace(0.0, part.length_m, max(2, round(part.length_m / 100.0) + 1))
    wanted = np.full(len(posts) - 1, OPEN_M_PER_S)
    middle = 0.5 * (posts[1:] + posts[:-1])
    grade = np.abs(_grade(part, posts))
    for least, speed in GRADES:
        wanted = np.where(grade >= least, np.minimum(wanted, speed), wanted)
    wanted = np.minimum(wanted, np.interp(middle, *_bend_speed(part)))
    for at_m in town_middles_m:
        wanted = np.where(np.abs(middle - at_m) <= TOWN_REACH_M, np.minimum(wanted, TOWN_M_PER_S), wanted)
    wanted = np.maximum(wanted, _SLOWEST_M_PER_S)
    return float(len(wanted) / np.sum(1.0 / wanted))


def _grade(part: GpxTrack, posts: Floats) -> Floats:
    height = np.interp(posts, part.distance_m, part.elevation_m)
    return np.nan_to_num(np.diff(height) / np.diff(posts))


def _bend_speed(part: GpxTrack) -> tuple[Floats, Floats]:
    """Speed that the bends allow, at distances from the start; points far apart show no bends."""
    along = np.array(part.distance_m)
    count = int(part.length_m // _CHORD_M)
    if count < 3 or np.median(np.diff(along)) > 2.0 * _CHORD_M:
        return np.array([0.0]), np.array([OPEN_M_PER_S])
    at = np.linspace(0.0, part.length_m, count + 1)
    lat = np.radians(np.interp(at, along, part.lat_deg))
    lon = np.radians(np.interp(at, along, np.unwrap(part.lon_deg, period=360.0)))
    heading = np.arctan2(np.diff(lon) * np.cos(lat[1:]), np.diff(lat))
    turn = np.abs((np.diff(heading) + np.pi) % (2.0 * np.pi) - np.pi)
    step_m = part.length_m / count
    radius_m = step_m / np.maximum(turn, 1e-6)
    return at[1:-1], np.minimum(np.sqrt(SIDEWAYS_M_PER_S2 * radius_m), OPEN_M_PER_S)
