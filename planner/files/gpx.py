"""Reading a recorded or drawn track (GPX 1.0 or 1.1) into distances, smoothed elevations and positions.

A track of 200,000 points costs about a second. Times and speeds in the file are not looked at.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.files.gpxpoints import Points, decoded, read_points
from planner.files.reading import Problems
from planner.model.geo import smooth_elevation
from planner.model.trip import Profile

Floats = NDArray[np.float64]
Spans = tuple[tuple[float, float], ...]

MAX_LENGTH_M = 2e7  # half around the earth, as for a leg
STEEPEST = 0.15
"""ASSUMED: on a through road, steeper than this over 50 m is a tunnel, a bridge or noise; likely range 0.12 to 0.20."""
GRID_M = 50.0
WINDOW_M = 600.0  # a body reacts within a kilometre or two; 3 m of noise leaves 0.4 % of grade at this width

_COARSE_M = 100.0  # points further apart than this were picked or thinned on purpose and are left as they are
_MOVED_M = 10.0  # nearer points are a parked car's scatter, not a road
_GAP_M, _SEGMENT_GAP_M = 1000.0, 200.0
_LOW_M, _HIGH_M = -450.0, 6500.0
_OUTLIER_M = 100.0
_SEMI_MAJOR_M, _FLATTENING = 6378137.0, 1 / 298.257223563  # WGS84
_RADIUS_M = 6371008.8
_INSTEAD = (
    "leave the cell under 'profile' empty (an even grade between the elevations of the ends is then assumed), or name "
    "a CSV with distance and elevation"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GpxTrack:
    """One drive along a track; the four rows of numbers have the same length, distances rise from 0.

    `gaps` are the stretches without points, `steep` those whose grade was limited, both as distances from the start;
    `notes` are parts of sentences on what else was mended.
    """

    distance_m: tuple[float, ...]
    elevation_m: tuple[float, ...]
    lat_deg: tuple[float, ...]
    lon_deg: tuple[float, ...]
    gaps: Spans = ()
    steep: Spans = ()
    tracks: int = 1
    notes: tuple[str, ...] = ()

    @property
    def length_m(self) -> float:
        """Length along the road."""
        return self.distance_m[-1]

    def profile(self) -> Profile:
        """Return the points without what was mended."""
        return Profile(
            distance_m=self.distance_m, elevation_m=self.elevation_m, lat_deg=self.lat_deg, lon_deg=self.lon_deg
        )

    def reverse(self) -> "GpxTrack":
        """Return the same road driven the other way."""
        end = self.length_m
        return replace(
            self,
            distance_m=tuple(end - d for d in reversed(self.distance_m)),
            elevation_m=self.elevation_m[::-1],
            lat_deg=self.lat_deg[::-1],
            lon_deg=self.lon_deg[::-1],
            gaps=tuple((end - b, end - a) for a, b in reversed(self.gaps)),
            steep=tuple((end - b, end - a) for a, b in reversed(self.steep)),
        )

    def stretch(self, distance_m: float) -> "GpxTrack":
        """Return the track scaled to another length."""
        scale = distance_m / self.length_m
        return replace(
            self,
            distance_m=(*(d * scale for d in self.distance_m[:-1]), distance_m),
            gaps=tuple((a * scale, b * scale) for a, b in self.gaps),
            steep=tuple((a * scale, b * scale) for a, b in self.steep),
        )


def parse_gpx(data: bytes, *, file: str, problems: Problems) -> GpxTrack | None:
    """Read the track of a GPX file's bytes: its tracks joined in order, or where there are none its routes.

    Parameters
    ----------
    data : bytes
        Content of the file. [-]
    file : str
        Its name in messages. [-]
    problems : Problems
        Where faults go. [-]

    Returns
    -------
    GpxTrack or None
        None when a problem was noted.

    Examples
    --------
    >>> found = Problems()
    >>> points = "".join(f'<trkpt lat="46.{n}" lon="8.5"><ele>{900 + n}</ele></trkpt>' for n in (1, 2, 3))
    >>> track = parse_gpx(f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>".encode(), file="a.gpx", problems=found)
    >>> track.distance_m
    (0.0, 11115.4, 22231.0)
    """
    before = len(problems)
    text = decoded(data, file, problems)
    points = None if text is None else read_points(text, file, problems)
    if points is None or len(problems) > before:
        return None
    fault_or_track = _track(points)
    if isinstance(fault_or_track, str):
        problems.add(file, fault_or_track)
        return None
    return fault_or_track


# --- geometry ---


def _arc_m(chord_m: Floats) -> Floats:
    """Bend chords to arcs of the mean radius: within 0.001 % of the geodesic up to 500 km, wherever they lie."""
    return 2.0 * _RADIUS_M * np.arcsin(np.minimum(chord_m / (2.0 * _RADIUS_M), 1.0))


def _xyz_m(lat_deg: Floats, lon_deg: Floats) -> Floats:
    """Return points of the ellipsoid from the earth's centre, shape (n, 3)."""
    lat, lon = np.radians(lat_deg), np.radians(lon_deg)
    squared = _FLATTENING * (2.0 - _FLATTENING)
    normal_m = _SEMI_MAJOR_M / np.sqrt(1.0 - squared * np.sin(lat) ** 2)
    flat_m = normal_m * np.cos(lat)
    return np.column_stack([flat_m * np.cos(lon), flat_m * np.sin(lon), normal_m * (1.0 - squared) * np.sin(lat)])


def _moved(xyz_m: Floats) -> NDArray[np.intp]:
    """Indices of points at least ten metres from the one kept before, the first included."""
    kept = [0]
    x0, y0, z0 = xyz_m[0].tolist()
    for index, (x, y, z) in enumerate(xyz_m.tolist()):
        if (x - x0) ** 2 + (y - y0) ** 2 + (z - z0) ** 2 >= _MOVED_M**2:
            kept.append(index)
            x0, y0, z0 = x, y, z
    return np.array(kept)


def _strays(xyz_m: Floats) -> NDArray[np.bool_]:
    """Points of a dense track that lie more than a kilometre off while their neighbours lie together."""
    stray = np.zeros(len(xyz_m), dtype=np.bool_)
    if len(xyz_m) < 4:
        return stray
    step = np.linalg.norm(np.diff(xyz_m, axis=0), axis=1)
    if np.median(step) > _COARSE_M:
        return stray
    across = np.linalg.norm(xyz_m[2:] - xyz_m[:-2], axis=1)
    stray[1:-1] = (np.minimum(step[:-1], step[1:]) > _GAP_M) & (across < 0.2 * (step[:-1] + step[1:]))
    return stray


def _track(points: Points) -> GpxTrack | str:
    """Build the track, or say what makes the points useless."""
    lat, lon, height = (np.array(row) for row in (points.lat_deg, points.lon_deg, points.elevation_m))
    xyz_m = _xyz_m(lat, lon)
    stray = _strays(xyz_m)
    xyz_m, lat, lon, height = (row[~stray] for row in (xyz_m, lat, lon, height))
    kept = _moved(xyz_m)
    if len(kept) < 2:
        return "has no length; at least two points ten metres apart are needed"
    step = _arc_m(np.linalg.norm(np.diff(xyz_m[kept], axis=0), axis=1))
    along = np.concatenate([[0.0], np.cumsum(step)])
    if along[-1] > MAX_LENGTH_M:
        most = f"the most is {MAX_LENGTH_M / 1e3:,.0f} km"
        return f"is {along[-1] / 1e3:,.0f} km long; {most}; are lat and lon degrees, and the points in driving order?"
    owner = np.searchsorted(kept, np.arange(len(lat)), side="right") - 1
    mended = _mended_elevation(along[owner], height, coarse=float(np.median(step)) > _COARSE_M)
    if isinstance(mended, str):
        return mended
    height, notes = mended
    breaks = np.array(points.breaks, dtype=np.intp)
    breaks -= np.searchsorted(np.flatnonzero(stray), breaks)  # the strays left out shift what follows
    track = GpxTrack(
        distance_m=tuple(along.tolist()),
        elevation_m=tuple(height[kept].tolist()),
        lat_deg=tuple(lat[kept].tolist()),
        lon_deg=tuple(lon[kept].tolist()),
        gaps=_gaps(along, kept, breaks),
        tracks=points.parts,
        notes=(*((_counted(int(stray.sum()), "stray point"),) if stray.any() else ()), *notes),
    )
    return track if np.median(step) > _COARSE_M else _smoothed(track, along[owner], height)


def _counted(count: int, what: str) -> str:
    return f"{count:,} {what}{'s' if count > 1 else ''} left out"


def _gaps(along_m: Floats, kept: NDArray[np.intp], breaks: NDArray[np.intp]) -> Spans:
    """Stretches without points: over a kilometre, or from one segment to the next over 200 m."""
    step = np.diff(along_m)
    begun = np.searchsorted(breaks, kept, side="right")
    crosses = np.diff(begun) > 0
    wide = np.flatnonzero((step > _GAP_M) | (crosses & (step > _SEGMENT_GAP_M)))
    return tuple((float(along_m[n]), float(along_m[n + 1])) for n in wide)


# --- elevation ---


def _mended_elevation(along_m: Floats, height_m: Floats, *, coarse: bool) -> tuple[Floats, tuple[str, ...]] | str:
    """Fill missing and impossible elevations from their neighbours; say what was done, or why it cannot be."""
    from scipy.ndimage import median_filter  # slow to import

    given = np.isfinite(height_m)
    height = np.where(given & (height_m >= _LOW_M) & (height_m <= _HIGH_M), height_m, np.nan)
    good = np.isfinite(height)
    if good.any() and not coarse:
        middle = median_filter(height[good], size=5, mode="nearest")
        good[np.flatnonzero(good)[np.abs(height[good] - middle) > _OUTLIER_M]] = False
    if not good.any() or (height[good] == 0.0).all():
        return f"has no elevations; {_INSTEAD}"
    if good.mean() < 0.5:
        return f"has usable elevations at {int(good.sum()):,} of {len(good):,} points only; {_INSTEAD}"
    notes = []
    if not given.all():
        notes.append(f"elevation missing at {int((~given).sum()):,} of {len(given):,} points and interpolated")
    if (given & ~good).any():
        notes.append(_counted(int((given & ~good).sum()), "impossible elevation"))
    return np.interp(along_m, along_m[good], height[good]), tuple(notes)


def _smoothed(track: GpxTrack, along_m: Floats, height_m: Floats) -> GpxTrack | str:
    """Resample a dense track evenly, take out the noise, limit the grade."""
    count = max(1, round(track.length_m / GRID_M))
    grid = np.linspace(0.0, track.length_m, count + 1)
    smooth = smooth_elevation(grid, _averaged(grid, along_m, height_m), window_m=WINDOW_M)
    steep = np.abs(np.diff(smooth)) > STEEPEST * (grid[1] - grid[0])
    if steep.mean() > 0.1 and steep.sum() * GRID_M > 1000.0:
        return (
            f"its elevations rise or fall by more than {STEEPEST:.0%} on {steep.mean():.0%} of the way, as no "
            f"road does; are they metres, and is this a drive? Otherwise {_INSTEAD}"
        )
    at = np.array(track.distance_m)
    lon = np.interp(grid, at, np.unwrap(np.array(track.lon_deg), period=360.0))
    return replace(
        track,
        distance_m=tuple(grid.tolist()),
        elevation_m=tuple(_limited(grid, smooth).tolist()),
        lat_deg=tuple(np.interp(grid, at, np.array(track.lat_deg)).tolist()),
        lon_deg=tuple(((lon + 180.0) % 360.0 - 180.0).tolist()),
        steep=_spans(grid, steep),
    )


def _averaged(grid_m: Floats, along_m: Floats, height_m: Floats) -> Floats:
    """Mean elevation of the points around each post; posts without points are interpolated."""
    post = np.rint(along_m / (grid_m[1] - grid_m[0])).astype(np.intp)
    count = np.bincount(post, minlength=len(grid_m))
    some = count > 0
    where = np.bincount(post, along_m, minlength=len(grid_m))[some] / count[some]
    height = np.bincount(post, height_m, minlength=len(grid_m))[some] / count[some]
    return np.interp(grid_m, where, height)


def _limited(along_m: Floats, height_m: Floats) -> Floats:
    """Nearest profile, midway between the lowest above and the highest below, that is nowhere steeper than allowed."""
    ramp = STEEPEST * along_m
    above = np.maximum(
        np.maximum.accumulate(height_m + ramp) - ramp,
        np.maximum.accumulate((height_m - ramp)[::-1])[::-1] + ramp,
    )
    below = np.minimum(
        np.minimum.accumulate(height_m - ramp) + ramp,
        np.minimum.accumulate((height_m + ramp)[::-1])[::-1] - ramp,
    )
    return (above + below) / 2.0


def _spans(grid_m: Floats, flags: NDArray[np.bool_]) -> Spans:
    """Begin and end of each run of flagged pieces; runs less than 500 m apart are one."""
    spans: list[tuple[float, float]] = []
    for n in np.flatnonzero(flags).tolist():
        begin, end = float(grid_m[n]), float(grid_m[n + 1])
        if spans and begin - spans[-1][1] < 500.0:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((begin, end))
    return tuple(spans)
