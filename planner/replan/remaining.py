"""Replanning: the rest of the trip, and the car's present state."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np

from planner.analysis.service import service_of
from planner.files.names import Along
from planner.forecast.assemble import Inputs, find_route, taught
from planner.forecast.run import Start
from planner.model.display import units_of
from planner.model.errors import NoRouteError, PlannerError
from planner.model.trip import Leg, Place, ServiceItem, Trip
from planner.replan.position import Here, locate
from planner.replan.request import Request
from planner.replan.start_temps import start_of
from planner.route.graph import choose_route, stops_of
from planner.route.timeline import Timeline
from planner.route.wanted import wanted_on
from planner.weather.expected import Anchor, highs_lows_along

_MONTH_DAYS = 30.44


def rest_of(inputs: Inputs, request: Request) -> tuple[Inputs, Start]:
    """Reduce a trip to its rest from the car's position, and find the start temperatures."""
    try:
        inputs = taught(inputs)
        route = find_route(inputs)
    except NoRouteError:  # the whole can no longer be planned; the rest may be
        inputs, route = _unread(inputs), None
    legs = choose_route(inputs.trip) if route is None else route.legs
    line = None if route is None else route.timeline
    rest = replan(inputs.trip, legs, start_at=request.start_at, at=request.at, driven_s=request.driven_s, line=line)
    rest, start = start_of(route, rest, inputs.car, request)
    return replace(inputs, trip=rest), start


def _unread(inputs: Inputs) -> Inputs:
    """Drop the readings with a message, since they refer to the whole plan."""
    if inputs.lesson is not None or not inputs.trip.readings:
        return inputs
    said = "readings.csv is not used: the readings belong to the whole trip, which can no longer be planned."
    return replace(inputs, trip=replace(inputs.trip, readings=(), assumptions=(said, *inputs.trip.assumptions)))


def replan(
    trip: Trip,
    legs: Sequence[Leg],
    *,
    start_at: str | Along,
    at: datetime,
    driven_s: float | None = None,
    line: Timeline | None = None,
) -> Trip:
    """Reduce a trip, planned along `legs` and `line`, to its rest.

    From a place off the route, the leg to the nearest place on the route counts as the last one driven. If the route
    passes a place more than once, the passing nearest in planned time is used. No network is needed.
    """
    if at.tzinfo is not None:
        message = f"time {at.isoformat()} already has a zone; give the local time of the place without an offset"
        raise PlannerError(message)
    here = locate(trip, legs, start_at, at, line)
    if here.key == trip.route[-1] and here.behind >= len(legs):
        message = f"{trip.places[here.key].name!r} is the finish; there is nothing left to plan"
        raise PlannerError(message)
    return _cut(here if driven_s is None else replace(here, today_s=driven_s), legs, at)


def _cut(here: Here, legs: Sequence[Leg], at: datetime) -> Trip:
    trip, stops = here.trip, stops_of(legs)
    ahead, wanted = set(stops[here.behind + 1 :]), wanted_on(trip, legs)
    places = {**trip.places, here.key: _with_air(here, legs)}
    first_day = (at.date() - trip.first_date).days + 1
    service, notes = _service(trip, here.driven_m, (at - trip.departure) / timedelta(days=_MONTH_DAYS))
    return replace(
        trip,
        name=f"{trip.name}, from {places[here.key].name}" + (f" on day {first_day}" if first_day > 1 else ""),
        places=places,
        route=_route_left(here, legs),
        departure=at,
        nights=tuple(_renamed(stops, at, here.behind) for at in wanted.nights if at > here.behind),
        halts=tuple(
            replace(halt, passing=_passing(stops, at, here.behind))
            for at, halt in wanted.halts.items()
            if at > here.behind
        ),
        rest=tuple(
            _renamed(stops, at, here.behind) for at, n in wanted.rest.items() for _ in range(n) if at > here.behind
        ),
        days=0,  # of the whole trip, not of what is left
        events=tuple(
            replace(event, passing=_passing(stops, where, here.behind) if where > here.behind else 0)
            for where, events in wanted.events.items()
            for event in events
            if event.on >= at.date() and (event.place in ahead or (event.place == here.key and event.on > at.date()))
        ),
        mornings=tuple((day, start) for day, start in trip.mornings if day > at.date()),
        service=service,
        driven_s=here.today_s,
        assumptions=(*_said(here, places[here.key], first_day), *notes, *trip.assumptions),
    )


