"""Streaming reader of the points and named points of a GPX file (1.0 or 1.1).

Times are kept as they are found, NaN if missing or unreadable; speeds are ignored.
"""

import math
import re
from array import array
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from xml.parsers import expat

from planner.files import limits
from planner.files.reading import WEB_PAGE, ZIP, Problems, is_web_page
from thermal.errors import shown

_RUN = re.compile(f"[^<]{{{limits.XML_RUN}}}")
CREATOR = "grademargin"
_TOO_DEEP = (
    f"nests more than {limits.XML_DEPTH} deep, or has more than {limits.XML_NAMES:,} names of elements; export it again"
)
_MAX_FAULTS = 10
_PLACES = 60
_CUT = (expat.errors.XML_ERROR_NO_ELEMENTS, expat.errors.XML_ERROR_UNCLOSED_TOKEN)  # at the end of a text
_DECLARED = re.compile(rb"^\s*<\?xml[^>]{0,200}?encoding\s*=\s*[\"']([A-Za-z0-9._-]{1,30})[\"']")
_DECLARATION = re.compile(r"^\s*<\?xml[^>]{0,400}\?>")
_BOMS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_BARE_UTF16 = ((b"<\x00", "utf-16-le"), (b"\x00<", "utf-16-be"))
_ENCODINGS = re.compile(r"utf-?8|us-ascii|ascii|utf-?16(le|be)?|latin-?1|iso-?8859-?\d{1,2}|(windows-?|cp)125\d")


# --- text ---


def decoded(data: bytes, file: str, problems: Problems) -> str | None:
    """Return the text of a file by its byte order mark or declaration."""
    if data.startswith(ZIP):
        problems.add(file, "is a zip archive; unpack it, then name the track inside", code="file-type")
        return None
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


class Refused(Exception):
    """Reading was aborted; the problem has been reported."""


class XmlReader:
    """Streaming reader of an XML file; no tree is built, so nesting and entities cannot exhaust memory."""

    root = ""  # name of the outermost element

    def __init__(self, file: str, problems: Problems) -> None:
        self._file, self._problems, self._faults = file, problems, 0
        self.stack: list[str] = []  # local names of the open elements
        self._texts: list[str] | None = None
        self._parser = expat.ParserCreate("utf-8")
        self._parser.buffer_text = True
        self._parser.StartElementHandler, self._parser.EndElementHandler = self._start, self._end

    def read(self, text: str) -> bool:
        """Read all of a text; False if a problem that ended the reading was reported."""
        try:
            self._parser.Parse(text.encode("utf-8"), True)
        except Refused:
            return False
        except expat.ExpatError as exc:
            why = f"cannot be read as XML ({expat.errors.messages.get(exc.code, 'unknown fault')})"
            if any(end in why for end in _CUT):
                why = "was cut short" if text.strip() else "is empty"
            advice = "export or download the file again"
            self._problems.add(self._file, f"{why}; {advice}", row=exc.lineno, code="unreadable")
            return False
        return True

    def begin(self, name: str, attributes: Mapping[str, str]) -> bool:
        """Take the start of the element that is last in `stack`; return whether its text is wanted."""
        raise NotImplementedError

    def end(self, name: str, text: str) -> None:
        """Take the wanted text of an element that has ended."""
        raise NotImplementedError

    def fault(self, text: str, *, code: str = "invalid-point", last: bool = False) -> None:
        """Report a problem in the current row; stop reading after the `last`, or after ten."""
        self._problems.add(self._file, text, row=self._parser.CurrentLineNumber, code=code)
        self._faults += 1
        if last or self._faults >= _MAX_FAULTS:
            raise Refused

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        self.stack.append(name)
        if self.stack[0] != self.root:
            advice = f"not <{self.root}>; export the track as {self.root.upper()}"
            self.fault(f"contains <{name[:30]}>, {advice}", code="file-type", last=True)
        if len(self.stack) > limits.XML_DEPTH or len(self._parser.intern) > limits.XML_NAMES:
            self.fault(_TOO_DEEP, code="too-large", last=True)
        if self.begin(name, attributes):
            self._texts = []
            self._parser.CharacterDataHandler = self._texts.append

    def _end(self, _: str) -> None:
        name, texts = self.stack.pop(), self._texts
        self._texts = self._parser.CharacterDataHandler = None
        if texts is not None:
            self.end(name, "".join(texts))


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

    def append(self, other: "Points") -> None:
        """Append the points of another file."""
        self.breaks += [len(self) + n for n in other.breaks]
        for name in ("lat_deg", "lon_deg", "elevation_m", "time_s"):
            getattr(self, name).extend(getattr(other, name))
        self.parts += other.parts
        self.named += other.named
        self.clean = other.clean


