"""Where a road is cut into legs: at named points, towns, and the tops, feet and turns of its grades."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.files.tracks import GpxTrack, Stretches
from planner.ground import towns
from planner.model import heights

Floats = NDArray[np.float64]

MOST_LEGS = 300  # of the 500 that one drive may have
NAMED_M = 500.0  # farthest that a named point may lie from the road
TOWN_M = 3000.0  # and a town's middle
APART_M = {"named": 300.0, "town": 5000.0, "top": 1500.0, "foot": 2500.0, "turn": 2500.0, "edge": 1000.0}
"""ASSUMED: nearer than this to a cut already made, another of its kind says nothing new."""
TOWNS_APART_M = 20_000.0
_FAR_M = 50_000.0
STANDS_OUT_M = 60.0
"""ASSUMED: a top that stands out less is no pass, a climb lower than this no grade; likely range 40 to 100."""
_ROUGH_M = (40.0, 50.0, 60.0, 80.0, 110.0, 150.0, 220.0)  # how far a leg may bend from an even grade, tried in order


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """A point where the road is cut: how far along, of which kind, and its name where the file gives one."""

    at_m: float
    kind: str
    name: str = ""
    town: towns.Town | None = None


def cuts_of(road: Stretches) -> list[Cut]:
    """Cuts of a road in order, its two ends included; fewer than `MOST_LEGS` + 1."""
    for factor, rough_m in enumerate(_ROUGH_M, start=1):
        found = _cuts(road, rough_m, TOWNS_APART_M * factor)
        if len(found) <= MOST_LEGS:
            break
    if len(found) == 2:  # a loop needs places on the way
        found[1:1] = [Cut(at_m=share * road.track.length_m, kind="turn") for share in (1.0 / 3.0, 2.0 / 3.0)]
    keep = np.linspace(0, len(found) - 1, min(MOST_LEGS, len(found))).round().astype(int)  # evenly, with the ends
    return [found[n] for n in keep.tolist()]


def _cuts(road: Stretches, rough_m: float, towns_apart_m: float) -> list[Cut]:
    """Cuts in order; one too near another of no lesser kind says nothing new and is left out."""
    chosen = [_end(road, 0.0), _end(road, road.track.length_m)]
    for cut in (*_named(road), *_edges(road), *_towns(road, towns_apart_m), *_of_grades(road.track, rough_m)):
        if all(abs(cut.at_m - other.at_m) >= APART_M[cut.kind] for other in chosen):
            chosen.append(cut)
    return sorted(chosen, key=lambda cut: cut.at_m)


def _end(road: Stretches, at_m: float) -> Cut:
    """Start or finish, called after a named point or a town beside it."""
    point = road.part(max(0.0, at_m - 1.0), min(road.track.length_m, at_m + 1.0))
    lat, lon = (point.lat_deg[0], point.lon_deg[0]) if at_m == 0.0 else (point.lat_deg[-1], point.lon_deg[-1])
    name = _nearest_name(road.track, lat, lon)
    near = towns.towns_near(lat, lon, within_m=_FAR_M)
    if near and not name and near[0][0] > 2.0 * TOWN_M:
        name = f"{'Start' if at_m == 0.0 else 'Finish'} near {near[0][1].full_name}"
    return Cut(at_m=at_m, kind="end", name=name, town=near[0][1] if near and not name else None)


def _nearest_name(track: GpxTrack, lat: float, lon: float) -> str:
    near = ((apart_m(lat, lon, one.lat_deg, one.lon_deg), one.name) for one in track.named)
    return min(((off_m, name) for off_m, name in near if off_m <= NAMED_M), default=(0.0, ""))[1]


def apart_m(lat1_deg: float, lon1_deg: float, lat2_deg: float, lon2_deg: float) -> float:
    """Distance of two points on a sphere."""
    return 1e3 * float(towns.apart_km(lat1_deg, lon1_deg, np.array(lat2_deg), np.array(lon2_deg)))


def _named(road: Stretches) -> list[Cut]:
    """Named points of the file that lie on the road, at each passing."""
    return [
        Cut(at_m=at_m, kind="named", name=one.name)
        for one in road.track.named[:MOST_LEGS]
        for _, at_m in road.passages(one.lat_deg, one.lon_deg, within_m=NAMED_M)
    ]


def _edges(road: Stretches) -> list[Cut]:
    """Ends of the stretches whose heights are unknown, so that these alone become unknown legs."""
    length_m = road.track.length_m
    ends = (at_m for span in road.track.unknown for at_m in span)
    return [Cut(at_m=at_m, kind="edge") for at_m in ends if 0.0 < at_m < length_m]


def _towns(road: Stretches, apart_m: float) -> list[Cut]:
    """Towns on the road, the larger ones first, at least `apart_m` from one another."""
    track = road.track
    lat, lon = np.array(track.lat_deg), np.array(track.lon_deg)
    table = towns.table()
    found: list[tuple[float, float, int]] = []
    for number in _beside(lat, lon):
        for off_m, at_m in road.passages(float(table.lat_deg[number]), float(table.lon_deg[number]), within_m=TOWN_M):
            found.append((-float(table.people[number]) * (1.2 - off_m / TOWN_M), at_m, number))
    chosen: list[Cut] = []
    for _, at_m, number in sorted(found):
        if all(abs(at_m - other.at_m) >= apart_m for other in chosen):
            chosen.append(Cut(at_m=at_m, kind="town", town=table.town(number)))
    return chosen


def _beside(lat: Floats, lon: Floats) -> list[int]:
    """Numbers of the towns in the cells of a twentieth of a degree that a road touches, and in those around."""
    table = towns.table()
    size = 0.05
    road = {(round(a), round(b)) for a, b in zip((lat / size).tolist(), (lon / size).tolist(), strict=True)}
    wide = int(np.ceil(0.6 / max(float(np.cos(np.radians(np.abs(lat).max()))), 0.05)))
    cells = {(a + i, b + j) for a, b in road for i in (-1, 0, 1) for j in range(-wide, wide + 1)}
    inside = np.flatnonzero((table.lat_deg > lat.min() - 0.1) & (table.lat_deg < lat.max() + 0.1))
    rows, columns = np.rint(table.lat_deg[inside] / size), np.rint(table.lon_deg[inside] / size)
    pairs = zip(inside.tolist(), rows.astype(int).tolist(), columns.astype(int).tolist(), strict=True)
    return [number for number, row, column in pairs if (row, column) in cells]


# --- grades ---


def _of_grades(track: GpxTrack, rough_m: float) -> list[Cut]:
    """Tops first, then feet, then the points where a grade turns steeper or less steep."""
    along, height = np.array(track.distance_m), np.array(track.elevation_m)
    known = np.isfinite(height)
    if known.sum() < 3:
        return []
    along, height = along[known], height[known]
    ends = heights.turning(height, STANDS_OUT_M)
    tops = [n for before, n, after in _triples(ends) if height[n] > max(height[before], height[after])]
    bends = bends_of(along, height, rough_m)
    feet = [n for n in ends[1:-1] if n not in tops]
    for before, n, after in _triples(bends):  # a climb begins out of a gentler road, in either direction
        gentle, steep = sorted((height[other] - height[n]) / abs(along[other] - along[n]) for other in (before, after))
        if steep > 0.025 and abs(gentle) < 0.02:
            feet.append(n)
    kinds = (("top", tops), ("foot", feet), ("turn", bends[1:-1]))
    return [Cut(at_m=float(along[n]), kind=kind) for kind, found in kinds for n in found]


def _triples(numbers: list[int]) -> Iterator[tuple[int, int, int]]:
    return zip(numbers, numbers[1:], numbers[2:], strict=False)


def bends_of(along_m: Floats, rows: Floats, rough: float) -> list[int]:
    """Points between which straight lines stay within `rough` of every row of values (Douglas and Peucker, 1973).

    >>> bends_of(np.arange(7.0), np.array([0.0, 0.1, 0.0, 1.0, 2.0, 3.0, 3.1]), 0.5)
    [0, 2, 5, 6]
    """
    values = np.atleast_2d(rows)
    keep, stack = {0, len(along_m) - 1}, [(0, len(along_m) - 1)]
    while stack:
        first, last = stack.pop()
        if last - first < 2:
            continue
        share = (along_m[first : last + 1] - along_m[first]) / (along_m[last] - along_m[first])
        begin, end = values[:, first, np.newaxis], values[:, last, np.newaxis]
        off = np.abs(values[:, first : last + 1] - begin - (end - begin) * share).max(axis=0)
        worst = int(np.argmax(off))
        if off[worst] > rough:
            keep.add(first + worst)
            stack += [(first, first + worst), (first + worst, last)]
    return sorted(keep)
