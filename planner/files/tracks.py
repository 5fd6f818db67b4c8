"""A track's points along the road: distances, positions, and smoothed elevations.

Points under ten metres apart are merged; dense elevations are averaged every 50 m and smoothed according to their noise
(`planner.model.heights`). Where elevations are missing for over a kilometre, the coarse terrain model decides whether a
constant grade is acceptable; if not, they stay unknown. A track of 200,000 points takes about a second.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from planner.files.gpx import Named, Points, read_gpx
from planner.files.reading import Problems
from planner.files.track_heights import DENSE_M, HIGH_M, usable
from planner.ground.between import ground_between
from planner.model import geo, heights
from planner.model.display import counted
from planner.model.trip import Profile

Floats = NDArray[np.float64]
Spans = tuple[tuple[float, float], ...]

MAX_LENGTH_M = 2e7  # half around the earth, as for a leg
STEEPEST = 0.15
"""ASSUMED: on a through road, steeper than this over 50 m is a tunnel, a bridge or noise; likely range 0.12 to 0.20."""
GRID_M = 50.0
_BLOCK = 256

_COARSE_M = 400.0  # points further apart than this were simplified on purpose and are not smoothed
_BENDS_CUT = 0.12
"""ASSUMED: points over 100 m apart that rise more steeply than this cut off the bends between; range 0.10 to 0.14."""
_MOVED_M = 10.0  # nearer points are position noise of a parked car
_GAP_M, _SEGMENT_GAP_M = 1000.0, 200.0
_LONGEST_M = 5000.0  # longer steps are always examined
_INSTEAD = (
    "leave the cell under 'profile' empty (a constant grade between the ends is then assumed), or name a CSV file "
    "with distance and elevation"
)
OTHERWISE = f"Otherwise set 'heights' to steep, or {_INSTEAD}"
REALLY_STEEP = 0.35
"""ASSUMED: steepest street that people drive; likely range 0.3 to 0.4."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GpxTrack:
    """A track along the road; the four arrays have the same length, spans are distances from the start."""

    distance_m: tuple[float, ...]  # rising from 0
    elevation_m: tuple[float, ...]  # NaN where unknown
    lat_deg: tuple[float, ...]
    lon_deg: tuple[float, ...]
    gaps: Spans = ()  # stretches without points
    unknown: Spans = ()  # stretches without elevations where a constant grade is not acceptable
    steep: Spans = ()  # stretches whose grade was limited
    cut: Spans = ()  # stretches whose bends were lengthened
    tracks: int = 1
    named: tuple[Named, ...] = ()  # points with a name, on or off the road
    notes: tuple[str, ...] = ()  # parts of sentences on other corrections

    @property
    def length_m(self) -> float:
        """Length along the road."""
        return self.distance_m[-1]

    def profile(self) -> Profile:
        """Return distances and elevations alone."""
        return Profile(
            distance_m=self.distance_m, elevation_m=self.elevation_m, lat_deg=self.lat_deg, lon_deg=self.lon_deg
        )

    def reverse(self) -> "GpxTrack":
        """Return the track reversed."""
        end = self.length_m
        return replace(
            self.with_spans(lambda spans: tuple((end - b, end - a) for a, b in reversed(spans))),
            distance_m=tuple(end - d for d in reversed(self.distance_m)),
            elevation_m=self.elevation_m[::-1],
            lat_deg=self.lat_deg[::-1],
            lon_deg=self.lon_deg[::-1],
        )

    def stretch(self, distance_m: float) -> "GpxTrack":
        """Return the track scaled to another length."""
        scale = distance_m / self.length_m
        return replace(
            self.with_spans(lambda spans: tuple((a * scale, b * scale) for a, b in spans)),
            distance_m=(*(d * scale for d in self.distance_m[:-1]), distance_m),
        )

    def with_spans(self, change: Callable[[Spans], Spans]) -> "GpxTrack":
        """Return the track with every kind of span changed; the points stay."""
        return replace(
            self, gaps=change(self.gaps), unknown=change(self.unknown), steep=change(self.steep), cut=change(self.cut)
        )


