"""The route as a timed drive: position, time, speed and air; every leg open on its day."""

import itertools
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np

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
                self._others[key] = vehicle, build_timeline(self.trip, legs, vehicle, self.known)
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
    trip: Trip, legs: Sequence[Leg], vehicle: Vehicle, known: TripWeather = NO_WEATHER, *, seasons: bool = True
) -> Timeline:
    """Build the timeline of the chosen legs: days, clock, weather, and speeds the car can hold."""
    road = cut_road(trip, legs, known)
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
    """Collects the columns of a timeline day by day."""

    def __init__(self, road: Road) -> None:
        self.begins = np.searchsorted(road.leg, np.arange(len(road.legs) + 1))
        self.columns: dict[str, list[Floats | tuple[int, float]]] = {}
        self.spans: list[Span] = []
        self.rows = 0

    def add(self, span: Span, count: int, **columns: Floats | float) -> None:
        """Append `count` rows; one number is that of all of them."""
        for name, values in columns.items():
            part = (count, values) if isinstance(values, float) else values
            self.columns.setdefault(name, []).append(part)
        self.spans.append(replace(span, first=self.rows, last=self.rows + count - 1))
        self.rows += count

    def leg(self, i: int) -> slice:
        """Segments of road of one leg."""
        return slice(int(self.begins[i]), int(self.begins[i + 1]))

    def joined(self, name: str) -> Floats:
        """A column as an array."""
        return np.concatenate([np.full(*part) if isinstance(part, tuple) else part for part in self.columns[name]])


def lay_out(trip: Trip, road: Road, days: tuple[DayLegs, ...], speed: Floats) -> Timeline:
    """Lay out the days, assigning a time to every segment."""
    return _finish(road, days, _sheet(trip, road, days, speed))


def _sheet(trip: Trip, road: Road, days: tuple[DayLegs, ...], speed: Floats) -> _Sheet:
    """The columns of a timeline, without air and sun."""
    sheet = _Sheet(road)
    idling = {position - 1 for position, halt in wanted_on(trip, road.legs).halts.items() if halt.engine_on}
    for number, day in enumerate(days):
        now = day.start_s
        stops = {i for i, _, _ in day.pauses} | {day.last} | {i - 1 for i, leg in enumerate(road.legs) if leg.carried}
        for i in range(day.first, day.last + 1):
            now = (_carry if road.legs[i].carried else _drive_leg)(sheet, road, i, number, speed, now, last=i in stops)
            for _, seconds, kind in (pause for pause in day.pauses if pause[0] == i):
                on = kind == "idle" or (kind == "halt" and i in idling)
                now = _park(sheet, trip, road, i, number, kind, now, seconds, on)
        if number + 1 < len(days):
            night_s = max(days[number + 1].start_s - now, _SHORTEST_NIGHT_S)
            now = _park(sheet, trip, road, day.last, number, "night", now, night_s, False)
        else:
            now = _park(sheet, trip, road, day.last, number, "end", now, _LAST_SOAK_S, False)
    return sheet


def _drive_leg(sheet: _Sheet, road: Road, i: int, day: int, speed: Floats, now: float, *, last: bool) -> float:
    """Append the segments of one leg; returns the time of arrival."""
    rows, leg = sheet.leg(i), road.legs[i]
    v = speed[rows]
    duration = road.length_m[rows] / v / (1.0 - leg.idle_share)
    after = np.append(v[1:], 0.0 if last or rows.stop == len(speed) else speed[rows.stop])
    motion: dict[str, Floats | float] = {
        "speed_m_per_s": v,
        "end_speed_m_per_s": np.where(after == 0.0, 0.0, 0.5 * (v + after)),
        "grade": road.grade[rows],
        "wanted_m_per_s": road.wanted_m_per_s[rows],
        "ac_on": road.ac_on[rows],
        "engine_on": 1.0,
        "idle_share": leg.idle_share,
    }
    switches = {name: float(getattr(leg, name)) for name in ("low_gear", "highest_gear")}
    switches["heater_on"] = float(leg.heater)
    return _on_road(sheet, road, i, day, duration, now, kind="drive", **motion, **switches)


def _carry(sheet: _Sheet, road: Road, i: int, day: int, speed: Floats, now: float, *, last: bool) -> float:
    """Append a leg on a ferry or a train, engine off; returns the time of arrival."""
    del last  # it is parked anyway
    rows = sheet.leg(i)
    still = dict.fromkeys((*_STILL, "engine_on", "ac_on"), 0.0)
    return _on_road(sheet, road, i, day, road.length_m[rows] / speed[rows], now, kind=road.legs[i].kind, **still)


def _on_road(
    sheet: _Sheet,
    road: Road,
    i: int,
    day: int,
    duration_s: Floats,
    now: float,
    *,
    kind: str,
    **columns: Floats | float,
) -> float:
    """Append the segments of one leg with their position; returns the time of arrival."""
    rows, end_s = sheet.leg(i), now + np.cumsum(duration_s)
    position = ("elevation_m", "end_elevation_m", "lat_deg", "lon_deg", "end_m")
    columns |= {name: getattr(road, name)[rows] for name in position}
    columns |= {"duration_s": duration_s, "end_s": end_s, "group": float(i), "day": float(day)}
    span = Span(kind=kind, leg=i, day=day, first=0, last=0, place=road.legs[i].finish)
    sheet.add(span, len(end_s), **columns)
    return float(end_s[-1])


_STILL = (
    *("speed_m_per_s", "end_speed_m_per_s", "grade", "wanted_m_per_s"),
    *("heater_on", "low_gear", "highest_gear", "idle_share"),
)


def _park(
    sheet: _Sheet, trip: Trip, road: Road, i: int, day: int, kind: str, now: float, duration_s: float, engine_on: bool
) -> float:
    """Append time parked at the end of leg `i`; returns its end."""
    place = trip.places[road.legs[i].finish]
    edges = np.append(_SOAK_EDGES_S[_SOAK_EDGES_S < duration_s - 1.0], duration_s)
    steps = np.diff(edges)
    at = float(road.end_m[sheet.leg(i).stop - 1])
    sheet.add(
        Span(kind=kind, leg=i, day=day, first=0, last=0, place=place.key),
        len(steps),
        duration_s=steps,
        elevation_m=place.elevation_m,
        end_elevation_m=place.elevation_m,
        lat_deg=place.lat_deg,
        lon_deg=place.lon_deg,
        end_m=at,
        end_s=now + edges[1:],
        engine_on=float(engine_on),
        ac_on=float(trip.air_conditioning and engine_on),
        group=float(i),
        day=float(day),
        **dict.fromkeys(_STILL, 0.0),
    )
    return now + duration_s


def _road_air_k(road: Road, sheet: _Sheet) -> Floats:
    """Air along the road alone, ferries and trains included. [K]."""
    c = {name: sheet.joined(name) for name in ("end_s", "duration_s", "end_m", "elevation_m", "lat_deg", "lon_deg")}
    air_k = _air_of(road, c, np.nan).air_k
    return np.concatenate([air_k[span.rows] for span in sheet.spans if span.on_road])


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
    c = {name: sheet.joined(name) for name in sheet.columns}
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
