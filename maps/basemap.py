"""Outlines of countries and states round the route, cut from the files in `data/basemap`."""

import json
import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maps.errors import MapError
from maps.thinning import line_indices

Bounds = tuple[float, float, float, float]
Line = NDArray[np.float64]  # shape (n_point, 2): longitude, latitude in degrees

FILES = ("countries.json", "states.json")
MARGIN_DEG = 3.0  # outlines beyond the route, so that no cut edge shows on a tall phone
MARGIN_SHARE = 0.6  # the same as a share of the route's width or height, whichever is larger
HALF_WIDTH_SHARE = 1.25  # least half width for each degree of latitude: a wide map shows a north-south route too
THIN_SHARE = 0.0006  # a point of the outline moves at most this share of the route's extent
SMALLEST_SPECK = 6.0  # islands smaller than this many thinning bounds are left out
MERCATOR_LIMIT_DEG = 85.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """Name of a country or state; `size` is the square root of its area. [degree]."""

    text: str
    lat: float
    lon: float
    size: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Basemap:
    """Outlines cut to a box; every line is an array of (longitude, latitude) in degrees.

    Parameters
    ----------
    box : tuple of float
        South, west, north, east of what is drawn. [degree]
    land : tuple of lines
        Closed rings to fill; the first point is not repeated. [degree]
    coasts, borders, states : tuple of lines
        Lines to stroke: coasts, borders of countries, borders of states. [degree]
    labels : tuple of Label
        Names inside the box. [-]
    sources : tuple of str
        Where the outlines come from. [-]
    """

    box: Bounds
    land: tuple[Line, ...] = ()
    coasts: tuple[Line, ...] = ()
    borders: tuple[Line, ...] = ()
    states: tuple[Line, ...] = ()
    labels: tuple[Label, ...] = ()
    sources: tuple[str, ...] = ()


def load(folder: Path, bounds: Bounds) -> Basemap:
    """Read the outline files and cut them to a box round the route.

    Parameters
    ----------
    folder : Path
        Folder with countries.json and states.json. [-]
    bounds : tuple of float
        South, west, north, east of the route, as `Scene.bounds` gives them. [degree]

    Returns
    -------
    Basemap
        Outlines with a margin round the route, thinned to its scale. [degree]

    Raises
    ------
    MapError
        If a file is missing or is not an outline file, or the bounds are not a box.
    """
    box, thin_deg = frame(bounds)
    countries, states = (_Thinned(read_outlines(folder / name), box, thin_deg) for name in FILES)
    once, twice = _shared_arcs(countries.outlines)
    inner = _shared_arcs(states.outlines)[1]
    return Basemap(
        box=box,
        land=tuple(countries.rings()),
        coasts=tuple(countries.arcs(once)),
        borders=tuple(countries.arcs(twice)),
        states=tuple(states.arcs(inner)),
        labels=tuple(_labels_in(box, countries.outlines, states.outlines)),
        sources=tuple(f"{one.outlines['source']} ({one.outlines['licence']})" for one in (countries, states)),
    )


def frame(bounds: Bounds) -> tuple[Bounds, float]:
    """Box with its margin, and how far outlines may be thinned in it.

    Parameters
    ----------
    bounds : tuple of float
        South, west, north, east of the route. [degree]

    Returns
    -------
    tuple
        The box and the thinning bound. [degree]

    Raises
    ------
    MapError
        If the bounds are not finite or not in the order south, west, north, east.

    Examples
    --------
    >>> frame((36.0, -106.0, 38.0, -101.0))
    ((30.0, -112.0, 44.0, -95.0), 0.005)
    """
    south, west, north, east = bounds
    if not (-90.0 <= south <= north <= 90.0 and -180.0 <= west <= east <= 180.0):
        message = f"bounds {bounds} are not south, west, north, east in degrees; give the smallest box round the route"
        raise MapError(message)
    span = max(north - south, east - west)
    margin = MARGIN_DEG + MARGIN_SHARE * span
    shrink = max(0.1, math.cos(math.radians((south + north) / 2)))
    half_width = max((east - west) / 2 + margin, MARGIN_DEG + HALF_WIDTH_SHARE * (north - south) / shrink)
    box = (
        max(south - margin, -MERCATOR_LIMIT_DEG),
        max((west + east) / 2 - half_width, -180.0),
        min(north + margin, MERCATOR_LIMIT_DEG),
        min((west + east) / 2 + half_width, 180.0),
    )
    return box, max(0.005, THIN_SHARE * span)


def read_outlines(path: Path) -> dict[str, Any]:
    """Read one outline file; its lines come back in degrees under "lines".

    Parameters
    ----------
    path : Path
        The file. [-]

    Returns
    -------
    dict
        As in the file, with "lines" added. [degree]

    Raises
    ------
    MapError
        If the file is missing or has another form.
    """
    try:
        outlines: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        step_deg = 10.0 ** -outlines["digits"]
        outlines["lines"] = [np.cumsum(np.reshape(arc, (-1, 2)), axis=0) * step_deg for arc in outlines["arcs"]]
        shape = [(area["name"], area["rings"], area["label"], area["size"]) for area in outlines["areas"]]
    except (OSError, ValueError, KeyError, TypeError) as exc:
        message = f"{path}: cannot be read as an outline file ({exc!r}); install the package again"
        raise MapError(message) from exc
    if not shape:
        message = f"{path}: holds no areas; install the package again"
        raise MapError(message)
    return outlines


def _shared_arcs(outlines: dict[str, Any]) -> tuple[list[int], list[int]]:
    """Tell coasts from borders: arcs that bound one area, and arcs between two."""
    uses = Counter(i if i >= 0 else ~i for area in outlines["areas"] for ring in area["rings"] for i in ring)
    return sorted(i for i, n in uses.items() if n == 1), sorted(i for i, n in uses.items() if n > 1)


