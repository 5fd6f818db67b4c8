"""Terrain along a leg without profile, and whether a constant grade is acceptable."""

import functools
import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.ground.terrain import CELL_DEG, ground_m
from planner.model import geo

Floats = NDArray[np.float64]

LEVEL_M = 150.0
"""ASSUMED: ground that departs less than this from an even grade hides no climb that matters: 2.5 km at 6 %, some two
minutes; likely range 100 to 200. Of 25 pairs of towns with a pass between, as published, none stays below it."""
RUGGED_M = 220.0
"""ASSUMED: where the cells around differ by more than this on the mean of the way, a road may dip or climb within a
cell unseen; likely range 150 to 300."""
TILTED, TILTED_RISE_M = 0.01, 150.0
"""ASSUMED: a mean grade above this with that much rise seldom is the same all the way."""
SHORT_M = 8000.0  # less than a cell: the mean elevation says little, its change more
_STEP_M = 2000.0
_ROUND_ABOUT = 1.3  # longer roads leave the straight line


@dataclass(frozen=True, slots=True, kw_only=True)
class Between:
    """Coarse terrain between the ends of a leg."""

    above_m: float  # height of its highest part above the higher end, at least 0
    below_m: float  # depth of its lowest part below the lower end, at least 0
    off_even_m: float  # largest vertical distance from the constant grade between the ends
    climb_m: tuple[float, float]  # foot and top of the greatest rise, ends included
    even: bool  # a constant grade is acceptable; if not, the margins are unknown


@functools.lru_cache(maxsize=4096)
def ground_between(
    start: tuple[float, float, float], finish: tuple[float, float, float], *, distance_m: float
) -> Between:
    """Compare the terrain between two places (latitude, longitude [deg], elevation [m]) with a constant grade.

    Means over cells of some 9 km show most of the height of passes, but little of gorges. So a road along a river
    through mountains is classed as not even; this is intended. Checked against the passes in tests/planner/ground.

    >>> ground_between((38.07, -102.62, 1105.0), (38.09, -102.31, 1037.0), distance_m=28e3).even  # plains of Colorado
    True
    >>> ground_between((37.67, -106.64, 2502.0), (37.44, -106.88, 2484.0), distance_m=45e3).even  # Wolf Creek Pass
    False
    """
    (lat1, lon1, height1), (lat2, lon2, height2) = start, finish
    count = max(8, int(distance_m / _STEP_M)) + 1
    share = np.linspace(0.0, 1.0, count)
    lat, lon = geo.positions(lat1_deg=lat1, lon1_deg=lon1, lat2_deg=lat2, lon2_deg=lon2, fractions=share)
    straight_m = geo.distance_m(lat1_deg=lat1, lon1_deg=lon1, lat2_deg=lat2, lon2_deg=lon2)
    lines = [ground_m(lat, lon)]
    if distance_m > _ROUND_ABOUT * straight_m:
        lines += [ground_m(*_bowed(lat, lon, share, side * 0.25 * distance_m)) for side in (-1.0, 1.0)]
    ground = np.array(lines)
    off = ground - (height1 + share * (height2 - height1))
    if distance_m < SHORT_M:
        off = off - np.clip(0.0, off.min(axis=1), off.max(axis=1))[:, np.newaxis]
    off_even_m, rise_m = float(np.abs(off).max()), abs(height2 - height1)
    tilted = rise_m > max(TILTED_RISE_M, TILTED * distance_m)
    return Between(
        above_m=max(0.0, float(ground.max()) - max(height1, height2)),
        below_m=max(0.0, min(height1, height2) - float(ground.min())),
        off_even_m=off_even_m,
        climb_m=max(
            (_greatest_rise_m([height1, *line, height2]) for line in lines), key=lambda ends: ends[1] - ends[0]
        ),
        even=off_even_m <= LEVEL_M and not tilted and float(_ruggedness_m(lat, lon).mean()) <= RUGGED_M,
    )


def _greatest_rise_m(heights_m: ArrayLike) -> tuple[float, float]:
    """Foot and top of the greatest rise of a series of elevations."""
    height = np.asarray(heights_m, dtype=np.float64)
    lowest = np.minimum.accumulate(height)
    top = int(np.argmax(height - lowest))
    return float(lowest[top]), float(height[top])


def _ruggedness_m(lat: Floats, lon: Floats) -> Floats:
    """Difference between the highest and the lowest of the nine cells around each point."""
    steps = (-CELL_DEG, 0.0, CELL_DEG)
    north, east = (np.array(moves)[:, np.newaxis] for moves in zip(*itertools.product(steps, steps), strict=True))
    around = ground_m(np.clip(lat + north, -90.0, 90.0), lon + east)
    return np.asarray(around.max(axis=0) - around.min(axis=0))


def _bowed(lat: Floats, lon: Floats, share: Floats, most_m: float) -> tuple[Floats, Floats]:
    """Shift a line sideways, most at its middle."""
    aside_deg = np.degrees(most_m / 6371008.8) * np.sin(np.pi * share)
    narrow = max(float(np.cos(np.radians(lat.mean()))), 0.1)
    east, north = (lon[-1] - lon[0] + 180.0) % 360.0 - 180.0, lat[-1] - lat[0]
    length = float(np.hypot(east * narrow, north))
    across = (-north / length, east * narrow / length) if length > 0.0 else (0.0, 1.0)
    moved_lat = np.clip(lat + aside_deg * across[1], -90.0, 90.0)
    return moved_lat, (lon + aside_deg * across[0] / narrow + 180.0) % 360.0 - 180.0
