"""How far a day's temperature may stray from what its source says: standard deviations by kind of source."""

from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


class Kind(IntEnum):
    """Where a temperature comes from, the best first."""

    FORECAST = 0
    DATED = 1
    USUAL = 2
    NORMALS = 3
    PAST_YEARS = 4
    GUESS = 5


# Standard deviation of a day's temperature against its usual value, by month. ASSUMED after daily values at two New
# England stations and three typical-year files: 5.5 K winter and spring, 3.6 K summer, 4.5 K autumn.
TYPICAL_SD_K = (5.5, 5.5, 5.5, 5.5, 5.5, 3.6, 3.6, 3.6, 4.5, 4.5, 4.5, 5.5)
FORECAST_SD_DAY_1_K, FORECAST_SD_DAY_7_K = 1.5, 3.5
"""ASSUMED, common practice, no source found: error of a forecast high one and seven days ahead; likely +-0.5. [K]"""
FORECAST_SD_MOST_K = 6.0
"""ASSUMED: no forecast is taken for worse than a guess. [K]"""
DATED_SD_K = 3.0
"""ASSUMED: entered for a date, most likely from a forecast of unknown age, some five days ahead; 1.5 to 4. [K]"""
GUESS_SD_K = 6.0
"""ASSUMED: a hot summer's day taken for a place nobody knows; likely range +-10 K, so 5 to 7. [K]"""


def typical_sd_k(month: int) -> float:
    """Day-to-day spread about usual highs and lows.

    Parameters
    ----------
    month : int
        1 to 12. [-]

    Returns
    -------
    float
        Standard deviation. [K]

    Examples
    --------
    >>> typical_sd_k(7)
    3.6
    """
    return TYPICAL_SD_K[month - 1]


def forecast_sd_k(ahead_s: ArrayLike) -> Floats:
    """Error of a forecast by how far it looks ahead.

    Parameters
    ----------
    ahead_s : array_like
        From the making of the forecast to the instant it is for. [s]

    Returns
    -------
    ndarray
        Standard deviation: 1.5 K up to a day ahead, 3.5 K at seven, in proportion between and beyond, 6 K at most. [K]

    Examples
    --------
    >>> forecast_sd_k([0.0, 86400.0, 4 * 86400.0, 7 * 86400.0, 30 * 86400.0])
    array([1.5, 1.5, 2.5, 3.5, 6. ])
    """
    days = np.asarray(ahead_s, dtype=np.float64) / 86400.0
    slope = (FORECAST_SD_DAY_7_K - FORECAST_SD_DAY_1_K) / 6.0
    return np.clip(FORECAST_SD_DAY_1_K + slope * (days - 1.0), FORECAST_SD_DAY_1_K, FORECAST_SD_MOST_K)


def day_sd_k(sd_k: ArrayLike, *, day: ArrayLike, weight: ArrayLike, n_day: int) -> Floats:
    """One standard deviation for each day of a trip.

    Parameters
    ----------
    sd_k : array_like, shape (n,)
        Along the drive. [K]
    day : array_like, shape (n,)
        Number of the day, from 0. [-]
    weight : array_like, shape (n,)
        Time driven there, 0 where parked. [s]
    n_day : int
        Number of days. [-]

    Returns
    -------
    ndarray, shape (n_day,)
        Root mean square over the time driven, to a thousandth; over all of it for a day without driving. [K]

    Examples
    --------
    >>> day_sd_k([1.5, 1.5, 3.6], day=[0, 0, 1], weight=[60.0, 60.0, 60.0], n_day=2)
    array([1.5, 3.6])
    """
    sd, number = np.asarray(sd_k, dtype=np.float64), np.asarray(day, dtype=np.int64)
    driven = np.asarray(weight, dtype=np.float64)
    idle = np.bincount(number, weights=driven, minlength=n_day)[number] <= 0.0
    driven = np.where(idle, 1.0, driven)
    total = np.bincount(number, weights=driven, minlength=n_day)
    square = np.bincount(number, weights=driven * sd**2, minlength=n_day)
    return np.asarray(np.round(np.sqrt(square / np.maximum(total, 1e-9)), 3))