def named(name: object, lat: object, lon: object) -> Named | None:
    """Return a named point if its name and position are valid."""
    words = " ".join(name.split())[: limits.NAME] if isinstance(name, str) else ""
    try:
        north, east = float(lat), float(lon)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None
    usable = words.isprintable() and abs(north) <= 90.0 and abs(east) <= 180.0
    return Named(name=words, lat_deg=north, lon_deg=east) if words and usable else None


class _GpxReader(XmlReader):
    root = "gpx"

    def __init__(self, file: str, problems: Problems) -> None:
        super().__init__(file, problems)
        self.tracks, self.routes = Points(), Points()
        self.clean = False  # written by this program
        self.named: dict[str, list[Named]] = {"wpt": [], "rtept": []}
        self._points = self.tracks  # the row that has the last point
        self._at: Mapping[str, str] = {}  # attributes of the last point

    def begin(self, name: str, attributes: Mapping[str, str]) -> bool:
        if name == "gpx" and len(self.stack) == 1:
            self.clean = attributes.get("creator") == CREATOR
        elif name in ("trkpt", "rtept", "wpt"):
            self._at = attributes
            if name != "wpt":
                self._points = self.tracks if name == "trkpt" else self.routes
                self._begin_point(self._points, attributes)
        elif name in ("trk", "trkseg", "rte"):
            points = self.routes if name == "rte" else self.tracks
            points.breaks.append(len(points))
            points.parts += name != "trkseg"
        inside = self.stack[-2] if len(self.stack) > 1 else ""
        return inside in (("wpt", "rtept") if name == "name" else ("trkpt", "rtept") if name in ("ele", "time") else ())

    def _begin_point(self, points: Points, attributes: Mapping[str, str]) -> None:
        if len(points) >= limits.GPX_POINTS:
            text = f"has more than {limits.GPX_POINTS:,} points; simplify the track, or keep only this leg's part"
            self.fault(text, code="too-large", last=True)
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
            self.fault(f"{got}; write decimal degrees from -{limit:g} to {limit:g}, or delete the point")
        return value

    def end(self, name: str, text: str) -> None:
        if name == "name":
            found, one = self.named[self.stack[-1]], named(text, self._at.get("lat"), self._at.get("lon"))
            found += [one] if one is not None and len(found) < limits.NAMED else []
        elif name == "ele":
            self._points.elevation_m[-1] = self._elevation(text.strip())
        else:
            self._points.time_s[-1] = _seconds(text.strip())

    def _elevation(self, text: str) -> float:
        try:
            return float(text) if text else math.nan
        except ValueError:
            advice = f"write a decimal point, e.g. {text.replace(',', '.')}" if re.fullmatch(r"-?\d+,\d+", text) else ""
            self.fault(f"read elevation {shown(text)}; {advice or 'write metres, e.g. 1250.5'}")
            return math.nan


def _seconds(text: str) -> float:
    """Seconds since 1970 of a time with zone; NaN if unreadable."""
    try:
        moment = datetime.fromisoformat(text) if len(text) <= 40 else None
        return math.nan if moment is None or moment.tzinfo is None else moment.timestamp()
    except (ValueError, OverflowError):
        return math.nan


def read_gpx(data: bytes, file: str, problems: Problems) -> Points | None:
    """Collect the points of a GPX file: of its tracks, or if there are none, of its routes."""
    text, reader = decoded(data, file, problems), _GpxReader(file, problems)
    if text is None or not reader.read(text):
        return None
    drive = len(reader.tracks) > 0
    points, turns = reader.tracks if drive else reader.routes, reader.named["rtept"]
    # many named points of a route are turn-by-turn directions
    points.named = reader.named["wpt"] + (turns if not drive and len(turns) <= _PLACES else [])
    points.clean = reader.clean
    if not len(points):
        problems.add(file, "contains no track and no route, perhaps only waypoints; export the track", code="track")
        return None
    return points
