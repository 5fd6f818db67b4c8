"""Planning on from where the car is now: the trip cut to what is left, and the state the car is in."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from planner import clock
from planner.answers.service import service_of
from planner.display import units_of
from planner.errors import PlannerError
from planner.files.reading import nearest
from planner.model import Leg, Place, ServiceItem, Trip
from planner.route.graph import choose_route, stops_of
from planner.underway.whereabouts import UNDER_WAY, Along, Here, locate
from planner.weather.expected import Anchor, expected_air_k, highs_lows_along
from thermal.errors import UnitError
from thermal.tomltext import shown
from thermal.units import to_si
from thermal.vehicle import FLUIDS, Vehicle

Floats = npt.NDArray[np.float64]
_NODES = ("metal", "coolant", "engine_oil", "transmission", "differential", "rotors")
_LOW_K, _HIGH_K, _ROTORS_HIGH_K = 223.15, 473.15, 1073.15
# ASSUMED temperatures of a car warm from ordinary driving, to estimate fluids without a gauge from those with one;
# coolant sits a little above its thermostat's opening, the block a few kelvin above it, rotors above the air.
_WARM_OIL_K, _WARM_TRANSMISSION_K, _WARM_DIFFERENTIAL_K = 371.0, 348.0, 353.0
_WARM_COOLANT_RISE_K, _WARM_METAL_RISE_K, _WARM_ROTORS_RISE_K = 3.0, 8.0, 60.0
_MONTH_DAYS = 30.44
_DAY_S = 86_400.0
_MOMENT = re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """Where the car is, when it sets off, what its gauges read, how long it was driven today; None: as planned."""

    start_at: str | Along
    at: datetime
    temps_k: Mapping[str, float]
    driven_s: float | None


def read_request(
    *, from_place: str | None, along: str | None, at: str | None, readings: Sequence[str], driven: str | None = None
) -> Request | None:
    """Read what a person typed to plan on from somewhere.

    Parameters
    ----------
    from_place : str or None
        Key or name of a place. [-]
    along : str or None
        A point along a leg, `FROM>TO:12.5 mi`. [-]
    at : str or None
        Local time there, `2027-07-11 10:00`. [-]
    readings : sequence of str
        Gauges, `coolant=195 degF`. [-]
    driven : str or None
        Driving done that day, `5.5 h`. [-]

    Returns
    -------
    Request or None
        None when nothing was given.

    Raises
    ------
    PlannerError
        If something cannot be read, or one is given without another it needs.

    Examples
    --------
    >>> asked = read_request(from_place=None, along="a>b: 2 km", at="2027-07-11 10:00", readings=["coolant=90 degC"])
    >>> asked.start_at, asked.at.hour, asked.temps_k
    (('a', 'b', 2000.0), 10, {'coolant': 363.15})
    """
    if from_place is None and along is None and at is None and not readings and driven is None:
        return None
    if (from_place is None) == (along is None) or at is None:
        message = (
            "to plan on from somewhere give either --from PLACE or --along 'FROM>TO:12.5 mi', and --at "
            "'2027-07-11 10:00', the local time there"
        )
        raise PlannerError(message)
    try:
        moment = datetime.fromisoformat(at.strip()) if _MOMENT.fullmatch(at.strip()) else None
    except ValueError:
        moment = None
    if moment is None or not 1900 <= moment.year <= 2100:
        message = f"--at: read {shown(at)}; write the local time there as '2027-07-11 10:00', years 1900 to 2100"
        raise PlannerError(message)
    where = _read_along(along) if along is not None else str(from_place)
    temps = dict(_read_reading(text) for text in readings)
    check_temps(temps)
    return Request(start_at=where, at=moment, temps_k=temps, driven_s=None if driven is None else _read_driven(driven))


def _read_driven(text: str) -> float:
    """Read '5.5 h'."""
    try:
        driven_s = to_si(text, "s", example="5.5 h")
    except UnitError as exc:
        message = f"--driven: {exc}"
        raise PlannerError(message) from exc
    if not 0.0 <= driven_s <= _DAY_S:
        message = f"--driven: read {shown(text)}; write the driving done that day, 0 to 24 h, as '5.5 h'"
        raise PlannerError(message)
    return driven_s


def _read_along(text: str) -> Along:
    """Read 'FROM>TO:12.5 mi'."""
    ends, colon, distance = text.rpartition(":")
    start, arrow, finish = ends.partition(">")
    if not (colon and arrow and start.strip() and finish.strip()):
        message = f"--along: read {shown(text)}; write FROM>TO:DISTANCE with two places, e.g. 'trinidad>raton:12.5 mi'"
        raise PlannerError(message)
    try:
        return start.strip(), finish.strip(), to_si(distance, "m", example="12.5 mi")
    except UnitError as exc:
        message = f"--along: {exc}"
        raise PlannerError(message) from exc


def _read_reading(text: str) -> tuple[str, float]:
    """Read 'coolant=195 degF'."""
    name, equals, value = text.partition("=")
    try:
        if not equals:
            message = f"{shown(text)} needs a fluid and a temperature, e.g. 'coolant=195 degF'"
            raise UnitError(message)
        return "_".join(name.split()).casefold(), to_si(value, "K")
    except UnitError as exc:
        message = f"--now: {exc}"
        raise PlannerError(message) from exc


def replan(
    trip: Trip,
    *,
    start_at: str | Along,
    at: datetime,
    temps_k: Mapping[str, float] | None = None,
    driven_s: float | None = None,
) -> Trip:
    """Cut a trip to what is left of it.

    Parameters
    ----------
    trip : Trip
        The trip as planned before the start. [-]
    start_at : str or tuple of (str, str, float)
        Key or name of the place where the car is; or the leg's two places, in the direction driven, and the distance
        driven along it. [-, -, m]
    at : datetime
        Local time there at which the car sets off, without a zone. [-]
    temps_k : mapping of str to float, optional
        What the gauges read then, by fluid. [K]
    driven_s : float, optional
        Driving done that day, which counts towards the day's limit; as planned when not given. [s]

    Returns
    -------
    Trip
        Route from there on; departure `at`; nights, halts, rest days, events and fixed mornings that are past are gone;
        service counts what was driven. Its days are counted anew from 1, and its name says which day of the trip the
        first one is. A place without a usual high and low of its own keeps the air it had in the whole trip.

    Raises
    ------
    PlannerError
        If the place, the leg or a temperature is not usable, or nothing is left to drive.
    NoRouteError
        If the finish cannot be reached from there.

    Notes
    -----
    From a place the route does not touch, the stretch beside the nearest place on the route counts as the last one
    driven. Where the route passes a place more than once, the passing whose planned time is nearest is taken. Works
    on what the folder holds, without a network.
    """
    if at.tzinfo is not None:
        message = f"time {at.isoformat()} already has a zone; give the wall clock time of the place alone"
        raise PlannerError(message)
    check_temps(temps_k or {})
    legs = choose_route(trip)
    here = locate(trip, legs, start_at, at)
    if here.key == trip.route[-1] and here.behind >= len(legs):
        message = f"{trip.places[here.key].name!r} is the finish; nothing is left to drive"
        raise PlannerError(message)
    return _cut(here if driven_s is None else replace(here, today_s=driven_s), legs, at, temps_k or {})


def check_temps(temps_k: Mapping[str, float]) -> None:
    """Check names and values of gauge readings.

    Parameters
    ----------
    temps_k : mapping of str to float
        By fluid. [K]

    Raises
    ------
    PlannerError
        Names what was read and what is allowed.
    """
    for name, value in temps_k.items():
        if name not in _NODES:
            message = f"reading of {shown(name)}: there is no such fluid; {nearest(name, (*FLUIDS, 'rotors'))}"
            raise PlannerError(message)
        high = _ROTORS_HIGH_K if name == "rotors" else _HIGH_K
        if not _LOW_K <= value <= high:
            message = (
                f"reading of {name}: {value - 273.15:.0f} degC; allowed is {_LOW_K - 273.15:.0f} to "
                f"{high - 273.15:.0f} degC; check the number and its unit"
            )
            raise PlannerError(message)


def start_temps_k(trip: Trip, vehicle: Vehicle, temps_k: Mapping[str, float] | None = None) -> Floats | None:
    """Temperatures of the car at the start of a replanned trip.

    Parameters
    ----------
    trip : Trip
        As `replan` returned it. [-]
    vehicle : Vehicle
        The car. [-]
    temps_k : mapping of str to float, optional
        What the gauges read, by fluid. [K]

    Returns
    -------
    ndarray, shape (6,), or None
        In the model's order; None when the car stood overnight, so that it is as warm as the air. [K]

    Notes
    -----
    Bodies without a gauge stand the same share of the way from the air to a warm car's usual temperature as those with
    one do on average; the block stays a little above its coolant. ASSUMED. Along a leg, without any reading, the car
    is warm.
    """
    held = dict(temps_k or {})
    if not held and trip.route[0] != UNDER_WAY:
        return None
    air = _start_air_k(trip)
    coolant = vehicle.cooling.thermostat_open_k + _WARM_COOLANT_RISE_K
    warm = dict(
        zip(
            _NODES,
            (coolant + _WARM_METAL_RISE_K, coolant, _WARM_OIL_K, _WARM_TRANSMISSION_K, _WARM_DIFFERENTIAL_K, 0.0),
            strict=True,
        )
    )
    warm["rotors"] = air + _WARM_ROTORS_RISE_K
    shares = [(held[name] - air) / (warm[name] - air) for name in held if name != "rotors"]
    share = float(np.clip(np.mean(shares), 0.0, 1.2)) if shares else 1.0
    guessed = {name: air + share * (value - air) for name, value in warm.items()}
    if "coolant" in held:
        guessed["metal"] = held["coolant"] + share * _WARM_METAL_RISE_K
    return np.array([held.get(name, guessed[name]) for name in _NODES])


def _start_air_k(trip: Trip) -> float:
    """Air to expect at the start. [K]."""
    place = trip.places[trip.route[0]]
    anchor = Anchor(distance_m=0.0, elevation_m=place.elevation_m, high_k=place.high_k, low_k=place.low_k)
    air = expected_air_k(
        distance_m=[0.0, 1.0],
        elevation_m=[place.elevation_m] * 2,
        lat_deg=place.lat_deg,
        lon_deg=place.lon_deg,
        epoch_s=clock.epoch_s(trip.departure, place.lat_deg, place.lon_deg),
        anchors=[anchor] if place.high_k is not None or place.low_k is not None else [],
    )
    return float(air[0])


def _cut(here: Here, legs: Sequence[Leg], at: datetime, temps_k: Mapping[str, float]) -> Trip:
    """Drop what is behind."""
    trip, stops = here.trip, stops_of(legs)
    ahead, slept = set(stops[here.behind + 1 :]), _in_order(trip.nights, stops)
    places = {**trip.places, here.key: _with_air(here, legs)}
    first_day = (at.date() - trip.first_date).days + 1
    service, notes = _service(trip, here.driven_m, (at - trip.departure) / timedelta(days=_MONTH_DAYS))
    return replace(
        trip,
        name=f"{trip.name}, from {places[here.key].name}" + (f" on day {first_day}" if first_day > 1 else ""),
        places=places,
        route=_route_left(here, legs),
        departure=at,
        nights=tuple(key for key, position in zip(trip.nights, slept, strict=True) if position > here.behind),
        halts=tuple(halt for halt in trip.halts if halt.place in ahead),
        rest=tuple(key for key in trip.rest if key in ahead),
        events=tuple(
            event
            for event in trip.events
            if event.on >= at.date() and (event.place in ahead or (event.place == here.key and event.on > at.date()))
        ),
        mornings=tuple((day, start) for day, start in trip.mornings if day > at.date()),
        service=service,
        driven_s=here.today_s,
        assumptions=(*_said(here, places[here.key], first_day, temps_k), *notes, *trip.assumptions),
    )


def _in_order(keys: Sequence[str], stops: Sequence[str]) -> list[int]:
    """Positions of keys that follow each other along the route; one past its end when not found."""
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
    """Return the place of the start; one without a high and low of its own gets what the whole trip's places say."""
    place = here.trip.places[here.key]
    anchors = _anchors(here.trip, legs)
    if place.high_k is not None or place.low_k is not None or not anchors:
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
        if place.high_k is not None or place.low_k is not None
    ]


