"""Value of a test drive near home: which gauge reading, and where, reduces the spread of this trip's margins most.

The covariance after a linear update does not depend on the readings' values. So the drive is simulated, its readings
are taken as expected, and the spread of the trip's margins is computed with the remaining covariance.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from planner.forecast.assemble import Progress, quiet
from planner.forecast.run import Forecast
from thermal.drive import Drive
from thermal.fluids import FACTORS, FLUID_KEYS, fluids_in
from thermal.log_drive import drive_from_log
from thermal.ranges import FloatArray as Floats
from thermal.spread import CLASS_SPREAD
from thermal.taught import Observation, teach

SURE = 1.645  # 90 % within
_AIR_SD_K, _TIMING_S, _STEP_S = 2.0, 60.0, 5.0
_USUAL_AIR_K = 298.15


class Stretch(NamedTuple):
    """A part of the test drive."""

    seconds: float
    speed_m_per_s: float
    grade: float
    words: str  # for its end, where gauges are read; "" for none


# Common practice, no source: what an hour near home offers most people.
STRETCHES = (
    Stretch(600.0, 13.0, 0.0, ""),
    Stretch(1500.0, 25.0, 0.0, "after 25 minutes' steady cruise"),
    Stretch(600.0, 20.0, 0.05, "at the top of ten minutes' climb"),
    Stretch(480.0, 0.0, 0.0, "after eight minutes' idling at the top"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """Value of the drive for one fluid's smallest margin: half widths of its 90 % interval."""

    fluid: str
    leg: int
    margin_k: float
    now_k: float
    best: tuple[str, str]  # most informative reading: gauge and where
    one_k: float  # with that reading alone
    all_k: float  # with every gauge at every stop


def home_drive(air_k: float = _USUAL_AIR_K) -> tuple[Drive, tuple[tuple[int, str], ...]]:
    """Make the drive: its segments, and the rows at whose ends gauges are read, each with its description."""
    end_s = np.cumsum([part.seconds for part in STRETCHES])
    time_s = np.arange(0.0, end_s[-1] + _STEP_S, _STEP_S)
    which = np.minimum(np.searchsorted(end_s, time_s, side="right"), len(STRETCHES) - 1)
    speed = np.array([part.speed_m_per_s for part in STRETCHES])[which]
    rise = np.array([part.grade for part in STRETCHES])[which] * speed * _STEP_S
    height = 200.0 + np.concatenate(([0.0], np.cumsum(rise[:-1])))
    drive = drive_from_log(time_s, speed, np.full(len(time_s), air_k), elevation_m=height, step_s=_STEP_S)
    edge_s = np.cumsum(drive.duration_s)
    rows = [min(int(np.searchsorted(edge_s, end - 0.5)), len(edge_s) - 1) for end in end_s]
    return drive, tuple((row, part.words) for row, part in zip(rows, STRETCHES, strict=True) if part.words)


def find_worth(outlook: Forecast, *, progress: Progress = quiet) -> tuple[Worth, ...]:
    """Evaluate the drive for every fluid of the car that may have a gauge, the thinnest margin first."""
    progress("simulating an hour near home, to find the most informative reading")
    drive, stops = home_drive()
    fluids = [fluid for fluid in fluids_in(outlook.car.vehicle) if fluid.gauge]
    single = {(fluid.key, words): _left(outlook, drive, [(row, fluid.key)]) for row, words in stops for fluid in fluids}
    whole = _left(outlook, drive, [(row, fluid.key) for row, _ in stops for fluid in fluids])
    prior = outlook.car.spread.covariance(CLASS_SPREAD)
    found = []
    for fluid in fluids:
        draws = outlook.spread.margin_k[: len(outlook.shift_k), :, FLUID_KEYS.index(fluid.key)]
        kept = np.quantile(draws, 1.0 - outlook.trip.confidence, axis=0)
        leg = int(np.argmin(kept))
        slope = _slope(outlook, draws[:, leg])
        total = float(np.var(draws[:, leg], ddof=1))
        rest = max(total - float(slope @ prior @ slope), 0.0)
        widths = {name: float(slope @ left @ slope) for name, left in single.items()}
        best = min(widths, key=lambda name: widths[name])
        now, one, every = (
            SURE * float(np.sqrt(part + rest)) for part in (total - rest, widths[best], slope @ whole @ slope)
        )
        found.append(
            Worth(fluid=fluid.key, leg=leg, margin_k=float(kept[leg]), now_k=now, best=best, one_k=one, all_k=every)
        )
    return tuple(sorted(found, key=lambda item: item.margin_k))


def _slope(outlook: Forecast, margin_k: Floats) -> Floats:
    """Change of a margin with the logarithm of every factor, least squares over the draws. [K]."""
    logs = np.log(np.column_stack([getattr(outlook.factors, name) for name in FACTORS]))
    columns = np.column_stack((logs, outlook.shift_k, np.ones(len(logs))))
    return np.asarray(np.linalg.lstsq(columns, margin_k, rcond=None)[0][: len(FACTORS)])


def _left(outlook: Forecast, drive: Drive, read: list[tuple[int, str]]) -> Floats:
    """Covariance of the factors' logarithms after readings of a drive, whatever their values."""
    car = outlook.car
    seen = [Observation(row=row, what=what, read_k=0.0) for row, what in read]
    found = teach(
        drive,
        car.vehicle,
        seen,
        air_sd_k=np.array([_AIR_SD_K]),
        known=car.spread,
        timing_s=_TIMING_S,
        as_expected=True,
    )
    return found.posterior.covariance(CLASS_SPREAD)
