"""Distances on the ellipsoid, elevation profiles, and cutting a leg into short segments."""

import functools
from dataclasses import dataclass
from typing import Any

import numpy as np
from geographiclib.geodesic import Geodesic
from numpy.typing import ArrayLike, NDArray

from planner.model.errors import PlannerError
from planner.model.trip import Profile

Floats = NDArray[np.float64]

LONGEST_SEGMENT_M = 402.336
"""A quarter of a mile: short against the kilometre or two driven within a fluid's shortest time constant."""

STEEPEST_GRADE = 0.40
"""ASSUMED: no public road is steeper (the steepest streets claim 0.35); likely range 0.35 to 0.45."""

_SEMI_MAJOR_M, _FLATTENING = 6378137.0, 1 / 298.257223563  # WGS84
_SQUARED = _FLATTENING * (2.0 - _FLATTENING)  # eccentricity
_LONGEST_CHORD_M = 5e5


@dataclass(frozen=True, slots=True, kw_only=True)
class Segments:
    """One leg cut into n pieces of equal length along the road.

    `elevation_m` is that of the n + 1 ends; `grade` is rise over horizontal run, positive uphill.
    """

    length_m: Floats
    elevation_m: Floats
    grade: Floats


@functools.lru_cache(maxsize=16384)
def distance_m(*, lat1_deg: float, lon1_deg: float, lat2_deg: float, lon2_deg: float) -> float:
    """Shortest distance between two points on the WGS84 ellipsoid.

    Source: C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87 (2013) 43-55, as implemented in geographiclib.

    >>> distance_m(lat1_deg=0.0, lon1_deg=0.0, lat2_deg=0.0, lon2_deg=1.0)
    111319.491
    """
    _require_position(lat1_deg, lon1_deg)
    _require_position(lat2_deg, lon2_deg)
    return float(Geodesic.WGS84.Inverse(lat1_deg, lon1_deg, lat2_deg, lon2_deg, Geodesic.DISTANCE)["s12"])


def apart_m(one: Any, other: Any) -> float:
    """Shortest distance between two things that have a `lat_deg` and a `lon_deg`, such as places. [m]."""
    return distance_m(lat1_deg=one.lat_deg, lon1_deg=one.lon_deg, lat2_deg=other.lat_deg, lon2_deg=other.lon_deg)


def _require_position(lat_deg: float, lon_deg: float) -> None:
    if not (-90.0 <= lat_deg <= 90.0 and np.isfinite(lon_deg)):
        message = (
            f"position {lat_deg}, {lon_deg}: latitude must be -90 to 90 and longitude a number, in decimal degrees; "
            "check that the two are not swapped"
        )
        raise PlannerError(message)


def distances_m(*, lat1_deg: ArrayLike, lon1_deg: ArrayLike, lat2_deg: ArrayLike, lon2_deg: ArrayLike) -> Floats:
    """Shortest distances between many pairs of points on the WGS84 ellipsoid, vectorised.

    Up to 500 km the chord through the ellipsoid, bent to an arc of the ellipsoid's radius there in that direction (of
    the meridian's and the prime vertical's, by Euler's formula): within 5 cm of the geodesic, 0.1 mm up to 100 km.
    Longer ones are those of `geographiclib`.

    >>> distances_m(lat1_deg=0.0, lon1_deg=0.0, lat2_deg=[0.0, 0.0], lon2_deg=[1.0, 90.0])
    array([  111319.491, 10018754.171])
    """
    lat1, lon1, lat2, lon2 = np.broadcast_arrays(*map(np.atleast_1d, (lat1_deg, lon1_deg, lat2_deg, lon2_deg)))
    chord = xyz_m(lat2, lon2) - xyz_m(lat1, lon1)
    straight_m = np.sqrt((chord**2).sum(axis=-1))
    radius_m = _radius_m(lat1, lon1, lat2, chord)
    along_m = 2.0 * radius_m * np.arcsin(np.minimum(straight_m / (2.0 * radius_m), 1.0))
    for index in np.argwhere(straight_m > _LONGEST_CHORD_M):
        at = tuple(index)
        ends = [float(item[at]) for item in (lat1, lon1, lat2, lon2)]
        along_m[at] = Geodesic.WGS84.Inverse(*ends, Geodesic.DISTANCE)["s12"]
    return np.asarray(along_m)


