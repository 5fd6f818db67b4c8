"""Where to refuel: from the fuel the engine model burns, the tank, and the places that sell it."""

from collections.abc import Sequence, Set
from dataclasses import dataclass

import numpy as np

from planner.forecast.run import Forecast, span_of
from planner.model.display import units_of
from thermal.engine import LHV_J_PER_L
from thermal.ranges import FloatArray as Floats

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
class FuelGap:
    """A stretch between two places, by key, that burns more than the usable tank."""

    start: str
    finish: str
    burnt_l: float
    usable_l: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FuelPlan:
    """Stops in driving order, and stretches longer than a tankful."""

    stops: tuple[FuelStop, ...]
    gaps: tuple[FuelGap, ...]
    total_l: float


def fuel_l(outlook: Forecast, leg: int) -> float:
    """Fuel burnt on a leg."""
    part = span_of(outlook, leg).rows
    energy = float(np.sum(outlook.nominal.work.fuel_w[part] * outlook.timeline.drive.duration_s[part]))
    return energy / LHV_J_PER_L[outlook.car.vehicle.engine.fuel]


def plan_fuel(outlook: Forecast) -> FuelPlan:
    """Choose the fewest stops that never plan on the reserve, starting full."""
    tank, places = outlook.car.vehicle.tank, outlook.trip.places
    full = tank.capacity_m3 * 1000.0
    usable = full * (1.0 - tank.reserve)
    burnt = [fuel_l(outlook, i) for i in range(len(outlook.legs))]
    so_far = np.concatenate(([0.0], np.cumsum(burnt)))
    end = len(burnt) - 1
    sells = [i for i, leg in enumerate(outlook.legs[:-1]) if "fuel" in places[leg.finish].services]
    pauses = {span.leg for span in outlook.timeline.spans if span.kind in ("break", "halt", "event", "night")}
    stops, gaps, at = [], [], -1
    for stop in [*_fewest(so_far, sells, pauses, usable), end]:
        used = float(so_far[stop + 1] - so_far[at + 1])
        if used > usable:
            first = outlook.legs[0].start if at < 0 else outlook.legs[at].finish
            gaps.append(FuelGap(start=first, finish=outlook.legs[stop].finish, burnt_l=used, usable_l=usable))
        if stop != end:
            ahead = float(so_far[next((i for i in sells if i > stop), end) + 1] - so_far[stop + 1])
            stops.append(
                FuelStop(
                    leg=stop,
                    place=outlook.legs[stop].finish,
                    litres=min(used, full),
                    left_l=max(full - used, 0.0),
                    ahead_l=ahead,
                    tight=ahead * _GAP_FACTOR > usable,
                )
            )
        at = stop
    return FuelPlan(stops=tuple(stops), gaps=tuple(gaps), total_l=float(so_far[-1]))


def _fewest(so_far_l: Floats, sells: Sequence[int], pauses: Set[int], usable_l: float) -> tuple[int, ...]:
    """Find the fewest stops by dynamic programming; the finish is no stop."""
    nodes = [-1, *sells, len(so_far_l) - 2]
    best: dict[int, tuple[int, int, tuple[int, ...]]] = {-1: (0, 0, ())}  # stops, those out of the way, where (negated)
    for n, here in enumerate(nodes[1:], start=1):
        before = [at for at in nodes[:n] if so_far_l[here + 1] - so_far_l[at + 1] <= usable_l] or [nodes[n - 1]]
        count, extra, path = min(best[at] for at in before)
        best[here] = (count + 1, extra + (here not in pauses), (*path, -here))
    return tuple(-stop for stop in best[nodes[-1]][2][:-1])


def gap_words(outlook: Forecast, gap: FuelGap) -> str:
    """Sentence on a stretch without fuel."""
    a, b = outlook.trip.places[gap.start].name, outlook.trip.places[gap.finish].name
    u = units_of(outlook.trip.units)
    burnt, usable = (f"{litres / u.litres:.0f} {u.fuel}" for litres in (gap.burnt_l, gap.usable_l))
    return (
        f"From {a} to {b} the car needs {burnt}, no place in between sells fuel, and the usable tank is {usable}. "
        "Carry fuel or take another road."
    )