class _Thinned:
    """Outlines in a box; every arc is thinned once, so that what two neighbours share stays together."""

    def __init__(self, outlines: dict[str, Any], box: Bounds, thin_deg: float) -> None:
        self.outlines, self.box, self.thin_deg = outlines, box, thin_deg
        self._made: dict[int, Line] = {}

    def _arc(self, index: int) -> Line:
        """Thin an arc; one written with the bits turned round runs backwards."""
        if index < 0:
            return self._arc(~index)[::-1]
        if index not in self._made:
            self._made[index] = _thinned(self.outlines["lines"][index], self.thin_deg)
        return self._made[index]

    def rings(self) -> Iterator[Line]:
        """Yield every ring of land inside the box, cut at the box's edge."""
        lines = self.outlines["lines"]
        for ring in (ring for area in self.outlines["areas"] for ring in area["rings"]):
            if not _touches(np.concatenate([lines[max(i, ~i)] for i in ring]), self.box):
                continue
            points = clip_ring(np.concatenate([self._arc(i)[:-1] for i in ring]), self.box)
            if len(points) >= 3 and _extent(points) >= SMALLEST_SPECK * self.thin_deg:
                yield points

    def arcs(self, chosen: Sequence[int]) -> Iterator[Line]:
        """Yield the pieces of some arcs that lie in the box."""
        for index in chosen:
            line = self.outlines["lines"][index]
            speck = bool(np.all(line[0] == line[-1])) and _extent(line) < SMALLEST_SPECK * self.thin_deg
            if _touches(line, self.box) and not speck:
                yield from pieces_in(self._arc(index), self.box)


def _labels_in(box: Bounds, countries: dict[str, Any], states: dict[str, Any]) -> Iterator[Label]:
    """Yield the names inside the box, largest area first; the states' names replace their country's."""
    named = {area["name"] for area in states["areas"]} | {"United States of America"}
    areas = states["areas"] + [area for area in countries["areas"] if area["name"] not in named]
    for area in sorted(areas, key=lambda one: (-one["size"], one["name"])):
        lon, lat = area["label"]
        if box[0] <= lat <= box[2] and box[1] <= lon <= box[3]:
            yield Label(text=area["name"], lat=lat, lon=lon, size=area["size"])


def clip_ring(ring: Line, box: Bounds) -> Line:
    """Cut a closed ring at a box (Sutherland and Hodgman, Communications of the ACM 17(1), 1974).

    Parameters
    ----------
    ring : ndarray, shape (n_point, 2)
        Longitude and latitude, the first point not repeated. [degree]
    box : tuple of float
        South, west, north, east. [degree]

    Returns
    -------
    ndarray, shape (n_kept, 2)
        The part inside, empty if there is none. [degree]

    Examples
    --------
    >>> clip_ring(np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0]]), (-1.0, -1.0, 2.0, 9.0)).tolist()
    [[2.0, 2.0], [0.0, 0.0], [4.0, 0.0], [4.0, 2.0]]
    """
    south, west, north, east = box
    for axis, edge, sign in ((0, west, 1.0), (0, east, -1.0), (1, south, 1.0), (1, north, -1.0)):
        before = np.roll(ring, 1, axis=0)
        inside = sign * (ring[:, axis] - edge) >= 0.0
        crosses = inside != np.roll(inside, 1)
        step = np.where(crosses, ring[:, axis] - before[:, axis], 1.0)
        share = ((edge - before[:, axis]) / step)[:, None]
        cuts = before + share * (ring - before)
        cuts[:, axis] = edge
        pairs = np.stack([cuts, ring], axis=1).reshape(-1, 2)
        ring = pairs[np.stack([crosses, inside], axis=1).ravel()]
    return ring


def pieces_in(line: Line, box: Bounds) -> Iterator[Line]:
    """Yield the runs of a line inside a box, each with one point beyond at either end.

    Parameters
    ----------
    line : ndarray, shape (n_point, 2)
        Longitude and latitude. [degree]
    box : tuple of float
        South, west, north, east. [degree]

    Yields
    ------
    ndarray, shape (n_run, 2)
        One run. [degree]
    """
    inside = _in_box(line, box)
    near = inside | np.append(inside[1:], False) | np.append(False, inside[:-1])
    for run in np.split(np.arange(len(line)), np.flatnonzero(np.diff(near.astype(np.int8))) + 1):
        if near[run[0]] and len(run) > 1:
            yield line[run]


def _in_box(line: Line, box: Bounds) -> NDArray[np.bool_]:
    """Tell which points lie in a box."""
    lon, lat = line[:, 0], line[:, 1]
    return (lat >= box[0]) & (lat <= box[2]) & (lon >= box[1]) & (lon <= box[3])


def _touches(line: Line, box: Bounds) -> bool:
    """Tell whether the box round a line meets another box."""
    (west, south), (east, north) = line.min(axis=0), line.max(axis=0)
    return bool(south <= box[2] and north >= box[0] and west <= box[3] and east >= box[1])


def _extent(line: Line) -> float:
    """Longer side of the box round a line, longitude shrunk to its latitude. [degree]."""
    width, height = line.max(axis=0) - line.min(axis=0)
    return float(max(width * math.cos(math.radians(float(line[0, 1]))), height))


def _thinned(line: Line, bound_deg: float) -> Line:
    """Thin a line, longitude shrunk to its latitude."""
    shrink = np.array([math.cos(math.radians(float(line[0, 1]))), 1.0])
    return line[line_indices(line * shrink, bound_deg)]
