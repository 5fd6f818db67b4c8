"""Smallest margin per leg and fluid: how much, where, when, and the chance of passing the limit."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from planner.analysis.unknowns import Unknowns, find_unknowns
from planner.forecast.run import Forecast, local_time
from planner.model.levels import EXCEEDED, UNKNOWN, level_of, severity
from thermal.fluids import Fluid, fluid_of, fluids_in


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """Smallest margin of one fluid on one leg, at the trip's confidence.

    `margin_k` assumes a constant grade where the road's elevations are unknown; on the hardest road that the terrain
    allows it may be as small as `least_k`, elsewhere the same. `error_k` is the sampling error of both,
    `probability_error` that of the chance; the level is that of the margin less its error, so that "ample" does not
    depend on the draws. `above_s` is the time with the upper temperature above the limit: coolant above it boils at
    once, other fluids age or foam for that time.
    """

    leg: int
    fluid: str
    margin_k: float
    least_k: float
    nominal_margin_k: float
    error_k: float
    probability: float
    probability_error: float
    level: str
    peak_k: float
    limit_k: float
    distance_m: float
    near: str
    when: datetime
    parked: bool
    above_s: float

    @property
    def upper_k(self) -> float:
        """Upper temperature at the trip's confidence, where it is nearest the limit."""
        return self.limit_k - self.margin_k


def fluids_of(outlook: Forecast) -> tuple[str, ...]:
    """Keys of the car's fluids."""
    return tuple(fluid.key for fluid in fluids_in(outlook.car.vehicle))


def columns_of(outlook: Forecast) -> list[int]:
    """Indices of the car's fluids among all fluids of the model."""
    return [fluid.index for fluid in fluids_in(outlook.car.vehicle)]


def find_margins(outlook: Forecast, unknowns: Unknowns | None = None) -> tuple[Margin, ...]:
    """Find the smallest margin of every fluid on every leg."""
    known = find_unknowns(outlook) if unknowns is None else unknowns
    over = {fluid: _over(outlook, fluid_of(fluid)) for fluid in fluids_of(outlook)}
    group = outlook.timeline.drive.group
    return tuple(
        _margin(outlook, leg, fluid, known, rows[over[fluid][rows]])
        for leg, rows in enumerate(np.flatnonzero(group == leg) for leg in range(len(outlook.legs)))
        for fluid in over
    )


def _over(outlook: Forecast, fluid: Fluid) -> npt.NDArray[np.bool_]:
    """Segments at whose ends a fluid's upper temperature is over its limit."""
    return np.asarray(outlook.band_k[:, fluid.node] > outlook.nominal.limit_k[:, fluid.index])


def worst_of(margins: tuple[Margin, ...], leg: int) -> Margin:
    """Smallest margin of the gravest level on one leg."""
    return gravest(m for m in margins if m.leg == leg)


def gravest(margins: Iterable[Margin]) -> Margin:
    """Smallest margin of the gravest level; of exceeded ones, boiling comes before ageing."""
    return min(margins, key=_gravity)


def _gravity(margin: Margin) -> tuple[int, bool, float]:
    """Sorting key of a margin, the gravest lowest."""
    ages = margin.level == EXCEEDED.word and fluid_of(margin.fluid).limit_kind != "boiling"
    return -severity(margin.level), ages, margin.least_k if margin.level == UNKNOWN.word else margin.margin_k


def _margin(outlook: Forecast, leg: int, fluid: str, unknowns: Unknowns, over: npt.NDArray[np.int64]) -> Margin:
    f, trip, line = fluid_of(fluid).index, outlook.trip, outlook.timeline
    kept = outlook.kept
    nominal = float(outlook.nominal.margin_k[0, leg, f])
    at = int(outlook.nominal.where[0, leg, f])
    margin, error = min(float(kept.margin_k[leg, f]), nominal), float(kept.error_k[leg, f])
    least = margin - float(unknowns.lost_k[leg, f])
    place = _nearest(outlook, leg, float(line.end_m[at]))
    return Margin(
        leg=leg,
        fluid=fluid,
        margin_k=margin,
        least_k=least,
        nominal_margin_k=nominal,
        error_k=error,
        probability=float(kept.chance[leg, f]),
        probability_error=float(kept.chance_error[leg, f]),
        level=level_of(margin - error, trip.thin_band_k, least_k=least - error),
        peak_k=float(outlook.nominal.limit_k[at, f]) - nominal,
        limit_k=float(outlook.nominal.limit_k[at, f]),
        distance_m=float(line.end_m[at]),
        near=place,
        when=local_time(outlook, at),
        parked=bool(line.drive.speed_m_per_s[at] == 0.0),
        above_s=float(np.sum(line.drive.duration_s[over])),
    )


def _nearest(outlook: Forecast, leg: int, distance_m: float) -> str:
    """Name of the nearer end of the leg."""
    this = outlook.legs[leg]
    start = sum(one.distance_m for one in outlook.legs[:leg])
    nearer = this.start if distance_m - start < 0.5 * this.distance_m else this.finish
    return outlook.trip.places[nearer].name