def remeasured(spans: Spans, old_m: Sequence[float] | Floats, new_m: Sequence[float] | Floats) -> Spans:
    """Map spans to new distances along the road.

    >>> remeasured(((1.0, 2.0),), [0.0, 4.0], [0.0, 8.0])
    ((2.0, 4.0),)
    """
    ends = np.interp(np.array(spans).reshape(-1), old_m, new_m).reshape(-1, 2)
    return tuple((float(a), float(b)) for a, b in ends)


class Stretches:
    """Finds where a track passes places and cuts it there, for legs that share a track."""

    def __init__(self, track: GpxTrack) -> None:
        self.track = track
        self.along_m, self._lat, self.height_m = map(np.array, (track.distance_m, track.lat_deg, track.elevation_m))
        self._lon = np.unwrap(np.array(track.lon_deg), period=360.0)
        self._longest_m = float(np.diff(self.along_m).max())
        begins = np.arange(0, len(self._lat), _BLOCK)  # bounding boxes of blocks of points, to skip most
        self._south, self._west = np.minimum.reduceat(self._lat, begins), np.minimum.reduceat(self._lon, begins)
        self._north, self._east = np.maximum.reduceat(self._lat, begins), np.maximum.reduceat(self._lon, begins)

    def passages(
        self, lat_deg: float, lon_deg: float, *, within_m: float, aside_m: float = math.inf
    ) -> list[tuple[float, float]]:
        """Passages of the track near a point: distance to it [m] and distance along the track [m].

        Between two passages the track leaves `within_m`, or moves `aside_m` farther away than at either.
        """
        high = (within_m + self._longest_m) / 110_000.0
        wide = high / max(float(np.cos(np.radians(lat_deg))), 0.02)
        turns = np.round((0.5 * (self._west + self._east) - lon_deg) / 360.0) * 360.0
        tall = (self._south <= lat_deg + high) & (self._north >= lat_deg - high)
        blocks = np.flatnonzero(tall & (self._west - turns <= lon_deg + wide) & (self._east - turns >= lon_deg - wide))
        inside = (blocks[:, np.newaxis] * _BLOCK + np.arange(_BLOCK)).ravel()
        inside = inside[inside < len(self._lat)]
        near_lon = np.abs((self._lon[inside] - lon_deg + 180.0) % 360.0 - 180.0) <= wide
        box = inside[(np.abs(self._lat[inside] - lat_deg) <= high) & near_lon]
        if not box.size:
            return []
        begin = np.unique(np.clip(np.concatenate([box - 1, box]), 0, len(self.along_m) - 2))
        # distance to the straight segments, on the tangent plane at the place
        metres = 111_195.0 * np.cos(np.radians(lat_deg)), 111_195.0
        pair = np.stack([begin, begin + 1])
        x = ((self._lon[pair] - lon_deg + 180.0) % 360.0 - 180.0) * metres[0]
        y = (self._lat[pair] - lat_deg) * metres[1]
        run_x, run_y = x[1] - x[0], y[1] - y[0]
        squared = np.maximum(run_x**2 + run_y**2, 1e-9)
        share = np.clip(-(x[0] * run_x + y[0] * run_y) / squared, 0.0, 1.0)
        apart = np.hypot(x[0] + share * run_x, y[0] + share * run_y)
        where = self.along_m[begin] + share * (self.along_m[begin + 1] - self.along_m[begin])
        near = np.flatnonzero(apart <= within_m)
        # a new passage starts after the road left the range
        runs = np.split(near, np.flatnonzero(np.diff(begin[near]) > 1) + 1)
        best = [n for run in runs if run.size for n in _lows(apart, run, aside_m)]
        if math.isfinite(aside_m):  # plus the track's ends
            best += [
                n for n in near[(begin[near] == 0) | (begin[near] == len(self.along_m) - 2)].tolist() if n not in best
            ]
        return [(float(apart[n]), float(where[n])) for n in best]

    def apart_m(self, at_m: float, lat_deg: float, lon_deg: float) -> float:
        """Distance of a point of the track from another point."""
        lat, lon = float(np.interp(at_m, self.along_m, self._lat)), float(np.interp(at_m, self.along_m, self._lon))
        return geo.distance_m(lat1_deg=lat, lon1_deg=lon, lat2_deg=lat_deg, lon2_deg=lon_deg)

    def part(self, begin_m: float, end_m: float) -> GpxTrack:
        """Return the part between two distances from the start, with interpolated ends."""
        first, last = np.searchsorted(self.along_m, [begin_m + 0.01, end_m - 0.01])
        at = np.concatenate([[begin_m], self.along_m[first:last], [end_m]])
        around = slice(max(int(first) - 1, 0), int(last) + 1)

        def row(values: Floats) -> Floats:
            return np.asarray(np.interp(at, self.along_m[around], values[around]))

        def clip(spans: Spans) -> Spans:
            kept = ((max(a, begin_m) - begin_m, min(b, end_m) - begin_m) for a, b in spans)
            return tuple((a, b) for a, b in kept if b > a)

        return replace(
            self.track.with_spans(clip),
            distance_m=tuple((at - begin_m).tolist()),
            elevation_m=tuple(row(self.height_m).tolist()),
            lat_deg=tuple(row(self._lat).tolist()),
            lon_deg=tuple(((row(self._lon) + 180.0) % 360.0 - 180.0).tolist()),
        )


