"""Splitting the drive into days, or explaining why that is impossible."""

from collections.abc import Sequence
from dataclasses import replace

from planner.model.errors import NoRouteError
from planner.model.trip import Leg, Trip
from planner.route.nights import search
from planner.route.oneday import DayLegs, HeatTable, case_of
from planner.route.refusal import explain


def split_days(
    trip: Trip, legs: Sequence[Leg], leg_s: Sequence[float], *, heat: HeatTable | None = None, seasons: bool = True
) -> tuple[DayLegs, ...]:
    """Split a route into the fewest days the rules allow, as evenly as possible.

    States are (position, day number, when the rest is over, where that is later than the earliest start); an edge is a
    day's drive that keeps every rule, and costs a constant plus the square of its share of the driving limit, plus
    heat, plus a little for starting early. The least sum is a shortest path in an acyclic graph, so it is optimal; ties
    go to the earlier night. `leg_s` is the time of every leg, driven or carried. Without `seasons` closed roads are
    driven.
    """
    case = replace(case_of(trip, legs, leg_s, heat), seasons=seasons)
    found = search(case)
    if found is None:
        raise NoRouteError(explain(case))
    return found
