"""fit`: from logs to a new vehicle file, with a hold-out test."""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from planner.files.channels import CHANNELS
from planner.files.logs import Log, open_log
from planner.forecast.assemble import Progress, quiet
from planner.forecast.run import ambient_sd_k
from planner.logs.drives import Driven, drive_of
from planner.logs.identifiability import cannot_teach, error_words, found_words, names_for, one_load, together
from planner.logs.map_match import PlannedDay
from planner.logs.plot import Panel, log_svg
from planner.model import clock
from planner.model.display import counted, units_of
from planner.model.errors import PlannerError
from planner.model.trip import Leg, Trip
from planner.route.timeline import Route
from thermal.error_path import rows_along, with_error
from thermal.errors import ThermalError
from thermal.fit import Fit, fit_factors, residuals_k, rmse_k
from thermal.fluids import FACTORS, fluid_of, fluids_in
from thermal.kernel import Factors
from thermal.posterior import Posterior, posterior_from
from thermal.residuals import modelled_k
from thermal.simulate import simulate
from thermal.spread import SEED, draw, medians
from thermal.vehicle import Vehicle
from thermal.vehicle_file import VehicleFile, key_of, sections

Floats = npt.NDArray[np.float64]
HELD_OUT = 0.25
_DRAWS = 256


class Held(NamedTuple):
    """Error of one fluid on the held-out part of a log. [K]"""

    log: str
    fluid: str
    before_k: float
    after_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """Result of `fit`."""

    trip: Trip
    car: VehicleFile
    driven: tuple[Driven, ...]
    found: Fit  # of all logs
    held: tuple[Held, ...]  # errors on the last part of a fit to the first part
    sentences: tuple[str, ...]  # on matching, limits of the logs, and results
    posterior: Posterior  # factors for the new file
    changes: Mapping[str, Mapping[str, Any]]  # changed vehicle values


def read_drives(
    route: Route, logs: Sequence[Path], vehicle: Vehicle, *, air_k: float | None = None
) -> tuple[Driven, ...]:
    """Read logs and match them to the trip's road and the car's gears."""
    return place_drives(route, [open_log(path) for path in logs], vehicle, air_k=air_k)


def place_drives(
    route: Route, logs: Sequence[Log], vehicle: Vehicle, *, air_k: float | None = None
) -> tuple[Driven, ...]:
    """Match logs to the trip's road and the car's gears."""
    trip, legs = route.trip, route.legs
    days = [
        PlannedDay(day.first, day.last, _date_of(trip, legs[day.first], day.start_s)) for day in route.timeline.days
    ]
    return tuple(drive_of(trip, legs, log, vehicle, days=days, air_k=air_k) for log in logs)


def _date_of(trip: Trip, leg: Leg, start_s: float) -> date:
    """Local date at the start of a day of the plan."""
    place = trip.places[leg.start]
    return clock.local(start_s, place.lat_deg, place.lon_deg).date()


def learn(
    trip: Trip,
    car: VehicleFile,
    driven: Sequence[Driven],
    *,
    on: date,
    names: Sequence[str] = (),
    progress: Progress = quiet,
) -> Fitted:
    """Fit the car to its logs."""
    _refuse_twice(car, driven)
    asked = tuple(names) or names_for(driven, car.vehicle)
    if not asked:
        message = "the logs have no fluid temperature; a fit needs coolant, engine_oil, transmission or differential"
        raise PlannerError(message)
    try:
        what, logs = counted(len(asked), "unknown"), counted(len(driven), "log")
        progress(f"fitting {what} to the first part of {logs}, to measure the error on the rest")
        held = _held_out(car, driven, asked)
        progress("fitting to the whole log")
        found = _no_surer(_fit(car, driven, asked, [one.readings for one in driven]), held)
    except ThermalError as exc:
        raise PlannerError(str(exc)) from exc
    lines = [(one.log.name, note) for one in driven for note in one.notes]
    lines += [(one.log.name, f"{fault}.") for one in driven for fault in one.log.faults]
    lines += [(one.log.name, line) for one in driven for line in cannot_teach(one, car.vehicle)]
    said = together(lines)
    source, logs_named = _source(driven, on), [one.log.name for one in driven]
    return Fitted(
        trip=trip,
        car=car,
        driven=tuple(driven),
        found=found,
        held=held,
        sentences=(
            *said,
            *found_words(found, one_load=one_load(driven)),
            *error_words(found, logs_named, units_of(trip.units)),
        ),
        posterior=_posterior(car, found, source),
        changes=_changes(car.vehicle, found, source),
    )


