"""Splitting the drive into days on one clock: a shortest path over (place, date, when the rest is over)."""

import math
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta

from planner.route.oneday import QUARTER_S, Case, DayLegs, best_start, local_date, ready_after, wall_s

_DAY_COST = 1e3  # fewer days outweigh any balance between days
_WAIT_COST = 1.001e3  # a day spent waiting: for an event, or for a morning
MOST_DAYS, _MOST_WAIT_DAYS = 150, 60
_MOST_NIGHTS = 120  # maximum of places where a day may end, besides requested ones; more are thinned evenly
_SPARE_DAYS = 10  # extra days allowed for sunset, rest and lodging
_DAY_S = 86400.0

_Node = tuple[int, int, float | None]  # position, day of the trip from 0, end of the rest if relevant


def search(case: Case) -> tuple[DayLegs, ...] | None:
    """Find the cheapest path with the fewest days; None if the rules cannot be met."""
    ends = night_ends(case)
    left = days_left(case, ends)
    if left is None:
        return None
    for total in _totals(case, left[0]):
        found = _within(case, total, left, ends)
        if found is not None:
            return found
    return None


def _totals(case: Case, least: int) -> Iterator[int]:
    """Day counts to try, fewest first."""
    trip = case.trip
    if trip.days:
        yield from (trip.days,) if least <= trip.days else ()
        return
    waiting = max((event.on - trip.first_date).days for event in trip.events) if trip.events else 0
    halted = sum(math.ceil(halt.duration_s / _DAY_S) for halt in trip.halts)
    arrive = 0 if trip.arrive is None else max((trip.arrive - trip.first_date).days, 0)
    more = len(trip.rest) + min(max(waiting, 0), _MOST_WAIT_DAYS) + halted + arrive + _SPARE_DAYS
    yield from range(least, min(least + more, MOST_DAYS + 1))


def days_left(case: Case, ends: Sequence[int]) -> dict[int, int] | None:
    """Lower bound of days from every possible night to the finish, from the driving limit."""
    left = {len(case.legs): 0}
    for start in [*reversed(ends[:-1]), 0]:
        limit_s = case.limit_s(start, ends)
        near = [e for e in ends if e > start and case.time_s(start, e) <= limit_s and e in left]
        if near:
            left[start] = 1 + min(left[e] for e in near)
    return left if 0 in left else None


def _within(case: Case, total: int, left: dict[int, int], ends: Sequence[int]) -> tuple[DayLegs, ...] | None:
    """Find the cheapest path within a number of days, day by day, pruning states that cannot meet it."""
    goal, forced = len(case.legs), forced_nights(case)
    best: dict[_Node, tuple[float, _Node | None, DayLegs | None]] = {(0, 0, None): (0.0, None, None)}
    reached: dict[int, set[_Node]] = {0: {(0, 0, None)}}
    for number in range(total):
        for node in sorted(reached.pop(number, ()), key=lambda one: (one[0], one[2] or 0.0)):
            for after, cost, day in _moves(case, node, ends, forced):
                if after[0] not in left or after[1] + left[after[0]] > total or not _asked_for(case, after, day):
                    continue
                whole = best[node][0] + cost
                if after not in best or whole < best[after][0]:
                    best[after] = whole, node, day
                if after[0] != goal:
                    reached.setdefault(after[1], set()).add(after)
    goals = [node for node in best if node[0] == goal]
    if not goals:
        return None
    here: _Node | None = min(goals, key=lambda node: (best[node][0], node[1]))
    days: list[DayLegs] = []
    while here is not None:
        _, here, day = best[here]
        days += [] if day is None else [day]
    return tuple(days[::-1])


def _asked_for(case: Case, after: _Node, day: DayLegs | None) -> bool:
    """Whether an end at the finish matches the requested number of days and date."""
    if day is None or after[0] != len(case.legs):
        return True
    if case.trip.days and after[1] != case.trip.days:
        return False
    return case.trip.arrive is None or local_date(case, after[0], day.end_s) == case.trip.arrive


def _moves(
    case: Case, node: _Node, ends: Sequence[int], forced: Sequence[int]
) -> Iterator[tuple[_Node, float, DayLegs | None]]:
    """Yield the moves of a day: drive to a later place, or wait for an event or a morning."""
    start, number, ready_s = node
    today = day_of(case, number)
    later = _node(case, start, number + 1, ready_s)
    if any(today < event.on for event in case.events_at(start)):
        yield later, _WAIT_COST, None
        return
    if ready_s is not None:
        ready_on = local_date(case, start, ready_s)
        usual = _morning(case, today, case.trip.day.start)
        missed = ready_s > wall_s(case, start, usual) and today not in dict(case.trip.mornings)
        if ready_on > today or missed:
            yield later, _WAIT_COST, None
        if ready_on > today:
            return
    limit_s = case.limit_s(start, ends)
    for finish in (end for end in ends if end > start):
        time_s = case.time_s(start, finish)
        if time_s > limit_s or any(start < night < finish for night in forced):
            break
        best = best_start(case, start, finish, today, ready_s)
        if best is not None:
            cost, day = best
            after = _after(case, finish, number, day)
            yield after, cost + _DAY_COST + (time_s / case.trip.day.driving_s) ** 2, day


def _after(case: Case, finish: int, number: int, day: DayLegs) -> _Node:
    if finish == len(case.legs):
        return finish, number + 1, None
    return _node(case, finish, number + 1 + case.wanted.rest.get(finish, 0), ready_after(case, day))


def _node(case: Case, position: int, number: int, ready_s: float | None) -> _Node:
    """Build a state; the end of the rest is dropped if irrelevant, else rounded to a quarter hour."""
    if ready_s is None:
        return position, number, None
    rules = case.trip.day
    if ready_s <= wall_s(case, position, _morning(case, day_of(case, number), min(rules.earliest, rules.start))):
        return position, number, None
    return position, number, QUARTER_S * math.ceil(ready_s / QUARTER_S)


def _morning(case: Case, today: date, usual: time) -> datetime:
    """Start of a day: the one set for it, else the usual one."""
    return datetime.combine(today, dict(case.trip.mornings).get(today, usual))


def day_of(case: Case, number: int) -> date:
    """Date of a day of the trip, from 0."""
    return case.trip.first_date + timedelta(days=number)


def night_ends(case: Case) -> list[int]:
    """Positions at which a day may end."""
    trip = case.trip
    wanted = {*forced_nights(case), *case.wanted.events}
    nights = [
        position
        for position in range(1, len(case.legs))
        if not trip.day.lodging_only or position in wanted or "lodging" in case.place(position).services
    ]
    if len(nights) > _MOST_NIGHTS:  # the search grows with the cube of their number
        apart = -(-len(nights) // _MOST_NIGHTS)
        nights = [n for i, n in enumerate(nights) if i % apart == 0 or n in wanted]
    return [*nights, len(case.legs)]


def forced_nights(case: Case) -> list[int]:
    """Positions where a requested night, rest day or long halt ends the day."""
    halts = (position for position in case.wanted.halts if case.long_halt(position))
    return sorted({*case.wanted.nights, *case.wanted.rest, *halts})
