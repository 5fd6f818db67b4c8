"""The route as a timed drive: position, time, speed and air; every leg open on its day."""

import itertools
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np
from numpy.typing import NDArray

from planner.model import clock
from planner.model.errors import NoRouteError
from planner.model.trip import Leg, Trip
from planner.route.days import split_days
from planner.route.graph import choose_route
from planner.route.oneday import DayLegs
from planner.route.remarks import day_remarks
from planner.route.road import Road, climb_heat, cut_road, held_speed
from planner.route.wanted import wanted_on
from planner.weather.along import AirAlong, air_along, bearings_deg
from planner.weather.expected import grille_rise_k, haurwitz_w_per_m2, highs_lows_along
from planner.weather.sources import NO_WEATHER, TripWeather
from thermal.drive import Drive
from thermal.ranges import BoolArray
from thermal.ranges import FloatArray as Floats
from thermal.vehicle import Vehicle

_SOAK_EDGES_S = np.cumsum((0.0, *(60.0,) * 30, *(300.0,) * 18, *(900.0,) * 400))
_ONE_AT_A_TIME = threading.Lock()
_LAST_SOAK_S = 3600.0
_MOST_CLOSED = 20
_SHORTEST_NIGHT_S = 60.0  # minimum night after the clock has converged; less means that days overlap
_ROUNDS = 2  # held speed depends on air density and so on time; two iterations converge to seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A run of segments of the timeline: a leg, or time parked at a place."""

    kind: str  # "drive", "ferry", "train", "break", "halt", "event", "cool", "idle", "night", "end"
    leg: int
    day: int
    first: int
    last: int
    place: str

    @property
    def on_road(self) -> bool:
        """Whether it is a leg, driven or on a ferry or train."""
        return self.kind in ("drive", "ferry", "train")

    @property
    def rows(self) -> slice:
        """Its segments, to index a timeline's arrays with."""
        return slice(self.first, self.last + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """A drive with its clock and places; arrays run over segments, parked ones included."""

    road: Road
    days: tuple[DayLegs, ...]
    spans: tuple[Span, ...]
    drive: Drive  # for the thermal model
    begin_s: Floats  # seconds since 1970 UTC
    end_s: Floats
    end_m: Floats  # along the route
    end_elevation_m: Floats  # position of the segment's end
    lat_deg: Floats
    lon_deg: Floats
    slowed: BoolArray  # the car cannot hold the entered speed, or its brakes cannot on the way down
    air_sd_k: Floats  # standard deviation of the air temperature, by its source
    _driven: dict[int, Span] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        spans = reversed(self.spans)  # of a leg in two parts the first counts
        object.__setattr__(self, "_driven", {span.leg: span for span in spans if span.on_road})

    def span_of(self, leg: int) -> Span:
        """Run of segments in which a leg is driven, or the car carried along it."""
        return self._driven[leg]

    @property
    def on_road(self) -> BoolArray:
        """Segments of the road, including ferries and trains; the others are parked."""
        moving = np.zeros(len(self.begin_s), dtype=np.bool_)
        for span in self.spans:
            if span.on_road:
                moving[span.rows] = True
        return moving

    @property
    def leg_s(self) -> list[float]:
        """Time of every leg, driven or carried. [s]."""
        road = np.where(self.on_road, self.drive.duration_s, 0.0)
        return [float(s) for s in np.bincount(self.drive.group.astype(np.int64), road, len(self.road.legs))]

    @property
    def closed_leg(self) -> Leg | None:
        """First leg that is closed on the date it is driven."""
        for span in self.spans:
            if span.on_road:
                here = float(self.end_s[span.last]), float(self.lat_deg[span.last]), float(self.lon_deg[span.last])
                if not self.road.legs[span.leg].open_on(clock.local(*here).date()):
                    return self.road.legs[span.leg]
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """The road of a trip and its timeline. `trip` excludes the roads described in `closed`."""

    trip: Trip
    known: TripWeather
    legs: tuple[Leg, ...]
    timeline: Timeline
    closed: tuple[str, ...]
    _others: dict[tuple[int, ...], tuple[Vehicle, Timeline]] = field(default_factory=dict, compare=False, repr=False)

    def by_other_legs(self, legs: tuple[Leg, ...], vehicle: Vehicle) -> Timeline:
        """The trip's timeline by other legs, built once; `NoRouteError` where no days can be found."""
        key = (id(vehicle), *map(id, legs))  # what is kept holds car and legs, so that no other takes their place
        with _ONE_AT_A_TIME:  # so that a second thread does not build it again
            if key not in self._others:
                line = build_timeline(self.trip, legs, vehicle, self.known, like=self.timeline.road)
                self._others[key] = vehicle, line
            return self._others[key][1]


def open_route(trip: Trip, vehicle: Vehicle, known: TripWeather = NO_WEATHER) -> Route:
    """Choose a road whose legs are all open on their day; closed ones are excluded and reported."""
    closed: tuple[str, ...] = ()
    why = ""  # no days found along the first closed road
    while len(closed) <= _MOST_CLOSED:
        try:
            legs = choose_route(trip)
        except NoRouteError as exc:
            message = " ".join([*closed, str(exc), *([f"By it: {why}."] if why else [])])
            raise NoRouteError(message) from exc
        timeline, refused = _on_open_days(trip, legs, vehicle, known)
        leg = timeline.closed_leg
        if leg is None:
            round_it = _way_round(trip, legs, timeline, vehicle, known)
            if round_it is not None:
                return replace(round_it, closed=(*closed, *round_it.closed))
            heard = tuple(day_remarks(trip, legs, timeline.days, timeline.leg_s))
            trip = replace(trip, assumptions=(*heard, *trip.assumptions))
            return Route(trip=trip, known=known, legs=legs, timeline=timeline, closed=closed)
        said = _closed_words(trip, leg)
        if trip.explicit:
            raise NoRouteError(refused or said)
        why = why or refused
        closed = (*closed, said)
        trip = _without(trip, leg)
    message = f"more than {_MOST_CLOSED} roads are closed on the day they would be driven; see 'open' in the legs"
    raise NoRouteError(message)


def _way_round(
    trip: Trip, legs: tuple[Leg, ...], waiting: Timeline, vehicle: Vehicle, known: TripWeather
) -> Route | None:
    """Detour around a road that opens too late, if waiting would take a day longer."""
    if trip.explicit or all(leg.season is None for leg in legs):
        return None
    at_once = build_timeline(trip, legs, vehicle, known, seasons=False)
    late = at_once.closed_leg
    if late is None or len(at_once.days) >= len(waiting.days):
        return None
    try:
        other = open_route(_without(trip, late), vehicle, known)
    except NoRouteError:
        return None
    if len(other.timeline.days) >= len(waiting.days):
        return None
    return replace(other, closed=(_closed_words(trip, late), *other.closed))


def _closed_words(trip: Trip, leg: Leg) -> str:
    a, b = trip.places[leg.start].name, trip.places[leg.finish].name
    return f"{leg.road or 'The road'} from {a} to {b} is closed on the day it would be driven; see 'open' in legs.csv."


def _without(trip: Trip, leg: Leg) -> Trip:
    """The trip without a road, and the sentence on it."""
    ways = {(leg.start, leg.finish, leg.road), (leg.finish, leg.start, leg.road)}
    others = tuple(one for one in trip.legs if (one.start, one.finish, one.road) not in ways)
    return replace(trip, legs=others, assumptions=(*trip.assumptions, _closed_words(trip, leg)))


def _on_open_days(trip: Trip, legs: tuple[Leg, ...], vehicle: Vehicle, known: TripWeather) -> tuple[Timeline, str]:
    """Drive every leg on a day it is open; if impossible, ignore the season and say why."""
    try:
        return build_timeline(trip, legs, vehicle, known), ""
    except NoRouteError as exc:
        if all(leg.season is None for leg in legs):
            raise
        return build_timeline(trip, legs, vehicle, known, seasons=False), str(exc)


def build_timeline(
    trip: Trip,
    legs: Sequence[Leg],
    vehicle: Vehicle,
    known: TripWeather = NO_WEATHER,
    *,
    seasons: bool = True,
    like: Road | None = None,
) -> Timeline:
    """Build the timeline of the chosen legs: days, clock, weather, and speeds the car can hold.

    `like` is another road of the same trip, if one is cut.
    """
    road = cut_road(trip, legs, known, like=like)
    high, low = highs_lows_along(road.middle_m, road.elevation_m, road.anchors)
    speed = held_speed(road, vehicle, air_k=0.5 * (high + low), wanted=road.wanted_m_per_s)
    heat = climb_heat(trip, road) if trip.day.avoid_heat else None
    days = split_days(trip, legs, _leg_times(road, speed), heat=heat, seasons=seasons)
    for _ in range(_ROUNDS):
        air = _road_air_k(road, _sheet(trip, road, days, speed))
        speed = held_speed(road, vehicle, air_k=air, wanted=road.wanted_m_per_s)
    settled = [_settled(day, _leg_times(road, speed), legs) for day in days]
    if any(b.start_s - a.free_s < _SHORTEST_NIGHT_S for a, b in itertools.pairwise(settled)):
        days = split_days(trip, legs, _leg_times(road, speed), heat=heat, seasons=seasons)
    return lay_out(trip, road, days, speed)


def _settled(day: DayLegs, leg_s: Sequence[float], legs: Sequence[Leg]) -> DayLegs:
    """A day with the final times of its legs."""
    own = range(day.first, day.last + 1)
    return replace(
        day,
        driving_s=sum(leg_s[i] for i in own if not legs[i].carried),
        carried_s=sum(leg_s[i] for i in own if legs[i].carried),
    )


def _leg_times(road: Road, speed_m_per_s: Floats) -> list[float]:
    """Time of every leg, driven or carried."""
    moving = np.bincount(road.leg, weights=road.length_m / speed_m_per_s, minlength=len(road.legs))
    return [float(time_s) / (1.0 - leg.idle_share) for time_s, leg in zip(moving, road.legs, strict=True)]


class _Sheet:
    """Rows of a timeline, span by span: each a segment of the road, or time parked at the end of one."""

    def __init__(self, trip: Trip, road: Road, speed: Floats) -> None:
        self.trip, self.road, self.speed = trip, road, speed
        self.begins = np.searchsorted(road.leg, np.arange(len(road.legs) + 1)).tolist()
        self.driving_s = road.length_m / speed / (1.0 - self._of_legs("idle_share"))
        self.spans: list[Span] = []
        self.engine_on: list[bool] = []  # by span, as the following
        self.at: list[NDArray[np.int64]] = []  # row of the road; when parked, the last one before
        self.rests: list[int] = []  # last rows before a stop, however short
        self.duration_s: list[Floats] = []
        self.end_s: list[Floats] = []

    def drive(self, i: int, day: int, now: float) -> float:
        """Append the segments of one leg, engine off where it is carried; returns the time of arrival."""
        rows, leg = np.arange(self.begins[i], self.begins[i + 1]), self.road.legs[i]
        end_s = now + np.cumsum(self.driving_s[rows])
        self._add(leg.kind if leg.carried else "drive", i, day, rows, self.driving_s[rows], end_s, not leg.carried)
        return float(end_s[-1])

    def park(self, i: int, day: int, kind: str, now: float, duration_s: float, *, engine_on: bool = False) -> float:
        """Append time parked at the end of leg `i`; returns its end."""
        edges = np.append(_SOAK_EDGES_S[_SOAK_EDGES_S < duration_s - 1.0], duration_s)
        rows = np.full(len(edges) - 1, self.begins[i + 1] - 1)
        self.rests.append(int(self.begins[i + 1]) - 1)
        self._add(kind, i, day, rows, np.diff(edges), now + edges[1:], engine_on)
        return now + duration_s

    def _add(
        self, kind: str, i: int, day: int, at: NDArray[np.int64], duration_s: Floats, end_s: Floats, engine_on: bool
    ) -> None:
        first, place = self.spans[-1].last + 1 if self.spans else 0, self.road.legs[i].finish
        self.spans.append(Span(kind=kind, leg=i, day=day, first=first, last=first + len(at) - 1, place=place))
        self.at.append(at)
        self.duration_s.append(duration_s)
        self.end_s.append(end_s)
        self.engine_on.append(engine_on)

    def _of_legs(self, name: str) -> Floats:
        """A value of each leg along the road, 0 where it is carried."""
        by_leg = [0.0 if leg.carried else float(getattr(leg, name)) for leg in self.road.legs]
        return np.array(by_leg)[self.road.leg]

    def _spread(self, values: Sequence[float]) -> Floats:
        """One value for each span, as a column."""
        return np.repeat(np.array(values, dtype=np.float64), [len(at) for at in self.at])

    @property
    def moves(self) -> BoolArray:
        """Rows on the road, ferries and trains included."""
        return self._spread([span.on_road for span in self.spans]) > 0.0

    def position(self) -> dict[str, Floats]:
        """Columns of place and time."""
        places, moves, at = [self.trip.places[span.place] for span in self.spans], self.moves, np.concatenate(self.at)
        c = {"end_s": np.concatenate(self.end_s), "duration_s": np.concatenate(self.duration_s)}
        c["end_m"] = self.road.end_m[at]
        for name in ("elevation_m", "end_elevation_m", "lat_deg", "lon_deg"):
            parked = self._spread([getattr(place, name.removeprefix("end_")) for place in places])
            c[name] = np.where(moves, getattr(self.road, name)[at], parked)
        return c

    def motion(self) -> dict[str, Floats]:
        """Columns of driving; the car comes to rest where it is parked or carried next."""
        road, at = self.road, np.concatenate(self.at)
        after = np.append(np.where(road.carried, 0.0, self.speed)[1:], 0.0)
        after[self.rests] = 0.0
        along = {
            "speed_m_per_s": self.speed,
            "end_speed_m_per_s": np.where(after == 0.0, 0.0, 0.5 * (self.speed + after)),
            "grade": road.grade,
            "wanted_m_per_s": road.wanted_m_per_s,
            "ac_on": road.ac_on,
            "heater_on": self._of_legs("heater"),
            **{name: self._of_legs(name) for name in ("idle_share", "low_gear", "highest_gear")},
        }
        driven = self.moves & ~road.carried[at]
        c = {name: np.where(driven, values[at], 0.0) for name, values in along.items()}
        c["engine_on"] = self._spread(self.engine_on)
        c["ac_on"] = np.where(driven, c["ac_on"], c["engine_on"] * self.trip.air_conditioning)
        c["group"] = self._spread([span.leg for span in self.spans])
        c["day"] = self._spread([span.day for span in self.spans])
        return c


def lay_out(trip: Trip, road: Road, days: tuple[DayLegs, ...], speed: Floats) -> Timeline:
    """Lay out the days, assigning a time to every segment."""
    return _finish(road, days, _sheet(trip, road, days, speed))


def _sheet(trip: Trip, road: Road, days: tuple[DayLegs, ...], speed: Floats) -> _Sheet:
    """The rows of a timeline, without air and sun."""
    sheet = _Sheet(trip, road, speed)
    idling = {position - 1 for position, halt in wanted_on(trip, road.legs).halts.items() if halt.engine_on}
    for number, day in enumerate(days):
        now = day.start_s
        for i in range(day.first, day.last + 1):
            now = sheet.drive(i, number, now)
            for _, seconds, kind in (pause for pause in day.pauses if pause[0] == i):
                on = kind == "idle" or (kind == "halt" and i in idling)
                now = sheet.park(i, number, kind, now, seconds, engine_on=on)
        if number + 1 < len(days):
            night_s = max(days[number + 1].start_s - now, _SHORTEST_NIGHT_S)
            now = sheet.park(day.last, number, "night", now, night_s)
        else:
            now = sheet.park(day.last, number, "end", now, _LAST_SOAK_S)
    return sheet


def _road_air_k(road: Road, sheet: _Sheet) -> Floats:
    """Air along the road alone, ferries and trains included. [K]."""
    return np.asarray(_air_of(road, sheet.position(), np.nan).air_k[sheet.moves])


def _air_of(road: Road, c: dict[str, Floats], bearing_deg: Floats | float) -> AirAlong:
    """The air of a timeline's columns, half-way through every segment."""
    where = {
        "distance_m": c["end_m"],
        "elevation_m": c["elevation_m"],
        "lat_deg": c["lat_deg"],
        "lon_deg": c["lon_deg"],
    }
    return air_along(road.weather, **where, epoch_s=_middle_s(c), bearing_deg=bearing_deg)


def _middle_s(c: dict[str, Floats]) -> Floats:
    """Time half-way through every segment, of a timeline's columns. [s]."""
    return np.asarray(0.5 * ((c["end_s"] - c["duration_s"]) + c["end_s"]))


def _finish(road: Road, days: tuple[DayLegs, ...], sheet: _Sheet) -> Timeline:
    c = sheet.position() | sheet.motion()
    moves = c["speed_m_per_s"] > 0.0
    air = _air_of(road, c, np.where(moves, bearings_deg(c["lat_deg"], c["lon_deg"]), np.nan))
    position = {"lat_deg": c["lat_deg"], "lon_deg": c["lon_deg"], "epoch_s": _middle_s(c)}
    sun = haurwitz_w_per_m2(clock.solar_elevation_deg(**position))
    drive = Drive(
        air_k=air.air_k,
        dew_k=np.minimum(air.dew_k, air.air_k),
        road_rise_k=grille_rise_k(sun, c["speed_m_per_s"]),
        headwind_m_per_s=air.headwind_m_per_s,
        **{item.name: c[item.name] for item in fields(Drive) if item.name in c},
    )
    return Timeline(
        road=road,
        days=days,
        spans=tuple(sheet.spans),
        drive=drive,
        begin_s=c["end_s"] - c["duration_s"],
        slowed=c["speed_m_per_s"] < c["wanted_m_per_s"] - 0.2,
        air_sd_k=air.sd_k,
        **{name: c[name] for name in ("end_s", "end_m", "end_elevation_m", "lat_deg", "lon_deg")},
    )
