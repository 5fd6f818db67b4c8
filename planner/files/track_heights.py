"""Which heights of a track's points are readings."""

import numpy as np
from numpy.typing import NDArray

from planner.model.display import counted

Floats = NDArray[np.float64]
LOW_M, HIGH_M = -450.0, 6500.0
DENSE_M = 100.0  # point spacing of a recorded track
_OUTLIER_M = 100.0
_ZERO_M, _ZERO_GRADE = 30.0, 0.5  # ASSUMED: a height of 0 that leaps more than both is none; likely range half to twice


def usable(height_m: Floats, along_m: Floats, *, spacing_m: float) -> tuple[NDArray[np.bool_], tuple[str, ...]]:
    """Mark the points whose height is a reading, and tell of the others; none if all are 0."""
    from scipy.ndimage import median_filter  # slow to import

    given = np.isfinite(height_m)
    good = given & (height_m >= LOW_M) & (height_m <= HIGH_M)
    good[np.flatnonzero(good)[_false_zeros(height_m[good], along_m[good])]] = False
    if good.any() and spacing_m <= DENSE_M:
        middle = median_filter(height_m[good], size=5, mode="nearest")
        good[np.flatnonzero(good)[np.abs(height_m[good] - middle) > _OUTLIER_M]] = False
    if not good.any() or (height_m[good] == 0.0).all():
        return np.zeros_like(good), ()
    notes = []
    if not given.all():
        notes.append(f"elevation missing at {int((~given).sum()):,} of {len(given):,} points")
    impossible = int((given & ~good).sum())
    if impossible:
        notes.append(f"{counted(impossible, 'impossible elevation')} ignored")
    return good, tuple(notes)


def _false_zeros(height_m: Floats, along_m: Floats) -> NDArray[np.bool_]:
    """Runs of heights of exactly 0 that begin or end with a leap: a recorder writes 0 before it knows its height.

    >>> _false_zeros(np.array([0.0, 0.0, 900.0, 2.0, 0.0]), np.arange(5.0) * 100.0).tolist()
    [True, True, False, False, False]
    """
    zero = height_m == 0.0
    turn = np.flatnonzero(zero[1:] != zero[:-1])
    leap = turn[np.abs(np.diff(height_m)[turn]) > np.maximum(_ZERO_M, _ZERO_GRADE * np.diff(along_m)[turn])]
    run = np.concatenate([[0], np.cumsum(zero[1:] != zero[:-1])])[: len(zero)]
    return np.asarray(zero & np.isin(run, run[np.concatenate([leap, leap + 1])]))
