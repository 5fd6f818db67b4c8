"""Splitting the drive into days: a shortest path over (place, date), within the rules of the trip."""

import functools
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

import networkx as nx
import numpy as np
import numpy.typing as npt

from planner.model import clock
from planner.model.errors import NoRouteError
from planner.model.trip import Event, Leg, Place, Trip

_DAY_COST = 1e3  # one day fewer outweighs any balance between days
_WAIT_COST = 1.001e3  # a day spent waiting for an event
_EARLY_COST = 0.02  # per half hour before the usual start
_HALF_HOUR = timedelta(minutes=30)
MOST_DAYS, _MOST_WAIT_DAYS = 150, 60
_MOST_NIGHTS = 120  # places where a day may end, besides those asked for; of more, evenly spaced ones are looked at
_SPARE_DAYS = 10  # beyond what driving alone needs, when sunset or places to stay cost days
_REST_SERVICES = frozenset({"food", "fuel", "parking", "water", "lodging"})

HeatTable = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class DayLegs:
    """One day of driving: its legs by position in the route, when it starts, where it pauses."""

    first: int
    last: int
    driving_s: float
    start_s: float  # seconds since 1970 UTC
    pauses: tuple[tuple[int, float, str], ...]  # after which leg, how long [s], why: "break", "halt", "event"

    @property
    def end_s(self) -> float:
        """Arrival, seconds since 1970 UTC. [s]."""
        return self.start_s + self.driving_s + sum(seconds for _, seconds, _ in self.pauses)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """What the search needs at hand."""

    trip: Trip
    legs: tuple[Leg, ...]
    driving_s: tuple[float, ...]
    heat: HeatTable | None  # (n_leg, 48): cost of driving a leg at a half hour of the day
    memo: dict[tuple[int, int, date], tuple[float, DayLegs] | None] = field(default_factory=dict)

    def events_at(self, position: int) -> list[Event]:
        """Events at a position, if it is the first on the route at which their place is reached."""
        key = self.place(position).key
        events = [event for event in self.trip.events if event.place == key]
        if not events or any(self.place(earlier).key == key for earlier in range(position)):
            return []
        return events

    def limit_s(self, start: int, ends: Sequence[int]) -> float:
        """Most driving of a day from a position; on the day under way what is left, or to a place to stay. [s]."""
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


def split_days(
    trip: Trip, legs: Sequence[Leg], driving_s: Sequence[float], *, heat: HeatTable | None = None
) -> tuple[DayLegs, ...]:
    """Split a route into the fewest days the rules allow, as even as they can be.

    Notes
    -----
    States are (position, day number); an edge is a day's drive that keeps every rule, and costs a constant plus the
    square of its share of the driving limit, plus heat, plus a little for starting early. The least sum is a shortest
    path in an acyclic graph, so it is optimal; ties fall to the earlier night.
    """
    case = _Case(trip=trip, legs=tuple(legs), driving_s=tuple(map(float, driving_s)), heat=heat)
    found = _search(case)
    if found is None:
        raise NoRouteError(_explain(case))
    return found


def _search(case: _Case) -> tuple[DayLegs, ...] | None:
    """Find the cheapest path of the fewest days, or None when the rules cannot be met."""
    forced, ends = _forced(case), _ends(case)
    left = _days_left(case, ends)
    if left is None:
        return None
    waiting = max((event.on - case.trip.first_date).days for event in case.trip.events) if case.trip.events else 0
    more = len(case.trip.rest) + min(max(waiting, 0), _MOST_WAIT_DAYS) + _SPARE_DAYS
    for total in range(left[0], min(left[0] + more, MOST_DAYS + 1)):
        found = _within(case, total, left, ends, forced)
        if found is not None:
            return found
    return None


