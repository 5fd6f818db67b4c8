"""Faulty gauges: impossible outside air, stuck sensor, noise, swapped channels. They are refused for a fit."""

import itertools
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from planner.files.channels import CHANNELS
from planner.ground.usual import usual_highs_lows
from planner.logs.drives import Driven
from planner.model.errors import PlannerError
from planner.model.trip import Leg, Trip
from thermal.fit import residuals_k
from thermal.vehicle import Vehicle

Floats = npt.NDArray[np.float64]
# ASSUMED: how far the middle of a day's air may lie above the usual high or below the usual low; likely 10 to 18 and 15
# to 30 K. A sensor by the radiator reads some kelvin too warm.
_ABOVE_HIGH_K, _BELOW_LOW_K = 14.0, 25.0
_NOISE_K = 4.0  # ASSUMED: half of the steps from reading to reading are larger; fluids move 0.1 K a second
_STUCK_S, _STUCK_K, _MOVES_K = 900.0, 0.3, 10.0  # ASSUMED: so long without change, while the model changes this much
# ASSUMED: ratio of squared errors of level and shape after swapping; likely 2 to 5 and 1.5 to 4
_SWAPPED, _SWAPPED_SHAPE, _SHAPE_S = 3.0, 2.0, 600.0
_PAIRS = ("engine_oil", "transmission", "differential")


def refuse_liars(trip: Trip, legs: Sequence[Leg], vehicle: Vehicle, driven: Sequence[Driven]) -> None:
    """Refuse logs with a faulty gauge; the message names log and channel, and how to proceed without it."""
    said = [line for one in driven for line in (*_air(trip, legs, one), *_fluids(vehicle, one))]
    if said:
        raise PlannerError("\n".join(said))


def _air(trip: Trip, legs: Sequence[Leg], one: Driven) -> Iterator[str]:
    """Check outside air against the usual range."""
    if one.match is None:
        return
    own = one.log.channels.get("ambient")
    logged = own is not None and len(own.value) > 0
    place = trip.places[legs[one.match.first].start]
    where = [(place.lat_deg, place.lon_deg, place.elevation_m)]
    (usual,) = usual_highs_lows(where, day=one.log.day or trip.first_date)
    if usual is None or not usual.believed:
        return
    middle_k = float(np.median(own.value if own is not None and logged else one.drive.air_k))
    bound, beyond_k = "high", middle_k - usual.high_k - _ABOVE_HIGH_K
    if middle_k < usual.low_k - _BELOW_LOW_K:
        bound, beyond_k = "low", usual.low_k - _BELOW_LOW_K - middle_k
    if beyond_k > 0.0:
        held_k = usual.high_k if bound == "high" else usual.low_k
        said, mend = "reads", "Delete [channels.ambient] in its mapping and give the air with --ambient"
        if not logged:
            said, mend = "is given as", "Check --ambient"
        yield (
            f"{one.log.name}, ambient: the outside air {said} {middle_k - 273.15:.0f} degC, the usual {bound} at "
            f"{place.name} is {held_k - 273.15:.0f}; it would distort the fit. {mend}"
        )


def _fluids(vehicle: Vehicle, one: Driven) -> Iterator[str]:
    """Check fluids for impossible readings."""
    off = residuals_k(vehicle, one.drive, one.readings)
    model = off + one.readings.temp_k
    for name in one.fluids:
        node = CHANNELS[name].node or 0
        reason = _fault(one.readings.time_s, one.readings.temp_k[:, node], model[:, node], held=name == "coolant")
        if reason:
            yield (
                f"{one.log.name}, {name}: {reason}; such a gauge would distort the fit. Delete [channels.{name}] in "
                "its "
                "mapping to learn from the others"
            )
    for a, b in itertools.combinations([name for name in one.fluids if name in _PAIRS], 2):
        x, y = CHANNELS[a].node or 0, CHANNELS[b].node or 0
        if _swapped(one.readings.time_s, one.readings.temp_k[:, [x, y]], model[:, [x, y]]):
            yield (
                f"{one.log.name}, {a} and {b}: each matches the expected values of the other; are the two gauges "
                "swapped? "
                "Swap their columns in its mapping, or delete both channels there"
            )


def _fault(time_s: Floats, reading_k: Floats, model_k: Floats, *, held: bool) -> str:
    """Return what is wrong with one gauge; `held` if a thermostat may hold it constant."""
    good = np.flatnonzero(np.isfinite(reading_k))
    if len(good) < 20:
        return ""
    step_k = float(np.median(np.abs(np.diff(reading_k[good]))))
    if step_k > _NOISE_K:
        return f"its readings jump by {step_k:.0f} K and more in half of all steps"
    if held:
        return ""
    edges = np.flatnonzero(np.abs(np.diff(reading_k[good])) > _STUCK_K)
    for first, last in itertools.pairwise((0, *(edges + 1).tolist(), len(good))):
        run = good[first:last]
        moves_k = float(np.ptp(model_k[run])) if len(run) > 1 else 0.0
        if len(run) > 1 and time_s[run[-1]] - time_s[run[0]] >= _STUCK_S and moves_k >= _MOVES_K:
            minutes = (time_s[run[-1]] - time_s[run[0]]) / 60.0
            level = f"{reading_k[run[0]] - 273.15:.0f} degC"
            return f"it stays at {level} for {minutes:.0f} min, while {moves_k:.0f} K of change are expected"
    return ""


def _swapped(time_s: Floats, reading_k: Floats, model_k: Floats) -> bool:
    """Whether two gauges match each other's expected values, in level and shape."""
    good = np.all(np.isfinite(reading_k), axis=1)
    if good.sum() < 100:
        return False
    own, other = model_k[good] - reading_k[good], model_k[good] - reading_k[good][:, ::-1]
    if float(np.mean(own**2)) < _SWAPPED * float(np.mean(other**2)):
        return False
    lag = max(1, round(_SHAPE_S / float(np.median(np.diff(time_s)))))
    moves = [series[good][lag:] - series[good][:-lag] for series in (reading_k, model_k)]
    off_own = float(np.mean((moves[0] - moves[1]) ** 2))
    return off_own > _SWAPPED_SHAPE * float(np.mean((moves[0][:, ::-1] - moves[1]) ** 2))