def _lows(values: Floats, run: NDArray[np.intp], aside_m: float) -> list[int]:
    """The minimum of a run of values, and other minima that stand out by `aside_m`."""
    part = values[run]
    turns = heights.turning(part, aside_m) if len(part) > 1 else [0, 0]
    lows = {first + int(np.argmin(part[first : last + 1])) for first, last in pairwise(turns)}
    return [int(run[n]) for n in sorted(lows)]


def parse_gpx(data: bytes, *, file: str, problems: Problems, steepest: float = STEEPEST) -> GpxTrack | None:
    """Read the track of a GPX file: its tracks joined in order, or its routes if there are none.

    >>> found = Problems()
    >>> points = "".join(f'<trkpt lat="46.{n}" lon="8.5"><ele>{900 + n}</ele></trkpt>' for n in (1, 2, 3))
    >>> track = parse_gpx(f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>".encode(), file="a.gpx", problems=found)
    >>> track.distance_m
    (0.0, 11115.4, 22231.0)
    """
    before = len(problems)
    points = read_gpx(data, file, problems)
    if points is None or len(problems) > before:
        return None
    found = track_of(points, steepest=steepest)
    if not isinstance(found, str) and not np.isfinite(found.elevation_m).any():
        found = f"has no elevations; {_INSTEAD}"
    if isinstance(found, str):
        problems.add(file, found, code="track")
        return None
    return found


# --- geometry ---


@dataclass(frozen=True, slots=True, kw_only=True)
class _Laid:
    """Points along the road: `along_m` and `height_m` of all points, the other arrays of those kept."""

    along_m: Floats
    height_m: Floats
    distance_m: Floats
    lat_deg: Floats
    lon_deg: Floats
    kept: NDArray[np.intp]
    gaps: Spans
    strays: int

    @property
    def spacing_m(self) -> float:
        return float(np.median(np.diff(self.distance_m)))


def _moved(xyz_m: Floats) -> NDArray[np.intp]:
    """Indices of points at least ten metres from the previously kept one."""
    kept = [0]
    x0, y0, z0 = xyz_m[0].tolist()
    for index, (x, y, z) in enumerate(xyz_m.tolist()):
        if (x - x0) ** 2 + (y - y0) ** 2 + (z - z0) ** 2 >= _MOVED_M**2:
            kept.append(index)
            x0, y0, z0 = x, y, z
    return np.array(kept)


