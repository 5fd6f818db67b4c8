"""One day: possible starts, pauses, and the daily rules."""

import functools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

import numpy as np
import numpy.typing as npt

from planner.model import clock
from planner.model.errors import PlannerError
from planner.model.trip import Event, Halt, Leg, Place, Trip
from planner.route.wanted import Wanted, wanted_on

_EARLY_COST = 0.02  # per half hour before the usual start
_HALF_HOUR = timedelta(minutes=30)
QUARTER_S = 900.0  # late starts are rounded to a quarter of an hour
_REST_SERVICES = frozenset({"food", "fuel", "parking", "water", "lodging"})

HeatTable = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class DayLegs:
    """One day: its legs by position in the route, start and pauses.

    A pause after the last leg is a halt in the evening: it counts before the night, not before the arrival.
    """

    first: int
    last: int
    driving_s: float
    start_s: float  # seconds since 1970 UTC
    pauses: tuple[tuple[int, float, str], ...]  # after which leg, duration [s], kind: "break", "halt", "event"
    carried_s: float = 0.0  # on ferries and trains

    @property
    def end_s(self) -> float:
        """Arrival, seconds since 1970 UTC. [s]."""
        on_the_way = sum(seconds for after, seconds, _ in self.pauses if after < self.last)
        return self.start_s + self.driving_s + self.carried_s + on_the_way

    @property
    def free_s(self) -> float:
        """Start of the night, seconds since 1970 UTC. [s]."""
        return self.end_s + sum(seconds for after, seconds, _ in self.pauses if after >= self.last)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Data of the search; `driving_s` and `carried_s` are per leg, one of the two is 0."""

    trip: Trip
    legs: tuple[Leg, ...]
    driving_s: tuple[float, ...]
    carried_s: tuple[float, ...]
    wanted: Wanted
    heat: HeatTable | None  # (n_leg, 48): cost of driving a leg at a half hour of the day
    seasons: bool = True  # whether seasons are enforced
    memo: dict[tuple[int, int, date, float | None], tuple[float, DayLegs] | None] = field(default_factory=dict)
    begun: dict[tuple[int, date, float | None], list[tuple[int, float]]] = field(default_factory=dict)  # see `starts`

    def events_at(self, position: int) -> tuple[Event, ...]:
        """Events at a position."""
        return self.wanted.events.get(position, ())

    def long_halt(self, position: int) -> bool:
        """Whether a halt is long enough to end the day."""
        halt = self.wanted.halts.get(position)
        return halt is not None and halt.duration_s >= self.trip.day.least_rest_s

    def limit_s(self, start: int, ends: Sequence[int]) -> float:
        """Driving limit of a day from a position; on the first day the rest of it, or to the next lodging. [s]."""
        whole_s, driven_s = self.trip.day.driving_s, self.trip.driven_s
        if start > 0 or not driven_s:
            return whole_s
        return max(whole_s - driven_s, min(whole_s, self.time_s(0, ends[0])))

    def time_s(self, start: int, finish: int) -> float:
        """Driving time between two positions. [s]."""
        return sum(self.driving_s[start:finish])

    def place(self, position: int) -> Place:
        """Place at a position of the route: 0 is the start."""
        key = self.legs[0].start if position == 0 else self.legs[position - 1].finish
        return self.trip.places[key]


def case_of(trip: Trip, legs: Sequence[Leg], leg_s: Sequence[float], heat: HeatTable | None = None) -> Case:
    """Build the data of the search; `leg_s` is the time of every leg, driven or carried."""
    return Case(
        trip=trip,
        legs=tuple(legs),
        driving_s=tuple(0.0 if leg.carried else float(s) for leg, s in zip(legs, leg_s, strict=True)),
        carried_s=tuple(float(s) if leg.carried else 0.0 for leg, s in zip(legs, leg_s, strict=True)),
        wanted=wanted_on(trip, legs),
        heat=heat,
    )


# --- start times ---


def starts(case: Case, start: int, today: date, ready_s: float | None) -> list[tuple[int, float]]:
    """Possible start times of a day, the usual one first; the first day starts at the departure.

    None is before the end of the rest (`ready_s`); if that is later than the usual start, the day
    starts as soon as it is over.
    """
    if start == 0 and today == case.trip.first_date:
        place = case.place(0)
        return [(0, clock.epoch_s(case.trip.departure, place.lat_deg, place.lon_deg))]
    ready = -math.inf if ready_s is None else ready_s
    fixed = dict(case.trip.mornings).get(today)
    rules = case.trip.day
    if fixed is not None:
        return [(0, at) for at in (wall_s(case, start, datetime.combine(today, fixed)),) if at >= ready]
    usual, first = datetime.combine(today, rules.start), datetime.combine(today, rules.earliest)
    count = max(0, (usual - first) // _HALF_HOUR)
    found = [(n, wall_s(case, start, usual - n * _HALF_HOUR)) for n in range(count + 1)]
    found = [(n, at) for n, at in found if at >= ready]
    if found or ready_s is None or local_date(case, start, ready_s) != today:
        return found
    return [(0, ready_s)]


def wall_s(case: Case, position: int, naive: datetime) -> float:
    """Time of a local clock reading at a position; a skipped hour becomes the next one. [s]."""
    place = case.place(position)
    try:
        return clock.epoch_s(naive, place.lat_deg, place.lon_deg)
    except PlannerError:
        return clock.epoch_s(naive + timedelta(hours=1), place.lat_deg, place.lon_deg)


def local_date(case: Case, position: int, epoch_s: float) -> date:
    """Local date at a position."""
    place = case.place(position)
    return clock.local(epoch_s, place.lat_deg, place.lon_deg).date()


def ready_after(case: Case, day: DayLegs) -> float:
    """Earliest start of the next day: after the rest, or after a long halt. [s]."""
    rest_s, halt = case.trip.day.least_rest_s, case.wanted.halts.get(day.last + 1)
    if halt is not None and halt.duration_s >= rest_s:
        return day.end_s + halt.duration_s
    return day.free_s + rest_s


def best_start(case: Case, start: int, finish: int, today: date, ready_s: float | None) -> tuple[float, DayLegs] | None:
    """Choose the start time; None if no start keeps the rules."""
    key = (start, finish, today, ready_s)
    if key not in case.memo:
        case.memo[key] = _cheapest_start(case, start, finish, today, ready_s)
    return case.memo[key]


def _cheapest_start(
    case: Case, start: int, finish: int, today: date, ready_s: float | None
) -> tuple[float, DayLegs] | None:
    options, key = [], (start, today, ready_s)
    if key not in case.begun:  # the same whatever the finish
        case.begun[key] = starts(case, *key)
    for early, at_s in case.begun[key]:
        day = lay(case, start, finish, at_s, today)
        if day is not None and in_time(case, day, today):
            options.append((_EARLY_COST * early + _heat(case, day), early, day))
            if case.heat is None:
                break
    if not options:
        return None
    cost, _, day = min(options, key=lambda option: option[:2])
    return cost, day


# --- layout ---


def lay(case: Case, start: int, finish: int, at_s: float, today: date) -> DayLegs | None:
    """Lay out one day with its pauses; None if an event is missed or a road is closed."""
    pauses: list[tuple[int, float, str]] = []
    begin_s = at_s + sum(event.stay_s for event in case.events_at(start) if event.on == today)
    now, since_break = begin_s, 0.0
    for i in range(start, finish):
        now += case.driving_s[i] + case.carried_s[i]
        since_break = 0.0 if case.legs[i].carried else since_break + case.driving_s[i]
        if not _open(case, i, now):
            return None
        if not all(_meets(case, event, i + 1, now, today, last=i + 1 == finish) for event in case.events_at(i + 1)):
            return None
        stops = list(_stops(case, i, today, since_break, last=i + 1 == finish))
        pauses += stops
        pause_s = sum(seconds for _, seconds, _ in stops)
        since_break = 0.0 if pause_s >= case.trip.day.break_s else since_break
        now += pause_s
    return DayLegs(
        first=start,
        last=finish - 1,
        driving_s=case.time_s(start, finish),
        start_s=begin_s,
        pauses=tuple(pauses),
        carried_s=sum(case.carried_s[start:finish]),
    )


def _stops(case: Case, i: int, today: date, since_break_s: float, *, last: bool) -> Iterator[tuple[int, float, str]]:
    """Yield the pauses after a leg: events, a halt, a due break."""
    rules, pause_s = case.trip.day, 0.0
    for event in case.events_at(i + 1):
        if event.on == today and event.stay_s > 0.0:
            pause_s += event.stay_s
            yield i, event.stay_s, "event"
    halt: Halt | None = case.wanted.halts.get(i + 1)
    if halt is not None and (halt.engine_on or not (last and case.long_halt(i + 1))):  # else it is part of the night
        pause_s += halt.duration_s
        yield i, halt.duration_s, "halt"
    if last:
        return
    due = since_break_s + case.driving_s[i + 1] > rules.break_every_s
    if pause_s < rules.break_s and rules.break_s > 0.0 and due and case.place(i + 1).services & _REST_SERVICES:
        yield i, rules.break_s, "break"


def _open(case: Case, i: int, now_s: float) -> bool:
    """Whether a leg completed now was open."""
    leg = case.legs[i]
    return leg.season is None or not case.seasons or leg.open_on(local_date(case, i + 1, now_s))


def _meets(case: Case, event: Event, position: int, now_s: float, today: date, *, last: bool) -> bool:
    """Whether an arrival now meets the event."""
    if today == event.on:
        place = case.place(position)
        return clock.local(now_s, place.lat_deg, place.lon_deg).replace(tzinfo=None) <= datetime.combine(
            event.on, event.arrive_by
        )
    return last and today < event.on


# --- time rules ---


def in_time(case: Case, day: DayLegs, today: date) -> bool:
    """Arrival before sunset less the buffer, and before the latest finish."""
    return late_s(case, day, today) <= 0.0 and finish_late_s(case, day) <= 0.0


def late_s(case: Case, day: DayLegs, today: date) -> float:
    """Delay of a day's driving beyond daylight, at its end and before ferries; 0 or less is in time. [s]."""
    if not case.trip.day.daylight:
        return 0.0
    return max(at_s - latest_s(case, position, on) for position, on, at_s in _stretches(case, day, today))


