"""Checks of the drive that trip.toml asks for against the places and the open legs."""

from collections.abc import Mapping, Sequence

import networkx as nx
import numpy as np

from planner.files.checks import Draft, great_circle_m
from planner.files.settings import FILE, Settings
from thermal.tomltext import shown


def check_route(settings: Settings, draft: Draft, known: Mapping[str, int]) -> None:
    """Note unknown places of trip.toml, and drives the open legs do not allow.

    Parameters
    ----------
    settings : Settings
        What trip.toml says. [-]
    draft : Draft
        Places and legs; problems are added to its list. [-]
    known : mapping of str to int
        Every key of the table of places, faulty rows included. [-]
    """
    if not _names_known(settings, draft, known):
        return
    label = "route" if settings.explicit else "start"
    for a, b in zip(settings.route, settings.route[1:], strict=False):
        if a == b:
            draft.problems.add(FILE, f"'{a}' follows itself; nothing is driven between them", key=label)
            return
    if not draft.complete:
        return  # a missing leg would only repeat what is wrong with its row
    if settings.explicit:
        _check_listed(settings, draft)
    else:
        _check_reachable(settings, draft)


def _names_known(settings: Settings, draft: Draft, known: Mapping[str, int]) -> bool:
    named = [("route", key) for key in settings.route]
    if not settings.explicit and settings.route:
        ends = [("start", settings.route[0]), ("finish", settings.route[-1])]
        named = ends + [("via", key) for key in settings.route[1:-1]]
    extra = [("nights", key) for key in settings.nights]
    extra += [(f"halt {n} place", halt.place) for n, halt in enumerate(settings.halts, start=1) if halt.place]
    extra += [("rest", key) for key in settings.rest]
    extra += [(f"event {n} place", event.place) for n, event in enumerate(settings.events, start=1) if event.place]
    for label, key in named + extra:
        if key not in known:
            text = f"read {shown(key)}, which is not in {draft.place_table.file}; {draft.problems.nearest(key, known)}"
            draft.problems.add(FILE, text, key=label)
        elif settings.explicit and label != "route" and key not in settings.route:
            draft.problems.add(FILE, f"'{key}' is not on the route; add it there or drop it here", key=label)
    return all(key in draft.places for _, key in named)


def _ways(draft: Draft) -> "nx.DiGraph[str]":
    graph: nx.DiGraph[str] = nx.DiGraph()
    graph.add_nodes_from(draft.places)
    for _, leg in draft.numbered():
        if leg.open:
            graph.add_edges_from([(leg.start, leg.finish)] + [(leg.finish, leg.start)] * leg.two_way)
    return graph


def _check_listed(settings: Settings, draft: Draft) -> None:
    graph = _ways(draft)
    for a, b in zip(settings.route, settings.route[1:], strict=False):
        if graph.has_edge(a, b):
            continue
        onward = sorted(graph.successors(a))
        there = f"open legs from '{a}' go to {', '.join(onward[:8])}" if onward else f"no open leg leaves '{a}'"
        reason = _barred(draft, {a}, {b}) or f"add one to {draft.leg_table.file} or a place between; {there}"
        draft.problems.add(FILE, f"no leg goes from '{a}' to '{b}'; {reason}", key="route")
    remaining = iter(settings.route)
    if not all(key in remaining for key in settings.nights) and set(settings.nights) <= set(settings.route):
        draft.problems.add(FILE, "the nights are not in the order of the route; sort them", key="nights")


def _check_reachable(settings: Settings, draft: Draft) -> None:
    graph = _ways(draft)
    for a, b in zip(settings.route, settings.route[1:], strict=False):
        if nx.has_path(graph, a, b):
            continue
        ahead = {a} | nx.descendants(graph, a)
        behind = {b} | nx.ancestors(graph, b)
        count = f"{len(ahead)} of {len(draft.places)} places can be reached" if len(ahead) > 1 else "no leg leaves it"
        x, y = _closest(draft, ahead, behind)
        gap = draft.show_distance(great_circle_m(draft.places[x], draft.places[y]))
        missing = f"the nearest are '{x}' and '{y}', {gap} apart: add a leg from '{x}' to '{y}'"
        reason = _barred(draft, ahead, behind) or missing
        label = "finish" if b == settings.route[-1] else "via"
        text = f"'{b}' cannot be reached from '{a}' over open legs ({count} from there); {reason}"
        draft.problems.add(FILE, text, key=label)
        return


def _barred(draft: Draft, ahead: set[str], behind: set[str]) -> str | None:
    """Name a leg that would close the gap, were it open or two-way."""
    for row, leg in draft.numbered():
        forward = leg.start in ahead and leg.finish in behind
        backward = leg.finish in ahead and leg.start in behind
        named = f"the leg of {draft.leg_table.file} row {row}, '{leg.start}' to '{leg.finish}', is"
        if not leg.open and (forward or (backward and leg.two_way)):
            return f"{named} closed ('no' under open)"
        if leg.open and backward and not leg.two_way:
            return f"{named} one-way"
    return None


def _closest(draft: Draft, ahead: set[str], behind: set[str]) -> tuple[str, str]:
    """Return the pair of places, one of each set, nearest to each other."""
    from scipy.spatial import cKDTree  # slow to import

    left, right = sorted(ahead), sorted(behind)
    distances, indices = cKDTree(_directions(draft, right)).query(_directions(draft, left))
    nearest_left = int(np.argmin(distances))
    return left[nearest_left], right[int(np.asarray(indices)[nearest_left])]


def _directions(draft: Draft, keys: Sequence[str]) -> "np.ndarray[tuple[int, ...], np.dtype[np.float64]]":
    """Return unit vectors from the earth's centre, shape (n_key, 3)."""
    lat = np.radians([draft.places[key].lat_deg for key in keys])
    lon = np.radians([draft.places[key].lon_deg for key in keys])
    return np.column_stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
