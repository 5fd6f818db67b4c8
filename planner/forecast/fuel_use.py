"""The owner's fuel use as evidence on mass and drag."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import islice

import numpy as np
import numpy.typing as npt

from planner.model.display import economy, units_of
from planner.route.timeline import Route
from thermal.engine import LHV_J_PER_L
from thermal.fluids import FACTORS
from thermal.loads import compute_loads
from thermal.posterior import posterior_from
from thermal.slopes import DRAG_STEP, MASS_STEP, moved
from thermal.spread import spread_of
from thermal.vehicle_file import VehicleFile

Floats = npt.NDArray[np.float64]
_LEARNT = ("mass", "drag")
_OWNER_SD = 0.08  # ASSUMED: error of an owner's figure, from other roads; 0.05 to 0.12
_ENGINE_SD = 0.08  # ASSUMED: error of the model's fuel for given work at the wheels; 0.05 to 0.12
_BEYOND_SD = 3.0  # further apart than this, one of the two is wrong


def weigh_fuel_use(route: Route, car: VehicleFile) -> tuple[VehicleFile, str]:
    """Compare the owner's fuel use with the model's, and update mass and drag.

    One observation, ln(own / model), of two factors whose prior is the car's; linear about the medians (Kalman update).
    Implausible fuel use is reported and not used.
    """
    names = tuple(name for name in FACTORS if name in {*car.spread.names, *_LEARNT})
    at, learnt = _places(names), _places(_LEARNT)
    medians = car.spread.medians
    prior = car.spread.covariance(spread_of(car.vehicle))
    slope = np.zeros(len(medians))
    burnt_l, slope[learnt] = _burnt(route, car)
    expected = np.log(burnt_l) + float(slope @ np.log(medians))
    length_m = sum(leg.distance_m for leg in route.legs)
    own_l = route.trip.fuel_use_m2 * length_m * 1000.0
    apart = float(np.log(own_l) - expected)
    scatter = float(np.sqrt(slope @ prior @ slope + _OWNER_SD**2 + _ENGINE_SD**2))
    units = units_of(route.trip.units)
    own, model = (economy(units, length_m, litres) for litres in (own_l, float(np.exp(expected))))
    said = f"Your fuel use {own}; the model's {model}"
    if abs(apart) > _BEYOND_SD * scatter:
        return car, (
            f"{said} on this trip: too far apart for one car, so it is not used. Check fuel_use in trip.toml, and "
            "the car's mass and drag."
        )
    gain = prior @ slope / scatter**2
    after = prior - np.outer(gain, slope @ prior)
    found = medians * np.exp(gain * apart)
    spread = posterior_from(
        names,
        found[at],
        after[np.ix_(at, at)],
        "fuel use in trip.toml and what was known before",
        car.spread.discrepancy,
    )
    heavier, blunter = 100.0 * (found[learnt] / medians[learnt] - 1.0)
    return replace(
        car, spread=spread
    ), f"{said} on this trip. Mean adjustment: mass {heavier:+.0f} %, drag {blunter:+.0f} %."


def _places(names: Sequence[str]) -> list[int]:
    """Indices of factors."""
    return [list(FACTORS).index(name) for name in names]


def _burnt(route: Route, car: VehicleFile) -> tuple[float, Floats]:
    """Fuel of the car as described on the trip [L], and its elasticities for mass and drag."""
    drive = route.timeline.drive
    work = compute_loads(car.vehicle, drive)[1]
    burnt = [float(np.sum(work.fuel_w * drive.duration_s)) / LHV_J_PER_L[car.vehicle.engine.fuel]]
    for other, way in islice(moved(car.vehicle, drive), len(_LEARNT)):
        more = compute_loads(other, way, gear=work.gear)[1]
        burnt.append(float(np.sum(more.fuel_w * drive.duration_s)) / LHV_J_PER_L[car.vehicle.engine.fuel])
    return burnt[0], np.log(np.array(burnt[1:]) / burnt[0]) / np.log1p([MASS_STEP, DRAG_STEP])
