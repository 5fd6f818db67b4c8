"""Leaving out points of lines and curves while no point left out strays more than a stated bound.

Both functions are the method of Douglas and Peucker (The Canadian Cartographer 10(2), 1973): keep the ends, find the
point farthest from the chord, and divide there as long as it lies beyond the bound. The curve's distance is measured
upright, so a bound in degrees or feet means just that.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Indices = NDArray[np.int64]
Distance = Callable[[Indices, Indices, Indices, Indices], Array]


def line_indices(points: Array, bound: float, fixed: Sequence[int] = ()) -> NDArray[np.int64]:
    """Points to keep of a line in the plane, rising, first, last and the `fixed` included.

    `points` has shape (n_point, 2); none left out lies further than `bound` from the thinned line, in the same unit.

    >>> line_indices(np.array([[0.0, 0.0], [1.0, 0.001], [2.0, 0.0], [2.0, 2.0]]), 0.01)
    array([0, 2, 3])
    """
    return _divide(len(points), bound, _from_chord(points), fixed)


def thinned(lines: Sequence[Array], bound: float) -> list[Array]:
    """One or more `lines`, each of shape (n_point, 2), with the points that `line_indices` keeps by the same `bound`.

    All are thinned in one go, as a page has hundreds.

    >>> bend = np.array([[0.0, 0.0], [1.0, 0.001], [2.0, 0.0], [2.0, 2.0]])
    >>> [len(line) for line in thinned([bend, bend[:3], bend[:1]], 0.01)]
    [3, 2, 1]
    """
    points, ends = np.concatenate(lines), np.cumsum([len(line) for line in lines])
    kept = line_indices(points, bound, [*(ends - 1).tolist(), *ends[:-1].tolist()])
    return np.split(points[kept], np.searchsorted(kept, ends[:-1]))


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
        inner = np.arange(first + 1, last)
        away = distance(np.array([first]), np.array([last]), inner, np.array([len(inner)]))
        middle = first + 1 + int(np.argmax(away))
        strays[middle] = above = min(above, float(away[middle - first - 1]))
        stack += [(first, middle, above), (middle, last, above)]
    return strays


def _from_chord(points: Array) -> Distance:
    """Measure points from the chords between two others."""

    def distance(first: Indices, last: Indices, point: Indices, count: Indices) -> Array:
        whole = points[last] - points[first]
        x, y = (points[point] - np.repeat(points[first], count, axis=0)).T
        run, rise = np.repeat(whole, count, axis=0).T
        squared = run * run + rise * rise
        share = np.clip((x * run + y * rise) / np.where(squared > 0.0, squared, 1.0), 0.0, 1.0)
        away: Array = np.sqrt((x - share * run) ** 2 + (y - share * rise) ** 2)
        return away

    return distance


def curve_indices(x: Array, y: Array, bound: float, fixed: Sequence[int] = ()) -> NDArray[np.int64]:
    """Points to keep of a curve `y` over a strictly rising `x`, both of shape (n_point,).

    They rise and include the first, last, highest, lowest and the `fixed`, and both ends of every gap, where `y` is
    NaN. No point left out lies further than `bound` above or below the thinned curve.

    >>> curve_indices(np.arange(5.0), np.array([0.0, 1.0, 2.0, 9.0, 4.0]), 0.5)
    array([0, 2, 3, 4])
    """
    known = np.isfinite(y)
    ends = np.flatnonzero(np.diff(known.astype(np.int8)))
    fixed = [*fixed, *ends.tolist(), *(ends + 1).tolist()]
    if known.any():
        fixed += [int(np.nanargmax(y)), int(np.nanargmin(y))]
    filled = np.where(known, y, 0.0)

    def distance(first: Indices, last: Indices, point: Indices, count: Indices) -> Array:
        slope = (filled[last] - filled[first]) / (x[last] - x[first])
        along = x[point] - np.repeat(x[first], count)
        away: Array = np.abs(filled[point] - np.repeat(filled[first], count) - np.repeat(slope, count) * along)
        return away

    return _divide(len(y), bound, distance, fixed)


def _divide(count: int, bound: float, distance: Distance, fixed: Sequence[int] = ()) -> Indices:
    """Keep the ends and the `fixed` of `count` points, and divide wherever one strays beyond `bound`; rising indices.

    `distance` gives how far points lie from the chords between two others, in the unit of `bound`; of the points the
    first so many are of the first chord, and so on. All chords of one depth are divided together.
    """
    keep = np.zeros(count, dtype=np.bool_)
    keep[[0, count - 1, *fixed]] = True
    first, last = np.flatnonzero(keep)[:-1], np.flatnonzero(keep)[1:]
    while True:
        wide = last - first > 1
        first, last = first[wide], last[wide]
        if not len(first):
            return np.flatnonzero(keep)
        inner = last - first - 1
        start = np.cumsum(inner) - inner
        point = np.arange(inner.sum()) + np.repeat(first + 1 - start, inner)
        away = distance(first, last, point, inner)
        most = np.maximum.reduceat(away, start)
        far = most > bound
        at = np.flatnonzero(away == np.repeat(np.where(far, most, np.inf), inner))
        worst = point[at[np.searchsorted(at, start[far])]]
        keep[worst] = True
        first, last = np.concatenate([first[far], worst]), np.concatenate([worst, last[far]])
