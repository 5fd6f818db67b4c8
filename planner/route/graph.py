"""The road network of a trip, the roads chosen through it, and the next best ones."""

import heapq
import itertools
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from planner.model.errors import NoRouteError
from planner.model.trip import Leg, Trip, reached_from

Roads = dict[str, dict[str, dict[str, Any]]]
"""By start and finish: the cheapest "leg", its "cost", and the legs "beside" it. networkx reads it as a graph."""

# Value of a cool road, in seconds. ASSUMED: to choose between roads only, never in the forecast.
_USUAL_M_PER_S = 25.0  # converts distance to time
_STEEP = 0.03
_CLIMB_S_PER_M = 3.0  # additional time per metre climbed on a grade steeper than 3 %
_HOT_K, _HOT_SPAN_K = 303.15, 20.0  # the cost of a leg doubles from 30 to 50 degC
_MOST_PATHS, _MOST_OTHERS = 12, 24
_MOST_SEARCHED = 200_000  # legs of the route times roads of the network; above it no alternatives are searched
MOST_DRIVEN, MOST_DRIVEN_M = 500, 40e6  # legs; metres, once round the earth
_LONGEST_DETOUR = 1.5


def cool_cost_s(leg: Leg, trip: Trip) -> float:
    """Cost of a leg when cool running is preferred: its time, plus penalties for steep climbs and hot air."""
    a, b = trip.places[leg.start], trip.places[leg.finish]
    if leg.profile is None:
        along, height = np.array([0.0, leg.distance_m]), np.array([a.elevation_m, b.elevation_m])
    else:
        along, height = np.array(leg.profile.distance_m), np.array(leg.profile.elevation_m)
    rise, run = np.diff(height), np.maximum(np.diff(along), 1.0)
    climb = float(np.sum(rise[rise / run > _STEEP]))
    highs = [place.high_k for place in (a, b) if place.high_k is not None]
    hot = max(0.0, max(highs, default=0.0) - _HOT_K) / _HOT_SPAN_K
    return (leg.distance_m / leg.speed_m_per_s + _CLIMB_S_PER_M * climb) * (1.0 + hot)


def road_graph(trip: Trip) -> Roads:
    """Build the graph of drivable legs; of parallel roads the cheapest is kept."""
    by_time, by_distance, by_cool = trip.prefer
    graph: dict[str, dict[str, dict[str, Any]]] = {key: {} for key in sorted(trip.places)}
    for leg in sorted(trip.directed_legs(), key=lambda leg: leg.road):
        cost = by_time * leg.distance_m / leg.speed_m_per_s + by_distance * leg.distance_m / _USUAL_M_PER_S
        cost += by_cool * cool_cost_s(leg, trip) if by_cool > 0.0 else 0.0
        held = graph[leg.start].get(leg.finish)
        if held is None:
            graph[leg.start][leg.finish] = {"leg": leg, "cost": cost, "beside": []}
            continue
        held["beside"].append(held["leg"] if cost < held["cost"] else leg)
        if cost < held["cost"]:
            held["leg"], held["cost"] = leg, cost
    return graph


def choose_route(trip: Trip) -> tuple[Leg, ...]:
    """Choose the legs to drive: as listed, or the best road from start over every via to finish."""
    graph = road_graph(trip)
    chosen: list[Leg] = []
    for start, finish in itertools.pairwise(trip.route):
        stops = [start, finish] if trip.explicit else _best(graph, start, finish, trip)
        chosen.extend(_legs(graph, stops, trip))
    if len(chosen) > MOST_DRIVEN or sum(leg.distance_m for leg in chosen) > MOST_DRIVEN_M:
        far = sum(leg.distance_m for leg in chosen) / 1e3
        message = (
            f"the route has {len(chosen):,} legs and {far:,.0f} km; the maximum is {MOST_DRIVEN} legs and "
            f"{MOST_DRIVEN_M / 1e3:,.0f} km: split the trip"
        )
        raise NoRouteError(message)
    return tuple(chosen)


def stops_of(legs: Sequence[Leg]) -> list[str]:
    """Places of a route in driving order, start first."""
    return [legs[0].start, *(leg.finish for leg in legs)]


def other_routes(trip: Trip) -> Iterator[tuple[tuple[Leg, ...], int, int]]:
    """Yield alternative routes, each different between two named places."""
    if not trip.explicit:
        yield from itertools.islice(_others(trip, road_graph(trip)), _MOST_OTHERS)


