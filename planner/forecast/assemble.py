"""From a trip folder to its forecast, in one place: what the folder says, the road that is open, the temperatures.

Every command, and `planner` itself, comes this way, so that all go by one forecast. What is slow to load waits until it
is needed: reading alone loads no model.
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
    """Take no notice of progress."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """What a trip folder says, checked: the trip, the car, what is known of the weather.

    `lesson` is what the trip's readings and fuel use taught, once `taught` has put it into car and weather; `untaught`
    are those two before it.
    """

    trip: Trip
    car: VehicleFile
    known: TripWeather
    lesson: Lesson | None = None
    untaught: tuple[VehicleFile, TripWeather] | None = None

    @property
    def learnt(self) -> tuple[str, ...]:
        """What the readings taught, in sentences."""
        return () if self.lesson is None else self.lesson.sentences

    def changed(self, changes: Mapping[str, str]) -> "Inputs":
        """Return the same with values of the car changed, each named and written as in vehicle.toml."""
        vehicle = self.car.vehicle
        for name, value in sorted(changes.items(), key=lambda one: one[0] == "trailer.mass"):  # its drag comes first
            vehicle = changed_car(vehicle, name, value)
        return replace(self, car=replace(self.car, vehicle=vehicle))


def read_inputs(folder: Path, *, progress: Progress = quiet) -> Inputs:
    """Read a trip folder whole, with the weather that was fetched for it earlier; never the network."""
    trip, car = open_folder(folder)
    return Inputs(trip=trip, car=car, known=weather_for(trip, stations=ShippedStations(), progress=progress))


def taught(inputs: Inputs, *, progress: Progress = quiet) -> Inputs:
    """Learn from the owner's fuel use and readings.csv, once: the car, and the air of days on which it was read."""
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
    """Choose the road that is open and put it on the clock, in the air that the readings taught."""
    return _open(taught(inputs))


def _open(inputs: Inputs) -> "Route":
    """Choose the road that is open and put it on the clock."""
    from planner.route.timeline import open_route

    return open_route(inputs.trip, inputs.car.vehicle, inputs.known)


def find_legs(inputs: Inputs) -> tuple[tuple[Leg, ...], tuple[str, ...]]:
    """Choose the road alone, and say what was closed; the clock is only asked where a road has a season."""
    legs = choose_route(inputs.trip)
    if all(leg.season is None for leg in legs):
        return legs, ()
    route = find_route(inputs)
    return route.legs, route.closed


def make_forecast(inputs: Inputs, *, start: "Start | None" = None, progress: Progress = quiet) -> "Forecast":
    """Forecast the trip; `start` says how warm the car sets off, as cold as the air without it."""
    from planner.forecast.run import forecast

    known = taught(inputs, progress=progress)
    cold: Start = start or (lambda _: None)
    outlook = forecast(known.trip, known.car, known=known.known, start=cold, progress=progress)
    if known.lesson is None or known.untaught is None:
        return outlook
    if not known.lesson.seen:
        return replace(outlook, lesson=known.lesson)
    from planner.forecast.lessons import compared

    progress("forecasting again without the readings, to see what they changed")
    car, weather = known.untaught
    before = _open(replace(known, car=car, known=weather))
    return replace(outlook, lesson=compared(known.lesson, outlook, before, car, cold))


def changed_car(car: Vehicle, name: str, text: str) -> Vehicle:
    """Set one value of a car, written as in a vehicle file."""
    section, said = name.partition(".")[0], shown(f"{name}={text}")
    known = {f"{part}.{key_of(f)}": f for part, kind in sections().items() for f in fields(kind)}
    item = known.get(name)
    if item is None:
        message = f"{said}: no such value of a car, {nearest(name, known)}"
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
    """Read a value the way a vehicle file does."""
    if "options" in meta:
        return text
    unit = str(meta["unit"])
    if unit == "dimensionless":
        return tuple(map(_number, text.split(","))) if meta["several"] else _number(text)
    return to_delta_k(text) if unit == "delta K" else to_si(text, unit)


def _number(text: str) -> float:
    """Read a number that has no unit."""
    try:
        return float(text)
    except ValueError as exc:
        message = f"read {shown(text)}; a number without a unit is needed, e.g. 0.5"
        raise UnitError(message) from exc
