"""Remedies that change the whole trip: another road, a night before the climb."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from planner.analysis.margins import Margin
from planner.analysis.rerun_trip import run_stretch
from planner.forecast.kept import Kept
from planner.forecast.run import Forecast
from planner.model.errors import NoRouteError
from planner.model.trip import Leg, Trip
from planner.route.graph import other_routes
from planner.route.oneday import DayLegs
from planner.route.timeline import Timeline, build_timeline


@dataclass(frozen=True, slots=True, kw_only=True)
class Detour:
    """The trip laid out another way."""

    kind: str
    words: str
    line: Timeline
    legs: slice  # between the ends of the hot day
    minutes: float  # of driving more than the plan's
    days: int  # more than the plan's
    nights: tuple[str, ...] = ()  # to request, as in trip.toml; empty if unchanged


def detours(outlook: Forecast, number: int, worst: Margin) -> tuple[Detour, ...]:
    """Lay out the whole trip by other roads round a hot leg, and with a night before it."""
    ways = (*_roads(outlook, worst), *_night(outlook, number, worst))
    return tuple(one for way in ways if (one := _lay_out(outlook, number, *way)) is not None)


def drive(outlook: Forecast, detour: Detour, n_draw: int | None = None) -> Kept:
    """Smallest margins between the ends of the hot day, by fluid of the car; `n_draw` as in `run_stretch`."""
    return run_stretch(outlook, detour.line, detour.legs, n_draw)


def _roads(outlook: Forecast, worst: Margin) -> Iterator[tuple[str, str, Trip, tuple[Leg, ...]]]:
    """Roads without the hot leg."""
    hot, places = outlook.legs[worst.leg], outlook.trip.places
    for legs, first, last in other_routes(outlook.trip):
        if all(leg != hot for leg in legs):
            a, b = places[legs[first].start].name, places[legs[last].finish].name
            road = max(legs[first : last + 1], key=lambda leg: leg.distance_m).road or "the other road"
            yield f"{road} from {a} to {b}", "road", outlook.trip, legs


def _night(outlook: Forecast, number: int, worst: Margin) -> Iterator[tuple[str, str, Trip, tuple[Leg, ...]]]:
    """Sleep at the last lodging before the hot leg, and climb it in the morning."""
    trip, day = outlook.trip, outlook.timeline.days[number]
    for before in range(worst.leg - 1, day.first - 1, -1):
        key = outlook.legs[before].finish
        if "lodging" not in trip.places[key].services:
            continue
        order = [leg.finish for leg in outlook.legs]
        nights = tuple(sorted({*trip.nights, key}, key=order.index))
        words = f"spend the night at {trip.places[key].name} and climb in the morning"
        yield words, "night", replace(trip, nights=nights), outlook.legs
        return


def _lay_out(outlook: Forecast, number: int, words: str, kind: str, trip: Trip, legs: tuple[Leg, ...]) -> Detour | None:
    """Lay out the changed trip; None if its rules do not allow it."""
    try:
        if trip is outlook.trip:
            line = outlook.route.by_other_legs(legs, outlook.car.vehicle)
        else:
            line = build_timeline(trip, legs, outlook.car.vehicle, outlook.known, like=outlook.timeline.road)
    except NoRouteError:
        return None
    if line.closed_leg is not None:
        return None
    day, longer = outlook.timeline.days[number], len(legs) - len(outlook.legs)
    return Detour(
        kind=kind,
        words=words,
        line=line,
        legs=slice(day.first, day.last + 1 + longer),
        minutes=(_driving_s(line.days) - _driving_s(outlook.timeline.days)) / 60.0,
        days=len(line.days) - len(outlook.timeline.days),
        nights=trip.nights if kind == "night" else (),
    )


def _driving_s(days: tuple[DayLegs, ...]) -> float:
    return sum(day.driving_s for day in days)