def _service(trip: Trip, driven_m: float, months: float) -> tuple[tuple[ServiceItem, ...], tuple[str, ...]]:
    """Count what was driven; a job that fell due on the way counts as done then."""
    items, done = [], []
    known, notes = service_of(trip)
    for item in known:
        since, passed = item.since_m + driven_m, max(item.since_months + months, 0.0)
        if item.every_m > 0.0 and since >= item.every_m > item.since_m:
            done.append(item.item)
            since %= item.every_m
        items.append(replace(item, since_m=since, since_months=passed))
    if done:
        notes = (*notes, f"Service that fell due on the way is taken as done then: {', '.join(done)}.")
    return tuple(items), notes


def _said(here: Here, place: Place, first_day: int, temps_k: Mapping[str, float]) -> tuple[str, ...]:
    """Sentences on what the new plan takes for granted."""
    u = units_of(here.trip.units)
    driven = f"{u.dist(here.driven_m):,.0f} {u.distance}"
    if temps_k:
        read = ", ".join(f"{name.replace('_', ' ')} {u.temp(k):.0f} {u.temperature}" for name, k in temps_k.items())
        state = f"The car starts at {read}; what was not read is estimated from that."
    elif here.key == UNDER_WAY:
        state = "The car is taken as warm from ordinary driving; give what the gauges read to know better."
    else:
        state = "The car is taken as cold, as warm as the air; give what the gauges read where it is still warm."
    hours = f"{here.today_s / 3600.0:.1f} of {here.trip.day.driving_s / 3600.0:.1f} h"
    return (
        f"Planned from {place.name}, day {first_day} of the trip, {driven} driven; days are counted anew from 1.",
        state,
        f"The tank is taken as full at {place.name}.",
        f"Driving counted for the day so far: {hours}; give --driven where it was otherwise.",
    )
