"""A picture of the map that needs no script: outlines, the route in its colours, and its marked points."""

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from maps.basemap import Basemap
from maps.scene import LEVELS, Scene
from maps.thinning import thinned
from maps.track import beside

Array = NDArray[np.float64]
WIDTH = 720.0
MARGIN = 30.0
FINE, COARSE = 0.6, 1.5  # largest error of the route and of outlines, in units of the picture
SHOWN = {"over": 8.0, "hot": 8.0, "start": 6.0, "finish": 6.0, "night": 4.0}
NAME_WIDTH, NAME_HEIGHT = 10.8, 20.0  # of a letter and a line, about


def draw(scene: Scene, basemap: Basemap, *, escape: Callable[[str], str]) -> str:
    """Draw the map as one SVG element, whose parts carry the classes of the page's style.

    `escape` makes any text safe to stand in a page.
    """
    frame = _Frame(scene.bounds())
    ground = [
        f'<path class="{name}" fill="none" d="{frame.paths(lines, COARSE)}"/>'
        for name, lines in (
            ("land", basemap.land),
            ("states", basemap.states),
            ("borders", basemap.borders),
            ("lakes", basemap.lakes),
        )
    ]
    box = f"0 0 {WIDTH:.0f} {frame.height:.0f}"
    return (
        f'<svg class="still" viewBox="{box}" role="img" aria-label="Map of the route">'
        f'<rect class="sea" width="{WIDTH:.0f}" height="{frame.height:.0f}"/>{"".join(ground)}'
        f"{_route(scene, frame)}{_points(scene, frame, escape)}</svg>"
    )


class _Frame:
    """Degrees to units of the picture: longitude shrunk to the middle latitude."""

    def __init__(self, bounds: tuple[float, float, float, float]) -> None:
        south, self.west, self.north, east = bounds
        self.shrink = math.cos(math.radians((south + self.north) / 2))
        wide, high = max((east - self.west) * self.shrink, 1e-3), max(self.north - south, 1e-3)
        self.scale = min((WIDTH - 2 * MARGIN) / wide, WIDTH / high)
        self.left = (WIDTH - wide * self.scale) / 2
        self.height = high * self.scale + 2 * MARGIN

    def place(self, lon: Array, lat: Array) -> Array:
        """Positions in the picture, shape (n, 2)."""
        x = self.left + (lon - self.west) * self.shrink * self.scale
        return np.column_stack([x, MARGIN + (self.north - lat) * self.scale])

    def path(self, lines: Sequence[Array], bound: float) -> str:
        """Path of lines in the picture, thinned."""
        kept = (np.round(line, 1).tolist() for line in thinned(lines, bound)) if lines else ()
        return "".join("M" + "L".join(f"{x:g} {y:g}" for x, y in line) for line in kept)

    def paths(self, lines: tuple[Array, ...], bound: float) -> str:
        """Path of many lines of longitude and latitude; what lies outside the picture or is tiny is left out."""
        shown = []
        for line in lines:
            points = self.place(line[:, 0], line[:, 1])
            low, high = points.min(axis=0), points.max(axis=0)
            inside = high[0] > 0.0 and high[1] > 0.0 and low[0] < WIDTH and low[1] < self.height
            if inside and float((high - low).max()) > 4 * bound:
                limits = np.array([WIDTH, self.height])
                shown.append(np.clip(points, -0.5 * limits, 1.5 * limits))
        return self.path(shown, bound)


def _route(scene: Scene, frame: _Frame) -> str:
    """The route, stretches with small margins last and wider."""
    route = scene.route()
    points = frame.place(route[:, 0], route[:, 1])
    parts = [f'<path class="route-plain" fill="none" stroke-width="2" d="{frame.path([points], FINE)}"/>']
    for level, width in zip(LEVELS, (3, 5, 6, 8), strict=True):
        drawn = frame.path([points[one.start : one.end + 1] for one in scene.stretches if one.level == level], FINE)
        if drawn:
            parts.append(f'<path class="level-{level}" fill="none" stroke-width="{width}" d="{drawn}"/>')
    return "".join(parts)


def _points(scene: Scene, frame: _Frame, escape: Callable[[str], str]) -> str:
    """Marked points with their names, as far as there is room, the earlier kinds first."""
    parts, names = [], []
    taken: list[tuple[float, float, float]] = []
    wanted = sorted((one for one in scene.markers if one.kind in SHOWN), key=lambda one: list(SHOWN).index(one.kind))
    for one in wanted:
        lon = beside(one.lon, scene.track.lon[0])
        ((x, y),) = frame.place(np.array([lon]), np.array([one.lat])).tolist()
        parts.append(f'<circle class="dot-{one.kind}" cx="{x:.1f}" cy="{y:.1f}" r="{SHOWN[one.kind]:g}"/>')
        room = len(one.label) * NAME_WIDTH
        for anchor, left, at in (("start", x + 10.0, x + 10.0), ("end", x - 10.0 - room, x - 10.0)):
            inside = left >= 0.0 and left + room <= WIDTH
            if inside and all(abs(y - t[2]) > NAME_HEIGHT or left > t[1] or left + room < t[0] for t in taken):
                taken.append((left, left + room, y))
                names.append(f'<text x="{at:.1f}" y="{y + 6:.1f}" text-anchor="{anchor}">{escape(one.label)}</text>')
                break
    return "".join([*reversed(parts), *names])
