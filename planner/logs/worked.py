"""Engine load along a log: how hard the engine worked against what the model needs for the same drive."""

import re

import numpy as np

from planner.logs.drives import Driven
from thermal.engine import friction_w
from thermal.loads import compute_loads
from thermal.vehicle import Vehicle

# A throttle's opening says little of the torque: only a load counts.
_THROTTLE = re.compile(r"throttle|\btps\b|pedal")
_OLDEST_S, _LEAST_SHARE = 10.0, 0.5
_STANDS = 0.2  # share of a segment spent standing, from which on its load is not compared
WORK_SD = (
    0.2  # ASSUMED, of the logarithm, 0.1 to 0.3: the torque curve, mass and drag, and how the unit computes its load
)


def work_share(vehicle: Vehicle, one: Driven) -> float:
    """Work that the logged load stands for, over the model's on the same drive: 1 where both agree. [-]

    NaN without a load for half of the driving. A computed load is the torque inside the cylinders over the greatest at
    that engine speed, air pressure and air temperature (SAE J1979, from memory). Friction therefore counts on both
    sides. Each segment has the mean of its loads and the engine speed of the model, which follows the logged one.
    """
    load = one.log.channels.get("load")
    source = one.log.mapping.channels.get("load")
    if load is None or source is None or _THROTTLE.search(source.column.lower()):
        return float("nan")
    drive = one.drive
    _, work = compute_loads(vehicle, drive)
    begun_s = float(one.log.channels["speed"].time_s[0])
    edge_s = begun_s + np.concatenate(([0.0], np.cumsum(drive.duration_s)))
    at_s = 0.5 * (edge_s[1:] + edge_s[:-1])
    fresh = np.isfinite(load.at(at_s, oldest_s=float(np.max(drive.duration_s)) + _OLDEST_S))
    inside = np.clip(np.searchsorted(edge_s, load.time_s, side="right") - 1, 0, len(at_s) - 1)
    count = np.bincount(inside, minlength=len(at_s))
    mean = np.bincount(inside, load.value, minlength=len(at_s)) / np.maximum(count, 1)
    pulls = (drive.speed_m_per_s > 0.0) & (drive.idle_share < _STANDS) & (drive.engine_on > 0.0)
    used = pulls & fresh & (count > 0)
    if not used.any() or drive.duration_s[used].sum() < _LEAST_SHARE * drive.duration_s[pulls].sum():
        return float("nan")
    rubs_w = friction_w(vehicle.engine, work.engine_rad_per_s)
    second = drive.duration_s[used]
    logged_j = float(np.sum(second * (mean * (work.available_w + rubs_w))[used]))
    model_j = float(np.sum(second * np.maximum(work.crank_w + rubs_w, 0.0)[used]))
    return logged_j / model_j if logged_j > 0.0 and model_j > 0.0 else float("nan")


def work_words(share: float) -> tuple[str, ...]:
    """Say how hard the engine worked; nothing without a load.

    >>> print(*work_words(1.51))
    Logged engine load: the engine did 1.51 times the work that the model needs on this drive (usual: 0.72 to 1.39).
    """
    if not np.isfinite(share):
        return ()
    low, high = np.exp(-1.645 * WORK_SD), np.exp(1.645 * WORK_SD)
    return (
        f"Logged engine load: the engine did {share:.2f} times the work that the model needs on this drive "
        f"(usual: {low:.2f} to {high:.2f}).",
    )
