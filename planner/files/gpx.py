"""Reading a recorded or drawn track (GPX 1.0 or 1.1) into distances, smoothed elevations and positions.

No tree of elements is built, so neither nesting nor entities can make the reader grow. Times and speeds are not looked
at. A track of 200,000 points costs about a second.
"""

import math
import re
from array import array
from collections.abc import Mapping
from dataclasses import dataclass, replace
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from planner.files import limits
from planner.files.reading import Problems
from planner.model import geo
from planner.model.trip import Profile
from thermal.errors import shown

_RUN = re.compile(f"[^<]{{{limits.XML_RUN}}}")
_MAX_FAULTS = 10
_DECLARED = re.compile(rb"^\s*<\?xml[^>]{0,200}?encoding\s*=\s*[\"']([A-Za-z0-9._-]{1,30})[\"']")
_DECLARATION = re.compile(r"^\s*<\?xml[^>]{0,400}\?>")
_BOMS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_BARE_UTF16 = ((b"<\x00", "utf-16-le"), (b"\x00<", "utf-16-be"))
_ENCODINGS = re.compile(r"utf-?8|us-ascii|ascii|utf-?16(le|be)?|latin-?1|iso-?8859-?\d{1,2}|(windows-?|cp)125\d")


# --- text ---


def decoded(data: bytes, file: str, problems: Problems) -> str | None:
    """Return the text of a file by its byte order mark or declaration."""
    encoding = _encoding(data)
    if encoding is None:
        declared = _DECLARED.match(data)
        name = "" if declared is None else declared[1].decode("ascii")
        problems.add(file, f"is declared as {shown(name)}; save it as UTF-8")
        return None
    try:
        text = data.decode(encoding)
    except (UnicodeDecodeError, LookupError):
        problems.add(file, f"has bytes that are not {encoding} text; save or export the file again as UTF-8")
        return None
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        problems.add(file, "has a <!DOCTYPE> or <!ENTITY> part, which no GPX needs; delete it or export the file again")
        return None
    if _RUN.search(text) is not None:
        problems.add(file, f"has a tag or text of more than {limits.XML_RUN:,} characters; export the file again")
        return None
    return _DECLARATION.sub("", text, count=1)


def _encoding(data: bytes) -> str | None:
    for start, name in (*_BOMS, *_BARE_UTF16):
        if data.startswith(start):
            return name
    declared = _DECLARED.match(data)
    if declared is None:
        return "utf-8"
    name = declared[1].decode("ascii").casefold()
    return name if _ENCODINGS.fullmatch(name) is not None else None


# --- points ---


class Points:
    """Points in file order; `breaks` are the indices at which a new track, segment or route begins."""

    def __init__(self) -> None:
        self.lat_deg, self.lon_deg, self.elevation_m = array("d"), array("d"), array("d")
        self.breaks: list[int] = []
        self.parts = 0

    def __len__(self) -> int:
        return len(self.lat_deg)


class _TooMuch(Exception):
    """Reading was given up; a problem has been noted."""