def _refuse_twice(car: VehicleFile, driven: Sequence[Driven]) -> None:
    """Refuse duplicate logs, which would make the fit overconfident."""
    known = " ".join(factor.source for factor in car.spread.factors.values())
    for one, other in itertools.combinations(driven, 2):
        if np.array_equal(one.readings.time_s, other.readings.time_s) and np.array_equal(
            one.readings.temp_k, other.readings.temp_k, equal_nan=True
        ):
            message = f"{other.log.name} contains the same drive as {one.log.name}; give it once"
            raise PlannerError(message)
    again = [one.log.name for one in driven if one.log.name in known]
    if again:
        message = (
            f"{again[0]} was already used to fit this vehicle file; leave it out, or start from the file before "
            "that fit"
        )
        raise PlannerError(message)


def _fit(car: VehicleFile, driven: Sequence[Driven], names: Sequence[str], readings: Sequence[Any]) -> Fit:
    """Fit, starting from the file's posterior."""
    return fit_factors(car.vehicle, [one.drive for one in driven], list(readings), names, known=car.spread)


def _held_out(car: VehicleFile, driven: Sequence[Driven], names: Sequence[str]) -> tuple[Held, ...]:
    """Fit to the first part of every log and test on the last."""
    first, late = [], []
    for one in driven:
        seen = one.readings
        last = seen.time_s >= (1.0 - HELD_OUT) * float(seen.time_s[-1])
        temp = np.where(last[:, None], np.nan, seen.temp_k)
        if not np.any(np.isfinite(temp)):
            return ()
        first.append(replace(seen, temp_k=temp))
        late.append(last)
    found = _fit(car, driven, names, first)
    out = []
    for one, last in zip(driven, late, strict=True):
        before = residuals_k(car.vehicle, one.drive, one.readings, factors=medians(car.spread))
        after = residuals_k(found.vehicle, one.drive, one.readings, factors=_whole(car.spread, found))
        for fluid in one.fluids:
            node = CHANNELS[fluid].node or 0
            if np.any(np.isfinite(one.readings.temp_k[last, node])):
                out.append(Held(one.log.name, fluid, rmse_k(before[:, node], last), rmse_k(after[:, node], last)))
    return tuple(out)


def _no_surer(found: Fit, held: Sequence[Held]) -> Fit:
    """Leave a fluid's error no smaller than what a fit to the first part left on the last, over the logs."""
    fluids = dict(found.discrepancy.fluids)
    for name, error in fluids.items():
        left_k = [one.after_k for one in held if one.fluid == name]
        if left_k:
            rms_k = round(float(np.sqrt(np.mean(np.square(left_k)))), 2)
            fluids[name] = replace(error, sd_k=max(error.sd_k, rms_k), weighs_k=max(error.weighs_k, rms_k))
    return replace(found, discrepancy=replace(found.discrepancy, fluids=fluids))


def _whole(known: Posterior, found: Fit) -> Factors:
    """Fitted factors, plus unchanged earlier ones."""
    asked = {item.name for item in found.unknowns}
    old = medians(known)
    return Factors(*(getattr(found.factors if n in asked else old, n) for n in Factors._fields))


def _source(driven: Sequence[Driven], on: date) -> str:
    """Source text of a value."""
    return f"fitted to {', '.join(one.log.name for one in driven)}, {on.isoformat()}"


