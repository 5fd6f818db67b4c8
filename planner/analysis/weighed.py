"""Suspicious values in a trip's files, and how much each changes a margin: the same list for every command."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from planner.analysis.plausible import doubts
from planner.analysis.plausible_car import class_values
from planner.files.vehicles import class_vehicle
from planner.forecast.assemble import Inputs
from planner.model.doubt import Doubt, Expected
from planner.model.errors import PlannerError
from planner.model.paths import data_folder
from planner.model.trip import Leg, Trip
from thermal.errors import ThermalError
from thermal.ranges import FloatArray as Floats
from thermal.vehicle import Vehicle
from thermal.vehicle_file import VehicleFile

MATTERS_K = 3.0
"""`plan` repeats a doubt that changes a margin by this much. [K]"""
MOST_TRIED = 12
_CLOSE_K = 30.0  # of a leg, margins larger than this both ways do not count


def doubts_of(inputs: Inputs, legs: Sequence[Leg], *, today: date | None) -> tuple[Doubt, ...]:
    """Find suspicious values in a trip's files; `legs` are the route."""
    car = inputs.car
    held = class_values(class_vehicle(car.base, data_folder() / "vehicles").vehicle) if car.overridden else {}
    return doubts(inputs.trip, legs=legs, car=car, class_values=held, dated=inputs.known.dated, today=today)


def weighed(inputs: Inputs, found: Sequence[Doubt]) -> tuple[Doubt, ...]:
    """Simulate the car as described with each doubted value and with the expected one instead.

    Only the first `MOST_TRIED` are simulated; the weight of others, and of those that cannot be, remains unknown.
    """
    if not any(doubt.expected for doubt in found):
        return tuple(found)
    before = margins_of(inputs.trip, inputs.car, inputs)
    tried = [n for n, doubt in enumerate(found) if doubt.expected is not None][:MOST_TRIED]
    return tuple(
        replace(doubt, moves_k=_moves_k(inputs, doubt.expected, before))
        if n in tried and doubt.expected is not None
        else doubt
        for n, doubt in enumerate(found)
    )


def that_matter(found: Sequence[Doubt]) -> tuple[Doubt, ...]:
    """Doubts that change a margin by 3 K or more, and those whose weight is unknown."""
    return tuple(doubt for doubt in found if doubt.moves_k is None or doubt.moves_k >= MATTERS_K)


def _moves_k(inputs: Inputs, expected: Expected, before: Floats) -> float | None:
    try:
        after = margins_of(_trip_with(inputs.trip, expected), _car_with(inputs.car, expected), inputs)
    except (PlannerError, ThermalError):
        return None  # the trip cannot be driven that way
    return moved_k(before, after)


def moved_k(before: Floats, after: Floats) -> float:
    """Largest change of a fluid's smallest margin, over the trip and, where it is close, on one leg."""
    most = float(np.abs(after.min(axis=0) - before.min(axis=0)).max())
    if before.shape != after.shape:
        return most
    close = np.minimum(before, after) < _CLOSE_K
    return max(most, float(np.abs(np.where(close, after - before, 0.0)).max()))


def margins_of(trip: Trip, car: VehicleFile, inputs: Inputs) -> Floats:
    """Margins of every leg and fluid of the car as described, shape (n_leg, n_fluid). [K]."""
    from planner.forecast.run import as_described
    from planner.route.timeline import open_route
    from thermal.fluids import fluids_in

    route = open_route(trip, car.vehicle, inputs.known)
    columns = [fluid.index for fluid in fluids_in(car.vehicle)]
    return np.asarray(as_described(route, car).margin_k[0][:, columns])


def _trip_with(trip: Trip, expected: Expected) -> Trip:
    if expected.of == "place":
        place = replace(trip.places[expected.name], **{expected.field: expected.value})  # type: ignore[arg-type]
        return replace(trip, places={**trip.places, expected.name: place})
    if expected.of == "leg":
        number = int(expected.name)
        legs = list(trip.legs)
        legs[number] = replace(legs[number], **{expected.field: expected.value})  # type: ignore[arg-type]
        return replace(trip, legs=tuple(legs))
    return trip


def _car_with(car: VehicleFile, expected: Expected) -> VehicleFile:
    if expected.of != "car":
        return car
    section, _, field = expected.field.partition(".")
    part = replace(getattr(car.vehicle, section), **{field: expected.value})
    changed: Vehicle = replace(car.vehicle, **{section: part})
    return replace(car, vehicle=changed)


def doubt_lines(found: Sequence[Doubt]) -> Iterator[str]:
    """One line per doubt, with its weight if known."""
    for doubt in found:
        weight = "" if doubt.moves_k is None else f" (a margin changes by {doubt.moves_k:.0f} K)"
        yield doubt.line + weight
