"""Air temperature to expect along the road, from the usual highs and lows of places on it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.model.errors import PlannerError
from planner.weather.diurnal import air_k, mountain_lag_h

Floats = NDArray[np.float64]

LAPSE_HIGH_K_PER_M = 0.0065
"""Fall of the daily high with height: U.S. Standard Atmosphere 1976. Likely range 0.005 to 0.008. [K/m]"""
LAPSE_LOW_K_PER_M = 0.0045
"""ASSUMED: fall of the daily low, less as cold air gathers in valleys; common practice, range 0.0025 to 0.006. [K/m]"""

# ASSUMED when no place gives any: a hot summer's day at low elevation; likely range +-10 K.
ASSUMED_HIGH_K, ASSUMED_LOW_K, ASSUMED_ELEVATION_M = 308.15, 293.15, 300.0

DEW_POINT_BELOW_LOW_K = 2.0
"""ASSUMED: July and April means of three US stations lay from 0.1 above the low (humid) to 5.9 below (arid). [K]"""

RELIEF_REACH_M = 25_000.0
"""ASSUMED: road this far either way tells the relief of the land; likely range 10 to 50 km. [m]"""
_RELIEF_STEP_M = 500.0

SUNLIT_RISE_K, CRAWLING_RISE_K = 3.0, 6.0
"""ASSUMED, common practice, no source found: likely range 1 to 5 moving, to 8 in slow traffic. [K]"""
CRAWL_M_PER_S = 5.0
_FULL_SUN_W_PER_M2 = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """A place on the route whose usual daily high and low are known.

    Attributes
    ----------
    distance_m : float
        Distance along the route. [m]
    elevation_m : float
        Elevation of the place. [m]
    high_k, low_k : float or None
        Usual daily high and low; None if unknown. [K]
    """

    distance_m: float
    elevation_m: float
    high_k: float | None
    low_k: float | None


def highs_lows_along(
    distance_m: ArrayLike,
    elevation_m: ArrayLike,
    anchors: Sequence[Anchor],
    *,
    lapse_high_k_per_m: float = LAPSE_HIGH_K_PER_M,
    lapse_low_k_per_m: float = LAPSE_LOW_K_PER_M,
) -> tuple[Floats, Floats]:
    """Daily high and low at points of the road.

    Parameters
    ----------
    distance_m : array_like
        Distance along the route. [m]
    elevation_m : array_like
        Elevation of the road there. [m]
    anchors : sequence of Anchor
        Places with known highs or lows, in any order; may be empty. [-]
    lapse_high_k_per_m, lapse_low_k_per_m : float
        Fall of high and low with height, positive upward. [K/m]

    Returns
    -------
    tuple of ndarray
        Highs and lows, low never above high. [K]

    Raises
    ------
    PlannerError
        If an anchor has a number that is not finite, or a low above its high.

    Notes
    -----
    Each anchor is brought to sea level, the values are interpolated along the road (level beyond the outermost), and
    brought to the road's height; of two anchors at one distance the first counts. With no high anywhere 35 degC at
    300 m is assumed; with no low anywhere the highs less the assumed range of 15 K, and the other way round.

    Examples
    --------
    >>> town = Anchor(distance_m=0.0, elevation_m=1000.0, high_k=305.0, low_k=290.0)
    >>> high_k, low_k = highs_lows_along([0.0, 20e3], [1000.0, 2000.0], [town])
    >>> high_k, low_k
    (array([305. , 298.5]), array([290. , 285.5]))
    """
    for anchor in anchors:
        _require_anchor(anchor)
    along, height = np.asarray(distance_m, dtype=np.float64), np.asarray(elevation_m, dtype=np.float64)
    highs = [(a.distance_m, a.elevation_m, a.high_k) for a in anchors if a.high_k is not None]
    lows = [(a.distance_m, a.elevation_m, a.low_k) for a in anchors if a.low_k is not None]
    range_k = ASSUMED_HIGH_K - ASSUMED_LOW_K
    if not highs and not lows:
        highs = [(0.0, ASSUMED_ELEVATION_M, ASSUMED_HIGH_K)]
        lows = [(0.0, ASSUMED_ELEVATION_M, ASSUMED_LOW_K)]
    highs = highs or [(d, z, k + range_k) for d, z, k in lows]
    lows = lows or [(d, z, k - range_k) for d, z, k in highs]
    high_k = _along(along, height, highs, lapse_high_k_per_m)
    return high_k, np.minimum(_along(along, height, lows, lapse_low_k_per_m), high_k)


def _require_anchor(anchor: Anchor) -> None:
    high_k, low_k = anchor.high_k, anchor.low_k
    given = [x for x in (anchor.distance_m, anchor.elevation_m, high_k, low_k) if x is not None]
    if not np.all(np.isfinite(given)):
        message = f"place at {anchor.distance_m} m: {anchor} holds what is not a number; leave unknowns empty"
        raise PlannerError(message)
    if high_k is not None and low_k is not None and low_k > high_k:
        message = (
            f"place {anchor.distance_m / 1000.0:.1f} km along: low {low_k - 273.15:.1f} degC is above "
            f"high {high_k - 273.15:.1f} degC; swap them or check their units"
        )
        raise PlannerError(message)


def _along(
    distance_m: Floats, elevation_m: Floats, known: Sequence[tuple[float, float, float]], lapse_k_per_m: float
) -> Floats:
    at, first = np.unique([d for d, _, _ in known], return_index=True)
    at_sea_level_k = np.array([k + lapse_k_per_m * z for _, z, k in known])[first]
    return np.asarray(np.interp(distance_m, at, at_sea_level_k) - lapse_k_per_m * elevation_m)


def relief_m(distance_m: ArrayLike, elevation_m: ArrayLike) -> Floats:
    """Difference between the highest and the lowest road within 25 km either way.

    Parameters
    ----------
    distance_m : array_like, shape (n,)
        Distance along the route, never falling. [m]
    elevation_m : array_like, shape (n,)
        Elevation of the road. [m]

    Returns
    -------
    ndarray, shape (n,)
        Relief; seen at posts 500 m apart. [m]

    Examples
    --------
    >>> relief_m([0.0, 10e3, 100e3, 200e3], [300.0, 800.0, 800.0, 800.0])
    array([500., 500.,   0.,   0.])
    """
    along, height = np.asarray(distance_m, dtype=np.float64), np.asarray(elevation_m, dtype=np.float64)
    count = int((along[-1] - along[0]) / _RELIEF_STEP_M) + 2
    grid, step_m = np.linspace(along[0], along[-1], count, retstep=True)
    posts = np.interp(grid, along, height)
    reach = min(round(RELIEF_REACH_M / max(float(step_m), 1.0)), count)
    near = np.lib.stride_tricks.sliding_window_view(np.pad(posts, reach, mode="edge"), 2 * reach + 1)
    return np.asarray(np.interp(along, grid, near.max(axis=1) - near.min(axis=1)))


def expected_air_k(
    *,
    distance_m: ArrayLike,
    elevation_m: ArrayLike,
    lat_deg: ArrayLike,
    lon_deg: ArrayLike,
    epoch_s: ArrayLike,
    anchors: Sequence[Anchor],
) -> Floats:
    """Air temperature to expect at each point of a timed drive.

    Parameters
    ----------
    distance_m, elevation_m : array_like, shape (n,)
        Distance along the route, never falling, and elevation of the road. [m]
    lat_deg, lon_deg : array_like, shape (n,)
        Where that is, north and east positive. [deg]
    epoch_s : array_like, shape (n,)
        When the car is there, as seconds since 1970-01-01 UTC. [s]
    anchors : sequence of Anchor
        Places with known highs or lows. [-]

    Returns
    -------
    ndarray, shape (n,)
        Temperature at the height a weather station measures. [K]

    Raises
    ------
    PlannerError
        If an anchor is impossible.

    Notes
    -----
    `highs_lows_along`, then the day's curve of `diurnal.air_k` with the lag of `diurnal.mountain_lag_h`. The lapse rate
    so follows the hour: 4.5 K/km at the low, 6.5 K/km at the high, in proportion between.

    Examples
    --------
    >>> town = Anchor(distance_m=0.0, elevation_m=200.0, high_k=305.15, low_k=288.15)
    >>> here = {"distance_m": [0.0, 1.0], "elevation_m": [200.0, 200.0], "lat_deg": 40.0, "lon_deg": -105.0}
    >>> expected_air_k(**here, epoch_s=1752613200.0, anchors=[town])  # 14:00 by the sun
    array([305.1, 305.1])
    """
    high_k, low_k = highs_lows_along(distance_m, elevation_m, anchors)
    lag_h = mountain_lag_h(elevation_m=elevation_m, relief_m=relief_m(distance_m, elevation_m))
    return air_k(epoch_s=epoch_s, lat_deg=lat_deg, lon_deg=lon_deg, low_k=low_k, high_k=high_k, lag_h=lag_h)


def dew_point_k(low_k: ArrayLike) -> Floats:
    """Dew point to assume where nobody gave the humidity.

    Parameters
    ----------
    low_k : array_like
        Daily low. [K]

    Returns
    -------
    ndarray
        Dew point, the same all day. [K]

    Notes
    -----
    ASSUMED: the low less 2 K. Air cools at night until dew forms, so the two lie close where it is humid; arid places
    in summer are up to 6 K drier.

    Examples
    --------
    >>> float(dew_point_k(290.0))
    288.0
    """
    return np.asarray(np.asarray(low_k, dtype=np.float64) - DEW_POINT_BELOW_LOW_K)


def grille_rise_k(irradiance_w_per_m2: ArrayLike, speed_m_per_s: ArrayLike) -> Floats:
    """How much warmer the air at grille height above sunlit asphalt is than at a weather station.

    Parameters
    ----------
    irradiance_w_per_m2 : array_like
        Sunshine on level ground, 0 at night. [W/m2]
    speed_m_per_s : array_like
        Speed of the car, >= 0. [m/s]

    Returns
    -------
    ndarray
        Rise, >= 0: in proportion to the sunshine, doubling as the car slows from 5 m/s to a standstill. [K]

    Notes
    -----
    ASSUMED, common practice, no source found: 3 K moving (likely 1 to 5) and 6 K standing (to 8) at 1,000 W/m2.

    Examples
    --------
    >>> grille_rise_k([1000.0, 1000.0, 0.0], [25.0, 0.0, 25.0])
    array([3., 6., 0.])
    """
    sun = np.maximum(np.asarray(irradiance_w_per_m2, dtype=np.float64), 0.0) / _FULL_SUN_W_PER_M2
    slow = np.clip(1.0 - np.asarray(speed_m_per_s, dtype=np.float64) / CRAWL_M_PER_S, 0.0, 1.0)
    return np.asarray(sun * (SUNLIT_RISE_K + (CRAWLING_RISE_K - SUNLIT_RISE_K) * slow))
