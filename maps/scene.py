"""What is drawn: plain text and floats, already in display units.

Nothing here knows what a series measures or why a line has a colour; words and units come in as data. Every part checks
itself once, when it is made.
"""

import math
import re
from dataclasses import dataclass

from maps.errors import MapError, require_choice, require_length, require_rising, require_within

LEVELS = ("ample", "unknown", "thin", "exceeded")
KINDS = ("over", "hot", "start", "finish", "night", "grade", "stop", "service", "fuel", "place")
LANGUAGE_TAG = re.compile("[a-z]{2,3}(-[A-Z]{2})?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One quantity along the track, drawn as a line in the chart.

    Parameters
    ----------
    label : str
        Name shown in the legend and the readout. [-]
    values : tuple of float
        One value per point of the track; NaN leaves a gap. [`unit`]
    unit : str
        Display unit; series of one unit share a panel of the chart. [-]
    limit, low, high : tuple of float, optional
        Limit line, and lower and upper edge of a shaded band, one value per point. [`unit`]
    dash : str
        Dash pattern of the line in pixels, e.g. "7 4"; empty for a solid line. [-]
    bound : float
        Largest error which thinning may bring in. [`unit`]
    """

    label: str
    values: tuple[float, ...]
    unit: str
    limit: tuple[float, ...] | None = None
    low: tuple[float, ...] | None = None
    high: tuple[float, ...] | None = None
    dash: str = ""
    bound: float = 1.0

    def __post_init__(self) -> None:
        where = f"series {self.label!r}"
        if not self.bound > 0.0:
            message = f"{where}: bound is {self.bound}, must be above 0"
            raise MapError(message)
        if (self.low is None) != (self.high is None):
            message = f"{where}: a band needs both low and high; give both or neither"
            raise MapError(message)
        if any(character not in "0123456789. " for character in self.dash):
            message = f"{where}: dash {self.dash!r} must be numbers of pixels and spaces, e.g. '7 4', or empty"
            raise MapError(message)
        for name, column in self.columns():
            require_length(column, len(self.values), f"{where}, {name}")
            if any(math.isinf(value) for value in column):
                message = f"{where}, {name}: infinite value; use NaN where nothing is known"
                raise MapError(message)

    def columns(self) -> tuple[tuple[str, tuple[float, ...]], ...]:
        """Name and values of every column this series holds.

        Returns
        -------
        tuple of (str, tuple of float)
            "values" first, then "limit", "low" and "high" where given. [`unit`]
        """
        pairs = (("values", self.values), ("limit", self.limit), ("low", self.low), ("high", self.high))
        return tuple((name, column) for name, column in pairs if column is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """The route as points in the order of travel, with everything known at each.

    Parameters
    ----------
    lat, lon : tuple of float
        WGS84, north and east positive. [degree]
    distance : tuple of float
        From the start, never falling; several points may share one (a halt). [display unit]
    elevation : tuple of float
        Above sea level. [display unit]
    clock : tuple of str
        Day and time to show, e.g. "Tue 14:05". [-]
    group : tuple of int
        Number of the leg of each point, an index into `group_labels` when those are given. [-]
    day : tuple of int
        Number of the day of each point, from 0, an index into the scene's `days`; never falling. [-]
    series : tuple of Series
        Lines of the chart, each as long as the track. [-]
    group_labels : tuple of str
        Names of the legs for the readout; may be empty. [-]
    minutes : tuple of float
        Time since the start, never falling; may be empty when no time is to be told. [min]
    elevation_bound : float
        Largest error in elevation which thinning may bring in. [display unit]
    line_bound_deg : float
        Largest sideways error of the line on the map, in degrees of latitude. [degree]
    """

    lat: tuple[float, ...]
    lon: tuple[float, ...]
    distance: tuple[float, ...]
    elevation: tuple[float, ...]
    clock: tuple[str, ...]
    group: tuple[int, ...]
    day: tuple[int, ...]
    series: tuple[Series, ...] = ()
    group_labels: tuple[str, ...] = ()
    minutes: tuple[float, ...] = ()
    elevation_bound: float = 20.0
    line_bound_deg: float = 0.0003

    def __post_init__(self) -> None:
        count = len(self.lat)
        if count < 2:
            message = f"track: {count} points given, at least 2 are needed"
            raise MapError(message)
        for name in ("lon", "distance", "elevation", "clock", "group", "day"):
            require_length(getattr(self, name), count, f"track, {name}")
        for one in self.series:
            require_length(one.values, count, f"series {one.label!r}")
        for name, reach in (("lat", 90.0), ("lon", 180.0), ("distance", math.inf), ("elevation", math.inf)):
            require_within(getattr(self, name), reach, f"track, {name}")
        require_rising(self.distance, "track, distance")
        require_rising(self.day, "track, day")
        if self.minutes:
            require_length(self.minutes, count, "track, minutes")
            require_within(self.minutes, math.inf, "track, minutes")
            require_rising(self.minutes, "track, minutes")
        if self.day[0] < 0 or min(self.group) < 0:
            message = f"track: day starts at {self.day[0]}, lowest group is {min(self.group)}; both count from 0"
            raise MapError(message)
        if self.group_labels and max(self.group) >= len(self.group_labels):
            message = f"track, group: {max(self.group)} has no name, only {len(self.group_labels)} group_labels given"
            raise MapError(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A part of the track drawn in the colour of one level.

    Parameters
    ----------
    start, end : int
        First and last point, both included, start < end. [-]
    level : str
        One of `LEVELS`. [-]
    title : str
        Heading of the popup. [-]
    popup : str
        Plain sentences; a line break starts a new paragraph. [-]
    """

    start: int
    end: int
    level: str
    title: str = ""
    popup: str = ""

    def __post_init__(self) -> None:
        require_choice(self.level, LEVELS, f"stretch {self.title!r}, level")
        if not 0 <= self.start < self.end:
            message = f"stretch {self.title!r}: runs from point {self.start} to {self.end}; needs 0 <= start < end"
            raise MapError(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A point of interest with a popup.

    Parameters
    ----------
    lat, lon : float
        WGS84, north and east positive. [degree]
    label : str
        Short name beside the symbol and heading of the popup. [-]
    kind : str
        One of `KINDS`, sets the symbol; earlier kinds hide later ones where they overlap. [-]
    text : str
        Plain sentences; a line break starts a new paragraph. [-]
    day : int, optional
        Number of the day from 0, or None for a marker of no single day. [-]
    """

    lat: float
    lon: float
    label: str
    kind: str = "place"
    text: str = ""
    day: int | None = None

    def __post_init__(self) -> None:
        require_choice(self.kind, KINDS, f"marker {self.label!r}, kind")
        require_within((self.lat,), 90.0, f"marker {self.label!r}, lat")
        require_within((self.lon,), 180.0, f"marker {self.label!r}, lon")


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A short line at the top of the page that leads to a marker."""

    text: str
    marker: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Milestone:
    """Something at a point of the track, to be told to a reader who is on the way."""

    point: int
    title: str
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """Milestones of one sort; the reader is told the next one, and with `behind` also the last one passed.

    Parameters
    ----------
    heading : str
        What the next one is called, e.g. "Next fuel". [-]
    milestones : tuple of Milestone
        In driving order. [-]
    behind : str
        What the last one passed is called; empty when it does not matter. [-]
    """

    heading: str
    milestones: tuple[Milestone, ...]
    behind: str = ""

    def __post_init__(self) -> None:
        require_rising([one.point for one in self.milestones], f"ahead {self.heading!r}, milestones")


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of text; every row as long as `headings`."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""

    def __post_init__(self) -> None:
        for number, row in enumerate(self.rows, start=1):
            require_length(row, len(self.headings), f"table {self.title!r}, row {number}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One day: a section of the page and, on paper, one sheet; `advice` is what the reader on the way is told to do."""

    title: str
    summary: str = ""
    tables: tuple[Table, ...] = ()
    advice: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Everything on one page.

    Parameters
    ----------
    title, lead : str
        Heading of the page, and one or two sentences under it. [-]
    track : Track
        The route. [-]
    distance_unit, elevation_unit : str
        Display units, e.g. "mi" and "ft". [-]
    facts : tuple of str
        Short sentences at the top. [-]
    spots : tuple of Spot
        Lines under the facts, each leading to a marker. [-]
    cautions : tuple of str
        Sentences in their own section, repeated on every day's sheet when printed. [-]
    stretches, markers : tuple
        What is drawn on the map. [-]
    days : tuple of Day
        Sections; every day number of the track and the markers needs one. [-]
    tables, appendix : tuple of Table
        Tables of the whole trip, before and after the days. [-]
    places : tuple of Milestone
        Where a reader on the way may say to be, in driving order. [-]
    ahead : tuple of Ahead
        What such a reader is told about the way ahead. [-]
    rules : tuple of str
        What to do on any day, below the day's own advice. [-]
    band_words : str
        What the upper edge of a shaded band is. [-]
    level_words : tuple of four str
        What the levels ample, unknown, thin and exceeded are called in the legend. [-]
    attributions : tuple of str
        Further sources to name in the footer. [-]
    generated : str
        When and by what the page was made. [-]
    language : str
        Language tag of the text, e.g. "en". [-]
    """

    title: str
    track: Track
    lead: str = ""
    distance_unit: str = "mi"
    elevation_unit: str = "ft"
    facts: tuple[str, ...] = ()
    spots: tuple[Spot, ...] = ()
    cautions: tuple[str, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    markers: tuple[Marker, ...] = ()
    days: tuple[Day, ...] = ()
    tables: tuple[Table, ...] = ()
    appendix: tuple[Table, ...] = ()
    places: tuple[Milestone, ...] = ()
    ahead: tuple[Ahead, ...] = ()
    rules: tuple[str, ...] = ()
    band_words: str = "upper edge"
    level_words: tuple[str, str, str, str] = ("Ample margin", "Margin not known", "Thin margin", "Limit exceeded")
    attributions: tuple[str, ...] = ()
    generated: str = ""
    language: str = "en"

    def __post_init__(self) -> None:
        if LANGUAGE_TAG.fullmatch(self.language) is None:
            message = f"scene, language: {self.language!r} is not a language tag; give one such as 'en' or 'de-AT'"
            raise MapError(message)
        last_point, last_day = len(self.track.lat) - 1, max(len(self.days) - 1, 0)
        for stretch in self.stretches:
            if stretch.end > last_point:
                message = f"stretch {stretch.title!r}: ends at point {stretch.end}, the track ends at {last_point}"
                raise MapError(message)
        for spot in self.spots:
            if not 0 <= spot.marker < len(self.markers):
                message = f"spot {spot.text!r}: marker {spot.marker} is not in the scene, which has {len(self.markers)}"
                raise MapError(message)
        for one in self.milestones():
            if not 0 <= one.point <= last_point:
                message = f"milestone {one.title!r}: point {one.point} is not on the track, which ends at {last_point}"
                raise MapError(message)
        named = [marker.day for marker in self.markers if marker.day is not None]
        for day in (self.track.day[-1], *named):
            if not 0 <= day <= last_day:
                message = f"day {day} is not in the scene, which has {len(self.days)} days counted from 0"
                raise MapError(message)

    def milestones(self) -> tuple[Milestone, ...]:
        """All milestones of the scene, those of `places` first.

        Returns
        -------
        tuple of Milestone
            In no order of travel. [-]
        """
        return (*self.places, *(one for group in self.ahead for one in group.milestones))

    def bounds(self) -> tuple[float, float, float, float]:
        """Smallest box round the track and the markers.

        Returns
        -------
        tuple of float
            South, west, north, east. [degree]
        """
        lats = (*self.track.lat, *(marker.lat for marker in self.markers))
        lons = (*self.track.lon, *(marker.lon for marker in self.markers))
        return min(lats), min(lons), max(lats), max(lons)
