"""The trip: frozen, checked, in SI units.

Built by `planner.files.folder` from the user's files.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A named point on the road, with its usual daily low and high temperature where entered."""

    key: str
    name: str
    lat_deg: float
    lon_deg: float
    elevation_m: float
    kind: str
    services: frozenset[str]
    high_k: float | None
    low_k: float | None
    note: str
    row: int = field(default=0, compare=False)  # of its table, 0 if there is none

    @property
    def has_air(self) -> bool:
        """Whether a usual high or low was entered."""
        return self.high_k is not None or self.low_k is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """Elevation against distance along one leg, from its start; at least two points, distances rising.

    `lat_deg` and `lon_deg` are the positions; empty if only elevations are known.
    """

    distance_m: tuple[float, ...]
    elevation_m: tuple[float, ...]
    lat_deg: tuple[float, ...] = ()
    lon_deg: tuple[float, ...] = ()

    def reverse(self) -> "Profile":
        """Return the same road in the opposite direction."""
        end = self.distance_m[-1]
        return Profile(
            distance_m=tuple(end - d for d in reversed(self.distance_m)),
            elevation_m=self.elevation_m[::-1],
            lat_deg=self.lat_deg[::-1],
            lon_deg=self.lon_deg[::-1],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """A road between two places, in the direction start -> finish."""

    start: str
    finish: str
    distance_m: float
    speed_m_per_s: float
    road: str
    two_way: bool
    open: bool
    profile: Profile | None
    note: str
    season: tuple[tuple[int, int], tuple[int, int]] | None = None  # (month, day) from and to, inclusive
    air_conditioning: bool | None = None  # None: the trip's setting
    heater: bool = False
    low_gear: bool = False
    highest_gear: int = 0  # 1 the first; 0 any, -1 none of the overdrives
    idle_share: float = 0.0  # of the leg's time, stopped in town or traffic
    kind: str = "road"  # or "ferry", "train": the car is carried, its engine off
    row: int = field(default=0, compare=False)  # of its table, 0 if there is none

    @property
    def carried(self) -> bool:
        """Whether a ferry or a train carries the car."""
        return self.kind != "road"

    def reverse(self) -> "Leg":
        """Return the same road in the opposite direction."""
        profile = None if self.profile is None else self.profile.reverse()
        return replace(self, start=self.finish, finish=self.start, profile=profile)

    def open_on(self, day: date) -> bool:
        """Whether the road's season includes a date; a season may span the new year."""
        if self.season is None:
            return self.open
        (first, last), today = self.season, (day.month, day.day)
        return first <= today <= last if first <= last else today >= first or today <= last


@dataclass(frozen=True, slots=True, kw_only=True)
class DayRules:
    """Rules for splitting the drive into days.

    `start` is the usual start of later days; one may start as early as `earliest` to arrive by daylight or, with
    `avoid_heat`, to climb in cooler air. Breaks of `break_s` are due after every `break_every_s` of driving; arrival is
    `before_sunset_s` before sunset, unless `daylight` does not matter. No day starts before `least_rest_s` have passed
    since the last arrival.
    """

    driving_s: float
    start: time
    lodging_only: bool
    earliest: time = time(6)
    break_every_s: float = 7200.0
    break_s: float = 900.0
    before_sunset_s: float = 1800.0
    daylight: bool = True
    avoid_heat: bool = False
    least_rest_s: float = 28800.0


def passing_of(text: str) -> tuple[str, int]:
    """Split a place and its passing number; 0 if there is none.

    >>> passing_of("mojave:2"), passing_of("mojave")
    (('mojave', 2), ('mojave', 0))
    """
    key, colon, number = text.rpartition(":")
    return (key, int(number)) if colon and number.isdecimal() else (text, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Halt:
    """A planned stop at a place: engine off, or idling. `passing` is 1 for the first time there, 0 if not given."""

    place: str
    duration_s: float
    engine_on: bool
    passing: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """A fixed date: arrive at a place on a day by a local time, and stay for a while."""

    place: str
    on: date
    arrive_by: time
    stay_s: float
    passing: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceItem:
    """A job due by distance, time, or both; `fluid` weights the distance by its temperature."""

    item: str
    every_m: float = 0.0
    since_m: float = 0.0
    months: float = 0.0
    since_months: float = 0.0
    fluid: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """File names of the tables, and the units of their columns."""

    places: str = "places.csv"
    legs: str = "legs.csv"
    units: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Gauge readings at one time, place or both.

    `place` is a key; `along` a point between two places that follow each other; `temps_k` is by fluid, and "air";
    `in_degf` names those whose heading is in degF.
    """

    row: int
    when: datetime | None
    place: str
    along: tuple[str, str, float] | None
    temps_k: Mapping[str, float]
    in_degf: frozenset[str] = frozenset()
    oil_pressure_pa: float | None = None
    rpm: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionPlace:
    """A planned day of laps or hill runs: name and place."""

    name: str
    place: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TripSettings:
    """What trip.toml says.

    `route` is start, via..., finish, or with `explicit` every place in order. `departure` is local time at the
    first place, without a zone. `nights` and `rest` are keys, with the suffix ":2" for the second passing. `prefer`
    weighs time, distance and coolness of a road; a remedy must bring the chance of passing a limit below `risk`.
    """

    name: str
    units: str
    route: tuple[str, ...]
    explicit: bool
    departure: datetime
    day: DayRules
    nights: tuple[str, ...]
    halts: tuple[Halt, ...]
    confidence: float
    thin_band_k: float
    air_conditioning: bool
    prefer: tuple[float, float, float] = (1.0, 0.0, 0.0)
    rest: tuple[str, ...] = ()
    events: tuple[Event, ...] = ()
    risk: float = 0.05
    service: tuple[ServiceItem, ...] = ()
    mornings: tuple[tuple[date, time], ...] = ()  # days whose start is fixed
    normals: str = ""  # file of station normals in the folder
    finish_by: datetime | None = None
    days: int = 0  # requested, including the first and the last; 0: as few as possible
    arrive: date | None = None  # requested
    fuel_use_m2: float = 0.0  # the owner's figure, volume per distance; 0: not given
    assumptions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip(TripSettings):
    """One trip, without the vehicle.

    `legs` are as entered. `driven_s` was driven on the first day before the departure; None: the car starts cold, at
    home.
    """

    folder: Path
    places: Mapping[str, Place]
    legs: tuple[Leg, ...]
    driven_s: float | None = None
    session: SessionPlace | None = None
    readings: tuple[Reading, ...] = ()
    written: Written = field(default_factory=Written, compare=False)

    @property
    def first_date(self) -> date:
        """Local date of departure."""
        return self.departure.date()

    def directed_legs(self) -> tuple[Leg, ...]:
        """Return drivable legs: closed ones removed, two-way ones in both directions."""
        return tuple(way for leg in self.legs if leg.open for way in ((leg, leg.reverse()) if leg.two_way else (leg,)))


def reached_from(ways: Mapping[str, Iterable[str]], start: str) -> set[str]:
    """Places that can be reached, the start included; `ways` holds the next places of every place.

    >>> sorted(reached_from({"a": ["b"], "b": ["c"], "c": [], "d": ["a"]}, "a"))
    ['a', 'b', 'c']
    """
    found, open_ends = {start}, [start]
    while open_ends:
        new = set(ways[open_ends.pop()]) - found
        found |= new
        open_ends += new
    return found
