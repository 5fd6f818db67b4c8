"""What is drawn: plain text and floats, already in display units.

Nothing here knows what a series measures or why a line has a colour; words and units come in as data. Every part checks
itself once, when it is made.
"""

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from maps.errors import MapError, require_choice, require_length, require_rising, require_within
from maps.relief import Relief
from maps.track import Series, Track, beside, unrolled

if TYPE_CHECKING:
    from maps.teaching import Teaching

__all__ = ["Advice", "Ahead", "Day", "Grade", "Marker", "Milestone", "Road", "Scene", "Series", "Spot", "Stretch"]
__all__ += ["Table", "Town", "Track", "Way"]

LEVELS = ("ample", "unknown", "thin", "exceeded")
KINDS = ("over", "hot", "start", "finish", "night", "grade", "stop", "service", "fuel", "place")
LANGUAGE_TAG = re.compile("[a-z]{2,3}(-[A-Z]{2})?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A part of the track drawn in the colour of one level, from point `start` to point `end`, both included."""

    start: int
    end: int
    level: str  # one of `LEVELS`
    title: str = ""  # heading of the popup
    popup: str = ""  # sentences; a line break starts a new paragraph
    whole: bool = True  # a leg; a part of one lies over its leg, and pointing does not find it

    def __post_init__(self) -> None:
        require_choice(self.level, LEVELS, f"stretch {self.title!r}, level")
        if not 0 <= self.start < self.end:
            message = f"stretch {self.title!r}: runs from point {self.start} to {self.end}; needs 0 <= start < end"
            raise MapError(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A point of interest with a popup."""

    lat: float  # WGS84, north positive [degree]
    lon: float  # WGS84, east positive [degree]
    label: str  # beside the symbol, and the popup's heading
    kind: str = "place"  # one of `KINDS`, sets the symbol; earlier kinds hide later ones where they overlap
    text: str = ""  # sentences; a line break starts a new paragraph
    detail: str = ""  # a few words under the name on the map, e.g. a height
    day: int | None = None  # counted from 0; None for a marker of no single day

    def __post_init__(self) -> None:
        require_choice(self.kind, KINDS, f"marker {self.label!r}, kind")
        require_within((self.lat,), 90.0, f"marker {self.label!r}, lat")
        require_within((self.lon,), 180.0, f"marker {self.label!r}, lon")


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A short line at the top of the page that leads to a marker and a point of the track."""

    text: str
    marker: int
    point: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Grade:
    """A climb from one point of the track to another, with the name of its top and what to know of it."""

    start: int
    end: int
    title: str
    text: str = ""
    level: str = "ample"

    def __post_init__(self) -> None:
        require_choice(self.level, LEVELS, f"grade {self.title!r}, level")
        if not 0 <= self.start < self.end:
            message = f"grade {self.title!r}: runs from point {self.start} to {self.end}; needs 0 <= start < end"
            raise MapError(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class Road:
    """A road drawn under the route, with the number or name written along it. [degree]"""

    name: str
    lat: tuple[float, ...]
    lon: tuple[float, ...]

    def __post_init__(self) -> None:
        require_length(self.lon, len(self.lat), f"road {self.name!r}, lon")
        require_within(self.lat, 90.0, f"road {self.name!r}, lat")
        require_within(self.lon, 180.0, f"road {self.name!r}, lon")


@dataclass(frozen=True, slots=True, kw_only=True)
class Town:
    """A town near the route; of two that would overlap the one with the larger `weight` is shown. [degree]"""

    name: str
    lat: float
    lon: float
    weight: float

    def __post_init__(self) -> None:
        require_within((self.lat,), 90.0, f"town {self.name!r}, lat")
        require_within((self.lon,), 180.0, f"town {self.name!r}, lon")


@dataclass(frozen=True, slots=True, kw_only=True)
class Milestone:
    """Something at a point of the track, to be told to a reader who is on the way."""

    point: int
    title: str
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """Milestones of one sort; the reader is told the next one, and with `behind` also the last one passed."""

    heading: str  # what the next one is called, e.g. "Next fuel"
    milestones: tuple[Milestone, ...]  # in driving order
    behind: str = ""  # what the last one passed is called; empty when it does not matter

    def __post_init__(self) -> None:
        require_rising([one.point for one in self.milestones], f"ahead {self.heading!r}, milestones")


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of text; every row as long as `headings`; with `to_days` its rows are the days, and lead to them."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    to_days: bool = False

    def __post_init__(self) -> None:
        for number, row in enumerate(self.rows, start=1):
            require_length(row, len(self.headings), f"table {self.title!r}, row {number}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What to do, as long as the reader has not passed the point `until`; None holds all day.

    With `watch` it changes no temperature: the reader is told to look.
    """

    text: str
    until: int | None = None
    watch: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One line of a day's timetable: `cells` under the timetable's headings, on arriving at a point of the track."""

    point: int
    cells: tuple[str, ...]
    level: str = "ample"

    def __post_init__(self) -> None:
        require_choice(self.level, LEVELS, f"line {self.cells[:2]!r} of a timetable, level")


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One day: a sheet of the page and of paper."""

    title: str
    short: str = ""  # a few words for where there is little room
    date: str = ""  # where the day begins, e.g. "2027-07-11"; empty when it has none
    summary: str = ""  # sentences; a line break starts a new paragraph
    advice: tuple[Advice, ...] = ()
    headings: tuple[str, ...] = ()  # of the timetable
    way: tuple[Way, ...] = ()  # the timetable's lines, one for every place
    way_note: str = ""  # sentence under the timetable
    closest: tuple[int, ...] = ()  # numbers of the series that come nearest to their limits, the nearest first
    tables: tuple[Table, ...] = ()  # what else to know

    def __post_init__(self) -> None:
        for number, line in enumerate(self.way, start=1):
            require_length(line.cells, len(self.headings), f"day {self.title!r}, timetable, line {number}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Everything on one page."""

    title: str
    track: Track
    lead: str = ""  # one or two sentences under the title
    distance_unit: str = "mi"
    elevation_unit: str = "ft"
    facts: tuple[str, ...] = ()  # short sentences at the top
    spots: tuple[Spot, ...] = ()  # lines under the facts
    cautions: tuple[str, ...] = ()  # sentences in their own section, repeated on every day's sheet when printed
    stretches: tuple[Stretch, ...] = ()
    markers: tuple[Marker, ...] = ()
    days: tuple[Day, ...] = ()  # every day number of the track and the markers needs one
    card: tuple[Table, ...] = ()  # what the driver looks up at the wheel: the gauges' alarms
    tables: tuple[Table, ...] = ()  # of the whole trip
    appendix: tuple[Table, ...] = ()  # not printed
    places: tuple[Milestone, ...] = ()  # where a reader on the way may say to be, in driving order
    ahead: tuple[Ahead, ...] = ()  # what such a reader is told about the way ahead
    grades: tuple[Grade, ...] = ()  # climbs, in driving order
    rules: tuple[str, ...] = ()  # what to do on any day when a gauge passes one of its marks
    teaching: "Teaching | None" = None  # for a page that learns from readings and follows changes of the day
    roads: tuple[Road, ...] = ()
    towns: tuple[Town, ...] = ()
    relief: Relief | None = None
    start_s: float | None = None  # time at the first point, since 1970 UTC; the page finds today by it, None: never
    key: str = ""  # under which the page remembers the reader's place on this device; empty: never
    band_words: str = "upper edge"  # what the upper edge of a shaded band is
    level_words: tuple[str, str, str, str] = ("Ample margin", "Margin not known", "Thin margin", "Limit exceeded")
    attributions: tuple[str, ...] = ()  # further sources to name in the footer
    kept: tuple[int, ...] = ()  # what `chart.kept_indices` makes of the track, if that is known already
    generated: str = ""  # when and by what the page was made
    language: str = "en"  # tag of the text, e.g. "en"

    def __post_init__(self) -> None:
        if LANGUAGE_TAG.fullmatch(self.language) is None:
            message = f"scene, language: {self.language!r} is not a language tag; give one such as 'en' or 'de-AT'"
            raise MapError(message)
        self._require_points()
        for spot in self.spots:
            if not 0 <= spot.marker < len(self.markers):
                message = f"spot {spot.text!r}: marker {spot.marker} is not in the scene, which has {len(self.markers)}"
                raise MapError(message)
        last_day, count = max(len(self.days) - 1, 0), len(self.track.series)
        named = [marker.day for marker in self.markers if marker.day is not None]
        for day in (self.track.day[-1], *named):
            if not 0 <= day <= last_day:
                message = f"day {day} is not in the scene, which has {len(self.days)} days counted from 0"
                raise MapError(message)
        for one in self.days:
            if not all(0 <= number < count for number in one.closest):
                message = f"day {one.title!r}: closest {one.closest} must number the track's {count} series from 0"
                raise MapError(message)

    def _require_points(self) -> None:
        """Raise unless everything that names a point names one of the track."""
        last = len(self.track.lat) - 1
        named = [(f"stretch {one.title!r}", one.end) for one in self.stretches]
        named += [(f"milestone {one.title!r}", one.point) for one in self.milestones()]
        named += [(f"grade {one.title!r}", one.end) for one in self.grades]
        named += [(f"spot {one.text!r}", one.point) for one in self.spots]
        named += [(f"timetable of day {day.title!r}", one.point) for day in self.days for one in day.way]
        named += [(f"advice {one.text!r}", one.until) for day in self.days for one in day.advice if one.until]
        for what, point in named:
            if not 0 <= point <= last:
                message = f"{what}: point {point} is not on the track, which ends at {last}"
                raise MapError(message)

    def milestones(self) -> tuple[Milestone, ...]:
        """All milestones of the scene, those of `places` first, in no order of travel."""
        return (*self.places, *(one for group in self.ahead for one in group.milestones))

    def route(self) -> NDArray[np.float64]:
        """Longitude, which runs on beyond the 180th meridian, and latitude; shape (n_point, 2). [degree]."""
        return np.column_stack([unrolled(self.track.lon), self.track.lat])

    def points(self) -> tuple[int, ...]:
        """Points of the track that something names, which thinning keeps; in no order of travel."""
        found = [one.point for one in self.milestones()] + [spot.point for spot in self.spots]
        found += [one.point for day in self.days for one in day.way]
        found += [one.until for day in self.days for one in day.advice if one.until is not None]
        found += [end for one in self.stretches for end in (one.start, one.end)]
        found += [end for one in self.grades for end in (one.start, one.end)]
        found += () if self.teaching is None else self.teaching.nodes
        return tuple(found)

    def bounds(self) -> tuple[float, float, float, float]:
        """South, west, north and east of the smallest box round the track and the markers. [degree].

        A route over the 180th meridian runs on beyond it, so that west may lie under -180 or east over 180.
        """
        lats = (*self.track.lat, *(marker.lat for marker in self.markers))
        track = unrolled(self.track.lon)
        lons = (*track, *(beside(marker.lon, track[0]) for marker in self.markers))
        return min(lats), min(lons), max(lats), max(lons)
