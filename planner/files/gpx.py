"""Streaming reader of the points and named points of a GPX file (1.0 or 1.1).

No element tree is built, so nesting and entities cannot exhaust memory. Times are kept as they are
found, NaN if missing or unreadable; speeds are ignored.
"""

import math
import re
from array import array
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from xml.parsers import expat

from planner.files import limits
from planner.files.reading import Problems
from thermal.errors import shown

_RUN = re.compile(f"[^<]{{{limits.XML_RUN}}}")
CREATOR = "grademargin"
TOO_DEEP = (
    f"nests more than {limits.XML_DEPTH} deep, or has more than {limits.XML_NAMES:,} names of elements; export it again"
)
_MAX_FAULTS = 10
_PLACES = 60
_DECLARED = re.compile(rb"^\s*<\?xml[^>]{0,200}?encoding\s*=\s*[\"']([A-Za-z0-9._-]{1,30})[\"']")
_DECLARATION = re.compile(r"^\s*<\?xml[^>]{0,400}\?>")
_BOMS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_BARE_UTF16 = ((b"<\x00", "utf-16-le"), (b"\x00<", "utf-16-be"))
_ENCODINGS = re.compile(r"utf-?8|us-ascii|ascii|utf-?16(le|be)?|latin-?1|iso-?8859-?\d{1,2}|(windows-?|cp)125\d")


# --- text ---


WEB_PAGE = "is a web page, not a track; download the file itself, perhaps after signing in"


def is_web_page(text: str) -> bool:
    """Whether a text is HTML, as a download that needs signing in gives."""
    return text[:1000].lstrip("\ufeff \t\r\n").casefold().startswith(("<!doctype html", "<html"))


def decoded(data: bytes, file: str, problems: Problems) -> str | None:
    """Return the text of a file by its byte order mark or declaration."""
    encoding = _encoding(data)
    if encoding is None:
        declared = _DECLARED.match(data)
        name = "" if declared is None else declared[1].decode("ascii")
        problems.add(file, f"is declared as {shown(name)}; save it as UTF-8", code="encoding")
        return None
    try:
        text = data.decode(encoding)
    except (UnicodeDecodeError, LookupError):
        problems.add(file, f"has bytes that are not {encoding} text; export the file again as UTF-8", code="encoding")
        return None
    if is_web_page(text):
        problems.add(file, WEB_PAGE, code="file-type")
        return None
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        advice = "which is not allowed in a track; delete it, or export the file again"
        problems.add(file, f"has a <!DOCTYPE> or <!ENTITY> part, {advice}", code="unsafe-xml")
        return None
    if _RUN.search(text) is not None:
        most = f"more than {limits.XML_RUN:,} characters"
        problems.add(file, f"has a tag or text of {most}; export the file again", code="too-large")
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


def add_xml_fault(exc: expat.ExpatError, file: str, problems: Problems) -> None:
    """Report malformed XML."""
    reason = expat.errors.messages.get(exc.code, "unknown fault")
    text = f"cannot be read as XML ({reason}); export or download the file again"
    problems.add(file, text, row=exc.lineno, code="unreadable")