def _strays(xyz_m: Floats) -> NDArray[np.bool_]:
    """Outliers of a dense track: over a kilometre off while their neighbours are close together."""
    stray = np.zeros(len(xyz_m), dtype=np.bool_)
    if len(xyz_m) < 4:
        return stray
    step = np.linalg.norm(np.diff(xyz_m, axis=0), axis=1)
    if np.median(step) > DENSE_M:
        return stray
    across = np.linalg.norm(xyz_m[2:] - xyz_m[:-2], axis=1)
    stray[1:-1] = (np.minimum(step[:-1], step[1:]) > _GAP_M) & (across < 0.2 * (step[:-1] + step[1:]))
    return stray


def _lay_out(points: Points) -> _Laid | str:
    """Lay the points along the road, or return why they are unusable."""
    lat, lon, height = (np.array(row) for row in (points.lat_deg, points.lon_deg, points.elevation_m))
    xyz_m = geo.xyz_m(lat, lon)
    stray = _strays(xyz_m)
    xyz_m, lat, lon, height = (row[~stray] for row in (xyz_m, lat, lon, height))
    kept = _moved(xyz_m)
    if len(kept) < 2:
        return "has no length; it needs at least two points ten metres apart"
    step = geo.distances_m(
        lat1_deg=lat[kept[:-1]], lon1_deg=lon[kept[:-1]], lat2_deg=lat[kept[1:]], lon2_deg=lon[kept[1:]]
    )
    along = np.concatenate([[0.0], np.cumsum(step)])
    if along[-1] > MAX_LENGTH_M:
        length = f"is {along[-1] / 1e3:,.0f} km long; the maximum is {MAX_LENGTH_M / 1e3:,.0f} km"
        return f"{length}; are lat and lon in degrees, and the points in driving order?"
    owner = np.searchsorted(kept, np.arange(len(lat)), side="right") - 1
    breaks = np.array(points.breaks, dtype=np.intp)
    breaks -= np.searchsorted(np.flatnonzero(stray), breaks)  # removed outliers shift the indices
    return _Laid(
        along_m=along[owner],
        height_m=height,
        distance_m=along,
        lat_deg=lat[kept],
        lon_deg=lon[kept],
        kept=kept,
        gaps=_gaps(along, kept, breaks),
        strays=int(stray.sum()),
    )


def track_of(points: Points, *, steepest: float = STEEPEST) -> GpxTrack | str:
    """Build the track, or return why the points are unusable; without any elevations all are NaN."""
    laid = _lay_out(points)
    if isinstance(laid, str):
        return laid
    given = laid.height_m[np.isfinite(laid.height_m)]
    if given.size and given.min() > HIGH_M:
        said = f"has elevations from {given.min():,.0f} to {given.max():,.0f}; a track holds metres, at most"
        return f"{said} {HIGH_M:,.0f}: export it in metres, or multiply feet by 0.3048"
    good, notes = usable(laid.height_m, laid.along_m, spacing_m=laid.spacing_m)
    track = GpxTrack(
        distance_m=tuple(laid.distance_m.tolist()),
        elevation_m=(math.nan,) * len(laid.distance_m),
        lat_deg=tuple(laid.lat_deg.tolist()),
        lon_deg=tuple(laid.lon_deg.tolist()),
        gaps=laid.gaps,
        tracks=points.parts,
        named=tuple(points.named),
        notes=(*((f"{counted(laid.strays, 'stray point')} ignored",) if laid.strays else ()), *notes),
    )
    if not good.any():
        return replace(track, unknown=((0.0, track.length_m),))
    along, height = laid.along_m[good], laid.height_m[good]
    if points.clean or laid.spacing_m > DENSE_M:
        filled = np.interp(laid.distance_m, along, height)
        if laid.spacing_m <= _COARSE_M and not points.clean:
            filled = _smoothed_at(laid.distance_m, filled, laid.spacing_m)
        raised = replace(track, elevation_m=tuple(filled.tolist()))
        found: GpxTrack | str = raised if points.clean else _bends_given_back(raised)
    else:
        found = _evened(track, along, height, steepest)
    if isinstance(found, str):
        return found
    ends = bool(along[0] <= 0.0), bool(along[-1] >= laid.distance_m[-1])
    if points.clean:  # elevations removed there are unknown
        return _marked(found, _left_out(laid, good), ends)
    missing = _missing(laid, good)
    if found.cut:  # lengthened since
        missing = remeasured(missing, laid.distance_m, found.distance_m)
    row_m, heights_m = np.array(found.distance_m), np.array(found.elevation_m)
    even = [_is_even(found, row_m, heights_m, begin, end) for begin, end in missing]
    return _marked(found, tuple(span for span, level in zip(missing, even, strict=True) if not level), ends)


