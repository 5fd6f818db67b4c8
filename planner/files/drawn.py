"""Reading a track from a GPX, KML or GeoJSON file."""

import json
import math
import re
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any
from xml.parsers import expat

from planner.files import limits
from planner.files.gpx import WEB_PAGE, Points, decoded, is_web_page, named, read_points
from planner.files.reading import Problems, file_fault, read_bytes
from thermal.errors import shown

_LINE_COORDINATES = re.compile(r"[^\s,]+(?:,[^\s,]+){1,2}")


def read_drawn(path: Path, problems: Problems) -> Points | None:
    """Read one file by its extension; None if a problem was reported."""
    reader = READERS.get(path.suffix.casefold())
    if reader is None:
        problems.add(path.name or str(path), f"{_ending(path)}; track files are {', '.join(READERS)}", code="file-type")
        return None
    fault = file_fault(path, root=path.parent, max_bytes=limits.GPX_BYTES)
    if fault == "is missing":
        fault = f"is missing in {shown(str(path.parent.absolute()))}; write the whole path, or run the command there"
    if fault is not None:
        problems.add(path.name, fault, code="unreadable")
        return None
    data = read_bytes(path, file=path.name, max_bytes=limits.GPX_BYTES, problems=problems)
    if data is None:
        return None
    before = len(problems)
    points = reader(data, path.name, problems)
    if points is None or len(problems) > before:
        return None
    if not len(points):
        problems.add(path.name, "contains no line, perhaps only waypoints; export the track", code="track")
        return None
    return points


def _ending(path: Path) -> str:
    if path.is_dir():
        return "is a folder; name a file in it"
    return f"ends in {shown(path.suffix)}" if path.suffix else "has no ending"


def _gpx(data: bytes, file: str, problems: Problems) -> Points | None:
    text = decoded(data, file, problems)
    points = None if text is None else read_points(text, file, problems)
    return points


# --- KML ---


class _KmlReader:
    """Streaming KML reader; collects lines and named points in file order."""

    def __init__(self, file: str, problems: Problems) -> None:
        self.points = Points()
        self._file, self._problems = file, problems
        self._stack: list[str] = []
        self._name, self._text = "", list[str]()
        self._parser = expat.ParserCreate("utf-8")
        self._parser.buffer_text = True
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end

    def read(self, text: str) -> None:
        """Read all of a text; raises expat.ExpatError and ValueError."""
        self._parser.Parse(text.encode("utf-8"), True)

    def _start(self, tag: str, _: Mapping[str, str]) -> None:
        name = tag.rpartition(":")[2]
        if not self._stack and name != "kml":
            message = f"contains <{name[:30]}>, not <kml>; export the track as KML"
            raise ValueError(message)
        self._stack.append(name)
        if len(self._stack) > limits.XML_DEPTH or len(self._parser.intern) > limits.XML_NAMES:
            message = (
                f"nests more than {limits.XML_DEPTH} deep, or has more than {limits.XML_NAMES:,} names of elements"
            )
            raise ValueError(message)
        if name == "Placemark":
            self._name = ""
        elif name in ("LineString", "Track"):
            self.points.breaks.append(len(self.points))
            self.points.parts += 1
        if name in ("coordinates", "coord") or (name == "name" and self._stack[-2:-1] == ["Placemark"]):
            self._text = []
            self._parser.CharacterDataHandler = self._text.append

    def _end(self, _: str) -> None:
        name, inside = self._stack.pop(), self._stack[-1] if self._stack else ""
        if name == "name" and inside == "Placemark":
            self._name = "".join(self._text)
        elif name == "coordinates" and inside == "LineString":
            for found in _LINE_COORDINATES.finditer("".join(self._text)):
                add_point(self.points, found[0].split(","))
        elif name == "coord" and inside == "Track":
            add_point(self.points, "".join(self._text).split())
        elif name == "coordinates" and inside == "Point" and self._name:
            parts = "".join(self._text).strip().split(",")
            one = named(self._name, parts[1], parts[0]) if len(parts) >= 2 else None
            if one is not None and len(self.points.named) < limits.NAMED:
                self.points.named.append(one)
        self._parser.CharacterDataHandler = None