def _days_left(case: _Case, ends: Sequence[int]) -> dict[int, int] | None:
    """Fewest days from every possible night to the finish, by the driving limit alone."""
    left = {len(case.legs): 0}
    for start in [*reversed(ends[:-1]), 0]:
        limit_s = case.limit_s(start, ends)
        near = [e for e in ends if e > start and case.time_s(start, e) <= limit_s and e in left]
        if near:
            left[start] = 1 + min(left[e] for e in near)
    return left if 0 in left else None


def _within(
    case: _Case, total: int, left: dict[int, int], ends: Sequence[int], forced: Sequence[int]
) -> tuple[DayLegs, ...] | None:
    """Find the cheapest path that is over within a number of days, looking only where that can still be met."""
    goal = len(case.legs)
    graph: nx.DiGraph[tuple[int, int]] = nx.DiGraph()
    reached = {0: {0}}
    for number in range(total):
        for start in sorted(reached.pop(number, ())):
            for finish, after, cost, day in _moves(case, start, number, ends, forced):
                if finish in left and after + left[finish] <= total:
                    graph.add_edge((start, number), (finish, after), cost=cost, day=day)
                    reached.setdefault(after, set()).update({finish} - {goal})
    goals = [node for node in graph if node[0] == goal]
    if not goals:
        return None
    costs = nx.single_source_dijkstra_path_length(graph, (0, 0), weight="cost")
    best = min(goals, key=lambda node: (costs[node], node[1]))
    nodes = nx.dijkstra_path(graph, (0, 0), best, weight="cost")
    days = (graph.edges[a, b]["day"] for a, b in itertools.pairwise(nodes))
    return tuple(day for day in days if day is not None)


def _moves(
    case: _Case, start: int, number: int, ends: Sequence[int], forced: Sequence[int]
) -> Iterator[tuple[int, int, float, DayLegs | None]]:
    """Yield what a day may bring: drive to a later place, or wait for an event here."""
    today = case.trip.first_date + timedelta(days=number)
    if any(today < event.on for event in case.events_at(start)):
        yield start, number + 1, _WAIT_COST, None
        return
    rest, limit_s = case.trip.rest, case.limit_s(start, ends)
    for finish in (end for end in ends if end > start):
        time_s = case.time_s(start, finish)
        if time_s > limit_s or any(start < night < finish for night in forced):
            break
        best = _best_start(case, start, finish, today)
        if best is not None:
            cost, day = best
            away = number + 1 + rest.count(case.place(finish).key) if finish != len(case.legs) else number + 1
            yield finish, away, cost + _DAY_COST + (time_s / case.trip.day.driving_s) ** 2, day


def _best_start(case: _Case, start: int, finish: int, today: date) -> tuple[float, DayLegs] | None:
    """Pick the hour to set off; None when no hour keeps the rules."""
    key = (start, finish, today)
    if key not in case.memo:
        case.memo[key] = _cheapest_start(case, start, finish, today)
    return case.memo[key]


def _cheapest_start(case: _Case, start: int, finish: int, today: date) -> tuple[float, DayLegs] | None:
    """Try the hours at which a day may start."""
    options = []
    for early, at_s in _starts(case, start, today):
        day = _lay(case, start, finish, at_s, today)
        if day is not None and _in_time(case, day, today):
            options.append((_EARLY_COST * early + _heat(case, day), early, day))
            if case.heat is None:
                break
    if not options:
        return None
    cost, _, day = min(options, key=lambda option: option[:2])
    return cost, day


