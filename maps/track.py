"""The route point by point, and the quantities drawn along it."""

import math
from dataclasses import dataclass

import numpy as np

from maps.errors import MapError, require_length, require_rising, require_within


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One quantity along the track, drawn as a line in the chart; every column has one value per point of the track."""

    label: str  # in the legend and the readout
    values: tuple[float, ...]  # NaN leaves a gap
    unit: str  # display unit; series of one unit share a panel of the chart
    limit: tuple[float, ...] | None = None  # line of the limit
    low: tuple[float, ...] | None = None  # lower edge of a shaded band
    high: tuple[float, ...] | None = None  # upper edge of that band
    dash: str = ""  # pattern of the line in pixels, e.g. "7 4"; empty: solid
    bound: float = 1.0  # largest error which thinning may bring in

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
            if math.inf in column or -math.inf in column:
                message = f"{where}, {name}: infinite value; use NaN where nothing is known"
                raise MapError(message)

    def columns(self) -> tuple[tuple[str, tuple[float, ...]], ...]:
        """Name and values of each column: "values" first, then "limit", "low" and "high" where given."""
        pairs = (("values", self.values), ("limit", self.limit), ("low", self.low), ("high", self.high))
        return tuple((name, column) for name, column in pairs if column is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """The route as points in the order of travel, with everything known at each."""

    lat: tuple[float, ...]  # WGS84, north positive [degree]
    lon: tuple[float, ...]  # WGS84, east positive [degree]
    distance: tuple[float, ...]  # from the start, never falling; several points may share one: a halt [display unit]
    elevation: tuple[float, ...]  # above sea level [display unit]
    clock: tuple[str, ...]  # day and time to show, e.g. "Tue 14:05"
    group: tuple[int, ...]  # number of the leg, an index into `group_labels` when those are given
    day: tuple[int, ...]  # number of the day from 0, an index into the scene's `days`; never falling
    series: tuple[Series, ...] = ()  # lines of the chart, each as long as the track
    group_labels: tuple[str, ...] = ()  # names of the legs for the readout
    minutes: tuple[float, ...] = ()  # since the start, never falling; empty when no time is to be told
    elevation_bound: float = 20.0  # largest error in elevation which thinning may bring in [display unit]
    line_bound_deg: float = 0.0003  # largest sideways error of the line on the map, in degrees of latitude

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


def unrolled(lon: tuple[float, ...]) -> tuple[float, ...]:
    """Longitudes, `lon` in the order of travel, that run on beyond the 180th meridian instead of jumping. [degree].

    The first stays as given; each other is within half a turn of the one before.

    >>> unrolled((179.5, -179.5, -178.0))
    (179.5, 180.5, 182.0)
    """
    given = np.asarray(lon, dtype=np.float64)
    moves = np.diff(given, prepend=given[0])
    turns = np.cumsum(360.0 * (moves < -180.0) - 360.0 * (moves > 180.0))
    return tuple((given + turns).tolist())


def beside(lon: float, middle: float) -> float:
    """The longitude `lon`, or a turn more or less, so that it lies within half a turn of `middle`. [degree].

    >>> beside(-179.0, 178.0), beside(10.0, 20.0)
    (181.0, 10.0)
    """
    return lon + 360.0 * round((middle - lon) / 360.0)
