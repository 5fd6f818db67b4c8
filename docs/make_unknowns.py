"""How often "ample" stands where the full input gives "exceeded": drawn trips with information taken away.

Run: .venv/bin/python docs/make_unknowns.py [TRIPS [SEED]]. Each trip is a stretch of a shipped example's road, driven
by one of the shipped classes with a trailer and in weather drawn at random. It is forecast with everything its folder
says, then without profiles, without highs and lows, and without the car's own drag.
"""

import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

import basics
import numpy as np
from cars import read_class

from planner import example
from planner.analysis.margins import find_margins, worst_of
from planner.files.folder import classes, open_folder
from planner.forecast.run import Forecast, forecast_route
from planner.model.trip import Trip
from planner.route.graph import choose_route
from planner.route.timeline import open_route
from planner.weather.expected import highs_lows_along
from planner.weather.shipped import ShippedStations
from planner.weather.sources import TripWeather, anchors_on, weather_along
from thermal.vehicle_file import VehicleFile

SEED, TRIPS = 20_270_706, 200
_LEGS, _HOTTER_K = (2, 6), (-3.0, 9.0)
_TRAILER_KG, _TRAILER_M2, _MORE_DRAG = (0.0, 1400.0), 1.2, (0.9, 1.25)


@dataclass(frozen=True)
class Drawn:
    """One trip and car, known in full."""

    trip: Trip
    car: VehicleFile
    plain: VehicleFile  # the same with its class's drag


def drawn(count: int, seed: int = SEED) -> Iterator[Drawn]:
    """Draw trips over real roads with measured or published profiles."""
    rng = np.random.default_rng(seed)
    held = [open_folder(example(name))[0] for name in ("wilmington-astoria", "alps")]
    routes = [choose_route(trip) for trip in held]
    starts = [
        (i, first)
        for i, legs in enumerate(routes)
        for first in range(len(legs) - _LEGS[1])
        if any(leg.profile is not None for leg in legs[first : first + 2])
    ]
    for _ in range(count):
        which, first = starts[rng.integers(len(starts))]
        legs = routes[which][first : first + int(rng.integers(*_LEGS))]
        trip = _with_weather(_cut(held[which], legs), float(rng.uniform(*_HOTTER_K)))
        plain = read_class(str(rng.choice(classes())))
        car = plain.vehicle
        trailer = replace(car.trailer, mass_kg=float(rng.uniform(*_TRAILER_KG)), drag_area_m2=_TRAILER_M2)
        plain = replace(plain, vehicle=replace(car, trailer=trailer))
        body = replace(car.body, drag_area_m2=car.body.drag_area_m2 * float(rng.uniform(*_MORE_DRAG)))
        yield Drawn(trip, replace(plain, vehicle=replace(plain.vehicle, body=body)), plain)


def _cut(trip: Trip, legs: tuple) -> Trip:
    day = replace(trip.day, driving_s=12 * 3600.0, lodging_only=False)
    bare = {"nights": (), "halts": (), "rest": (), "events": (), "mornings": (), "readings": (), "finish_by": None}
    keys = (legs[0].start, *(leg.finish for leg in legs))
    departure = trip.departure.replace(hour=11)
    return replace(trip, route=keys, explicit=True, legs=legs, day=day, departure=departure, folder=trip.folder, **bare)


def _with_weather(trip: Trip, hotter_k: float) -> Trip:
    """Give every place a high and low: entered ones kept, all hotter by the same."""
    legs = choose_route(trip)
    weather = weather_along(trip, legs, TripWeather(stations=ShippedStations()))
    anchors, places, at_m = anchors_on(weather, trip.first_date), dict(trip.places), 0.0
    for key, length_m in zip(trip.route, [*(leg.distance_m for leg in legs), 0.0], strict=True):
        high, low = highs_lows_along([at_m], [places[key].elevation_m], anchors)
        places[key] = replace(places[key], high_k=float(high[0]) + hotter_k, low_k=float(low[0]) + hotter_k)
        at_m += length_m
    return replace(trip, places=places)


def without(one: Drawn, what: str) -> tuple[Trip, VehicleFile]:
    """Take one sort of information away."""
    if what == "profiles":
        return replace(one.trip, legs=tuple(replace(leg, profile=None) for leg in one.trip.legs)), one.car
    if what == "highs":
        places = {key: replace(place, high_k=None, low_k=None) for key, place in one.trip.places.items()}
        return replace(one.trip, places=places), one.car
    return one.trip, one.plain


def levels(trip: Trip, car: VehicleFile) -> list[str]:
    """Level of every leg."""
    route = open_route(trip, car.vehicle, TripWeather(stations=ShippedStations()))
    outlook: Forecast = forecast_route(route, car)
    margins = find_margins(outlook)
    return [worst_of(margins, leg).level for leg in range(len(outlook.legs))]


def main(count: int = TRIPS, seed: int = SEED) -> None:
    """Print the counts."""
    tables = {what: Counter() for what in ("profiles", "highs", "drag")}
    for one in drawn(count, seed):
        full = levels(one.trip, one.car)
        for what, table in tables.items():
            table.update(zip(full, levels(*without(one, what)), strict=True))
    pairs = [("exceeded", said) for said in ("ample", "unknown", "thin")] + [("ample", "unknown")]
    rows = []
    for what, table in tables.items():
        of = {level: sum(n for (full, _), n in table.items() if full == level) for level in ("exceeded", "ample")}
        rows.append((what, *(f"{table[pair]} of {of[pair[0]]} legs" for pair in pairs)))
    print(basics.table(("without", *(f"{full} called {said}" for full, said in pairs)), rows))


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
