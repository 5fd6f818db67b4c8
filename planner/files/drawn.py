"""Reading a track from a GPX, KML or GeoJSON file."""

import json
import math
import re
from array import array
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from planner.files import limits
from planner.files.gpx import Points, XmlReader, decoded, named, read_gpx
from planner.files.reading import Problems, file_fault, read_bytes
from thermal.errors import shown

_LINE_COORDINATES = re.compile(r"[^\s,]+(?:,[^\s,]+){1,2}")


def read_drawn(path: Path, problems: Problems) -> Points | None:
    """Read one file by its extension; None if a problem was reported."""
    ending = path.suffix.casefold()
    reader = _kml if ending == ".kmz" else READERS.get(ending)
    if path.parts[:1] and path.parts[0].casefold() in ("http:", "https:"):
        problems.add(path.name, "is a web address; download the track, then name the file", code="file-type")
        return None
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


# --- KML ---


class _KmlReader(XmlReader):
    """Collects lines and named points in file order."""

    root = "kml"

    def __init__(self, file: str, problems: Problems) -> None:
        super().__init__(file, problems)
        self.points = Points()
        self._name, self.linked = "", False

    def begin(self, name: str, _: Mapping[str, str]) -> bool:
        if name == "Placemark":
            self._name = ""
        elif name == "NetworkLink":
            self.linked = True
        elif name in ("LineString", "Track"):
            self.points.breaks.append(len(self.points))
            self.points.parts += 1
        return name in ("coordinates", "coord") or (name == "name" and self.stack[-2:-1] == ["Placemark"])

    def end(self, name: str, text: str) -> None:
        inside = self.stack[-1] if self.stack else ""
        if name == "name":
            self._name = text
        elif name == "coordinates" and inside == "LineString":
            for found in _LINE_COORDINATES.finditer(text):
                self._add(found[0].split(","))
        elif name == "coord" and inside == "Track":
            self._add(text.split())
        elif name == "coordinates" and inside == "Point":
            lon, lat, *_ = (*text.strip().split(","), "", "")
            add_named(self.points, self._name, lat, lon)

    def _add(self, parts: list[str]) -> None:
        try:
            add_point(self.points, parts)
        except ValueError as exc:
            self.fault(str(exc), last=True)


def _kml(data: bytes, file: str, problems: Problems) -> Points | None:
    text, reader = decoded(data, file, problems), _KmlReader(file, problems)
    if text is None or not reader.read(text):
        return None
    if reader.linked and not len(reader.points):
        advice = "open the link, and save the line itself as KML"
        problems.add(file, f"contains only a link to a file elsewhere; {advice}", code="track")
    height_m = reader.points.elevation_m
    if not any(height_m):  # all 0: KML's way of writing unknown
        height_m[:] = array("d", [math.nan] * len(height_m))
    return reader.points


def add_named(points: Points, name: object, lat: object, lon: object) -> None:
    """Add a named point if its name and position are valid."""
    one = named(name, lat, lon)
    points.named += [one] if one is not None and len(points.named) < limits.NAMED else []


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


# --- GeoJSON ---


def _geojson(data: bytes, file: str, problems: Problems) -> Points | None:
    points = Points()
    try:
        document = json.loads(data)
        for geometry, properties in _geometries(document, 0):
            _take(geometry, properties, points)
    except RecursionError:
        problems.add(file, "is nested too deep; export the file again", code="too-large")
    except UnicodeDecodeError:
        problems.add(file, "is not UTF-8 text; export the file again as UTF-8", code="encoding")
    except json.JSONDecodeError as exc:
        text = f"cannot be read as JSON ({exc.msg}); export or download the file again"
        problems.add(file, text, row=exc.lineno, code="unreadable")
    except ValueError as exc:
        problems.add(file, str(exc), code="unreadable")
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
    kind, where = geometry.get("type"), geometry.get("coordinates")
    if not isinstance(where, list):
        return
    if kind == "Point" and len(where) >= 2:
        add_named(points, properties.get("name"), where[1], where[0])
    for line in [where] if kind == "LineString" else where if kind == "MultiLineString" else ():
        if isinstance(line, list):
            points.breaks.append(len(points))
            points.parts += 1
            for point in line:
                add_point(points, point if isinstance(point, list) else [])


READERS: Mapping[str, Callable[[bytes, str, Problems], Points | None]] = {
    ".gpx": read_gpx,
    ".kml": _kml,
    ".geojson": _geojson,
    ".json": _geojson,
}
"""Endings of files a road is read from."""