def add_point(points: Points, parts: list[Any]) -> None:
    """Add a point from longitude, latitude and optional elevation; raises ValueError if it is invalid."""
    if len(points) >= limits.GPX_POINTS:
        message = f"has more than {limits.GPX_POINTS:,} points; simplify the track"
        raise ValueError(message)
    try:
        lon, lat = float(parts[0]), float(parts[1])
        height = float(parts[2]) if len(parts) > 2 and parts[2] not in (None, "") else math.nan
    except (IndexError, TypeError, ValueError):
        lon = lat = height = math.nan
    if not (abs(lat) <= 90.0 and abs(lon) <= 180.0):
        message = (
            f"point {len(points) + 1} reads {shown(str(parts)[:60])}; write longitude, latitude and elevation "
            "in degrees and metres"
        )
        raise ValueError(message)
    points.lat_deg.append(lat)
    points.lon_deg.append(lon)
    points.elevation_m.append(height)


def _kml(data: bytes, file: str, problems: Problems) -> Points | None:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        problems.add(file, "is not UTF-8 text; save or export the file again as UTF-8", code="encoding")
        return None
    if is_web_page(text):
        problems.add(file, WEB_PAGE, code="file-type")
        return None
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        problems.add(
            file,
            "has a <!DOCTYPE> or <!ENTITY> part, which is not allowed in a track; export the file again",
            code="unsafe-xml",
        )
        return None
    reader = _KmlReader(file, problems)
    try:
        reader.read(text)
    except expat.ExpatError as exc:
        reason = expat.errors.messages.get(exc.code, "unknown fault")
        problems.add(
            file,
            f"cannot be read as XML ({reason}); export or download the file again",
            row=exc.lineno,
            code="unreadable",
        )
        return None
    except ValueError as exc:
        problems.add(file, str(exc), code="unreadable")
        return None
    return _without_zero_heights(reader.points)


def _without_zero_heights(points: Points) -> Points:
    """Drop elevations that are all 0, KML's way of writing unknown."""
    if not any(points.elevation_m):
        for number in range(len(points)):
            points.elevation_m[number] = math.nan
    return points


# --- GeoJSON ---


def _geojson(data: bytes, file: str, problems: Problems) -> Points | None:
    points = Points()
    try:
        document = json.loads(data)
        for geometry, properties in _geometries(document, 0):
            _take(geometry, properties, points)
    except RecursionError:
        problems.add(file, "is nested too deep; export the file again", code="too-large")
        return None
    except UnicodeDecodeError:
        problems.add(file, "is not UTF-8 text; save or export the file again as UTF-8", code="encoding")
        return None
    except json.JSONDecodeError as exc:
        problems.add(
            file,
            f"cannot be read as JSON ({exc.msg}); export or download the file again",
            row=exc.lineno,
            code="unreadable",
        )
        return None
    except ValueError as exc:
        problems.add(file, str(exc), code="unreadable")
        return None
    return points


def _geometries(document: object, depth: int) -> Iterator[tuple[Mapping[str, Any], Mapping[str, Any]]]:
    """Yield every geometry of a document with its feature's properties (RFC 7946)."""
    if not isinstance(document, dict) or depth > 8:
        message = "is not a GeoJSON track; it must contain a LineString"
        raise ValueError(message)
    kind = document.get("type")
    if kind == "FeatureCollection":
        features = document.get("features")
        for feature in features if isinstance(features, list) else ():
            yield from _geometries(feature, depth + 1)
    elif kind == "Feature":
        geometry, properties = document.get("geometry"), document.get("properties")
        if isinstance(geometry, dict):
            yield geometry, properties if isinstance(properties, dict) else {}
    elif kind == "GeometryCollection":
        parts = document.get("geometries")
        for part in parts if isinstance(parts, list) else ():
            yield from _geometries(part, depth + 1)
    else:
        yield document, {}


def _take(geometry: Mapping[str, Any], properties: Mapping[str, Any], points: Points) -> None:
    """Add a line's points, or a named point."""
    kind, where = geometry.get("type"), geometry.get("coordinates")
    if not isinstance(where, list):
        return
    if kind == "Point" and len(where) >= 2 and len(points.named) < limits.NAMED:
        one = named(properties.get("name"), where[1], where[0])
        points.named += [] if one is None else [one]
    for line in [where] if kind == "LineString" else where if kind == "MultiLineString" else ():
        if isinstance(line, list):
            points.breaks.append(len(points))
            points.parts += 1
            for point in line:
                add_point(points, point if isinstance(point, list) else [])


READERS: Mapping[str, Callable[[bytes, str, Problems], Points | None]] = {
    ".gpx": _gpx,
    ".kml": _kml,
    ".geojson": _geojson,
    ".json": _geojson,
}
"""Endings of files a road is read from."""
