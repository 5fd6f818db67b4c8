"""Doubts about a trip's files, and how far each moves a margin: the same list for every command."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from planner.analysis.plausible import doubts
from planner.analysis.plausible_car import class_values
from planner.files.vehicles import class_vehicle
from planner.forecast.assemble import Inputs
from planner.model.doubt import Doubt, Mend
from planner.model.errors import PlannerError
from planner.model.paths import data_folder
from planner.model.trip import Leg, Trip
from thermal.errors import ThermalError
from thermal.ranges import FloatArray as Floats
from thermal.vehicle import Vehicle
from thermal.vehicle_file import VehicleFile

MATTERS_K = 3.0
"""A doubt that moves a margin by so much is repeated by `plan`."""
MOST_TRIED = 12
_CLOSE_K = 30.0  # of a leg, margins larger than this both ways do not count


def doubts_of(inputs: Inputs, legs: Sequence[Leg], *, today: date | None) -> tuple[Doubt, ...]:
    """Doubt what a trip's files say; `legs` are the road."""
    car = inputs.car
    held = class_values(class_vehicle(car.base, data_folder() / "vehicles").vehicle) if car.overridden else {}
    return doubts(inputs.trip, legs=legs, car=car, class_values=held, dated=inputs.known.dated, today=today)


def weighed(inputs: Inputs, found: Sequence[Doubt]) -> tuple[Doubt, ...]:
    """Drive the car as described once with each doubted value and once with the one expected instead.

    The first `MOST_TRIED` are tried; of the others, and of what cannot be tried, the weight stays unknown.
    """
    if not any(doubt.mend for doubt in found):
        return tuple(found)
    before = margins_of(inputs.trip, inputs.car, inputs)
    tried = [n for n, doubt in enumerate(found) if doubt.mend is not None][:MOST_TRIED]
    return tuple(
        replace(doubt, moves_k=_moves_k(inputs, doubt.mend, before)) if n in tried and doubt.mend is not None else doubt
        for n, doubt in enumerate(found)
    )


def that_matter(found: Sequence[Doubt]) -> tuple[Doubt, ...]:
    """Doubts that move a margin by 3 K or more, and those whose weight is unknown."""
    return tuple(doubt for doubt in found if doubt.moves_k is None or doubt.moves_k >= MATTERS_K)


def _moves_k(inputs: Inputs, mend: Mend, before: Floats) -> float | None:
    try:
        after = margins_of(_mended(inputs.trip, mend), _mended_car(inputs.car, mend), inputs)
    except (PlannerError, ThermalError):
        return None  # the trip cannot be driven that way
    return moved_k(before, after)


def moved_k(before: Floats, after: Floats) -> float:
    """Largest move of a fluid's smallest margin, over the trip and, where close, on one leg."""
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


def _mended(trip: Trip, mend: Mend) -> Trip:
    if mend.of == "place":
        place = replace(trip.places[mend.name], **{mend.field: mend.value})  # type: ignore[arg-type]
        return replace(trip, places={**trip.places, mend.name: place})
    if mend.of == "leg":
        number = int(mend.name)
        legs = list(trip.legs)
        legs[number] = replace(legs[number], **{mend.field: mend.value})  # type: ignore[arg-type]
        return replace(trip, legs=tuple(legs))
    return trip


def _mended_car(car: VehicleFile, mend: Mend) -> VehicleFile:
    if mend.of != "car":
        return car
    section, _, field = mend.field.partition(".")
    part = replace(getattr(car.vehicle, section), **{field: mend.value})
    changed: Vehicle = replace(car.vehicle, **{section: part})
    return replace(car, vehicle=changed)


def doubt_lines(found: Sequence[Doubt]) -> Iterator[str]:
    """Say each doubt in a line, with its weight where it is known."""
    for doubt in found:
        weight = "" if doubt.moves_k is None else f" (a margin moves by {doubt.moves_k:.0f} K)"
        yield doubt.line + weight