def _gaps(along_m: Floats, kept: NDArray[np.intp], breaks: NDArray[np.intp]) -> Spans:
    """Stretches without points: over a kilometre, or from one segment to the next over 200 m."""
    step = np.diff(along_m)
    begun = np.searchsorted(breaks, kept, side="right")
    crosses = np.diff(begun) > 0
    wide = np.flatnonzero((step > _GAP_M) | (crosses & (step > _SEGMENT_GAP_M)))
    return tuple((float(along_m[n]), float(along_m[n + 1])) for n in wide)


# --- elevation ---


def _missing(laid: _Laid, good: NDArray[np.bool_]) -> Spans:
    """Stretches without elevations longer than the point spacing."""
    along = np.concatenate([[0.0], laid.along_m[good], [laid.distance_m[-1]]])
    longest = min(max(_GAP_M, 3.0 * laid.spacing_m), _LONGEST_M)
    return tuple((float(along[n]), float(along[n + 1])) for n in np.flatnonzero(np.diff(along) > longest))


def _left_out(laid: _Laid, good: NDArray[np.bool_]) -> Spans:
    """Stretches between points with elevation that contain points without."""
    number = np.concatenate([[-1], np.flatnonzero(good), [len(good)]])
    along = np.concatenate([[0.0], laid.along_m[good], [laid.distance_m[-1]]])
    return tuple((float(along[n]), float(along[n + 1])) for n in np.flatnonzero(np.diff(number) > 1))


def _marked(track: GpxTrack, unknown: Spans, ends: tuple[bool, bool]) -> GpxTrack:
    """Remove the elevations inside some stretches; `ends` marks the ends with an elevation."""
    height, along = np.array(track.elevation_m), np.array(track.distance_m)
    for begin, end in unknown:
        height[(along > begin) & (along < end)] = math.nan
    if unknown and not ends[0]:
        height[along < unknown[0][1]] = math.nan
    if unknown and not ends[1]:
        height[along > unknown[-1][0]] = math.nan
    return replace(track, elevation_m=tuple(height.tolist()), unknown=unknown) if unknown else track


def _is_even(track: GpxTrack, along: Floats, height: Floats, begin: float, end: float) -> bool:
    """Whether the ground is level enough between two points of the road; never beyond the first or last height."""
    if begin <= 0.0 or end >= along[-1]:
        return False
    lon = np.unwrap(np.array(track.lon_deg), period=360.0)
    rows = (np.array(track.lat_deg), lon, height)
    (lat1, lon1, height1), (lat2, lon2, height2) = (
        [float(np.interp(at, along, r)) for r in rows] for at in (begin, end)
    )
    return ground_between((lat1, lon1, height1), (lat2, lon2, height2), distance_m=end - begin).even


