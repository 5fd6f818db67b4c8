"""From a trip folder to its forecast: inputs, open road, temperatures.

All commands and the Python interface use this module, so they share one forecast. Slow imports are deferred
until needed: reading alone loads no model.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

from planner.files.folder import open_folder
from planner.files.reading import nearest
from planner.model.display import counted
from planner.model.errors import PlannerError
from planner.model.lesson import Lesson
from planner.model.trip import Leg, Trip
from planner.route.graph import choose_route
from planner.route.wanted import wanted_on
from planner.weather.shipped import ShippedStations
from planner.weather.sources import TripWeather, weather_for
from thermal.errors import ThermalError, UnitError, shown
from thermal.sorts import with_sort
from thermal.units import to_delta_k, to_si
from thermal.vehicle import Vehicle
from thermal.vehicle_file import VehicleFile, key_of, sections

if TYPE_CHECKING:
    from planner.forecast.run import Forecast, Start
    from planner.route.timeline import Route

Progress = Callable[[str], None]


def quiet(_: str) -> None:
    """Ignore progress messages."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """Checked contents of a trip folder: trip, car, weather data.

    `lesson` is the result of the trip's readings and fuel use after `taught` has applied it to car and weather;
    `untaught` has the two before that.
    """

    trip: Trip
    car: VehicleFile
    known: TripWeather
    lesson: Lesson | None = None
    untaught: tuple[VehicleFile, TripWeather] | None = None

    def changed(self, changes: Mapping[str, str]) -> "Inputs":
        """Return the inputs with changed vehicle values, named and written as in vehicle.toml."""
        vehicle = self.car.vehicle
        for name, value in sorted(changes.items(), key=lambda one: one[0] == "trailer.mass"):  # its drag comes first
            vehicle = changed_car(vehicle, name, value)
        return replace(self, car=replace(self.car, vehicle=vehicle))


def read_inputs(folder: Path, *, progress: Progress = quiet) -> Inputs:
    """Read a trip folder with its saved weather; never uses the network."""
    trip, car = open_folder(folder)
    return Inputs(trip=trip, car=car, known=weather_for(trip, stations=ShippedStations(), progress=progress))


def taught(inputs: Inputs, *, progress: Progress = quiet) -> Inputs:
    """Learn from the owner's fuel use and readings.csv, once: the car, and the air of days with readings."""
    if inputs.lesson is not None or not (inputs.trip.readings or inputs.trip.fuel_use_m2):
        return inputs
    from planner.forecast.fuel_use import weigh_fuel_use
    from planner.forecast.lessons import learn

    route, car = _open(inputs), inputs.car
    said: list[str] = []
    if inputs.trip.fuel_use_m2:
        car, *said = weigh_fuel_use(route, car)
    if inputs.trip.readings:
        progress(f"learning from {counted(len(inputs.trip.readings), 'row')} of readings.csv")
    car, lesson = learn(route, car)
    lesson = replace(lesson, sentences=(*lesson.sentences, *said))
    return replace(
        inputs,
        car=car,
        known=replace(inputs.known, read=lesson.air),
        lesson=lesson,
        untaught=(inputs.car, inputs.known),
    )


def find_route(inputs: Inputs) -> "Route":
    """Choose an open road and build its timeline, with the air learnt from readings."""
    return _open(taught(inputs))


def _open(inputs: Inputs) -> "Route":
    """Choose an open road and build its timeline."""
    from planner.route.timeline import open_route

    return open_route(inputs.trip, inputs.car.vehicle, inputs.known)


def find_legs(inputs: Inputs) -> tuple[tuple[Leg, ...], tuple[str, ...]]:
    """Choose the road only, and report closed roads; a timeline is built only if a road has a season."""
    legs = choose_route(inputs.trip)
    wanted_on(inputs.trip, legs)  # a night or halt off the road is an error here as in a plan
    if all(leg.season is None for leg in legs):
        return legs, ()
    route = find_route(inputs)
    return route.legs, route.closed


def make_forecast(inputs: Inputs, *, start: "Start | None" = None, progress: Progress = quiet) -> "Forecast":
    """Forecast the trip; `start` gives the start temperatures, the air's without it."""
    from planner.forecast.run import forecast

    known = taught(inputs, progress=progress)
    cold: Start = start or (lambda _: None)
    outlook = forecast(known.trip, known.car, known=known.known, start=cold, progress=progress)
    if known.lesson is None or known.untaught is None:
        return outlook
    if not known.lesson.seen:
        return replace(outlook, lesson=known.lesson)
    from planner.forecast.lessons import compared

    progress("forecasting again without the readings, for comparison")
    car, weather = known.untaught
    before = _open(replace(known, car=car, known=weather))
    return replace(outlook, lesson=compared(known.lesson, outlook, before, car, cold))


def changed_car(car: Vehicle, name: str, text: str) -> Vehicle:
    """Set one value of a car, written as in a vehicle file."""
    section, said = name.partition(".")[0], shown(f"{name}={text}")
    known = {f"{part}.{key_of(f)}": f for part, kind in sections().items() for f in fields(kind)}
    item = known.get(name)
    if item is None:
        message = f"{said}: unknown vehicle key, {nearest(name, known)}"
        raise PlannerError(message)
    try:
        value = _value(text, item.metadata)
        if item.name == "sort":
            return with_sort(car, section, str(value))
        return replace(car, **{section: replace(getattr(car, section), **{item.name: value})})
    except ThermalError as exc:
        message = f"{said}: {exc}"
        raise PlannerError(message) from exc


def _value(text: str, meta: Mapping[str, object]) -> object:
    """Read a value as in a vehicle file."""
    if "options" in meta:
        return text
    unit = str(meta["unit"])
    if unit == "dimensionless":
        return tuple(map(_number, text.split(","))) if meta["several"] else _number(text)
    return to_delta_k(text) if unit == "delta K" else to_si(text, unit)


def _number(text: str) -> float:
    """Read a number without a unit."""
    try:
        return float(text)
    except ValueError as exc:
        message = f"read {shown(text)}; write a number without a unit, e.g. 0.5"
        raise UnitError(message) from exc
