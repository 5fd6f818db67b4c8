"""Splitting the drive into days: a shortest path over places where a night is possible."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import networkx as nx

from planner.errors import NoRouteError
from planner.model import Leg, Trip

_DAY_COST = 1e3  # one day fewer outweighs any balance between days


@dataclass(frozen=True, slots=True, kw_only=True)
class DayLegs:
    """The legs of one day: first to last, by position in the route."""

    first: int
    last: int
    driving_s: float


def split_days(trip: Trip, legs: Sequence[Leg], driving_s: Sequence[float]) -> tuple[DayLegs, ...]:
    """Split a route into the fewest days, as even as they can be.

    Parameters
    ----------
    trip : Trip
        Rules: most driving in a day, nights wanted, lodging. [-]
    legs : sequence of Leg
        The route. [-]
    driving_s : sequence of float
        Driving time of every leg. [s]

    Returns
    -------
    tuple of DayLegs
        Days in order.

    Raises
    ------
    NoRouteError
        If some stretch between possible nights is longer than a day; says which, and by how much.

    Notes
    -----
    A day from i to j costs a constant plus the square of its share of the limit; the least sum is a shortest path in an
    acyclic graph, so it is optimal. Ties fall to the earlier night.
    """
    ends = [0, *_nights(trip, legs), len(legs)]
    forced = _forced(trip, legs)
    graph: nx.DiGraph[int] = nx.DiGraph()
    graph.add_nodes_from(ends)
    for a, start in enumerate(ends):
        for finish in ends[a + 1 :]:
            time_s = sum(driving_s[start:finish])
            if time_s > trip.day.driving_s or any(start < night < finish for night in forced):
                break
            graph.add_edge(start, finish, cost=_DAY_COST + (time_s / trip.day.driving_s) ** 2)
    try:
        nodes = list(nx.shortest_path(graph, 0, len(legs), weight="cost"))
    except nx.NetworkXNoPath as exc:
        raise NoRouteError(_too_long(trip, legs, driving_s, ends)) from exc
    return tuple(
        DayLegs(first=a, last=b - 1, driving_s=float(sum(driving_s[a:b]))) for a, b in itertools.pairwise(nodes)
    )


def _nights(trip: Trip, legs: Sequence[Leg]) -> list[int]:
    """Positions after which a night is possible."""
    wanted = set(trip.nights)
    return [
        i + 1
        for i, leg in enumerate(legs[:-1])
        if not trip.day.lodging_only or leg.finish in wanted or "lodging" in trip.places[leg.finish].services
    ]


def _forced(trip: Trip, legs: Sequence[Leg]) -> list[int]:
    """Positions of the nights the user asked for, in order along the route."""
    found, at = [], 0
    for night in trip.nights:
        spots = [i + 1 for i in range(at, len(legs)) if legs[i].finish == night]
        if not spots:
            message = f"night at {trip.places[night].name!r} is not on the route, or out of order; reorder 'nights'"
            raise NoRouteError(message)
        at = spots[0]
        found.append(at)
    return found


def _too_long(trip: Trip, legs: Sequence[Leg], driving_s: Sequence[float], ends: Sequence[int]) -> str:
    """Say which stretch breaks the driving limit and what to relax."""
    worst, at = max((sum(driving_s[a:b]), a) for a, b in itertools.pairwise(ends))
    start = trip.places[legs[at].start].name
    finish = trip.places[legs[ends[ends.index(at) + 1] - 1].finish].name
    return (
        f"no place to stay between {start!r} and {finish!r}: {worst / 3600:.1f} h of driving, allowed are "
        f"{trip.day.driving_s / 3600:.1f} h; allow more under [day] driving, add 'lodging' to a place between, "
        "or set lodging_only = false"
    )
