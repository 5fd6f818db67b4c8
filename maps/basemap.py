"""Outlines of countries, states and lakes round the route, cut from the files in `data/basemap`."""

import json
import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from maps.errors import MapError

Bounds = tuple[float, float, float, float]
Line = NDArray[np.float64]  # shape (n_point, 2): longitude, latitude in degrees

FILES = ("countries.json", "states.json")
LAKES = "lakes.json"
SHORT = {"United States of America": "United States"}  # names too long to stand anywhere
TURNS = tuple(
    np.array([turn, 0.0]) for turn in (-360.0, 0.0, 360.0)
)  # a box over the 180th meridian takes in outlines from the other side
SEAM_DEG = 179.95  # outlines are cut there; the cut itself is no coast
NAME_GRID, MOST_SPOTS = 7, 9  # places a side of the box where a name may stand, and the most of one name
CROSSED_EVERY_DEG = 0.4  # how finely the page knows which state a point of the route is in
MARGIN_DEG = 3.0  # outlines beyond the route, so that no cut edge shows on a tall phone
MARGIN_SHARE = 0.6  # the same as a share of the route's width or height, whichever is larger
HALF_WIDTH_SHARE = 1.25  # least half width for each degree of latitude: a wide map shows a north-south route too
STRAY_STEP_DEG = 1e-5  # of what the files say that a line strays without a point
THIN_SHARE = 0.0006  # a point of the outline moves at most this share of the route's extent
SMALLEST_SPECK = 6.0  # islands smaller than this many thinning bounds are left out
SMALLEST_LAKE = 12.0  # the same for lakes
MERCATOR_LIMIT_DEG = 85.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """Name of a country, state or lake with the places where it may stand, the best first, and its size. [degree]."""

    text: str
    kind: str
    spots: tuple[tuple[float, float], ...]  # latitude, longitude
    size: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Basemap:
    """Outlines cut to a box; every line is an array of (longitude, latitude) in degrees."""

    box: Bounds  # south, west, north, east; one over the 180th meridian runs on beyond it
    land: tuple[Line, ...] = ()  # closed rings to fill; the first point is not repeated
    lakes: tuple[Line, ...] = ()  # likewise
    coasts: tuple[Line, ...] = ()
    borders: tuple[Line, ...] = ()  # of countries
    states: tuple[Line, ...] = ()  # borders of states
    labels: tuple[Label, ...] = ()  # inside the box
    crossed: tuple[tuple[str, float, float], ...] = ()  # state or country at a point of the route, its lat and lon
    sources: tuple[str, ...] = ()  # where the outlines come from


def load(folder: Path, bounds: Bounds, route: Line | None = None, *, names: bool = True) -> Basemap:
    """Read the outline files and cut them to a box round the route, thinned to its scale.

    `folder` has countries.json, states.json and lakes.json. `bounds` are those of the route, as `Scene.bounds` gives
    them; `route` is its longitude and latitude, shape (n_point, 2), by which `crossed` is found. Without `names` there
    are no labels. Raises MapError if a file is missing or is not an outline file, or the bounds are not a box.
    """
    box, thin_deg = frame(bounds)
    countries, states = (_Thinned(read_outlines(folder / name), box, thin_deg) for name in FILES)
    once, twice = _shared_arcs(countries.outlines)
    inner = _shared_arcs(states.outlines)[1]
    lakes = read_lakes(folder / LAKES)
    water = tuple(_lakes_in(lakes, box, thin_deg))
    return Basemap(
        box=box,
        land=tuple(countries.rings()),
        lakes=tuple(ring for _, ring in water),
        coasts=tuple(countries.arcs(once)),
        borders=tuple(countries.arcs(twice)),
        states=tuple(states.arcs(inner)),
        labels=(*_labels_in(countries, states), *_lake_labels(water)) if names else (),
        crossed=() if route is None else tuple(_crossed(route, countries, states)),
        sources=tuple(f"{one['source']} ({one['licence']})" for one in (countries.outlines, states.outlines, lakes)),
    )


