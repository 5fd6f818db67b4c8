"""Smoothing measured road elevations without losing climb."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Chosen on the example roads, a plain, a pass in a plain and rolling ground, with noise of 0 to 5 m at 20 to 300 m: the
# climb stays within 1 % on the roads (4 % at 300 m), within 13 % everywhere, while raw elevations give up to 160 %
# more.
_SHORTEST_M, _GROWS, _REFERENCE = 60.0, 0.2, 180.0
_BUMP_SD = 4.0
_LEAST_NOISE_M2M = 20.0  # noise squared times spacing: half a metre every 80 m


def noise_sd_m(height_m: Floats) -> float:
    """Standard deviation of the noise in evenly spaced elevations, from their fourth differences.

    >>> ramp = 0.05 * np.arange(0.0, 30e3, 20.0)
    >>> round(noise_sd_m(ramp + np.random.default_rng(0).normal(0.0, 3.0, ramp.size)), 1)
    3.0
    """
    if height_m.size < 12:
        return 0.0
    fourth = np.abs(np.diff(height_m, n=4))
    return float(np.median(fourth) / 0.6745 / np.sqrt(70.0))  # 70: sum of squares of 1, 4, 6, 4, 1


def smooth(height_m: Floats, weight: Floats, *, step_m: float, noise_m2m: float) -> Floats:
    """Smooth evenly spaced elevations according to their noise.

    `weight` counts the readings at each; `noise_m2m` is the variance of one times the spacing of the readings [m3].

    Least squares with a penalty on second differences (Whittaker, Proc. Edinburgh Math. Soc. 41 (1923) 63-75), its
    width from 40 to some 130 m; then bumps lower than four standard errors of the remaining noise are levelled.
    """
    if height_m.size < 5:
        return height_m.copy()
    noise = max(noise_m2m, _LEAST_NOISE_M2M)
    width_m = _SHORTEST_M * (noise / _REFERENCE) ** _GROWS
    smoothed = _penalised(height_m, weight, (width_m / step_m) ** 4 * float(weight.mean()))
    left_m = float(np.sqrt(noise / (2.0 * np.sqrt(2.0) * width_m)))
    return levelled(smoothed, _BUMP_SD * left_m)


def _penalised(height_m: Floats, weight: Floats, penalty: float) -> Floats:
    from scipy.linalg import solveh_banded  # slow to import

    bands = np.zeros((3, height_m.size))
    bands[0, 2:] = penalty
    bands[1, 1:] = -4.0 * penalty
    bands[1, [1, -1]] = -2.0 * penalty
    inner = np.full(height_m.size, 6.0)
    inner[[0, -1]], inner[[1, -2]] = 1.0, 5.0
    bands[2] = weight + penalty * inner
    return np.asarray(solveh_banded(bands, weight * height_m))


def levelled(height_m: Floats, least_m: float) -> Floats:
    """Make a profile monotonic between extrema that stand out by at least `least_m`.

    >>> levelled(np.array([0.0, 5.0, 4.0, 9.0, 0.0]), 2.0)
    array([0. , 4.5, 4.5, 9. , 0. ])
    """
    ends = turning(height_m, least_m)
    found = height_m.copy()
    for begin, end in pairwise(ends):
        piece = height_m[begin : end + 1]
        sign = 1.0 if piece[-1] >= piece[0] else -1.0
        rising = sign * piece
        above, below = np.maximum.accumulate(rising), np.minimum.accumulate(rising[::-1])[::-1]
        found[begin : end + 1] = sign * 0.5 * (above + below)
    return found


def turning(height_m: Floats, least_m: float) -> list[int]:
    """Indices of both ends, and of the extrema between that stand out by at least `least_m`.

    >>> turning(np.array([0.0, 5.0, 4.0, 9.0, 0.0]), 2.0)
    [0, 3, 4]
    """
    found, low, high, way = [0], 0, 0, 0
    for index, height in enumerate(height_m.tolist()):
        if height > height_m[high]:
            high = index
        if height < height_m[low]:
            low = index
        if way >= 0 and height_m[high] - height >= least_m:
            found.append(high)
            way, low = -1, index
            high = index
        elif way <= 0 and height - height_m[low] >= least_m:
            found.append(low)
            way, high = 1, index
            low = index
    return sorted({*found, height_m.size - 1})
