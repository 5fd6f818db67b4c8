"""After a day: is it the day or the car? A log against the forecast, causes one at a time, the trend over days."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.files.channels import CHANNELS
from planner.logs.drives import Driven
from planner.logs.identifiability import WORDS, names_for
from planner.model.display import Units, units_of
from planner.model.errors import PlannerError
from planner.route.timeline import Route
from thermal.causes import USUAL, Verdict, alike, judge
from thermal.errors import ThermalError
from thermal.fit import fit_factors
from thermal.fluids import FACTORS, fluid_of
from thermal.kernel import Factors
from thermal.log_drive import Readings
from thermal.posterior import Factor, Posterior
from thermal.residuals import modelled_k
from thermal.simulate import Result, simulate
from thermal.spread import CLASS_SPREAD, medians
from thermal.vehicle_file import VehicleFile

Floats = npt.NDArray[np.float64]
_DRIFT_SE, _DRIFT_LEAST, _DRIFT_LOGS = 3.0, 0.03, 3
_COOLING = {"airflow", "radiator"}  # a log seldom tells one from the other; named together unless it clearly does
_CLEAR = 20.0


class Peak(NamedTuple):
    """One fluid where it read highest: forecast, then the day's weather, then its speeds and stops too, then read. [K]

    The first two are None where the log could not be placed on the planned road.
    """

    fluid: str
    minute: float
    planned_k: float | None
    weather_k: float | None
    driven_k: float
    read_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """One log reviewed: peaks step by step, verdicts most probable first, and the answer in sentences."""

    driven: Driven
    peaks: tuple[Peak, ...]
    verdicts: tuple[Verdict, ...]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """One factor over several days: change of its logarithm a day, standard error of that, and days covered."""

    factor: str
    per_day: float
    error: float
    days: float
    words: str


def review(route: Route, car: VehicleFile, nominal: Result, one: Driven) -> Review:
    """Explain one log against `nominal`, the forecast of the car as described."""
    if not one.fluids:
        message = f"{one.log.name}: has no fluid temperature; there is nothing to review"
        raise PlannerError(message)
    try:
        verdicts = judge(car.vehicle, one.drive, _thinned(one.readings), posterior=car.spread)
    except ThermalError as exc:
        message = f"{one.log.name}: {exc}"
        raise PlannerError(message) from exc
    peaks = _peaks(route, car, nominal, one)
    units = units_of(route.trip.units)
    said = [_peak_words(peak, units) for peak in peaks]
    return Review(driven=one, peaks=peaks, verdicts=verdicts, sentences=(*said, verdict_words(verdicts)))


def _thinned(readings: Readings) -> Readings:
    """Every other reading: neighbours say the same."""
    return Readings(time_s=readings.time_s[::2], temp_k=readings.temp_k[::2], start_k=readings.start_k)


# --- steps from forecast to reading -----------------------------------------------------------------------------------


def _peaks(route: Route, car: VehicleFile, nominal: Result, one: Driven) -> tuple[Peak, ...]:
    """Follow every fluid from forecast to reading, at the moment it read highest."""
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
    """Tell one fluid's way from forecast to reading."""
    name, read = fluid_of(peak.fluid).label, f"{units.temp(peak.read_k):.0f} {units.temperature}"
    left = units.diff(peak.read_k - peak.driven_k)
    if peak.planned_k is None or peak.weather_k is None:
        return (
            f"{name}: highest reading {read} at minute {peak.minute:.0f}; the model on this drive says "
            f"{units.temp(peak.driven_k):.0f}, {left:+z.0f} is left to explain."
        )
    return (
        f"{name}: highest reading {read} at minute {peak.minute:.0f}; forecast there {units.temp(peak.planned_k):.0f}, "
        f"weather {units.diff(peak.weather_k - peak.planned_k):+z.0f}, "
        f"speeds and stops {units.diff(peak.driven_k - peak.weather_k):+z.0f}, {left:+z.0f} is left to explain."
    )


# --- the answer -------------------------------------------------------------------------------------------------------