def _evened(track: GpxTrack, along_m: Floats, height_m: Floats, steepest: float) -> GpxTrack | str:
    """Resample a dense track evenly, smooth it, limit the grade."""
    count = max(1, round(track.length_m / GRID_M))
    grid = np.linspace(0.0, track.length_m, count + 1)
    average, weight = _averaged(grid, along_m, height_m)
    reading_m = track.length_m / len(height_m)
    noise_m2m = heights.noise_sd_m(height_m) ** 2 * reading_m
    smooth = heights.smooth(average, weight, step_m=float(grid[1]), noise_m2m=noise_m2m)
    steep = np.abs(np.diff(smooth)) > steepest * grid[1]
    if steep.mean() > 0.1 and steep.sum() * GRID_M > 1000.0:
        return (
            f"the grade exceeds {steepest:.0%} on {steep.mean():.0%} of the distance, too steep for a road; are the "
            f"elevations in metres, and was this a drive? {OTHERWISE}"
        )
    at = np.array(track.distance_m)
    lon = np.interp(grid, at, np.unwrap(np.array(track.lon_deg), period=360.0))
    return replace(
        track,
        distance_m=tuple(grid.tolist()),
        elevation_m=tuple(_limited(grid, smooth, steepest).tolist()),
        lat_deg=tuple(np.interp(grid, at, np.array(track.lat_deg)).tolist()),
        lon_deg=tuple(((lon + 180.0) % 360.0 - 180.0).tolist()),
        steep=_joined(grid, steep),
    )


def _averaged(grid_m: Floats, along_m: Floats, height_m: Floats) -> tuple[Floats, Floats]:
    """Mean elevation and count of the points around each grid node; empty nodes are interpolated."""
    post = np.rint(along_m / (grid_m[1] - grid_m[0])).astype(np.intp)
    count = np.bincount(post, minlength=len(grid_m))
    some = count > 0
    where = np.bincount(post, along_m, minlength=len(grid_m))[some] / count[some]
    height = np.bincount(post, height_m, minlength=len(grid_m))[some] / count[some]
    mean = float(count[some].mean())
    return np.interp(grid_m, where, height), np.where(some, np.minimum(count, 10.0 * mean), 0.05 * mean)


def _smoothed_at(along_m: Floats, height_m: Floats, spacing_m: float) -> Floats:
    """Smoothed elevations of points 100 to 400 m apart."""
    grid = np.linspace(0.0, along_m[-1], max(2, round(along_m[-1] / spacing_m) + 1))
    even = np.interp(grid, along_m, height_m)
    noise_m2m = heights.noise_sd_m(even) ** 2 * spacing_m
    smooth = heights.smooth(even, np.ones(len(grid)), step_m=float(grid[1]), noise_m2m=noise_m2m)
    return np.interp(along_m, grid, smooth)


def _bends_given_back(track: GpxTrack) -> GpxTrack:
    """Lengthen steps between widely spaced points that are too steep, since they cut off bends."""
    rise, step = np.abs(np.diff(track.elevation_m)), np.diff(track.distance_m)
    short = rise > _BENDS_CUT * step
    if not short.any():
        return track
    longer = np.where(short, rise / _BENDS_CUT, step)
    along = np.concatenate([[0.0], np.cumsum(longer)])
    gaps = remeasured(track.gaps, track.distance_m, along)
    return replace(track, distance_m=tuple(along.tolist()), gaps=gaps, cut=_joined(along, short))


def _limited(along_m: Floats, height_m: Floats, steepest: float) -> Floats:
    """Grade-limited profile: the mean of the lowest bound above and the highest bound below."""
    ramp = steepest * along_m
    above = np.maximum(
        np.maximum.accumulate(height_m + ramp) - ramp,
        np.maximum.accumulate((height_m - ramp)[::-1])[::-1] + ramp,
    )
    below = np.minimum(
        np.minimum.accumulate(height_m - ramp) + ramp,
        np.minimum.accumulate((height_m + ramp)[::-1])[::-1] - ramp,
    )
    return (above + below) / 2.0


def _joined(grid_m: Floats, flags: NDArray[np.bool_]) -> Spans:
    """Start and end of each run of flagged steps; runs under 500 m apart are merged."""
    spans: list[tuple[float, float]] = []
    for n in np.flatnonzero(flags).tolist():
        begin, end = float(grid_m[n]), float(grid_m[n + 1])
        if spans and begin - spans[-1][1] < 500.0:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((begin, end))
    return tuple(spans)
