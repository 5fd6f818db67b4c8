"""The road network of a trip, and the roads chosen through it."""

import itertools

import networkx as nx

from planner.errors import NoRouteError
from planner.model import Leg, Trip


def road_graph(trip: Trip) -> "nx.MultiDiGraph[str]":
    """Build the graph of drivable legs; every edge carries its leg and its time at the entered speed.

    Parameters
    ----------
    trip : Trip
        The trip. [-]

    Returns
    -------
    networkx.MultiDiGraph
        Nodes are place keys; edges carry `leg` and `time_s`.
    """
    graph: nx.MultiDiGraph[str] = nx.MultiDiGraph()
    graph.add_nodes_from(sorted(trip.places))
    for leg in trip.directed_legs():
        graph.add_edge(leg.start, leg.finish, leg=leg, time_s=leg.distance_m / leg.speed_m_per_s)
    return graph


def choose_route(trip: Trip) -> tuple[Leg, ...]:
    """Choose the legs to drive: as listed, or by least time from start over every via to finish.

    Parameters
    ----------
    trip : Trip
        The trip. [-]

    Returns
    -------
    tuple of Leg
        Legs in driving order. Between places joined by several roads the fastest is taken, ties by road name.

    Raises
    ------
    NoRouteError
        If no open road joins two places.
    """
    graph = road_graph(trip)
    chosen: list[Leg] = []
    for start, finish in itertools.pairwise(trip.route):
        stops = [start, finish] if trip.explicit else _least_time(graph, start, finish, trip)
        chosen.extend(_fastest(graph, a, b, trip) for a, b in itertools.pairwise(stops))
    return tuple(chosen)


def _least_time(graph: "nx.MultiDiGraph[str]", start: str, finish: str, trip: Trip) -> list[str]:
    """Places on the quickest way between two places."""
    try:
        return list(nx.shortest_path(graph, start, finish, weight="time_s"))
    except nx.NetworkXNoPath as exc:
        message = (
            f"no open road leads from {trip.places[start].name!r} to {trip.places[finish].name!r}; "
            "add a leg to legs.csv or open one"
        )
        raise NoRouteError(message) from exc


def _fastest(graph: "nx.MultiDiGraph[str]", start: str, finish: str, trip: Trip) -> Leg:
    """Pick the quickest of the parallel roads between two neighbours."""
    edges = graph.get_edge_data(start, finish)
    if not edges:
        message = (
            f"no open leg goes from {trip.places[start].name!r} to {trip.places[finish].name!r}; "
            "add it to legs.csv, or name the places between in 'route'"
        )
        raise NoRouteError(message)
    best = min(edges.values(), key=lambda edge: (edge["time_s"], edge["leg"].road))
    leg: Leg = best["leg"]
    return leg