def latest_s(case: Case, position: int, on: date) -> float:
    """Latest arrival by daylight. [s]."""
    place = case.place(position)
    return _sunset_s(place.lat_deg, place.lon_deg, on) - case.trip.day.before_sunset_s


def finish_late_s(case: Case, day: DayLegs) -> float:
    """Delay beyond the latest finish; 0 or less is in time. [s]."""
    if case.trip.finish_by is None or day.last + 1 != len(case.legs):
        return 0.0
    return day.end_s - wall_s(case, day.last + 1, case.trip.finish_by)


def _stretches(case: Case, day: DayLegs, today: date) -> Iterator[tuple[int, date, float]]:
    """Yield the end position, start date and end time of each run of driving."""
    if not day.carried_s:
        yield day.last + 1, today, day.end_s
        return
    now, began, driven = day.start_s, today, False
    for i in range(day.first, day.last + 1):
        if case.legs[i].carried:
            if driven:
                yield i, began, now
            driven = False
            now += case.carried_s[i]
            began = local_date(case, i + 1, now)
        else:
            driven = True
            now += case.driving_s[i]
        if i < day.last:
            now += sum(seconds for after, seconds, _ in day.pauses if after == i)
    yield (day.last + 1, began, now) if driven else (day.last + 1, began, -math.inf)


@functools.lru_cache(maxsize=8192)
def _sunset_s(lat_deg: float, lon_deg: float, day: date) -> float:
    """Sunset, seconds since 1970 UTC."""
    return clock.sun_times_utc(lat_deg, lon_deg, day)[1].timestamp()


def _heat(case: Case, day: DayLegs) -> float:
    """Cost of the day's climbs at their hours; zero if heat need not be avoided."""
    if case.heat is None:
        return 0.0
    place = case.place(day.first)
    now, total = day.start_s, 0.0
    for i in range(day.first, day.last + 1):
        local = clock.local(now + 0.5 * case.driving_s[i], place.lat_deg, place.lon_deg)
        total += float(case.heat[i, (2 * local.hour + local.minute // 30) % 48])
        now += case.driving_s[i] + case.carried_s[i] + sum(s for after, s, _ in day.pauses if after == i)
    return total