def _starts(case: _Case, start: int, today: date) -> list[tuple[int, float]]:
    """Hours at which a day may start, the usual one first; the first day's is the departure."""
    place, rules = case.place(start), case.trip.day
    here = place.lat_deg, place.lon_deg
    if start == 0:
        return [(0, clock.epoch_s(case.trip.departure, *here))]
    fixed = dict(case.trip.mornings).get(today)
    if fixed is not None:
        return [(0, clock.epoch_s(datetime.combine(today, fixed), *here))]
    usual, first = datetime.combine(today, rules.start), datetime.combine(today, rules.earliest)
    count = max(0, (usual - first) // _HALF_HOUR)
    return [(n, clock.epoch_s(usual - n * _HALF_HOUR, *here)) for n in range(count + 1)]


def _lay(case: _Case, start: int, finish: int, at_s: float, today: date) -> DayLegs | None:
    """Lay out one day with its pauses; None when an event would be missed."""
    trip, pauses = case.trip, []
    begin_s, since_break = at_s, 0.0
    now = at_s
    for event in (e for e in case.events_at(start) if e.on == today):
        begin_s += event.stay_s
        now = begin_s
    halts = {halt.place: halt for halt in trip.halts}
    for i in range(start, finish):
        now += case.driving_s[i]
        since_break += case.driving_s[i]
        place = case.place(i + 1)
        pause = 0.0
        for event in case.events_at(i + 1):
            if not _meets(event, place, now, today, last=i + 1 == finish):
                return None
            if event.on == today and event.stay_s > 0.0:
                pauses.append((i, event.stay_s, "event"))
                pause += event.stay_s
        if i + 1 == finish:
            break
        if place.key in halts:
            pauses.append((i, halts[place.key].duration_s, "halt"))
            pause += halts[place.key].duration_s
        due = since_break + case.driving_s[i + 1] > trip.day.break_every_s and i + 2 <= finish
        if pause < trip.day.break_s and trip.day.break_s > 0.0 and due and place.services & _REST_SERVICES:
            pauses.append((i, trip.day.break_s, "break"))
            pause += trip.day.break_s
        if pause >= trip.day.break_s:
            since_break = 0.0
        now += pause
    return DayLegs(
        first=start,
        last=finish - 1,
        driving_s=case.time_s(start, finish),
        start_s=begin_s,
        pauses=tuple(pauses),
    )


def _meets(event: Event, place: Place, now_s: float, today: date, *, last: bool) -> bool:
    """Tell whether reaching an event's place now keeps its date."""
    if today == event.on:
        return clock.local(now_s, place.lat_deg, place.lon_deg).time() <= event.arrive_by
    return last and today < event.on


def _in_time(case: _Case, day: DayLegs, today: date) -> bool:
    """Arrival before sunset less the buffer, and before the latest finish."""
    place = case.place(day.last + 1)
    latest_s = _sunset_s(place.lat_deg, place.lon_deg, today) - case.trip.day.before_sunset_s
    if case.trip.day.daylight and day.end_s > latest_s:
        return False
    if case.trip.finish_by is None or day.last + 1 != len(case.legs):
        return True
    return day.end_s <= clock.epoch_s(case.trip.finish_by, place.lat_deg, place.lon_deg)


@functools.lru_cache(maxsize=8192)
def _sunset_s(lat_deg: float, lon_deg: float, day: date) -> float:
    """Sunset, seconds since 1970 UTC. [s]."""
    return clock.sun_times_utc(lat_deg, lon_deg, day)[1].timestamp()


def _heat(case: _Case, day: DayLegs) -> float:
    """Cost of the day's climbs at their hours, zero when heat is not to be avoided."""
    if case.heat is None:
        return 0.0
    place = case.place(day.first)
    now, total = day.start_s, 0.0
    wait = {i: seconds for i, seconds, _ in day.pauses}
    for i in range(day.first, day.last + 1):
        local = clock.local(now + 0.5 * case.driving_s[i], place.lat_deg, place.lon_deg)
        total += float(case.heat[i, (2 * local.hour + local.minute // 30) % 48])
        now += case.driving_s[i] + wait.get(i, 0.0)
    return total


def _ends(case: _Case) -> list[int]:
    """Positions at which a day may end."""
    trip = case.trip
    wanted = {*trip.nights, *trip.rest, *(event.place for event in trip.events)}
    nights = [
        position
        for position in range(1, len(case.legs))
        if not trip.day.lodging_only or case.place(position).key in wanted or "lodging" in case.place(position).services
    ]
    if len(nights) > _MOST_NIGHTS:  # the search grows with the cube of their number
        apart = -(-len(nights) // _MOST_NIGHTS)
        nights = [n for i, n in enumerate(nights) if i % apart == 0 or case.place(n).key in wanted]
    return [*nights, len(case.legs)]


def _forced(case: _Case) -> list[int]:
    """Positions of the nights and rest days the user asked for, in order along the route."""
    found, at = [], 0
    for night in case.trip.nights:
        found.append(_position(case, night, at, "night"))
        at = found[-1]
    found += [_position(case, rest, 0, "rest day") for rest in case.trip.rest]
    for event in case.trip.events:
        _position(case, event.place, -1, "event")
    return sorted(found)


def _position(case: _Case, key: str, after: int, what: str) -> int:
    """First position of a place beyond another one."""
    for position in range(after + 1, len(case.legs) + 1):
        if case.place(position).key == key:
            return position
    message = f"{what} at {case.trip.places[key].name!r} is not on the route, or out of order; see trip.toml"
    raise NoRouteError(message)


def _explain(case: _Case) -> str:
    """Find the single rule whose relaxing makes the trip possible, and by how much."""
    trip, day, gap = case.trip, case.trip.day, _worst_gap(case)
    relaxed = (
        (replace(trip, finish_by=None), "the 'finish_by' date is too early; drop it or move it later"),
        (replace(trip, events=()), "an event cannot be met; change its date, its arrive_by or the departure"),
        (
            replace(trip, day=replace(day, daylight=False)),
            "a day cannot arrive before sunset; set off earlier (departure, [day] start or earliest), lower "
            "before_sunset, or set [day] daylight = false",
        ),
        (
            replace(trip, day=replace(day, lodging_only=False)),
            "there are too few places with lodging; add 'lodging' to places between, or set lodging_only = false",
        ),
    )
    for other, words in () if gap else relaxed:
        if other != trip and _possible(case, other):
            return words
    if len(case.trip.rest) > MOST_DAYS or (_days_left(case, _ends(case)) or {0: 0})[0] > MOST_DAYS:
        return f"the trip takes more than {MOST_DAYS} days, the most that can be planned at once; split it"
    needed = _least_driving(case)
    if needed is not None:
        more = "; or add 'lodging' to a place between" if gap else ""
        return (
            f"{gap} the days cannot be split within [day] driving of {day.driving_s / 3600:.2f} h; "
            f"{needed / 3600:.2f} h would do{more}"
        ).strip()
    return f"{gap} no single rule makes the days possible; relax driving, sunset and lodging together".strip()


def _possible(case: _Case, trip: Trip) -> bool:
    """Tell whether other rules would do."""
    return _search(replace(case, trip=trip, memo={})) is not None


def _least_driving(case: _Case) -> float | None:
    """Shortest driving limit that would do, to a quarter of an hour; None when sixteen hours do not. [s]."""
    day = case.trip.day

    def enough(quarters: int) -> bool:
        return _possible(case, replace(case.trip, day=replace(day, driving_s=900.0 * quarters)))

    low, high = int(day.driving_s // 900.0), 64
    if low >= high or not enough(high):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return 900.0 * high


def _worst_gap(case: _Case) -> str:
    """Say which stretch between possible nights is the longest, when longer than a day."""
    ends = [0, *_ends(case)]
    worst, a, b = max((case.time_s(a, b), a, b) for a, b in itertools.pairwise(ends))
    if worst <= case.trip.day.driving_s:
        return ""
    start, finish = case.place(a).name, case.place(b).name
    if b == a + 1:
        return f"the leg from {start!r} to {finish!r} alone takes {worst / 3600:.1f} h, split it with a place between:"
    return f"no place to stay between {start!r} and {finish!r} ({worst / 3600:.1f} h of driving):"
