"""Where margins get thin: per leg and fluid, how much, where, when, how likely passed."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from planner.forecast.run import Forecast, local_time
from thermal.fluids import fluid_of, fluids_in

LEVELS = ("ample", "thin", "exceeded")


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """Smallest margin of one fluid on one leg, at the trip's confidence."""

    leg: int
    fluid: str
    margin_k: float
    nominal_margin_k: float
    probability: float
    level: str
    peak_k: float
    limit_k: float
    distance_m: float
    near: str
    when: datetime
    parked: bool


def level_of(margin_k: float, thin_band_k: float) -> str:
    """Name a margin.

    Examples
    --------
    >>> level_of(8.0, 8.0), level_of(0.0, 8.0), level_of(-0.1, 8.0)
    ('ample', 'thin', 'exceeded')
    """
    if margin_k < 0.0:
        return "exceeded"
    return "thin" if margin_k < thin_band_k else "ample"


def fluids_of(outlook: Forecast) -> tuple[str, ...]:
    """Keys of the fluids that the forecast's car has."""
    return tuple(fluid.key for fluid in fluids_in(outlook.car.vehicle))


def columns_of(outlook: Forecast) -> list[int]:
    """Where those fluids stand among all that the model knows."""
    return [fluid.index for fluid in fluids_in(outlook.car.vehicle)]


def find_margins(outlook: Forecast) -> tuple[Margin, ...]:
    """Find the smallest margin of every fluid on every leg."""
    return tuple(_margin(outlook, leg, fluid) for leg in range(len(outlook.legs)) for fluid in fluids_of(outlook))


def worst_of(margins: tuple[Margin, ...], leg: int) -> Margin:
    """Smallest margin of any fluid on one leg."""
    return min((m for m in margins if m.leg == leg), key=lambda m: m.margin_k)


def _margin(outlook: Forecast, leg: int, fluid: str) -> Margin:
    """Margin of one fluid on one leg."""
    f, trip, line = fluid_of(fluid).index, outlook.trip, outlook.timeline
    draws = outlook.spread.margin_k[:, leg, f]
    nominal = float(outlook.nominal.margin_k[0, leg, f])
    at = int(outlook.nominal.where[0, leg, f])
    margin = min(float(np.quantile(draws, 1.0 - trip.confidence)), nominal)
    place = _nearest(outlook, leg, float(line.end_m[at]))
    return Margin(
        leg=leg,
        fluid=fluid,
        margin_k=margin,
        nominal_margin_k=nominal,
        probability=float(np.mean(draws < 0.0)),
        level=level_of(margin, trip.thin_band_k),
        peak_k=float(outlook.nominal.limit_k[at, f]) - nominal,
        limit_k=float(outlook.nominal.limit_k[at, f]),
        distance_m=float(line.end_m[at]),
        near=place,
        when=local_time(outlook, at),
        parked=bool(line.drive.speed_m_per_s[at] == 0.0),
    )


def _nearest(outlook: Forecast, leg: int, distance_m: float) -> str:
    """Name of the leg's end that is nearer along the road."""
    this = outlook.legs[leg]
    start = sum(one.distance_m for one in outlook.legs[:leg])
    nearer = this.start if distance_m - start < 0.5 * this.distance_m else this.finish
    return outlook.trip.places[nearer].name