def frame(bounds: Bounds) -> tuple[Bounds, float]:
    """The box with its margin, and how far outlines may be thinned in it. [degree].

    Raises MapError if `bounds` are not finite or not in the order south, west, north, east.

    >>> frame((36.0, -106.0, 38.0, -101.0))
    ((30.0, -112.0, 44.0, -95.0), 0.005)
    """
    south, west, north, east = bounds
    if not (-90.0 <= south <= north <= 90.0 and -540.0 <= west <= east <= 540.0):
        message = f"bounds {bounds} are not south, west, north, east in degrees; give the smallest box round the route"
        raise MapError(message)
    span = max(north - south, east - west)
    margin = MARGIN_DEG + MARGIN_SHARE * span
    shrink = max(0.1, math.cos(math.radians((south + north) / 2)))
    half_width = max((east - west) / 2 + margin, MARGIN_DEG + HALF_WIDTH_SHARE * (north - south) / shrink)
    half_width = min(half_width, 180.0)
    box = (
        max(south - margin, -MERCATOR_LIMIT_DEG),
        (west + east) / 2 - half_width,
        min(north + margin, MERCATOR_LIMIT_DEG),
        (west + east) / 2 + half_width,
    )
    return box, max(0.005, THIN_SHARE * span)


def read_outlines(path: Path) -> dict[str, Any]:
    """Read one outline file; "lines" are then in degrees, "strays" what each of their points is worth. [degree].

    Raises MapError if the file is missing or has another form.
    """
    try:
        outlines: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        outlines["lines"], outlines["strays"] = _lines(outlines["arcs"], outlines["strays"], outlines["digits"])
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
        self._rings: dict[str, tuple[Line, ...]] = {}
        self._edges = _edges(outlines["lines"])

    def _arc(self, index: int) -> Line:
        """Thin an arc; one written with the bits turned round runs backwards."""
        if index < 0:
            return self._arc(~index)[::-1]
        if index not in self._made:
            self._made[index] = self.outlines["lines"][index][self.outlines["strays"][index] > self.thin_deg]
        return self._made[index]

    def rings(self) -> Iterator[Line]:
        """Yield every ring of land inside the box, cut at the box's edge."""
        for area in self.outlines["areas"]:
            for points in self.area_rings(area):
                if _extent(points) >= SMALLEST_SPECK * self.thin_deg:
                    yield points

    def area_rings(self, area: dict[str, Any]) -> tuple[Line, ...]:
        """Rings of one area inside the box, cut at the box's edge."""
        if area["name"] not in self._rings:
            self._rings[area["name"]] = tuple(self._cut(area["rings"]))
        return self._rings[area["name"]]

    def _cut(self, rings: Sequence[Sequence[int]]) -> Iterator[Line]:
        """Yield what lies in the box of some rings given by their arcs."""
        edges = self._edges[[max(i, ~i) for ring in rings for i in ring]]
        first = np.cumsum([0, *map(len, rings[:-1])])
        low, high = np.minimum.reduceat(edges[:, :2], first), np.maximum.reduceat(edges[:, 2:4], first)
        for number, turn in _turns(np.column_stack([low, high]), self.box):
            whole = _unwound(np.concatenate([self._arc(i)[:-1] for i in rings[number]])) + turn
            points = clip_ring(whole, self.box)
            if len(points) >= 3:
                yield points

    def arcs(self, chosen: Sequence[int]) -> Iterator[Line]:
        """Yield the pieces of some arcs that lie in the box."""
        for number, turn in _turns(self._edges[chosen], self.box):
            index = chosen[number]
            line = self.outlines["lines"][index]
            if np.all(line[0] == line[-1]) and self._edges[index, 4] < SMALLEST_SPECK * self.thin_deg:
                continue
            for part in _off_seam(_unwound(self._arc(index))):
                yield from pieces_in(part + turn, self.box)


def _unwound(line: Line) -> Line:
    """Let a line run on beyond the 180th meridian where the outlines jump to the other side."""
    if len(line) == 0 or np.ptp(line[:, 0]) < 180.0:
        return line
    return np.column_stack([np.unwrap(line[:, 0], period=360.0), line[:, 1]])


def _off_seam(line: Line) -> Iterator[Line]:
    """Yield a line without the parts that run along the 180th meridian, where outlines are cut."""
    on = np.abs(line[:, 0]) >= SEAM_DEG
    parts = np.split(line, np.flatnonzero(on[1:] & on[:-1]) + 1) if on.any() else [line]
    yield from (part for part in parts if len(part) > 1)


def _labels_in(countries: _Thinned, states: _Thinned) -> Iterator[Label]:
    """Yield the names of countries and states inside the box, the largest area first."""
    found = []
    for kind, outlines in (("country", countries), ("state", states)):
        for area in outlines.outlines["areas"]:
            rings = outlines.area_rings(area)
            spots = _name_spots(area, rings, outlines.box)
            if spots:
                found.append(
                    Label(text=SHORT.get(area["name"], area["name"]), kind=kind, spots=spots, size=area["size"])
                )
    yield from sorted(found, key=lambda one: (one.kind, -one.size, one.text))


