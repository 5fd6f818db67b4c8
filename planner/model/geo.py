"""Distances on the ellipsoid, elevation profiles, and the cutting of a leg into short segments."""

from dataclasses import dataclass

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

_FEWEST_POSTS = 7
"""Fewest elevation posts in one smoothing window; with fewer a parabola follows the posts, not the road."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Segments:
    """One leg cut into pieces of equal length.

    Attributes
    ----------
    length_m : ndarray, shape (n,)
        Length along the road, all equal; they add up to the leg's distance. [m]
    elevation_m : ndarray, shape (n + 1,)
        Elevation at the ends of the pieces. [m]
    grade : ndarray, shape (n,)
        Rise over horizontal run, positive uphill. [-]
    """

    length_m: Floats
    elevation_m: Floats
    grade: Floats


def distance_m(*, lat1_deg: float, lon1_deg: float, lat2_deg: float, lon2_deg: float) -> float:
    """Shortest distance between two points on the WGS84 ellipsoid.

    References
    ----------
    C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87 (2013) 43-55, as implemented in geographiclib.

    Examples
    --------
    >>> distance_m(lat1_deg=0.0, lon1_deg=0.0, lat2_deg=0.0, lon2_deg=1.0)
    111319.491
    """
    _require_position(lat1_deg, lon1_deg)
    _require_position(lat2_deg, lon2_deg)
    return float(Geodesic.WGS84.Inverse(lat1_deg, lon1_deg, lat2_deg, lon2_deg, Geodesic.DISTANCE)["s12"])


def _require_position(lat_deg: float, lon_deg: float) -> None:
    if not (-90.0 <= lat_deg <= 90.0 and np.isfinite(lon_deg)):
        message = (
            f"position {lat_deg}, {lon_deg}: latitude must be -90 to 90 and longitude a number, in decimal degrees; "
            "check that the two are not swapped"
        )
        raise PlannerError(message)


def positions(
    *, lat1_deg: float, lon1_deg: float, lat2_deg: float, lon2_deg: float, fractions: ArrayLike
) -> tuple[Floats, Floats]:
    """Points on the great circle between two places.

    Notes
    -----
    Great circle of the surface normals, not the ellipsoid's geodesic: within 0.01 % of the length for legs up to
    500 km, far less than a road differs from either. Good enough for the sun's height and the time zone.

    Examples
    --------
    >>> positions(lat1_deg=0.0, lon1_deg=170.0, lat2_deg=0.0, lon2_deg=-170.0, fractions=[0.25, 0.75])[1]
    array([ 175., -175.])
    """
    _require_position(lat1_deg, lon1_deg)
    _require_position(lat2_deg, lon2_deg)
    share = np.atleast_1d(np.asarray(fractions, dtype=np.float64))[:, np.newaxis]
    start, end = _normal(lat1_deg, lon1_deg), _normal(lat2_deg, lon2_deg)
    sine, cosine = float(np.linalg.norm(np.cross(start, end))), float(start @ end)
    if cosine < 0.0 and sine < 1e-9:
        message = f"{lat1_deg}, {lon1_deg} and {lat2_deg}, {lon2_deg} are opposite on the globe; put a place between"
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

    Notes
    -----
    Noise counts as climb: smooth measured profiles first (`smooth_elevation`).

    Examples
    --------
    >>> climb_m([100.0, 150.0, 120.0, 130.0])
    60.0
    """
    rise_m = np.diff(np.asarray(elevation_m, dtype=np.float64))
    return float(np.sum(rise_m[rise_m > 0.0]))


def smooth_elevation(distance_m: ArrayLike, elevation_m: ArrayLike, *, window_m: float) -> Floats:
    """Take the measuring noise out of a densely sampled profile; leave a coarse one as it is.

    Notes
    -----
    Resampled to the median spacing, then a parabola is fitted in the moving window (Savitzky and Golay, Analytical
    Chemistry 36 (1964) 1627-1639). A profile with fewer than seven points per window, or shorter than the window, comes
    back unchanged: points a mile apart were picked by a person, and smoothing would only cut the summits off.

    Examples
    --------
    >>> smooth_elevation([0.0, 1609.0, 3218.0], [100.0, 180.0, 90.0], window_m=600.0)
    array([100., 180.,  90.])
    """
    along, height = _require_profile(distance_m, elevation_m)
    if not window_m > 0.0:
        message = f"smoothing window is {window_m} m; it must be above 0, e.g. 600"
        raise PlannerError(message)
    unique, index = np.unique(along, return_index=True)
    if unique.size < _FEWEST_POSTS:
        return height.copy()
    step_m = float(np.median(np.diff(unique)))
    posts = 2 * round(window_m / step_m / 2.0) + 1
    length_m = float(unique[-1] - unique[0])
    count = round(length_m / step_m) + 1
    if posts < _FEWEST_POSTS or count < posts:
        return height.copy()
    grid = np.linspace(unique[0], unique[-1], count)
    return np.interp(along, grid, _parabolas(np.interp(grid, unique, height[index]), posts))


def _parabolas(height_m: Floats, posts: int) -> Floats:
    """Middle of the parabola fitted to the posts round each; the ends lie on the first and the last of them."""
    half = posts // 2
    powers = np.vander(np.linspace(-1.0, 1.0, posts), 3)
    fit = np.linalg.pinv(powers)  # heights in a window to the three coefficients of its parabola
    start, end = (powers @ (fit @ window) for window in (height_m[:posts], height_m[-posts:]))
    return np.concatenate((start[:half], np.convolve(height_m, powers[half] @ fit, "valid"), end[half + 1 :]))


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

    Notes
    -----
    Elevation between points is linear. The length is taken along the slope, so grade = rise / sqrt(length^2 - rise^2).
    A summit that falls inside a piece is cut by at most half a piece's rise: 14 m at 7 %.

    Examples
    --------
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