def _passing(stops: Sequence[str], at: int, behind: int) -> int:
    """Passing number of a position on the rest, the start counted; 0 if it is the only one."""
    held = [n for n in range(behind, len(stops)) if stops[n] == stops[at]]
    return 0 if len(held) == 1 else held.index(at) + 1


def _renamed(stops: Sequence[str], at: int, behind: int) -> str:
    number = _passing(stops, at, behind)
    return f"{stops[at]}:{number}" if number else stops[at]


def _in_order(keys: Sequence[str], stops: Sequence[str]) -> list[int]:
    """Positions of successive keys along the route; one past its end if not found."""
    found, at = [], 0
    for key in keys:
        at = next((i for i in range(at + 1, len(stops)) if stops[i] == key), len(stops))
        found.append(at)
    return found


def _route_left(here: Here, legs: Sequence[Leg]) -> tuple[str, ...]:
    """Places to visit from here on, here first."""
    trip = here.trip
    if trip.explicit:
        keys = [here.key, *trip.route[here.behind + 1 :]]
    else:
        positions = [0, *_in_order(trip.route[1:], stops_of(legs))]
        later = [key for key, at in zip(trip.route, positions, strict=True) if at > here.behind]
        keys = [here.key, *here.forced, *later]
    return (keys[0], *(b for a, b in pairwise(keys) if a != b))


def _with_air(here: Here, legs: Sequence[Leg]) -> Place:
    """Return the start place; missing high and low are taken from the whole trip's places."""
    place = here.trip.places[here.key]
    anchors = _anchors(here.trip, legs)
    if place.has_air or not anchors:
        return place
    high, low = highs_lows_along([here.driven_m], [place.elevation_m], anchors)
    return replace(place, high_k=float(high[0]), low_k=float(low[0]))


def _anchors(trip: Trip, legs: Sequence[Leg]) -> list[Anchor]:
    """Places of a route whose usual highs and lows were entered, by distance."""
    at = [0.0, *np.cumsum([leg.distance_m for leg in legs])]
    known = ((d, trip.places[key]) for d, key in zip(at, stops_of(legs), strict=True))
    return [
        Anchor(distance_m=float(d), elevation_m=place.elevation_m, high_k=place.high_k, low_k=place.low_k)
        for d, place in known
        if place.has_air
    ]


def _service(trip: Trip, driven_m: float, months: float) -> tuple[tuple[ServiceItem, ...], tuple[str, ...]]:
    """Update service counters; a job that fell due on the way counts as done."""
    items, done = [], []
    known, notes = service_of(trip)
    for item in known:
        since, passed = item.since_m + driven_m, max(item.since_months + months, 0.0)
        if item.every_m > 0.0 and since >= item.every_m > item.since_m:
            done.append(item.item)
            since %= item.every_m
        items.append(replace(item, since_m=since, since_months=passed))
    if done:
        notes = (*notes, f"Assumed done: service that fell due on the way: {', '.join(done)}.")
    return tuple(items), notes


def _said(here: Here, place: Place, first_day: int) -> tuple[str, ...]:
    """Assumptions of the new plan, in sentences."""
    u = units_of(here.trip.units)
    driven = f"{u.dist(here.driven_m):,.0f} {u.distance}"
    hours = f"{here.today_s / 3600.0:.1f} of {here.trip.day.driving_s / 3600.0:.1f} h"
    return (
        f"Planned from {place.name}, day {first_day} of the trip, {driven} driven; day numbers restart at 1.",
        f"The tank is assumed full at {place.name}.",
        f"Driving counted for the day so far: {hours}; give --driven if that is wrong.",
    )
