"""Start temperatures: from gauges, from the plan, or usual values."""

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from planner.forecast.run import Start
from planner.model import clock
from planner.model.display import units_of
from planner.model.trip import Trip
from planner.replan.believe import Believing, guessed, read_on
from planner.replan.position import UNDER_WAY, locate
from planner.replan.request import Request, check_temps
from planner.route.graph import stops_of
from planner.route.timeline import Route, Timeline, lay_out
from planner.weather.expected import Anchor, air_k, highs_lows_along
from thermal.fluids import BODIES, BODY_KEYS, fluids_in
from thermal.kernel import Factors
from thermal.ranges import FloatArray as Floats
from thermal.simulate import simulate
from thermal.spread import medians
from thermal.vehicle import Vehicle
from thermal.vehicle_file import VehicleFile

# ASSUMED temperatures of a car warm from ordinary driving, to estimate fluids without a gauge from those with one;
# coolant is a little above its thermostat's opening, the block a few kelvin higher, rotors above the air.
_WARM_COOLANT_RISE_K, _WARM_METAL_RISE_K, _WARM_ROTORS_RISE_K = 3.0, 8.0, 60.0
_MOST_SHARE = 1.2  # ASSUMED: bodies without a gauge are not guessed further beyond a warm car's than this
_WARM_BY_PLAN_K = 10.0  # ASSUMED: a planned fluid nearer to the air than this contradicts a warm gauge
_EARLY_S = 21_600.0  # ASSUMED: with a larger difference in time the plan is not used
_HERE_M = 1.0
_LATE_S = 300.0  # smaller delays are not distinguished from the plan
_ARRIVED = "The gauges fit a car that drove later better than one that has stood here since the planned time."

_EITHER = "Whether it stood here since the planned time or drove later is not known: the warmer is taken."


def start_of(route: Route | None, rest: Trip, car: VehicleFile, request: Request) -> tuple[Trip, Start]:
    """Find the start temperatures of a replanned trip, and describe their source.

    `route` is the whole trip's, None if its days cannot be planned.
    """
    check_temps(request.temps_k)
    warm_by_plan = None if route is None else by_plan(route, car, request)
    late = None if route is None or warm_by_plan is None else driven_late(route, car, request)
    if warm_by_plan is not None and late is not None and not request.temps_k:
        warm_by_plan = _warmer(warm_by_plan, late)
    planned = None if warm_by_plan is None else warm_by_plan(medians(car.spread))[0]
    if request.temps_k and _gone_cold(rest, car.vehicle, planned):
        warm_by_plan = planned = None
    temps = start_temps_k(rest, car.vehicle, request.temps_k, planned)
    start: Start = lambda _: None  # noqa: E731
    doubts: tuple[str, ...] = ()
    if warm_by_plan is not None and request.temps_k:
        stood = read_on(warm_by_plan, car, request.temps_k)
        believing = (
            stood if late is None else min(stood, read_on(late, car, request.temps_k), key=lambda one: one.misfit)
        )
        start, doubts = believing.start, _doubts(rest, believing)
        if believing is not stood:
            doubts = (_ARRIVED, *doubts)
    elif warm_by_plan is not None:
        start, doubts = warm_by_plan, () if late is None else (_EITHER,)
    elif temps is not None:
        start = guessed(temps, request.temps_k)
    words = _basis(rest, car.vehicle, request, temps, by_the_plan=planned is not None)
    return replace(rest, assumptions=(" ".join((words, *doubts)), *rest.assumptions)), start


def _basis(rest: Trip, vehicle: Vehicle, request: Request, temps: Floats | None, *, by_the_plan: bool) -> str:
    """Describe the source of the start temperatures."""
    u = units_of(rest.units)
    readings = {} if temps is None else {f.key: temps[f.node] for f in fluids_in(vehicle) if f.gauge}
    shown_as = request.temps_k or readings
    each = ", ".join(f"{name.replace('_', ' ')} {u.temp(float(k)):.0f}" for name, k in shown_as.items())
    if request.temps_k:
        source = "the plan, with its uncertainty" if by_the_plan else "those readings, roughly"
        return f"The car starts at {each} {u.temperature}; what was not read is estimated from {source}."
    if by_the_plan:
        return f"The car starts at the planned temperatures: {each} {u.temperature}; give --now for better values."
    if temps is not None:
        return f"The car is assumed warm from ordinary driving: {each} {u.temperature}; give --now for better values."
    return "The car is assumed cold, at air temperature; if it is still warm, give --now with the gauges."


def _gone_cold(rest: Trip, vehicle: Vehicle, planned_k: Floats | None) -> bool:
    """Whether the plan has a cold fluid that a gauge contradicts."""
    read = [fluid.node for fluid in fluids_in(vehicle) if fluid.gauge]
    return planned_k is not None and bool(planned_k[read].min() < _start_air_k(rest) + _WARM_BY_PLAN_K)


def _doubts(rest: Trip, believing: Believing) -> tuple[str, ...]:
    """Report readings outside every draw."""
    u, said = units_of(rest.units), []
    for one in believing.odd:
        taken = "used as read" if one.taken else "not used, the planned value is used instead"
        said.append(
            f"The {one.name.replace('_', ' ')} gauge reads {u.temp(one.read_k):.0f} {u.temperature} where the plan "
            f"expects {u.temp(one.expected_k):.0f}: check gauge, unit and car before driving on; {taken}."
        )
    return tuple(said)


