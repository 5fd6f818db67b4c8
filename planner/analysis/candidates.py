"""Single changes of a day that are worth trying against a thin margin: words, kind, effort."""

from collections.abc import Iterator
from datetime import datetime, time

import numpy as np

from planner.analysis.margins import Margin
from planner.analysis.rerun import Change, with_synthetic
from planner.forecast.run import Forecast, leg_name
from planner.model import clock
from planner.model.display import counted, units_of
from planner.route.oneday import DayLegs
from thermal.driveline import OVERDRIVE
from thermal.fluids import fluid_of, limit_of

_ROOM = frozenset({"parking", "fuel", "food", "lodging", "workshop"})
_SLOWER = (0.9, 0.8, 0.7)
_SHIFTS_MIN = (-120, -90, -60, -30, 60)
_STOPS_MIN = (10, 20, 30, 45)
_IDLE_MIN = (1, 2, 3)
_OTHER_HOURS = ((time(4), "by night"), (time(18), "in the evening"))
_APART = frozenset({"differential", "power_steering"})  # touched by no coolant
_SLOWEST_M_PER_S = 9.0  # slower than 20 mph is no remedy on a public road


def candidates(outlook: Forecast, number: int, worst: Margin) -> Iterator[Change]:
    """List the single changes worth trying."""
    yield from _pace(outlook, number, worst)
    yield from _settings(outlook, worst)
    if worst.parked:
        place = outlook.trip.places[outlook.legs[worst.leg].finish].name
        for minutes in _IDLE_MIN:
            words = f"idle {counted(minutes, 'minute')} at {place}, A/C off, before switching off"
            yield Change(kind="idle", words=words, stop_after=worst.leg, stop_s=60.0 * minutes, idle_first=True)
    yield from _hours(outlook, number)
    yield from _stops(outlook, worst.leg, outlook.timeline.days[number])
    yield from _before_the_trip(outlook, worst)


def _pace(outlook: Forecast, number: int, worst: Margin) -> Iterator[Change]:
    """Drive slower."""
    leg, u = worst.leg, units_of(outlook.trip.units)
    name, speed = leg_name(outlook, leg), outlook.legs[leg].speed_m_per_s
    for share in _SLOWER:
        if speed * share >= _SLOWEST_M_PER_S:
            words = f"{u.pace(speed * share):.0f} {u.speed} instead of {u.pace(speed):.0f} on {name}"
            yield Change(kind="slower", words=words, legs=(leg,), speed=share)
    if leg > outlook.timeline.days[number].first:
        words = f"a fifth slower on {name} and the leg before it"
        yield Change(kind="slower", words=words, legs=(leg - 1, leg), speed=0.8)


def _settings(outlook: Forecast, worst: Margin) -> Iterator[Change]:
    """Switches and levers; a differential feels neither heater nor A/C."""
    leg, name = worst.leg, leg_name(outlook, worst.leg)
    if worst.fluid not in _APART:
        if _cooled(outlook, leg) and outlook.car.vehicle.cooling.condenser_heat_w > 0.0:
            yield Change(kind="A/C off", effort=0.5, words=f"A/C off on {name}", legs=(leg,), ac_off=True)
        words = f"A/C off and heater on full on {name}"
        yield Change(kind="heater", effort=4.0, words=words, legs=(leg,), ac_off=True, heater=True)
    yield Change(kind="lower gear", effort=0.6, words=f"one gear lower on {name}", legs=(leg,), low_gear=True)
    yield from _levers(outlook, leg, name)


def _before_the_trip(outlook: Forecast, worst: Margin) -> Iterator[Change]:
    """Load to leave at home, and oil that bears more heat."""
    u, car = units_of(outlook.trip.units), outlook.car.vehicle
    if car.trailer.mass_kg > 0.0:
        yield Change(kind="load", effort=60.0, words="half the trailer's load", trailer=0.5)
        yield Change(kind="load", effort=60.0, words="no trailer", trailer=0.0)
    less = "220 lb" if u.distance == "mi" else "100 kg"
    yield Change(kind="load", effort=60.0, words=f"{less} less load in the car", lighter_kg=100.0)
    synthetic = with_synthetic(car, worst.fluid)
    if synthetic is not None:
        limit = f"{u.temp(limit_of(synthetic, fluid_of(worst.fluid)).limit_k):.0f} {u.temperature}"
        words = f"synthetic oil as {fluid_of(worst.fluid).label}, limit {limit} if its maker confirms that"
        yield Change(kind="oil", effort=90.0, words=words, synthetic=worst.fluid)


def _cooled(outlook: Forecast, leg: int) -> bool:
    """Whether the A/C is on along a leg."""
    road = outlook.timeline.road
    return bool(np.any(road.ac_on[road.leg == leg] > 0.0))


def _levers(outlook: Forecast, leg: int, name: str) -> Iterator[Change]:
    """Overdrive off, and the gear below direct held: what an automatic's lever and button allow."""
    box = outlook.car.vehicle.gearbox
    if box.kind != "automatic":
        return
    direct = sum(ratio >= OVERDRIVE for ratio in box.ratios)
    if direct < len(box.ratios):
        yield Change(kind="overdrive off", effort=0.6, words=f"overdrive off on {name}", legs=(leg,), highest_gear=-1)
    if direct > 1:
        words = f"gear {direct - 1} held on {name}"
        yield Change(kind="gear held", effort=0.6, words=words, legs=(leg,), highest_gear=direct - 1)


def _hours(outlook: Forecast, number: int) -> Iterator[Change]:
    """Other hours to set off; a car under way can only wait, and cools while it does."""
    trip, day = outlook.trip, outlook.timeline.days[number]
    place = trip.places[outlook.legs[day.first].start]
    if number > 0 or trip.driven_s is None:
        for minutes in _SHIFTS_MIN:
            when = "earlier" if minutes < 0 else "later"
            words = f"leave {abs(minutes)} min {when} that day"
            yield Change(kind="hour", effort=1.0, words=words, shift_s=60.0 * minutes)
        planned = clock.local(day.start_s, place.lat_deg, place.lon_deg)
        for at, name in _OTHER_HOURS:
            shift_s = (datetime.combine(planned.date(), at) - planned.replace(tzinfo=None)).total_seconds()
            if abs(shift_s) > 60.0 * max(map(abs, _SHIFTS_MIN)):
                words = f"set off at {at:%H:%M} that day, {name}"
                yield Change(kind="hour", effort=1.0, words=words, shift_s=shift_s)
        return
    for minutes in _STOPS_MIN if place.services & _ROOM else ():
        words = f"wait {minutes} min at {place.name} before setting off, engine off"
        yield Change(kind="wait", words=words, shift_s=60.0 * minutes)


def _stops(outlook: Forecast, leg: int, day: DayLegs) -> Iterator[Change]:
    """Stops at real places with room, before the leg; none at the day's start, where the car is cold."""
    for before in (leg, leg - 1):
        if before <= day.first:
            continue
        place = outlook.trip.places[outlook.legs[before].start]
        if not place.services & _ROOM:
            continue
        paused = any(after == before - 1 for after, _, _ in day.pauses)
        more = " longer" if paused else ""
        for minutes in _STOPS_MIN:
            words = f"stop {minutes} min{more} at {place.name}, engine off"
            yield Change(kind="stop", words=words, stop_after=before - 1, stop_s=60.0 * minutes)
        words = f"stop 10 min{more} at {place.name}, idling with the fan"
        yield Change(kind="stop", words=words, stop_after=before - 1, stop_s=600.0, stop_idling=True)
