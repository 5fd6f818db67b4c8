"""Speeds of a careful driver on a road of which only the shape is known; every number is ASSUMED.

Their order matters more than their size: one line of trip.toml changes them all.
"""

import numpy as np
from numpy.typing import NDArray

from planner.files.tracks import GpxTrack

Floats = NDArray[np.float64]

OPEN_M_PER_S = 26.8
"""ASSUMED: 60 mph on an open road; likely range 50 to 70 mph."""
SIDEWAYS_M_PER_S2 = 1.8
"""ASSUMED: sideways acceleration in bends, 0.18 g; likely range 0.15 to 0.28 (advisory speeds, AASHTO, from memory)."""
SPEEDS_UP_M_PER_S2, SLOWS_M_PER_S2 = 0.5, 1.0
"""ASSUMED: out of a bend and into one; likely ranges 0.2 to 0.9 and 0.7 to 1.3 (Fitzpatrick and others, FHWA-RD-99-171,
2000: 0.54 and 1.0 at tight bends, from memory)."""
TOWN_M_PER_S, TOWN_REACH_M, TOWN_PEOPLE = 15.6, 1500.0, 2000.0
"""ASSUMED: 35 mph within 1.5 km of the middle of a town of 2,000 people; likely range 25 to 45 mph."""
GRADES = ((0.04, 24.6), (0.09, 20.1), (0.11, 13.4))
"""ASSUMED: m/s wanted on straight grades from these on, up or down: 55, 45 and 30 mph; likely range 5 mph either way.

From 4 to 9 % drivers give up 8 % of their speed on the level, 96.6 of 104.8 km/h (Fitzpatrick and others,
FHWA-RD-99-171, 2000, upgrades, large radius, from memory). The steepest collector roads in mountains are designed for
45 mph at 10 % and 25 mph at 11 % (AASHTO, Policy on Geometric Design, from memory). What the car cannot hold, the
forecast takes off.
"""
_SLOWEST_M_PER_S = 6.7
_CHORD_M = 60.0
_STEP_M = 500.0  # over which a grade is taken: shorter ones are noise of the heights
_POST_M = 20.0  # between speeds


def speed_m_per_s(part: GpxTrack, towns_m: tuple[tuple[float, float], ...] = ()) -> float:
    """Mean speed of a stretch by its grades, bends and the towns in it.

    `towns_m` has the distance from the start to the point nearest each town's middle, and how far aside that lies.
    """
    posts = np.linspace(0.0, part.length_m, max(2, round(part.length_m / _POST_M) + 1))
    wanted = np.full(len(posts), OPEN_M_PER_S)
    grade = np.abs(_grade(part, posts))
    for least, speed in GRADES:
        wanted = np.where(grade >= least, np.minimum(wanted, speed), wanted)
    wanted = np.minimum(wanted, np.interp(posts, *_bend_speed(part)))
    for at_m, aside_m in towns_m:
        wanted = np.where(np.hypot(posts - at_m, aside_m) <= TOWN_REACH_M, np.minimum(wanted, TOWN_M_PER_S), wanted)
    reached = _reached(posts, np.maximum(wanted, _SLOWEST_M_PER_S))
    return float((len(posts) - 1) / np.sum(2.0 / (reached[1:] + reached[:-1])))


def _grade(part: GpxTrack, posts: Floats) -> Floats:
    """Grade around each post."""
    half = 0.5 * min(_STEP_M, part.length_m)
    middle = np.clip(posts, half, part.length_m - half)
    ends = [np.interp(middle + side, part.distance_m, part.elevation_m) for side in (-half, half)]
    return np.nan_to_num((ends[1] - ends[0]) / (2.0 * half))


def _reached(posts: Floats, wanted: Floats) -> Floats:
    """Speeds that a car reaches between the slow spots, which it slows down to in time."""

    def limited(along: Floats, speed: Floats, gain: float) -> Floats:
        return np.sqrt(np.minimum.accumulate(speed**2 - 2.0 * gain * along) + 2.0 * gain * along)

    up = limited(posts, wanted, SPEEDS_UP_M_PER_S2)
    return np.asarray(limited(posts[-1] - posts[::-1], up[::-1], SLOWS_M_PER_S2)[::-1])


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