def by_plan(route: Route, car: VehicleFile, request: Request) -> Callable[[Factors], Floats] | None:
    """Temperatures from the whole trip's plan at the car's position."""
    found = _arrival(route, request)
    if found is None:
        return None
    first, at, wait_s = found
    line = route.timeline
    driven = line.drive.take(slice(first, at + 1))
    still = dict.fromkeys(
        ("speed_m_per_s", "end_speed_m_per_s", "engine_on", "ac_on", "heater_on", "idle_share", "grade"), np.zeros(1)
    )
    stand = replace(line.drive.take(slice(at, at + 1)), duration_s=np.array([max(wait_s, 1.0)]), **still)

    def temps_k(factors: Factors) -> Floats:
        last = np.array([at - first])
        arrived = simulate(driven, car.vehicle, factors=factors, record=last).temps_k[:, -1]
        if wait_s <= 0.0:
            return np.asarray(arrived)
        return np.asarray(simulate(stand, car.vehicle, start_k=arrived, factors=factors).temps_k[:, -1])

    return temps_k


def driven_late(route: Route, car: VehicleFile, request: Request) -> Callable[[Factors], Floats] | None:
    """Temperatures of a car that started its day later and arrives here only now; None if it is not late."""
    found = _arrival(route, request)
    if found is None or found[2] < _LATE_S:
        return None
    line, road, wait_s = route.timeline, route.timeline.road, found[2]
    today = int(line.drive.day[found[1]])
    speed = np.where(road.carried, road.wanted_m_per_s, line.drive.speed_m_per_s[line.on_road])
    days = tuple(
        replace(day, start_s=day.start_s + wait_s) if number == today else day for number, day in enumerate(line.days)
    )
    later = lay_out(route.trip, road, days, speed)
    at = int(np.searchsorted(later.end_m, line.end_m[found[1]] - _HERE_M))
    driven = later.drive.take(slice(_first_of_day(later, at), at + 1))
    last = np.array([len(driven.duration_s) - 1])
    return lambda factors: np.asarray(simulate(driven, car.vehicle, factors=factors, record=last).temps_k[:, -1])


def _warmer(one: Callable[[Factors], Floats], other: Callable[[Factors], Floats]) -> Callable[[Factors], Floats]:
    """Of two ways to come here, the warmer for every car and body."""
    return lambda factors: np.asarray(np.maximum(one(factors), other(factors)))


def _arrival(route: Route, request: Request) -> tuple[int, int, float] | None:
    """Segments at which the plan's day starts and arrives here, and the time since [s]; None if not usable."""
    legs, line = route.legs, route.timeline
    here = locate(route.trip, legs, request.start_at, request.at, line)
    if (here.behind == 0 and here.key != UNDER_WAY) or here.key not in (*stops_of(legs), UNDER_WAY):
        return None
    at = int(np.searchsorted(line.end_m, here.driven_m - _HERE_M))
    place = here.trip.places[here.key]
    wait_s = clock.epoch_s(request.at, place.lat_deg, place.lon_deg) - float(line.end_s[at])
    arrival = clock.local(float(line.end_s[at]), place.lat_deg, place.lon_deg)
    if arrival.date() != request.at.date() or wait_s < -_EARLY_S:
        return None
    return _first_of_day(line, at), at, wait_s


def _first_of_day(line: Timeline, at: int) -> int:
    """First driven segment of the day of another segment."""
    day = next(span.day for span in line.spans if span.first <= at <= span.last)
    return next(span.first for span in line.spans if span.day == day and span.on_road)


def start_temps_k(
    trip: Trip, vehicle: Vehicle, temps_k: Mapping[str, float] | None = None, planned_k: Floats | None = None
) -> Floats | None:
    """Temperatures of the car at the start of a replanned trip; None for a cold start.

    Bodies without a gauge get the same fraction between air and planned temperature as those with one have on average.
    Without a plan a warm car's usual temperatures are used, and the block stays a little above its coolant. ASSUMED.
    Along a leg, without any reading, the car is warm.
    """
    held = dict(temps_k or {})
    if planned_k is None and not held and trip.route[0] != UNDER_WAY:
        return None
    air = _start_air_k(trip)
    if held and _gone_cold(trip, vehicle, planned_k):
        planned_k = None
    coolant = vehicle.cooling.thermostat_open_k + _WARM_COOLANT_RISE_K
    warm = {body.key: body.warm_k or air for body in BODIES}
    warm |= {"metal": coolant + _WARM_METAL_RISE_K, "coolant": coolant, "rotors": air + _WARM_ROTORS_RISE_K}
    if planned_k is not None:
        warm = dict(zip(BODY_KEYS, planned_k.tolist(), strict=True))
    shares = [(held[name] - air) / (warm[name] - air) for name in held if name != "rotors"]
    share = float(np.clip(np.mean(shares), 0.0, _MOST_SHARE)) if shares else 1.0
    guessed = {name: air + share * (value - air) for name, value in warm.items()}
    if planned_k is None and "coolant" in held:
        guessed["metal"] = held["coolant"] + share * _WARM_METAL_RISE_K
    return np.array([held.get(name, guessed[name]) for name in BODY_KEYS])


def _start_air_k(trip: Trip) -> float:
    place = trip.places[trip.route[0]]
    anchor = Anchor(distance_m=0.0, elevation_m=place.elevation_m, high_k=place.high_k, low_k=place.low_k)
    (high_k,), (low_k,) = highs_lows_along([0.0], [place.elevation_m], [anchor] if place.has_air else [])
    epoch_s = clock.epoch_s(trip.departure, place.lat_deg, place.lon_deg)
    return float(air_k(epoch_s=epoch_s, lat_deg=place.lat_deg, lon_deg=place.lon_deg, low_k=low_k, high_k=high_k))
