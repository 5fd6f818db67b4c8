"""Effect of changes to the car or the driving on the margins: the whole trip simulated with one change at a time."""

from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, fields, replace
from datetime import datetime, time
from typing import Any, NamedTuple

import numpy as np

from planner.analysis.rerun_trip import as_planned, run_trip
from planner.forecast.aside import in_two
from planner.forecast.assemble import Progress, changed_car, quiet
from planner.forecast.kept import Kept
from planner.forecast.run import Forecast
from planner.model.errors import NoRouteError, PlannerError
from planner.model.trip import Leg, Trip
from planner.route.road import held_speed
from planner.route.timeline import Timeline, build_timeline
from thermal.discrepancy import Conditions, conditions_of
from thermal.errors import shown
from thermal.fluids import fluids_in
from thermal.ranges import FloatArray as Floats
from thermal.sorts import sorts_of, with_sort
from thermal.vehicle import Vehicle

_AT_ONCE = 2  # changes driven at the same time
NOTHING_K = 0.5  # a smaller change of every margin is no gain
_FILLED = {"engine_oil": "engine", "transmission_oil": "gearbox", "differential_oil": "differential"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """One change: the trip, the car, and its description."""

    words: str
    kind: str  # "driving", "setting" or "part"
    trip: Trip
    vehicle: Vehicle


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Effect of a change on the smallest margin of every fluid over the trip, shape (n_fluid,)."""

    words: str
    kind: str
    margin_k: Floats  # at the trip's confidence
    gain_k: Floats  # over the plan
    error_k: Floats  # sampling error of the margin
    minutes: float  # of driving more than the plan's
    had: bool = False  # the car is so already

    @property
    def buys_nothing(self) -> bool:
        """Whether no fluid gains a relevant margin."""
        return bool(np.max(self.gain_k) < NOTHING_K)

    @property
    def only_costs(self) -> bool:
        """Whether no fluid gains and one loses a relevant margin."""
        return self.buys_nothing and bool(np.min(self.gain_k) <= -NOTHING_K)


def run_variants(
    outlook: Forecast, settings: tuple[str, ...] = (), *, progress: Progress = quiet
) -> tuple[Outcome, ...]:
    """Simulate the trip once per change, with the draws of the plan."""
    variants = [_own(outlook, text) for text in settings] if settings else list(_usual(outlook))
    plan, found = _plan_of(outlook), list[Outcome]()
    tight = int(np.argmin(plan.kept.margin_k))
    with closing(_each(variants, lambda variant: _tried_or_why(outlook, variant, plan))) as tries:
        for variant in variants:
            progress(f"trying: {variant.words}")
            tried = next(tries)
            if isinstance(tried, Outcome):
                found.append(tried)
            else:
                progress(f"left out: {variant.words}: {tried}")
    return tuple(sorted(found, key=lambda outcome: (-float(outcome.gain_k[tight]), outcome.words)))


class _Plan(NamedTuple):
    """What every change is compared with."""

    kept: Kept
    held: Floats  # speed along the road [m/s]
    around: Conditions


def _plan_of(outlook: Forecast) -> _Plan:
    car, drive = outlook.car, outlook.timeline.drive
    around = conditions_of(car.spread.discrepancy, drive, car.vehicle)
    return _Plan(as_planned(outlook), _held(outlook, car.vehicle), around)


def _each(variants: Sequence[Variant], one: Callable[[Variant], Outcome | str]) -> Generator[Outcome | str, None, None]:
    """What comes of every variant, in order: in two processes, else two at a time in this one."""
    left = list(variants)
    with closing(in_two(len(variants), lambda number: one(variants[number]))) as shared:
        for tried in shared:
            yield tried
            del left[0]
    with ThreadPoolExecutor(_AT_ONCE) as pool:  # while one is laid out, another is driven
        yield from pool.map(one, left)


def _tried_or_why(outlook: Forecast, variant: Variant, plan: _Plan) -> Outcome | str:
    """Drive the trip with one change; where no days can be found for it, why."""
    try:
        return _tried(outlook, variant, plan)
    except NoRouteError as exc:
        return str(exc)


def _tried(outlook: Forecast, variant: Variant, plan: _Plan) -> Outcome:
    """Drive the trip with one change."""
    line, own, car = _drive_again(outlook, variant, plan.held), outlook.car.vehicle, variant.vehicle
    same = line is outlook.timeline and car == own
    alike = line is outlook.timeline and (car.body, car.trailer) == (own.body, own.trailer)
    around = plan.around if alike else None
    kept = plan.kept if same else run_trip(outlook, line, car, plan.kept, around)
    return Outcome(
        words=variant.words,
        kind=variant.kind,
        margin_k=kept.margin_k,
        gain_k=kept.margin_k - plan.kept.margin_k,
        error_k=kept.error_k,
        minutes=(_time_s(line) - _time_s(outlook.timeline)) / 60.0,
        had=same,
    )


def _drive_again(outlook: Forecast, variant: Variant, held: Floats) -> Timeline:
    """Lay out the trip with one change; the plan's own where the car holds the same speeds as the plan's, `held`."""
    if variant.trip is outlook.trip and variant.vehicle == outlook.car.vehicle:
        return outlook.timeline
    if variant.trip is outlook.trip and np.array_equal(_held(outlook, variant.vehicle), held):
        return outlook.timeline  # as fast everywhere, so at the same hours
    cut = outlook.timeline.road if variant.trip.air_conditioning == outlook.trip.air_conditioning else None
    legs = _same_road(outlook, variant.trip)
    return build_timeline(variant.trip, legs, variant.vehicle, outlook.known, like=cut)


def _held(outlook: Forecast, vehicle: Vehicle) -> Floats:
    """Speed that a car holds along the plan's road, in the plan's air. [m/s]."""
    line = outlook.timeline
    return held_speed(line.road, vehicle, air_k=line.drive.air_k[line.on_road], wanted=line.road.wanted_m_per_s)


def _same_road(outlook: Forecast, trip: Trip) -> tuple[Leg, ...]:
    """The plan's road at the changed trip's speeds."""
    share = trip.legs[0].speed_m_per_s / outlook.trip.legs[0].speed_m_per_s
    if share == 1.0:
        return outlook.legs
    return tuple(replace(leg, speed_m_per_s=share * leg.speed_m_per_s) for leg in outlook.legs)


def _time_s(line: Timeline) -> float:
    return float(line.drive.duration_s[line.drive.speed_m_per_s > 0.0].sum())


def _usual(outlook: Forecast) -> Iterator[Variant]:
    """Changes that owners ask about."""
    trip, car = outlook.trip, outlook.car.vehicle

    def driving(words: str, changed: Trip) -> Variant:
        return Variant(words=words, kind="driving", trip=changed, vehicle=car)

    yield driving("5 % slower everywhere", _slower(trip, 0.95))
    yield driving("10 % slower everywhere", _slower(trip, 0.90))
    yield driving("depart an hour earlier every day", _earlier(trip))
    if trip.air_conditioning:
        yield driving("A/C off all the way", replace(trip, air_conditioning=False))
    body = _moved(car.body, mass_kg=car.body.mass_kg - 100.0)
    yield Variant(words="100 kg less in the car", kind="driving", trip=trip, vehicle=replace(car, body=body))
    if car.trailer.mass_kg > 0.0:
        solo = replace(car, trailer=replace(car.trailer, mass_kg=0.0, drag_area_m2=0.0))
        yield Variant(words="no trailer", kind="driving", trip=trip, vehicle=solo)
    yield from (Variant(words=w, kind=k, trip=trip, vehicle=v) for w, k, v in _car_changes(car, trip.units) if v != car)


def _car_changes(car: Vehicle, units: str) -> Iterator[tuple[str, str, Vehicle]]:
    c = car.cooling
    less, more = ("11 °F", "3 psi") if units == "us" else ("6 °C", "0.2 bar")
    cooler = {"thermostat_open_k": c.thermostat_open_k - 6.0, "thermostat_full_k": c.thermostat_full_k - 6.0}
    for words, kind, values in (
        (f"thermostat that opens {less} cooler", "setting", cooler),
        (f"radiator cap rated {more} higher", "setting", {"cap_pressure_pa": c.cap_pressure_pa + 20e3}),
        ("radiator 20 % larger", "part", {"radiator_w_per_k": 1.2 * c.radiator_w_per_k}),
        ("stronger fan, 40 % more air", "part", {"fan_flow_m3_per_s": 1.4 * c.fan_flow_m3_per_s}),
        ("ducting, clear grille: 15 % more air", "part", {"airflow_share": c.airflow_share + 0.15}),
    ):
        yield words, kind, replace(car, cooling=_moved(c, **values))
    yield from _oils(car)
    yield from _coolers(car)


def _oils(car: Vehicle) -> Iterator[tuple[str, str, Vehicle]]:
    """Other sorts of oil: viscosity and limit change together."""
    automatic = car.gearbox.kind == "automatic"
    for part, where in _FILLED.items():
        for name, sort in sorts_of(part, automatic=automatic).items():
            if name != getattr(car, part).sort and name in ("synthetic", "long-life"):
                yield f"{sort.words} in the {where}", "setting", with_sort(car, part, name)


def _moved(part: Any, **values: float) -> Any:
    """Set values of one part of the car, each within its plausible range."""
    ranges = {item.name: item.metadata for item in fields(part)}
    return replace(part, **{n: min(max(v, ranges[n]["low"]), ranges[n]["high"]) for n, v in values.items()})


def _coolers(car: Vehicle) -> Iterator[tuple[str, str, Vehicle]]:
    """Coolers to add or enlarge."""
    fitted = {fluid.key for fluid in fluids_in(car)}
    for fluid, name, words, fresh_w_per_k, open_k in (
        ("engine_oil", "oil_cooler", "engine-oil cooler", 60.0, 358.15),
        ("transmission", "transmission_cooler", "transmission cooler", 40.0, 343.15),
        ("differential", "differential_cooler", "differential cooler with pump and switch", 25.0, 353.15),
    ):
        held = getattr(car, name)
        if fluid not in fitted:
            continue
        if held.kind == "none":
            added = replace(held, kind="air", conductance_w_per_k=fresh_w_per_k, open_k=open_k, full_k=open_k + 10.0)
            yield f"{words}, {fresh_w_per_k:.0f} W/K, added", "part", replace(car, **{name: added})
        else:
            larger = _moved(held, conductance_w_per_k=1.5 * held.conductance_w_per_k)
            yield f"{words} 50 % larger", "part", replace(car, **{name: larger})


def _slower(trip: Trip, share: float) -> Trip:
    """Lower every entered speed; the days' driving time grows in proportion."""
    legs = tuple(replace(leg, speed_m_per_s=share * leg.speed_m_per_s) for leg in trip.legs)
    return replace(trip, legs=legs, day=replace(trip.day, driving_s=trip.day.driving_s / share))


def _earlier(trip: Trip) -> Trip:
    """Depart an hour earlier, but on the same day."""
    start, earliest = _hour_before(trip.day.start), _hour_before(trip.day.earliest)
    mornings = tuple((on, _hour_before(at)) for on, at in trip.mornings)
    departure = datetime.combine(trip.first_date, _hour_before(trip.departure.time()))
    day = replace(trip.day, start=start, earliest=min(start, earliest))
    return replace(trip, departure=departure, day=day, mornings=mornings)


def _hour_before(at: time) -> time:
    return at.replace(hour=max(at.hour - 1, 0))


def _own(outlook: Forecast, text: str) -> Variant:
    name, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not value:
        message = f"--set {shown(text)}: write section.key=value as in vehicle.toml, e.g. 'cooling.cap_pressure=16 psi'"
        raise PlannerError(message)
    try:
        vehicle = changed_car(outlook.car.vehicle, name, value)
    except PlannerError as exc:
        message = f"--set {exc}"
        raise PlannerError(message) from exc
    return Variant(words=f"{name} = {value}", kind="setting", trip=outlook.trip, vehicle=vehicle)