def _name_spots(area: dict[str, Any], rings: Sequence[Line], box: Bounds) -> tuple[tuple[float, float], ...]:
    """Places inside an area where its name may stand: the middle, then points of a grid over the part in the box."""
    if not rings:
        return ()
    south, west, north, east = box
    lon, lat = area["label"]
    turned = [round(float(lon + turn[0]), 2) for turn in TURNS]
    middles = [(lat, one) for one in turned if south <= lat <= north and west <= one <= east]
    largest = max(rings, key=_extent)
    low, high = largest.min(axis=0), largest.max(axis=0)
    xs, ys = (np.linspace(low[k], high[k], NAME_GRID + 2)[1:-1] for k in (0, 1))
    y, x = (one.ravel() for one in np.meshgrid(ys[::2], xs[::2], indexing="ij"))
    within = inside(largest, x, y)
    inner = [(round(b, 2), round(a, 2)) for a, b in zip(x[within].tolist(), y[within].tolist(), strict=True)]
    return tuple((middles + inner)[:MOST_SPOTS])


def inside(ring: Line, lon: ArrayLike, lat: ArrayLike) -> NDArray[np.bool_]:
    """Tell which points lie in a closed ring, by the even-odd rule.

    `ring` has shape (n_point, 2), its first point not repeated; `lon` and `lat` are the points, as is the result's
    shape. [degree]

    >>> inside(np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 4.0]]), [1.0, 3.0], 1.5).tolist()
    [True, False]
    """
    x, y = (np.asarray(one, dtype=np.float64)[..., np.newaxis] for one in (lon, lat))
    a, b = ring, np.concatenate([ring[1:], ring[:1]])
    spans = (a[:, 1] > y) != (b[:, 1] > y)
    run, rise = (b - a).T
    at = a[:, 0] + (y - a[:, 1]) * run / np.where(rise == 0.0, 1.0, rise)
    crossed: NDArray[np.bool_] = np.count_nonzero(spans & (at > x), axis=-1) % 2 == 1
    return crossed


def _crossed(route: Line, countries: _Thinned, states: _Thinned) -> Iterator[tuple[str, float, float]]:
    """Yield which state and country the route is in, about every quarter of a degree."""
    kept, last_x, last_y = [], math.inf, math.inf
    for x, y in route.tolist():
        if max(abs(x - last_x), abs(y - last_y)) >= CROSSED_EVERY_DEG:
            kept.append((x, y))
            last_x, last_y = x, y
    points = np.array(kept).reshape(-1, 2)
    names: list[list[str]] = [[] for _ in points]
    for outlines in (states, countries):
        for area in outlines.outlines["areas"]:
            for ring in outlines.area_rings(area):
                near = np.flatnonzero(np.all((ring.min(axis=0) <= points) & (points <= ring.max(axis=0)), axis=1))
                for n in near[inside(ring, *points[near].T)].tolist() if near.size else ():
                    names[n].append(SHORT.get(area["name"], area["name"]))
    for (x, y), found in zip(points.tolist(), names, strict=True):
        yield ", ".join(dict.fromkeys(found)), round(y, 3), round(x, 3)


def read_lakes(path: Path) -> dict[str, Any]:
    """Read the file of lakes; every "ring" is then an array of longitude and latitude, its "strays" another. [degree].

    Raises MapError if the file is missing or has another form.
    """
    try:
        lakes: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        held = lakes["lakes"]
        lines = _lines([lake["ring"] for lake in held], [lake["strays"] for lake in held], lakes["digits"])
        for lake, ring, strays in zip(held, *lines, strict=True):
            lake["ring"], lake["strays"] = ring, strays
            lake["name"], lake["rank"], lakes["source"], lakes["licence"]  # a file without them has another form
    except (OSError, ValueError, KeyError, TypeError) as exc:
        message = f"{path}: cannot be read as a file of lakes ({exc!r}); install the package again"
        raise MapError(message) from exc
    return lakes


def _lakes_in(lakes: dict[str, Any], box: Bounds, thin_deg: float) -> Iterator[tuple[str, Line]]:
    """Yield name and ring of every lake in the box that shows at its scale."""
    edges = _edges([lake["ring"] for lake in lakes["lakes"]])
    for number, turn in _turns(edges, box):
        if edges[number, 4] >= SMALLEST_LAKE * thin_deg:
            lake = lakes["lakes"][number]
            ring = clip_ring(lake["ring"][lake["strays"] > thin_deg] + turn, box)
            if len(ring) >= 4:
                yield lake["name"], ring


