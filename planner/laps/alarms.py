"""The alarms of the gauges for planned sessions, by the same marks as a trip's (`planner.analysis.alarm_marks`)."""

import numpy as np
import numpy.typing as npt

from planner.analysis.alarm_marks import FluidAlarm, Series, fluid_alarm, settled
from planner.laps.stints import Case
from thermal.discrepancy import conditions_of, scale_k
from thermal.drive import Drive
from thermal.fluids import FLUID_NODES, N_FLUID, fluids_in
from thermal.ranges import FloatArray as Floats
from thermal.simulate import Result
from thermal.sobol import normal
from thermal.spread import SEED

Rows = npt.NDArray[np.int64]
_ALARMS = 6  # the sequence of the errors drawn here
_ERRORS = 4  # of every draw: rare rings are then known better than the draws alone know them


def gauge_alarms(case: Case, drive: Drive, result: Result, *, seed: int = SEED) -> tuple[FluidAlarm, ...]:
    """Place the alarms of every gauge over all sessions of `drive`, simulated with every draw of the case.

    The time that counts is that with the engine running, on the course and in the pit, without the drive there. The
    model's own error stays the same through the sessions, as it does in their margins: one of a minute or so, as on a
    trip, would rise and fall within each lap by more than the fluid does.
    """
    rows = np.flatnonzero((drive.group >= 1.0) & (drive.engine_on > 0.0))
    temps_k, late, found = _temps_k(case, drive, result, rows, seed=seed), settled(drive)[rows], []
    for fluid in fluids_in(case.vehicle):
        if fluid.gauge:
            limit_k = result.limit_k[rows, fluid.index]
            series = Series(temps_k[:, :, fluid.index], drive.duration_s[rows], limit_k, late)
            lowest_k = float(limit_k.min())
            found.append(fluid_alarm(series, fluid, case.vehicle, thin_k=case.band_k, limit_k=lowest_k))
    return tuple(found)


def _temps_k(case: Case, drive: Drive, result: Result, rows: Rows, *, seed: int) -> Floats:
    """Fluids of all draws but the first at some segments, with the model's error: shape (n_draw, n, n_fluid). [K]"""
    temps = np.repeat(result.temps_k[1:, rows][:, :, FLUID_NODES], _ERRORS, axis=0)
    size = scale_k(case.discrepancy, conditions_of(case.discrepancy, drive, case.vehicle), rows, temps)
    error = normal(len(temps), N_FLUID, (seed, _ALARMS))
    return np.asarray(temps + error[:, None, :] * size)
