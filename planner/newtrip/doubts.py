"""Whether a track's elevations fit the ground that it says it lies on."""

import numpy as np
from numpy.typing import NDArray

from planner.files.tracks import GpxTrack
from planner.ground import terrain

_SAMPLES = 200
_OFF_M = 1000.0
"""ASSUMED: the coarse ground has the mean of valley and ridge; a whole road is never farther from it than this."""
_WRONG_M, _TIMES_NEARER = 250.0, 4.0
"""ASSUMED: heights this far off that fit so much better as feet are feet; metres over a valley or a ridge do not."""
_FOOT_M = 0.3048


def in_feet(track: GpxTrack) -> bool:
    """Whether the elevations fit the ground only if they are feet."""
    height, ground = _samples(track)
    if not height.size:
        return False
    off_m, off_as_feet_m = _off(height, ground), _off(height * _FOOT_M, ground)
    return off_m > max(_WRONG_M, _TIMES_NEARER * off_as_feet_m)


def off_ground_m(track: GpxTrack) -> float | None:
    """Median distance of the elevations from the ground; None if the ground's coarseness may be the cause.

    Latitude and longitude in the wrong order are the usual cause.
    """
    height, ground = _samples(track)
    off_m = _off(height, ground) if height.size else 0.0
    return off_m if off_m > _OFF_M else None


def _off(height_m: NDArray[np.float64], ground_m: NDArray[np.float64]) -> float:
    return float(np.median(np.abs(height_m - ground_m)))


def _samples(track: GpxTrack) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Known elevations at some points, and the ground there."""
    at = np.unique(np.linspace(0, len(track.distance_m) - 1, _SAMPLES).round().astype(int))
    lat, lon, height = (np.array(row)[at] for row in (track.lat_deg, track.lon_deg, track.elevation_m))
    ground = np.asarray(terrain.ground_m(lat, lon))
    known = np.isfinite(height) & np.isfinite(ground)
    return height[known], ground[known]
