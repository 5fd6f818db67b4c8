"""Alternative roads compared with the chosen one: time, distance, climb, smallest margin."""

import itertools
from dataclasses import dataclass

import numpy as np

from planner.analysis.margins import columns_of, fluids_of
from planner.forecast.run import Forecast
from planner.model import geo
from planner.model.display import units_of
from planner.model.errors import NoRouteError
from planner.model.trip import Leg
from planner.route.graph import other_routes
from planner.route.timeline import Timeline
from thermal.fluids import fluid_of
from thermal.simulate import Result, simulate
from thermal.spread import medians

_MOST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherRoad:
    """One way between two places, with its smallest margin for the car as described."""

    via: str
    time_s: float
    distance_m: float
    climb_m: float
    margin_k: float
    fluid: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """The chosen road and an alternative between the same two places."""

    start: str
    finish: str
    chosen: OtherRoad
    other: OtherRoad


def compare_roads(outlook: Forecast) -> tuple[Choice, ...]:
    """Forecast the nearest alternatives and compare them with the chosen road."""
    ranked = sorted(other_routes(outlook.trip), key=lambda found: sum(_time_s(leg) for leg in found[0]))
    compared = (_compare(outlook, legs, first, last) for legs, first, last in ranked)
    return tuple(itertools.islice((choice for choice in compared if choice is not None), _MOST))


def sentence(outlook: Forecast, choice: Choice) -> str:
    """One sentence on the alternative."""
    u, places = units_of(outlook.trip.units), outlook.trip.places
    late = (choice.other.time_s - choice.chosen.time_s) / 60.0
    more = u.dist(choice.other.distance_m - choice.chosen.distance_m)
    gain = u.diff(choice.other.margin_k - choice.chosen.margin_k)
    climb = u.height(choice.other.climb_m - choice.chosen.climb_m)
    verb = "gains" if gain >= 0.0 else "loses"
    return (
        f"{places[choice.start].name} to {places[choice.finish].name} by {choice.other.via} instead of "
        f"{choice.chosen.via}: {late:+.0f} min, {more:+.0f} {u.distance}, {climb:+,.0f} {u.elevation} of climb; {verb} "
        f"{abs(gain):.0f} {u.temperature} of the smallest margin there "
        f"({u.diff(choice.other.margin_k):.0f}, {fluid_of(choice.other.fluid).label})."
    )


def _time_s(leg: Leg) -> float:
    return leg.distance_m / leg.speed_m_per_s


def _compare(outlook: Forecast, legs: tuple[Leg, ...], first: int, last: int) -> Choice | None:
    """Measure both routes between the places where they part and meet; None if the other cannot be driven."""
    try:
        line = outlook.route.by_other_legs(legs, outlook.car.vehicle)
    except NoRouteError:
        return None
    if line.closed_leg is not None:
        return None
    result = simulate(
        line.drive,
        outlook.car.vehicle,
        start_k=outlook.start_k,
        factors=medians(outlook.car.spread),
        record=np.array([0]),
    )
    start, finish = legs[first].start, legs[last].finish
    after = len(legs) - 1 - last
    return Choice(
        start=start,
        finish=finish,
        chosen=_road(outlook, outlook.timeline, outlook.nominal, first, len(outlook.legs) - 1 - after),
        other=_road(outlook, line, result, first, last),
    )


def _road(outlook: Forecast, line: Timeline, result: Result, first: int, last: int) -> OtherRoad:
    legs = line.road.legs[first : last + 1]
    rows = (line.drive.group >= first) & (line.drive.group <= last) & line.on_road
    margins = result.margin_k[0, first : last + 1].min(axis=0)[columns_of(outlook)]
    start = outlook.trip.places[legs[0].start].elevation_m
    return OtherRoad(
        via=_via(outlook, legs),
        time_s=float(line.drive.duration_s[rows].sum()),
        distance_m=sum(leg.distance_m for leg in legs),
        climb_m=geo.climb_m(np.concatenate(([start], line.end_elevation_m[rows]))),
        margin_k=float(margins.min()),
        fluid=fluids_of(outlook)[int(np.argmin(margins))],
    )


def _via(outlook: Forecast, legs: tuple[Leg, ...]) -> str:
    """Name of a road: its longest leg's, and its highest place."""
    longest = max(legs, key=lambda leg: leg.distance_m)
    inner = [outlook.trip.places[leg.finish] for leg in legs[:-1]]
    top = max(inner, key=lambda place: place.elevation_m).name if inner else ""
    return " over ".join(part for part in (longest.road, top) if part) or "the direct road"
