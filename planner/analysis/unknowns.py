"""Lower bounds of margins where something is unknown: elevations, the day's heat, an implausible reading.

The trip is simulated over the hardest road that the terrain allows. Heat carried on from such a stretch is included: a
later leg may be unknown although its own elevations are given. A reading hotter than every draw is not learnt from, but
until the gauge is checked the car may be that much hotter. Without entered highs, a day may be hotter than the usual
ones of stations by more than the spread of days.
"""

from dataclasses import dataclass

import numpy as np

from planner.forecast.run import Forecast
from planner.ground.usual import usual_highs_lows
from planner.model.lesson import Seen
from planner.route.gaps import Gap, find_gaps, hardest_legs
from planner.route.road import cut_road, held_speed
from planner.route.timeline import Route, lay_out
from planner.weather.along import REACH_M
from planner.weather.expected import highs_lows_along
from planner.weather.records import WeatherSource
from planner.weather.sources import SourceUse, sources_used
from thermal.fluids import FLUIDS, fluid_of
from thermal.ranges import FloatArray as Floats
from thermal.simulate import simulate
from thermal.spread import medians
from thermal.vehicle_file import VehicleFile

HEAT_K = 4.0
"""ASSUMED: additional error of a usual high that was not entered, beyond the spread of days; likely 3 to 6. [K]"""
_ROUNDING_K = 0.6  # a normal written in whole degrees
_TOLD = (WeatherSource.FORECAST, WeatherSource.DATED, WeatherSource.ENTERED, WeatherSource.PAST_YEARS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unknowns:
    """Unknowns of a trip, and how much smaller margins may be for them."""

    gaps: tuple[Gap, ...]  # stretches without elevations on uneven terrain
    doubted: tuple[Seen, ...]  # implausibly hot manual readings, the hottest first
    heat_k: Floats  # (n_leg,): how much hotter than usual a day without entered highs may be, else 0
    lost_k: Floats  # (n_leg, n_fluid of the model): how much smaller the margin may be in all, never below 0

    def of_leg(self, leg: int) -> tuple[Gap, ...]:
        """Gaps of one leg."""
        return tuple(gap for gap in self.gaps if gap.leg == leg)


def find_unknowns(outlook: Forecast) -> Unknowns:
    """Find the unknowns of a trip, and how much smaller margins may be for them."""
    gaps, doubted, heat = find_gaps(outlook.trip, outlook.legs), _doubted(outlook), _untold_heat_k(outlook)
    as_planned = outlook.nominal.margin_k[0]
    hardest = hardest_margin_k(outlook.route, outlook.car, gaps, outlook.start_k) if gaps else as_planned
    lost = np.maximum(as_planned - hardest, 0.0) + heat[:, None]  # hotter air makes fluids hotter by about as much
    for seen in doubted:
        ahead, fluid = _from_leg(outlook), fluid_of(seen.what).index
        lost[ahead:, fluid] = np.maximum(lost[ahead:, fluid], seen.read_k - seen.expected_k)
    return Unknowns(gaps=gaps, doubted=doubted, heat_k=heat, lost_k=lost)


def _untold_heat_k(outlook: Forecast) -> Floats:
    """Additional heat of a day without data, by leg: 0 near places with highs entered or forecast. [K]"""
    line, length = outlook.timeline, np.array([leg.distance_m for leg in outlook.legs])
    at = {"distance_m": line.end_m, "lon_deg": line.lon_deg, "epoch_s": line.end_s, "day": line.drive.day}
    used = sources_used(line.road.weather, **at)
    told = [one.place.distance_m for one in used if one.source in _TOLD and not _is_normal(outlook, one)]
    if not told:
        return np.full(len(length), HEAT_K)
    middle = np.cumsum(length) - 0.5 * length
    apart = np.abs(middle[:, None] - np.array(told)).min(axis=1) - 0.5 * length
    return np.where(apart > REACH_M, HEAT_K, 0.0)


def _is_normal(outlook: Forecast, one: SourceUse) -> bool:
    """Whether an entered high is only the shipped station normal, as in a trip made from a track."""
    high_k, here = one.place.high_k, (one.place.lat_deg, one.place.lon_deg, one.place.elevation_m)
    if one.source is not WeatherSource.ENTERED or high_k is None:
        return False
    (usual,) = usual_highs_lows([here], day=outlook.trip.first_date)
    return usual is not None and abs(high_k - usual.high_k) < _ROUNDING_K


def _doubted(outlook: Forecast) -> tuple[Seen, ...]:
    """Readings of fluids that are hotter than any draw allows."""
    seen = () if outlook.lesson is None else outlook.lesson.seen
    keys = {fluid.key for fluid in FLUIDS}
    hot = [one for one in seen if not one.believed and one.read_k > one.expected_k and one.what in keys]
    return tuple(sorted(hot, key=lambda one: one.expected_k - one.read_k))


def _from_leg(outlook: Forecast) -> int:
    """Leg of the last reading, from which a doubt counts."""
    return 0 if outlook.lesson is None else max(outlook.lesson.ahead_of(outlook.legs) - 1, 0)


def hardest_margin_k(
    route: Route, car: VehicleFile, gaps: tuple[Gap, ...], start_k: Floats | None = None, *, days: range | None = None
) -> Floats:
    """Smallest margins on every leg of the car as described, over the hardest road, with the plan's times.

    With `days`, of these alone, each starting at air temperature; other legs then have no meaning.
    """
    legs = hardest_legs(route.trip, route.legs, gaps)
    road = cut_road(route.trip, legs, route.known, like=route.timeline.road)
    high_k, _ = highs_lows_along(road.middle_m, road.elevation_m, road.anchors)
    speed = held_speed(road, car.vehicle, air_k=high_k, wanted=road.wanted_m_per_s)
    laid = route.timeline.days if days is None else route.timeline.days[days[0] : days[-1] + 1]
    line = lay_out(route.trip, road, laid, speed)
    result = simulate(line.drive, car.vehicle, start_k=start_k, factors=medians(car.spread), record=np.array([0]))
    return np.asarray(result.margin_k[0])