def _posterior(car: VehicleFile, found: Fit, source: str) -> Posterior:
    """Factors of the fit, plus earlier ones it did not change."""
    rows = [i for i, item in enumerate(found.unknowns) if item.name in FACTORS]
    earlier = sorted({f.source for f in car.spread.factors.values()})
    new = posterior_from(
        [found.unknowns[i].name for i in rows],
        found.estimate[rows],
        found.kept_covariance(rows),
        "; ".join([source, *earlier]),
        found.discrepancy,
    )
    kept = {name: f for name, f in car.spread.factors.items() if name not in new.factors}
    pairs = {pair: value for pair, value in car.spread.correlation.items() if set(pair) <= set(kept)}
    return replace(new, factors={**kept, **new.factors}, correlation={**pairs, **new.correlation})


def _changes(vehicle: Vehicle, found: Fit, source: str) -> dict[str, dict[str, Any]]:
    """Vehicle values changed by the fit, in file format."""
    out: dict[str, dict[str, Any]] = {}
    for i, item in enumerate(found.unknowns):
        error = float(found.standard_error[i])
        for path in item.fields:
            section, _, name = path.partition(".")
            field = next(f for f in fields(sections()[section]) if f.name == name)
            value, was = getattr(getattr(found.vehicle, section), name), getattr(getattr(vehicle, section), name)
            if item.added:
                text, old, pm = f"{value - 273.15:.1f} degC", f"{was - 273.15:.1f} degC", f"± {error:.1f} K"
            else:
                unit = field.metadata["unit"]
                text, old, pm = f"{value:.4g} {unit}", f"{was:.4g} {unit}", f"± {error:.0%}"
            out.setdefault(section, {})[key_of(field)] = {"value": text, "source": f"{source}, {pm}; was {old}"}
    return out


def plots(learned: Fitted) -> dict[str, str]:
    """Plot every log with the model before and after the fit."""
    car, found, out = learned.car, learned.found, {}
    for one in learned.driven:
        before = modelled_k(car.vehicle, one.drive, one.readings, medians(car.spread))[0]
        after = modelled_k(found.vehicle, one.drive, one.readings, _whole(car.spread, found))[0]
        minute = one.readings.time_s / 60.0
        panels = [
            Panel(
                title=fluid_of(fluid).label,
                minute=minute,
                read_k=one.readings.temp_k[:, node],
                curves=(("before", before[:, node]), ("fitted", after[:, node])),
            )
            for fluid in one.fluids
            for node in (CHANNELS[fluid].node or 0,)
        ]
        stem = one.log.name.removesuffix(".gz").rpartition(".")[0] or one.log.name
        out[f"fit-{stem}.svg"] = log_svg(
            panels, units=units_of(learned.trip.units), title=f"{one.log.name}: log and model"
        )
    return out


class FluidMargin(NamedTuple):
    """Smallest margin of one fluid over the trip: expected, at the trip's confidence, standard deviation. [K]"""

    fluid: str
    nominal_k: float
    margin_k: float
    sd_k: float


def trip_margins(route: Route, vehicle: Vehicle, posterior: Posterior) -> tuple[FluidMargin, ...]:
    """Margins of the trip with the fitted car, for comparison with those before."""
    factors, shift = draw(_DRAWS, ambient_sd_k=ambient_sd_k(route.timeline), posterior=posterior, vehicle=vehicle)
    drive = route.timeline.drive
    drawn = simulate(drive, vehicle, factors=factors, ambient_k=shift, record=rows_along(drive))
    draws = with_error(drawn, drive, vehicle, posterior.discrepancy, seed=SEED).margin_k.min(axis=1)
    best = simulate(drive, vehicle, factors=medians(posterior), record=np.array([0])).margin_k.min(axis=1)[0]
    kept = np.quantile(draws, 1.0 - route.trip.confidence, axis=0)
    return tuple(
        FluidMargin(fluid.key, float(best[f]), float(min(kept[f], best[f])), float(np.std(draws[:, f])))
        for fluid in fluids_in(vehicle)
        for f in (fluid.index,)
    )
