"""Where to refuel: from the fuel the engine model burns, the tank, and the places that sell it."""

from dataclasses import dataclass

import numpy as np

from planner.forecast import Forecast, span_of
from thermal.engine import LHV_J_PER_L

_GAP_FACTOR = 1.5  # a gap is flagged when half again as far would empty the tank; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class FuelStop:
    """One stop for fuel."""

    leg: int  # refuel at this leg's end
    place: str
    litres: float
    left_l: float  # in the tank on arrival
    ahead_l: float  # burnt to the next place that sells fuel
    tight: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FuelPlan:
    """Stops in driving order, and stretches no tankful covers."""

    stops: tuple[FuelStop, ...]
    gaps: tuple[str, ...]
    total_l: float


def fuel_l(outlook: Forecast, leg: int) -> float:
    """Fuel the model burns on a leg.

    Parameters
    ----------
    outlook : Forecast
        The forecast. [-]
    leg : int
        Position in the route. [-]

    Returns
    -------
    float
        Volume. [L]
    """
    span = span_of(outlook, leg)
    part = slice(span.first, span.last + 1)
    energy = float(np.sum(outlook.nominal.work.fuel_w[part] * outlook.timeline.drive.duration_s[part]))
    return energy / LHV_J_PER_L[outlook.car.vehicle.engine.fuel]


def plan_fuel(outlook: Forecast) -> FuelPlan:
    """Choose the fewest stops that never plan on the reserve, starting full.

    Parameters
    ----------
    outlook : Forecast
        The forecast: fuel per leg with its load, climb, wind and heat. [-]

    Returns
    -------
    FuelPlan
        Stops at places with fuel. Among the places in range, one where the car stops anyway is taken when it lies in
        the last third of the range, else the farthest.
    """
    tank, places = outlook.car.vehicle.tank, outlook.trip.places
    full = tank.capacity_m3 * 1000.0
    usable = full * (1.0 - tank.reserve)
    burnt = [fuel_l(outlook, i) for i in range(len(outlook.legs))]
    sells = [i for i, leg in enumerate(outlook.legs) if "fuel" in places[leg.finish].services]
    pauses = {span.leg for span in outlook.timeline.spans if span.kind in ("break", "halt", "event", "night")}
    stops, gaps, at = [], [], -1
    while sum(burnt[at + 1 :]) > usable:
        reach = [i for i in sells if i > at and sum(burnt[at + 1 : i + 1]) <= usable]
        if not reach:
            here = next((i for i in sells if i > at), len(burnt) - 1)
            gaps.append(_gap(outlook, at, here, sum(burnt[at + 1 : here + 1]), usable))
            reach = [here]
        handy = [i for i in reach if i in pauses and sum(burnt[at + 1 : i + 1]) >= 0.67 * usable]
        stop = (handy or reach)[-1]
        used = sum(burnt[at + 1 : stop + 1])
        ahead = sum(burnt[stop + 1 : next((i for i in sells if i > stop), len(burnt) - 1) + 1])
        stops.append(
            FuelStop(
                leg=stop,
                place=outlook.legs[stop].finish,
                litres=used,
                left_l=full - used,
                ahead_l=ahead,
                tight=ahead * _GAP_FACTOR > usable,
            )
        )
        if stop == len(burnt) - 1:
            break
        at = stop
    return FuelPlan(stops=tuple(stops), gaps=tuple(gaps), total_l=sum(burnt))


def _gap(outlook: Forecast, start: int, finish: int, litres: float, usable_l: float) -> str:
    """Say that a stretch has no fuel within the tank."""
    places, legs = outlook.trip.places, outlook.legs
    a = places[legs[0].start if start < 0 else legs[start].finish].name
    b = places[legs[finish].finish].name
    return (
        f"From {a} to {b} the car burns {litres:.0f} L, no place between sells fuel, and only {usable_l:.0f} L is "
        "planned on. Carry fuel or take another road."
    )