def _others(trip: Trip, graph: Roads) -> Iterator[tuple[tuple[Leg, ...], int, int]]:
    """Yield roads parallel to a leg, then alternatives from via to via."""
    best = [_best(graph, a, b, trip) for a, b in itertools.pairwise(trip.route)]
    yield from _beside(graph, tuple(leg for part in best for leg in _legs(graph, part, trip)))
    if sum(map(len, best)) * sum(map(len, graph.values())) > _MOST_SEARCHED:
        return
    import networkx as nx  # slow to import

    whole_graph: nx.DiGraph[str] = nx.DiGraph(graph)
    for number, stops in enumerate(best):
        limit = _LONGEST_DETOUR * nx.path_weight(whole_graph, stops, weight="cost")
        paths = nx.shortest_simple_paths(whole_graph, stops[0], stops[-1], weight="cost")
        for path in itertools.islice(paths, 1, _MOST_PATHS):
            if nx.path_weight(whole_graph, path, weight="cost") > limit:
                break
            before = sum(len(part) - 1 for part in best[:number])
            whole = [*best[:number], list(path), *best[number + 1 :]]
            legs = tuple(leg for part in whole for leg in _legs(graph, part, trip))
            yield legs, before + _shared(stops, path), before + len(path) - 2 - _shared(stops[::-1], path[::-1])


def _beside(graph: Roads, best: tuple[Leg, ...]) -> Iterator[tuple[tuple[Leg, ...], int, int]]:
    """Yield routes that take another road between the same two places."""
    for position, leg in enumerate(best):
        for other in graph[leg.start][leg.finish]["beside"]:
            if other.distance_m / other.speed_m_per_s <= _LONGEST_DETOUR * leg.distance_m / leg.speed_m_per_s:
                yield (*best[:position], other, *best[position + 1 :]), position, position


def _shared(one: Sequence[str], other: Sequence[str]) -> int:
    """Number of legs two paths share at their beginning."""
    same = itertools.takewhile(lambda pair: pair[0] == pair[1], zip(one, other, strict=False))
    return sum(1 for _ in same) - 1


def _best(graph: Roads, start: str, finish: str, trip: Trip) -> list[str]:
    """Places on the best way between two places (Dijkstra, Numerische Mathematik 1, 1959)."""
    came: dict[str, str] = {}
    reached = [(0.0, start, "")]
    while reached and finish not in came:
        cost, here, before = heapq.heappop(reached)
        if came.setdefault(here, before) == before:
            for there, road in graph[here].items():
                if there not in came:
                    heapq.heappush(reached, (cost + road["cost"], there, here))
    if finish not in came:
        message = (
            f"no open road leads from {trip.places[start].name!r} to {trip.places[finish].name!r}; "
            "add a leg to legs.csv, or open a closed one"
        )
        raise NoRouteError(message)
    way = [finish]
    while way[-1] != start:
        way.append(came[way[-1]])
    return way[::-1]


def _legs(graph: Roads, stops: Sequence[str], trip: Trip) -> Iterator[Leg]:
    for start, finish in itertools.pairwise(stops):
        edge = graph[start].get(finish)
        if edge is None:
            message = (
                f"no open leg goes from {trip.places[start].name!r} to {trip.places[finish].name!r}; "
                "add it to legs.csv, or name the places between in 'route'"
            )
            raise NoRouteError(message)
        yield edge["leg"]


def remarks(trip: Trip) -> Iterator[str]:
    """Report places that cannot be reached or left."""
    graph = road_graph(trip)
    names = {key: place.name for key, place in trip.places.items()}
    near: dict[str, set[str]] = {key: set() for key in graph}
    for start, roads in graph.items():
        near[start] |= set(roads)
        for finish in roads:
            near[finish].add(start)
    for key in sorted((key for key in graph if not near[key]), key=names.__getitem__):
        yield f"No open leg reaches {names[key]}."
    left = {*graph}
    for key in graph:
        part = reached_from(near, key) if key in left else set()
        left -= part
        if len(part) > 1 and trip.route[0] not in part:
            yield f"{', '.join(sorted(names[key] for key in part))}: connected to each other, not to the start."
    ends = {trip.route[0], trip.route[-1]}
    dead = sorted(names[key] for key in graph if key not in ends and len(near[key]) == 1)
    if dead:
        yield f"Dead ends: {', '.join(dead)}."
