"""Leaving out points of lines and curves while no point left out strays more than a stated bound.

Both functions are the method of Douglas and Peucker (The Canadian Cartographer 10(2), 1973): keep the ends, find the
point farthest from the chord, and divide there as long as it lies beyond the bound. The curve's distance is measured
upright, so a bound in degrees or feet means just that.
"""

from collections.abc import Callable
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Distance = Callable[[int, int], Array]


def line_indices(points: Array, bound: float) -> NDArray[np.int64]:
    """Points to keep of a line in the plane, rising, first and last included.

    `points` has shape (n_point, 2); none left out lies further than `bound` from the thinned line, in the same unit.

    >>> line_indices(np.array([[0.0, 0.0], [1.0, 0.001], [2.0, 0.0], [2.0, 2.0]]), 0.01)
    array([0, 2, 3])
    """
    return divide(len(points), bound, _from_chord(points))


def line_strays(points: Array) -> Array:
    """How far a line strays when each of its `points`, shape (n_point, 2), and all that hang on it are left out.

    `line_indices` keeps the points whose value is above its bound; it is infinite at the ends.

    >>> line_strays(np.array([[0.0, 0.0], [1.0, 0.001], [2.0, 0.0], [2.0, 2.0]])).round(3)
    array([  inf, 0.001, 1.414,   inf])
    """
    distance = _from_chord(points)
    strays = np.full(len(points), np.inf)
    stack = [(0, len(points) - 1, np.inf)]
    while stack:
        first, last, above = stack.pop()
        if last - first < 2:
            continue
        away = distance(first, last)
        middle = first + 1 + int(np.argmax(away))
        strays[middle] = above = min(above, float(away[middle - first - 1]))
        stack += [(first, middle, above), (middle, last, above)]
    return strays


def _from_chord(points: Array) -> Distance:
    """Measure the points between two others from the chord."""

    def distance(first: int, last: int) -> Array:
        offset, chord = points[first + 1 : last] - points[first], points[last] - points[first]
        squared = float(chord @ chord)
        along = np.clip(offset @ chord / squared, 0.0, 1.0) if squared > 0.0 else np.zeros(len(offset))
        away: Array = np.linalg.norm(offset - along[:, None] * chord, axis=1)
        return away

    return distance


def curve_indices(x: Array, y: Array, bound: float) -> NDArray[np.int64]:
    """Points to keep of a curve `y` over a strictly rising `x`, both of shape (n_point,).

    They rise and include the first, last, highest and lowest, and both ends of every gap, where `y` is NaN. No point
    left out lies further than `bound` above or below the thinned curve.

    >>> curve_indices(np.arange(5.0), np.array([0.0, 1.0, 2.0, 9.0, 4.0]), 0.5)
    array([0, 2, 3, 4])
    """
    known = np.isfinite(y)
    ends = np.flatnonzero(np.diff(known.astype(np.int8)))
    fixed = {0, len(y) - 1, *ends.tolist(), *(ends + 1).tolist()}
    if known.any():
        fixed |= {int(np.nanargmax(y)), int(np.nanargmin(y))}
    filled = np.where(known, y, 0.0)

    def distance(first: int, last: int) -> Array:
        inner = slice(first + 1, last)
        slope = (filled[last] - filled[first]) / (x[last] - x[first])
        away: Array = np.abs(filled[inner] - filled[first] - slope * (x[inner] - x[first]))
        return away

    return divide(len(y), bound, distance, fixed=fixed)


def divide(count: int, bound: float, distance: Distance, fixed: set[int] | None = None) -> NDArray[np.int64]:
    """Keep the ends and the `fixed` of `count` points, and divide wherever one strays beyond `bound`; rising indices.

    `distance` gives the distances of the points between two others from the chord, in the unit of `bound`.
    """
    keep = {0, count - 1} | (fixed or set())
    stack = list(pairwise(sorted(keep)))
    while stack:
        first, last = stack.pop()
        if last - first < 2:
            continue
        away = distance(first, last)
        worst = int(np.argmax(away))
        if away[worst] > bound:
            middle = first + 1 + worst
            keep.add(middle)
            stack += [(first, middle), (middle, last)]
    return np.array(sorted(keep), dtype=np.int64)