def xyz_m(lat_deg: ArrayLike, lon_deg: ArrayLike) -> Floats:
    """Points of the WGS84 ellipsoid from the earth's centre, one more axis of three; nearest by chord is nearest."""
    lat, lon = np.radians(np.asarray(lat_deg, dtype=np.float64)), np.radians(np.asarray(lon_deg, dtype=np.float64))
    normal_m = _SEMI_MAJOR_M / np.sqrt(1.0 - _SQUARED * np.sin(lat) ** 2)
    flat_m = normal_m * np.cos(lat)
    return np.stack([flat_m * np.cos(lon), flat_m * np.sin(lon), normal_m * (1.0 - _SQUARED) * np.sin(lat)], axis=-1)


def _radius_m(lat1_deg: Floats, lon1_deg: Floats, lat2_deg: Floats, chord: Floats) -> Floats:
    """Radius of curvature midway, in the direction of the chord."""
    lat, lon = np.radians(0.5 * (lat1_deg + lat2_deg)), np.radians(lon1_deg)
    reach = np.sqrt(1.0 - _SQUARED * np.sin(lat) ** 2)
    meridian_m, normal_m = _SEMI_MAJOR_M * (1.0 - _SQUARED) / reach**3, _SEMI_MAJOR_M / reach
    east = -np.sin(lon) * chord[..., 0] + np.cos(lon) * chord[..., 1]
    length = np.maximum((chord**2).sum(axis=-1), 1e-12)
    share = np.minimum(east**2 / length, 1.0)
    return np.asarray(1.0 / (share / normal_m + (1.0 - share) / meridian_m))


def positions(
    *, lat1_deg: float, lon1_deg: float, lat2_deg: float, lon2_deg: float, fractions: ArrayLike
) -> tuple[Floats, Floats]:
    """Points on the great circle between two places.

    Great circle of the surface normals, not the ellipsoid's geodesic: within 0.01 % of the length for legs up to
    500 km, far less than a road differs from either. Good enough for the sun's height and the time zone.

    >>> positions(lat1_deg=0.0, lon1_deg=170.0, lat2_deg=0.0, lon2_deg=-170.0, fractions=[0.25, 0.75])[1]
    array([ 175., -175.])
    """
    _require_position(lat1_deg, lon1_deg)
    _require_position(lat2_deg, lon2_deg)
    share = np.atleast_1d(np.asarray(fractions, dtype=np.float64))[:, np.newaxis]
    start, end = _normal(lat1_deg, lon1_deg), _normal(lat2_deg, lon2_deg)
    sine, cosine = float(np.linalg.norm(np.cross(start, end))), float(start @ end)
    if cosine < 0.0 and sine < 1e-9:
        message = f"{lat1_deg}, {lon1_deg} and {lat2_deg}, {lon2_deg} are antipodal; add a place in between"
        raise PlannerError(message)
    angle = np.arctan2(sine, cosine)
    # for a vanishing angle the weights' limit is the straight line
    weights = (1.0 - share, share) if angle < 1e-12 else (np.sin((1.0 - share) * angle), np.sin(share * angle))
    point = weights[0] * start + weights[1] * end
    lat_deg = np.degrees(np.arctan2(point[:, 2], np.hypot(point[:, 0], point[:, 1])))
    return lat_deg, np.degrees(np.arctan2(point[:, 1], point[:, 0]))


def _normal(lat_deg: float, lon_deg: float) -> Floats:
    lat, lon = np.radians(lat_deg), np.radians(lon_deg)
    return np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])