def _lake_labels(lakes: Sequence[tuple[str, Line]]) -> Iterator[Label]:
    """Yield the names of lakes, each in the middle of its outline."""
    for name, ring in lakes:
        if name:
            (west, south), (east, north) = ring.min(axis=0), ring.max(axis=0)
            spot = (round(float(south + north) / 2, 2), round(float(west + east) / 2, 2))
            yield Label(text=name, kind="lake", spots=(spot,), size=round(_extent(ring), 2))


def clip_ring(ring: Line, box: Bounds) -> Line:
    """Cut a closed ring at a box (Sutherland and Hodgman, Communications of the ACM 17(1), 1974).

    Nothing inside gives an empty ring. `ring` has shape (n_point, 2), its first point not repeated; `box` is south,
    west, north, east. [degree]

    >>> clip_ring(np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0]]), (-1.0, -1.0, 2.0, 9.0)).tolist()
    [[2.0, 2.0], [0.0, 0.0], [4.0, 0.0], [4.0, 2.0]]
    """
    south, west, north, east = box
    for axis, edge, sign in ((0, west, 1.0), (0, east, -1.0), (1, south, 1.0), (1, north, -1.0)):
        inside = sign * (ring[:, axis] - edge) >= 0.0
        if inside.all():
            continue
        before = np.roll(ring, 1, axis=0)
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

    `line` has shape (n_point, 2); `box` is south, west, north, east. [degree]
    """
    inside = _in_box(line, box)
    if inside.all() and len(line) > 1:
        yield line
        return
    near = inside | np.append(inside[1:], False) | np.append(False, inside[:-1])
    for run in np.split(np.arange(len(line)), np.flatnonzero(np.diff(near.astype(np.int8))) + 1):
        if near[run[0]] and len(run) > 1:
            yield line[run]


def _in_box(line: Line, box: Bounds) -> NDArray[np.bool_]:
    """Tell which points lie in a box."""
    lon, lat = line[:, 0], line[:, 1]
    return (lat >= box[0]) & (lat <= box[2]) & (lon >= box[1]) & (lon <= box[3])


def _edges(lines: Sequence[Line]) -> Line:
    """West, south, east and north of each line, and the longer side with longitude shrunk to its first latitude.

    The result has shape (n_line, 5). [degree]
    """
    points, first = np.concatenate(lines), np.cumsum([0, *map(len, lines[:-1])])
    low, high = np.minimum.reduceat(points, first), np.maximum.reduceat(points, first)
    width, height = (high - low).T
    shrunk = width * np.cos(np.radians(points[first, 1]))
    return np.column_stack([low, high, np.maximum(shrunk, height)])


def _turns(edges: Line, box: Bounds) -> Iterator[tuple[int, Line]]:
    """Yield lines, by number, that meet a box when turned round the globe, and the turns; lines in order."""
    west, south, east, north = edges.T[:4]
    turned = np.array(TURNS)[:, :1]
    meets = (south <= box[2]) & (north >= box[0]) & (west + turned <= box[3]) & (east + turned >= box[1])
    for line, turn in zip(*(found.tolist() for found in np.nonzero(meets.T)), strict=True):
        yield line, TURNS[turn]


def _extent(line: Line) -> float:
    """Longer side of the box round a line, longitude shrunk to its latitude. [degree]."""
    width, height = line.max(axis=0) - line.min(axis=0)
    return float(max(width * math.cos(math.radians(float(line[0, 1]))), height))


def _lines(
    steps: Sequence[Sequence[int]], strays: Sequence[Sequence[int]], digits: int
) -> tuple[list[Line], list[NDArray[np.float64]]]:
    """Lines written as whole steps, and how far each strays without each of its points; all in one go. [degree]."""
    counts = np.array([len(line) for line in strays])
    if [2 * len(line) for line in strays] != [len(line) for line in steps] or not counts.all():
        message = "a line without points, or with a number of strays other than that of its points"
        raise ValueError(message)
    ends = np.cumsum(counts)
    moves = np.array(list(chain.from_iterable(steps))).reshape(-1, 2)
    whole = np.cumsum(moves, axis=0)
    first = ends - counts
    points = (whole - np.repeat(whole[first] - moves[first], counts, axis=0)) * 10.0**-digits
    away = np.array(list(chain.from_iterable(strays)), dtype=np.float64) * STRAY_STEP_DEG
    spans = [slice(*span) for span in zip(first.tolist(), ends.tolist(), strict=True)]
    return [points[span] for span in spans], [away[span] for span in spans]
