"""How small margins may be where the road's heights are not known: the trip driven again over the hardest road there.

Heat carried on from such a stretch is in it: a leg behind one may be unknown though its own heights are given.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.forecast.run import Forecast
from planner.route.gaps import Gap, find_gaps, hardest_legs
from planner.route.road import cut_road, held_speed
from planner.route.timeline import lay_out
from planner.weather.expected import highs_lows_along
from thermal.simulate import simulate
from thermal.spread import medians

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unknowns:
    """What is not known of a trip's road, and what that may cost.

    Attributes
    ----------
    gaps : tuple of Gap
        Stretches without heights over ground that is not even.
    lost_k : ndarray, shape (n_leg, n_fluid of the model)
        How much smaller the margin of the car as described is over the hardest road, never under 0. [K]
    """

    gaps: tuple[Gap, ...]
    lost_k: Floats

    def of_leg(self, leg: int) -> tuple[Gap, ...]:
        """Gaps of one leg."""
        return tuple(gap for gap in self.gaps if gap.leg == leg)


def find_unknowns(outlook: Forecast) -> Unknowns:
    """Drive the trip over the hardest road that its ground allows where no heights are given."""
    gaps = find_gaps(outlook.trip, outlook.legs)
    as_planned = outlook.nominal.margin_k[0]
    if not gaps:
        return Unknowns(gaps=(), lost_k=np.zeros_like(as_planned))
    hardest = _margin_k(outlook, gaps)
    return Unknowns(gaps=gaps, lost_k=np.maximum(as_planned - hardest, 0.0))


def _margin_k(outlook: Forecast, gaps: tuple[Gap, ...]) -> Floats:
    """Smallest margins on every leg of the car as described, over the hardest road, on the plan's clock. [K]."""
    road = cut_road(outlook.trip, hardest_legs(outlook.trip, outlook.legs, gaps), outlook.known)
    high_k, _ = highs_lows_along(road.middle_m, road.elevation_m, road.anchors)
    speed = held_speed(road, outlook.car.vehicle, air_k=high_k, wanted=road.wanted_m_per_s)
    line = lay_out(outlook.trip, road, outlook.timeline.days, speed)
    result = simulate(
        line.drive,
        outlook.car.vehicle,
        start_k=outlook.start_k,
        factors=medians(outlook.car.spread),
        record=np.array([0]),
    )
    return np.asarray(result.margin_k[0])