def verdict_words(verdicts: Sequence[Verdict]) -> str:
    """Say in a sentence what the log was: nothing unusual, or the car, with the odds.

    Examples
    --------
    >>> one = [Verdict(name="usual", words="nothing", probability=0.96, value=0.0, rmse_k=1.0)]
    >>> verdict_words(one)
    'Nothing unusual found: what is left is within what cars, days and gauges usually differ by (odds 24 to 1).'
    """
    first = verdicts[0]
    near = alike(verdicts)
    if first.name in _COOLING:
        near = tuple(
            v for v in verdicts if v in near or (v.name in _COOLING and v.probability * _CLEAR > first.probability)
        )
    odds = _odds(sum(v.probability for v in near))
    if len(near) == 1 and first.name == USUAL:
        return f"Nothing unusual found: what is left is within what cars, days and gauges usually differ by ({odds})."
    if len(near) == 1:
        return f"It is the car: {first.words}{_size(first)} ({odds} against everything else tried)."
    listed = "; or ".join(f"{v.words}{_size(v)} ({v.probability:.0%})" for v in near)
    return f"Cannot tell these apart: {listed}. Together they have {odds}."


def _odds(probability: float) -> str:
    """Say a probability as odds."""
    if probability >= 0.999:
        return "odds more than 999 to 1"
    ratio = probability / (1.0 - probability)
    return (
        f"odds {ratio:.0f} to 1"
        if ratio >= 1.5
        else "odds about even"
        if ratio > 0.67
        else f"odds 1 to {1 / ratio:.0f}"
    )


def _size(verdict: Verdict) -> str:
    """Say how large a cause is."""
    if verdict.name == USUAL or verdict.name.startswith(("stuck", "thermostat_open")):
        return ""
    if verdict.name.startswith(("offset", "thermostat")):
        return f", by about {verdict.value:+z.0f} K"
    return f", about × {verdict.value:.2f}"


# --- the trend --------------------------------------------------------------------------------------------------------


def drifts(car: VehicleFile, driven: Sequence[Driven]) -> tuple[Drift, ...]:
    """Find factors that drift from day to day: a warning before any limit is."""
    if len(driven) < _DRIFT_LOGS:
        return ()
    days = _days(driven)
    names = [name for name in names_for(driven, car.vehicle) if name in FACTORS and name != "capacity"]
    wide = Posterior(
        factors={
            name: Factor(value=f.value, sd=max(f.sd, CLASS_SPREAD[name]), source=f.source)
            for name, f in car.spread.factors.items()
        },
        correlation={},
    )
    rows = []
    for one in driven:
        try:
            found = fit_factors(car.vehicle, [one.drive], [_thinned(one.readings)], names, known=wide)
        except ThermalError as exc:
            message = f"{one.log.name}: {exc}"
            raise PlannerError(message) from exc
        rows.append((np.log(found.estimate), found.standard_error))
    out = [
        _drift(name, days, np.array([r[0][i] for r in rows]), np.array([r[1][i] for r in rows]))
        for i, name in enumerate(names)
    ]
    sure = [d for d in out if abs(d.per_day) > _DRIFT_SE * d.error and abs(d.per_day) * d.days > _DRIFT_LEAST]
    return tuple(sorted(sure, key=lambda d: -abs(d.per_day) / d.error))


def _days(driven: Sequence[Driven]) -> Floats:
    """Day number of each log; their order where one has no date."""
    known = [one.log.day for one in driven]
    if any(day is None for day in known) or len(set(known)) < len(known):
        return np.arange(len(driven), dtype=np.float64)
    first = min(day for day in known if day is not None)
    return np.array([float((day - first).days) for day in known if day is not None])


def _drift(name: str, days: Floats, logs: Floats, error: Floats) -> Drift:
    """Weighted straight line through the days' estimates."""
    weight = 1.0 / error**2
    middle = float(np.sum(weight * days) / np.sum(weight))
    spread = float(np.sum(weight * (days - middle) ** 2))
    slope = float(np.sum(weight * (days - middle) * logs) / spread)
    span = float(np.ptp(days))
    total = np.exp(slope * span) - 1.0
    words = (
        f"{WORDS[name]} {'rises' if slope > 0 else 'falls'} from day to day: {total:+.0%} over {span:.0f} days, "
        f"± {1.645 * span / np.sqrt(spread):.0%}. Find out why before a limit does."
    )
    return Drift(factor=name, per_day=slope, error=float(1.0 / np.sqrt(spread)), days=span, words=words)