def climb_m(elevation_m: ArrayLike) -> float:
    """Sum of all rises along a row of elevations.

    Unknown elevations (NaN) add nothing. Noise counts as climb; smooth measured profiles (`model.heights`).

    >>> climb_m([100.0, 150.0, 120.0, 130.0])
    60.0
    """
    rise_m = np.diff(np.asarray(elevation_m, dtype=np.float64))
    return float(np.sum(rise_m[rise_m > 0.0]))


def _require_profile(distance_m: ArrayLike, elevation_m: ArrayLike) -> tuple[Floats, Floats]:
    along = np.asarray(distance_m, dtype=np.float64)
    height = np.asarray(elevation_m, dtype=np.float64)
    if along.ndim != 1 or along.shape != height.shape or along.size == 0:
        message = f"profile has {along.size} distances and {height.size} elevations; give one for each"
        raise PlannerError(message)
    bad = np.flatnonzero(~(np.isfinite(along) & np.isfinite(height)))
    if bad.size:
        message = f"profile point {bad[0] + 1}: {along[bad[0]]} m, {height[bad[0]]} m; both must be numbers"
        raise PlannerError(message)
    falls = np.flatnonzero(np.diff(along) < 0.0)
    if falls.size:
        at = falls[0] + 1
        message = f"profile point {at + 1}: distance falls from {along[at - 1]:g} to {along[at]:g} m; sort the points"
        raise PlannerError(message)
    return along, height


def segments(
    elevation: Profile | tuple[float, float],
    distance_m: float,
    *,
    longest_m: float = LONGEST_SEGMENT_M,
    where: str = "leg",
) -> Segments:
    """Cut a leg into pieces of equal length.

    Elevation between points is linear. The length is taken along the slope, so grade = rise / sqrt(length^2 - rise^2).
    A summit that falls inside a piece is cut by at most half a piece's rise: 14 m at 7 %.

    >>> cut = segments((1000.0, 1060.0), 1000.0)
    >>> cut.elevation_m
    array([1000., 1020., 1040., 1060.])
    >>> cut.grade
    array([0.0601, 0.0601, 0.0601])
    """
    if not (0.0 < distance_m < np.inf and longest_m > 0.0):
        message = f"{where}: distance is {distance_m} m, longest piece {longest_m} m; both must be above 0"
        raise PlannerError(message)
    count = int(np.ceil(distance_m / longest_m * (1.0 - 1e-12)))  # a leg of exactly 4 pieces is not cut into 5
    edges = np.linspace(0.0, distance_m, count + 1)
    if isinstance(elevation, Profile):
        along, height = _require_profile(elevation.distance_m, elevation.elevation_m)
        span_m = along[-1] - along[0]
        if not span_m > 0.0:
            message = f"{where}: its profile has no length; give at least two points at different distances"
            raise PlannerError(message)
        ends = np.interp(edges, (along - along[0]) * (distance_m / span_m), height)
    else:
        ends = np.linspace(elevation[0], elevation[1], count + 1)
    length_m = np.full(count, distance_m / count)
    return Segments(length_m=length_m, elevation_m=ends, grade=_grade(ends, length_m, edges, where))


def _grade(elevation_m: Floats, length_m: Floats, edges_m: Floats, where: str) -> Floats:
    rise_m = np.diff(elevation_m)
    sine = rise_m / length_m
    steep = np.flatnonzero(~(np.abs(sine) <= np.sin(np.arctan(STEEPEST_GRADE))))
    if steep.size:
        at = steep[0]
        message = (
            f"{where}: elevation changes by {rise_m[at]:.0f} m within {length_m[at]:.0f} m, "
            f"{edges_m[at] / 1000.0:.1f} km from its start; no road is steeper than {STEEPEST_GRADE:.0%}; "
            "check elevations, distance and their units"
        )
        raise PlannerError(message)
    return rise_m / np.sqrt(length_m**2 - rise_m**2)