# --- points ---


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A named point."""

    name: str
    lat_deg: float
    lon_deg: float


class Points:
    """Points in file order; `breaks` are the indices at which a new track, segment or route begins.

    `time_s` are seconds since 1970 UTC.
    """

    def __init__(self) -> None:
        self.lat_deg, self.lon_deg, self.elevation_m, self.time_s = (array("d") for _ in range(4))
        self.breaks: list[int] = []
        self.parts = 0
        self.named: list[Named] = []
        self.clean = False  # written by this program: already simplified and smoothed

    def __len__(self) -> int:
        return len(self.lat_deg)


def named(name: object, lat: object, lon: object) -> Named | None:
    """Return a named point if its name and position are valid."""
    words = " ".join(name.split())[: limits.NAME] if isinstance(name, str) else ""
    try:
        north, east = float(lat), float(lon)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None
    usable = words.isprintable() and abs(north) <= 90.0 and abs(east) <= 180.0
    return Named(name=words, lat_deg=north, lon_deg=east) if words and usable else None


class _TooMuch(Exception):
    """Reading was aborted; the problem has been reported."""


class _Reader:
    def __init__(self, file: str, problems: Problems) -> None:
        self.found: Mapping[str, Points] = {"trk": Points(), "rte": Points()}
        self._file, self._problems = file, problems
        self._depth = self._faults = 0
        self.clean = False  # written by this program
        self._point: tuple[Points, int] | None = None
        self._text: list[str] | None = None
        self._named: dict[str, list[Named]] = {"wpt": [], "rtept": []}
        self._at: tuple[str, object, object, int] | None = None  # the element that a name belongs to, and its depth
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
            self._fault(f"contains <{name[:30]}>, not <gpx>; export the track as GPX", code="file-type")
            raise _TooMuch
        if self._depth == 1:
            self.clean = attributes.get("creator") == CREATOR
        if self._depth > limits.XML_DEPTH or len(self._parser.intern) > limits.XML_NAMES:
            self._fault(TOO_DEEP, code="too-large")
            raise _TooMuch
        if name in self._named:
            self._at = (name, attributes.get("lat"), attributes.get("lon"), self._depth)
        if name in ("trkpt", "rtept"):
            self._begin_point(self.found["trk" if name == "trkpt" else "rte"], attributes)
        elif name in ("trk", "trkseg", "rte"):
            points = self.found["rte" if name == "rte" else "trk"]
            points.breaks.append(len(points))
            points.parts += name != "trkseg"
        elif name in ("ele", "time") and self._point is not None and self._depth == self._point[1] + 1:
            self._collect()
        elif name == "name" and self._at is not None and self._depth == self._at[3] + 1:
            self._collect()

    def _collect(self) -> None:
        self._text = []
        self._parser.CharacterDataHandler = self._text.append

    def _begin_point(self, points: Points, attributes: Mapping[str, str]) -> None:
        if len(points) >= limits.GPX_POINTS:
            text = f"has more than {limits.GPX_POINTS:,} points; simplify the track, or keep only this leg's part"
            self._fault(text, code="too-large")
            raise _TooMuch
        self._point = (points, self._depth)
        points.lat_deg.append(self._coordinate(attributes, "lat", 90.0))
        points.lon_deg.append(self._coordinate(attributes, "lon", 180.0))
        points.elevation_m.append(math.nan)
        points.time_s.append(math.nan)

    def _coordinate(self, attributes: Mapping[str, str], name: str, limit: float) -> float:
        text = attributes.get(name)
        try:
            value = math.nan if text is None else float(text)
        except ValueError:
            value = math.nan
        if not abs(value) <= limit:
            got = f"a point has no {name}" if text is None else f"read {name} {shown(text)}"
            self._fault(f"{got}; write decimal degrees from -{limit:g} to {limit:g}, or delete the point")
        return value

    def _end(self, tag: str) -> None:
        name = tag.rpartition(":")[2]
        if name == "name" and self._text is not None and self._at is not None:
            kind, lat, lon, _ = self._at
            one = named("".join(self._text), lat, lon)
            if one is not None and len(self._named[kind]) < limits.NAMED:
                self._named[kind].append(one)
            self._text = self._parser.CharacterDataHandler = None
        elif self._text is not None and self._point is not None and self._depth == self._point[1] + 1:
            points, text = self._point[0], "".join(self._text).strip()
            if name == "ele":
                points.elevation_m[-1] = self._elevation(text)
            else:
                points.time_s[-1] = _seconds(text)
            self._text = self._parser.CharacterDataHandler = None
        if self._point is not None and self._depth == self._point[1]:
            self._point = None
        if self._at is not None and self._depth == self._at[3]:
            self._at = None
        self._depth -= 1

    def names(self, *, route: bool) -> list[Named]:
        """Named waypoints, and named route points unless there are many (turn-by-turn directions)."""
        turns = self._named["rtept"]
        return self._named["wpt"] + (turns if route and len(turns) <= _PLACES else [])

    def _elevation(self, text: str) -> float:
        try:
            return float(text) if text else math.nan
        except ValueError:
            advice = f"write a decimal point, e.g. {text.replace(',', '.')}" if re.fullmatch(r"-?\d+,\d+", text) else ""
            self._fault(f"read elevation {shown(text)}; {advice or 'write metres, e.g. 1250.5'}")
            return math.nan

    def _fault(self, text: str, *, code: str = "invalid-point") -> None:
        self._problems.add(self._file, text, row=self._parser.CurrentLineNumber, code=code)
        self._faults += 1
        if self._faults >= _MAX_FAULTS:
            raise _TooMuch


def _seconds(text: str) -> float:
    """Seconds since 1970 of a time with zone; NaN if unreadable."""
    try:
        moment = datetime.fromisoformat(text) if len(text) <= 40 else None
        return math.nan if moment is None or moment.tzinfo is None else moment.timestamp()
    except (ValueError, OverflowError):
        return math.nan


def read_points(text: str, file: str, problems: Problems) -> Points | None:
    """Collect the points of a GPX text: of its tracks, or if there are none, of its routes."""
    reader = _Reader(file, problems)
    try:
        reader.read(text)
    except _TooMuch:
        return None
    except expat.ExpatError as exc:
        add_xml_fault(exc, file, problems)
        return None
    drive = len(reader.found["trk"]) > 0
    points = reader.found["trk" if drive else "rte"]
    points.named, points.clean = reader.names(route=not drive), reader.clean
    if not len(points):
        problems.add(file, "contains no track and no route, perhaps only waypoints; export the track", code="track")
        return None
    return points