class _Reader:
    """Collects points while the XML goes by; keeps no tree."""

    def __init__(self, file: str, problems: Problems) -> None:
        self.found: Mapping[str, Points] = {"trk": Points(), "rte": Points()}
        self._file, self._problems = file, problems
        self._depth = self._faults = 0
        self._point: tuple[Points, int] | None = None
        self._text: list[str] | None = None
        self._parser = expat.ParserCreate("utf-8")
        self._parser.buffer_text = True
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end

    def read(self, text: str) -> None:
        """Read all of a text; raises expat.ExpatError and _TooMuch."""
        self._parser.Parse(text.encode("utf-8"), True)

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        self._depth += 1
        if self._depth == 1 and name != "gpx":
            self._fault(f"holds <{name[:30]}>, not <gpx>; export the track as GPX")
            raise _TooMuch
        if self._depth > limits.XML_DEPTH or len(self._parser.intern) > limits.XML_NAMES:
            most = f"{limits.XML_DEPTH} deep, or has more than {limits.XML_NAMES:,} names of elements"
            self._fault(f"nests more than {most}; export again")
            raise _TooMuch
        if name in ("trkpt", "rtept"):
            self._begin_point(self.found["trk" if name == "trkpt" else "rte"], attributes)
        elif name in ("trk", "trkseg", "rte"):
            points = self.found["rte" if name == "rte" else "trk"]
            points.breaks.append(len(points))
            points.parts += name != "trkseg"
        elif name == "ele" and self._point is not None and self._depth == self._point[1] + 1:
            self._text = []
            self._parser.CharacterDataHandler = self._text.append

    def _begin_point(self, points: Points, attributes: Mapping[str, str]) -> None:
        if len(points) >= limits.GPX_POINTS:
            self._fault(f"has more than {limits.GPX_POINTS:,} points; thin it out or keep only this leg's part")
            raise _TooMuch
        self._point = (points, self._depth)
        points.lat_deg.append(self._coordinate(attributes, "lat", 90.0))
        points.lon_deg.append(self._coordinate(attributes, "lon", 180.0))
        points.elevation_m.append(math.nan)

    def _coordinate(self, attributes: Mapping[str, str], name: str, limit: float) -> float:
        text = attributes.get(name)
        try:
            value = math.nan if text is None else float(text)
        except ValueError:
            value = math.nan
        if not abs(value) <= limit:
            got = f"a point has no {name}" if text is None else f"read {name} {shown(text)}"
            self._fault(f"{got}; decimal degrees from -{limit:g} to {limit:g} are needed; mend or delete the point")
        return value

    def _end(self, tag: str) -> None:
        if self._text is not None and self._point is not None and self._depth == self._point[1] + 1:
            self._point[0].elevation_m[-1] = self._elevation("".join(self._text).strip())
            self._text = self._parser.CharacterDataHandler = None
        if self._point is not None and self._depth == self._point[1]:
            self._point = None
        self._depth -= 1

    def _elevation(self, text: str) -> float:
        try:
            return float(text) if text else math.nan
        except ValueError:
            advice = f"write a decimal point, e.g. {text.replace(',', '.')}" if re.fullmatch(r"-?\d+,\d+", text) else ""
            self._fault(f"read elevation {shown(text)}; {advice or 'metres are needed, e.g. 1250.5'}")
            return math.nan

    def _fault(self, text: str) -> None:
        self._problems.add(self._file, text, row=self._parser.CurrentLineNumber)
        self._faults += 1
        if self._faults >= _MAX_FAULTS:
            raise _TooMuch


def read_points(text: str, file: str, problems: Problems) -> Points | None:
    """Collect the points of a GPX text: those of its tracks, or where there are none of its routes."""
    reader = _Reader(file, problems)
    try:
        reader.read(text)
    except _TooMuch:
        return None
    except expat.ExpatError as exc:
        reason = expat.errors.messages.get(exc.code, "unknown fault")
        problems.add(file, f"cannot be read as XML ({reason}); export or download the file again", row=exc.lineno)
        return None
    points = reader.found["trk"] if len(reader.found["trk"]) else reader.found["rte"]
    if not len(points):
        problems.add(file, "has no track and no route, only a start or places perhaps; export the track itself")
        return None
    return points


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
    xyz_m = geo.xyz_m(lat, lon)
    stray = _strays(xyz_m)
    xyz_m, lat, lon, height = (row[~stray] for row in (xyz_m, lat, lon, height))
    kept = _moved(xyz_m)
    if len(kept) < 2:
        return "has no length; at least two points ten metres apart are needed"
    step = geo.distances_m(
        lat1_deg=lat[kept[:-1]], lon1_deg=lon[kept[:-1]], lat2_deg=lat[kept[1:]], lon2_deg=lon[kept[1:]]
    )
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
    smooth = geo.smooth_elevation(grid, _averaged(grid, along_m, height_m), window_m=WINDOW_M)
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
