"""Review of a log: limits passed, comparison with the forecast, single causes."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.files.channels import CHANNELS
from planner.files.logs import level_m
from planner.logs.drives import Driven
from planner.logs.leaps import leap_words, leaps_of
from planner.logs.peaks import Peak
from planner.logs.pressures import pressure_words
from planner.logs.slip import NEVER, Lockup, lockup_of
from planner.logs.verdict import (
    beyond_words,
    heat_or_air_words,
    outside_words,
    passed_words,
    slip_words,
    verdict_words,
)
from planner.logs.worked import WORK_SD, work_share, work_words
from planner.model.display import Units, units_of
from planner.model.errors import PlannerError
from planner.route.timeline import Route
from thermal.beyond import beyond_in, with_beyond
from thermal.causes import Doubt, Verdict, judge
from thermal.errors import ThermalError
from thermal.expected import drawn_k
from thermal.fluids import fluid_of
from thermal.kernel import Factors
from thermal.residuals import modelled_k
from thermal.simulate import Result, simulate
from thermal.spread import medians
from thermal.vehicle_file import VehicleFile

Floats = npt.NDArray[np.float64]
# ASSUMED: a car's own sensor of the air is off by 1 to 3 K, one value for a whole drive by 3 to 8; a road taken as
# level has an error of work of 20 % (10 to 30 %).
_AIR_LOGGED_K, _AIR_TOLD_K, _LEVEL_LOAD = 1.5, 5.0, 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """One log reviewed: peaks step by step, verdicts most probable first, lock-up, and the answer in sentences.

    The verdicts are those of the temperatures alone.
    """

    driven: Driven
    peaks: tuple[Peak, ...]
    verdicts: tuple[Verdict, ...]
    lockup: Lockup
    sentences: tuple[str, ...]


def review(route: Route, car: VehicleFile, nominal: Result, one: Driven) -> Review:
    """Compare one log with `nominal`, the forecast of the car as described."""
    if not one.fluids:
        message = f"{one.log.name}: has no fluid temperature; there is nothing to review"
        raise PlannerError(message)
    try:
        doubt = doubt_of(one)._replace(work=work_share(car.vehicle, one), work_sd=WORK_SD)
        leaps = leaps_of(one)
        verdicts = judge(car.vehicle, one.drive, one.readings, posterior=car.spread, doubt=doubt, leaps=leaps)
        shown = replace(car.spread, discrepancy=car.spread.discrepancy.as_read())
        draws = drawn_k(car.vehicle, one.drive, one.readings, shown, air_sd_k=doubt.air_sd_k)
    except ThermalError as exc:
        message = f"{one.log.name}: {exc}"
        raise PlannerError(message) from exc
    band = np.quantile(draws, (0.05, 0.95), axis=0)
    beyond = beyond_in(one.readings, band)
    verdicts = with_beyond(verdicts, beyond)
    peaks = _peaks(route, car, nominal, one)
    units = units_of(route.trip.units)
    passed = passed_words(car.vehicle, one, units)
    lockup = lockup_of(car.vehicle, one)
    answer = verdict_words(verdicts, one.drive, units, passed=bool(passed))
    sentences = (
        *passed,
        *pressure_words(car.vehicle, one),
        *work_words(doubt.work),
        *([lockup.words] if lockup.words else []),
        *leap_words(leaps, units),
        *(_peak_words(peak, units) for peak in peaks),
        *outside_words(one, band),
        *beyond_words(beyond, units),
        (slip_words(verdicts, peaks, one.drive, units) if lockup.state == NEVER else answer),
        *heat_or_air_words(car, one, peaks, verdicts, units),
    )
    return Review(driven=one, peaks=peaks, verdicts=verdicts, lockup=lockup, sentences=sentences)


def doubt_of(one: Driven) -> Doubt:
    """Uncertainties of the log: a single air temperature, an assumed level road."""
    return Doubt(
        air_sd_k=_AIR_LOGGED_K if "ambient" in one.log.channels else _AIR_TOLD_K,
        load_sd=0.0 if level_m(one.log) is None else _LEVEL_LOAD,
    )


# --- steps from forecast to reading -----------------------------------------------------------------------------------


def _peaks(route: Route, car: VehicleFile, nominal: Result, one: Driven) -> tuple[Peak, ...]:
    """Steps from forecast to reading of every fluid, at its highest reading."""
    factors = medians(car.spread)
    driven = modelled_k(car.vehicle, one.drive, one.readings, factors)[0]
    planned = _planned(route, car, nominal, one, factors)
    out = []
    for fluid in one.fluids:
        node = CHANNELS[fluid].node or 0
        read = one.readings.temp_k[:, node]
        at = int(np.nanargmax(read))
        second = float(one.readings.time_s[at])
        plan_k = weather_k = None
        if planned is not None:
            where = float(np.interp(second, np.cumsum(one.drive.duration_s), one.distance_m))
            plan_k, weather_k = (float(np.interp(where, planned[0], column[:, node])) for column in planned[1:])
        out.append(Peak(fluid, second / 60.0, plan_k, weather_k, float(driven[at, node]), float(read[at])))
    return tuple(out)


def _planned(
    route: Route, car: VehicleFile, nominal: Result, one: Driven, factors: Factors
) -> tuple[Floats, Floats, Floats] | None:
    """Distances, forecast temperatures there, and the same in the day's air; None without a place on the road."""
    if one.match is None:
        return None
    timeline = route.timeline
    spans = [s for s in timeline.spans if one.match.first <= s.leg <= one.match.last and s.kind not in ("night", "end")]
    rows = slice(spans[0].first, spans[-1].last + 1)
    nights = [s for s in timeline.spans if s.kind == "night" and one.match.first <= s.leg < one.match.last]
    plan = timeline.drive.take(slice(rows.start, nights[0].first) if nights else rows)
    plan = replace(plan, group=np.zeros(len(plan.group)), day=np.zeros(len(plan.day)))
    end_m = timeline.end_m[rows.start : rows.start + len(plan.duration_s)]
    as_planned = nominal.temps_k[0, rows.start : rows.start + len(plan.duration_s)]
    air = np.interp(end_m, one.distance_m, one.drive.air_k)
    today = replace(plan, air_k=air, dew_k=np.minimum(plan.dew_k, air), road_rise_k=np.zeros(len(air)))
    weather = simulate(today, car.vehicle, start_k=one.readings.start_k, factors=factors).temps_k[0]
    return end_m, as_planned, weather


def _peak_words(peak: Peak, units: Units) -> str:
    """Describe the steps from forecast to reading of one fluid."""
    name, read = fluid_of(peak.fluid).label, f"{units.temp(peak.read_k):.0f} {units.temperature}"
    left = units.diff(peak.read_k - peak.driven_k)
    if peak.planned_k is None or peak.weather_k is None:
        return (
            f"{name}: highest reading {read} at minute {peak.minute:.0f}; the model on this drive says "
            f"{units.temp(peak.driven_k):.0f}, unexplained {left:+z.0f}."
        )
    return (
        f"{name}: highest reading {read} at minute {peak.minute:.0f}; forecast there {units.temp(peak.planned_k):.0f}, "
        f"weather {units.diff(peak.weather_k - peak.planned_k):+z.0f}, "
        f"speeds and stops {units.diff(peak.driven_k - peak.weather_k):+z.0f}, unexplained {left:+z.0f}."
    )
