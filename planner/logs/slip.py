"""Lock-up of a torque converter, from engine speed over road speed on steady driving in top gear.

A locked converter gives one ratio at every load. An open one slips, the more the harder it pulls. Tyre size, final
drive and speedometer shift the ratio too, but by one share all day: only its rise with load proves slip. A clutch that
slips on purpose by 1 or 2 %, as in later boxes, is called neither.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.logs.drives import Driven
from thermal.drive import Drive
from thermal.engine import full_torque_nm
from thermal.loads import compute_loads
from thermal.ranges import FloatArray
from thermal.vehicle import Vehicle

LOCKED, NEVER, UNKNOWN = "locked", "never", "unknown"
_BLOCK_S, _FRESH_S, _LEAST_ROWS = 20.0, 5.0, 3
_STEADY = 0.04  # ASSUMED: a speed that varies by less within a block is steady, 0.03 to 0.06
# ASSUMED: the clutch holds from 1.1 to 1.3 times the speed in the car's file, warm, on a light throttle. A box releases
# it from a quarter to half of full load (common practice, no source).
_ABOVE_SPEED, _LEAST_LOAD, _MOST_LOAD = 1.15, 0.05, 0.42
_WARM_K, _WARM_S = 313.15, 600.0  # ASSUMED: cold fluid keeps it open below 20 to 50 degC; without a gauge: 5 to 15 min
_LEAST_S = 240.0  # ASSUMED: fewer minutes prove nothing, 3 to 10 min
# ASSUMED spread of tyre size and speedometer together: a single ratio is off by up to 6 % (3 to 8 %).
_LEAST_RATIO, _TYRES = 0.92, 0.06
_NO_LOCKUP_M_PER_S = 100.0  # as the vehicle file's lockup_road_speed has it
_NEXT_GEAR = 0.6  # ASSUMED, 0.5 to 0.7: share of the step to the next lower gear; beyond it the car is in that
# ASSUMED, in shares of the ratio, set on made-up cars that share no physics with the model: blocks of a locked
# converter agree within 0.2 to 0.5 %, and do not rise with load. An open one's rise by 0.4 to 5 %, steadily.
_ONE_RATIO, _HELD, _LEVEL = 0.004, 0.7, 0.0025
_RISES, _RISES_LIGHT, _FOLLOWS, _ABOVE_LEAST = 0.005, 0.0025, 0.4, 0.004
_CLOSE = 0.02  # ASSUMED: a single ratio nearer than this to that of the file is locked, also at one load; 0.01 to 0.03
_OPEN_LIGHT = 1.015  # ASSUMED: an open converter turns at least so much faster on the lightest loads; 1.01 to 1.04
_BLUR = 0.15  # ASSUMED: what rounding leaves in the mean speed of a block, of one step; 0.05 to 0.3
_LOADS_DIFFER = 0.1  # ASSUMED: loads of the tenth and the ninetieth percentile, shares of full load, 0.08 to 0.15
# A box that releases its clutch part of the time has two groups of ratios with a gap between, and locks on light loads.
# ASSUMED: a gap of less than 0.25 to 0.5 of the spread; three blocks or more (2 to 6) below 0.25 to 0.3 of full load.
_LARGEST_GAP, _LIGHT_LOAD, _LEAST_LIGHT = 0.35, 0.28, 3


class Lockup(NamedTuple):
    """What a log shows of a converter's lock-up; `words` is empty for a manual."""

    state: str  # `LOCKED`, `NEVER` or `UNKNOWN`
    minutes: float = 0.0  # locked; else of the steady driving that was judged
    slip: float | None = None  # of engine speed above the geared one, where the converter never locked
    heat_w: float | None = None  # of that slip, mean of these minutes
    words: str = ""


class Steady(NamedTuple):
    """Blocks of steady driving in top gear where the converter should be locked; all arrays have shape (n,)."""

    ratio: FloatArray  # engine speed over the geared one in top, by the car's file
    load: FloatArray  # of the model's engine, share of full load
    crank_w: FloatArray
    blur: FloatArray  # of the ratio, from the steps of the logged speed

    @property
    def minutes(self) -> float:
        """Their total time."""
        return len(self.ratio) * _BLOCK_S / 60.0


def lockup_of(vehicle: Vehicle, one: Driven) -> Lockup:
    """Say whether the converter locked on steady driving in top gear, where the car's file says it should."""
    box = vehicle.gearbox
    if box.kind != "automatic":
        return Lockup(UNKNOWN)
    if box.ratios[-1] > box.lockup_ratio + 0.005 or box.lockup_road_speed_m_per_s >= _NO_LOCKUP_M_PER_S:
        return _unknown("the car's file gives it no lock-up in top gear")
    rpm = one.log.channels.get("rpm")
    if rpm is None or len(rpm.value) < _LEAST_ROWS:
        return _unknown("the log has no engine speed (rpm)")
    apart_s = float(np.median(np.diff(one.log.channels["speed"].time_s)))
    if apart_s > _BLOCK_S / _LEAST_ROWS:
        return _unknown(f"the log has a row each {apart_s:.0f} s; {_BLOCK_S / _LEAST_ROWS:.0f} s or less are needed")
    return judged(steady_blocks(vehicle, one))


def steady_blocks(vehicle: Vehicle, one: Driven) -> Steady:
    """Find the blocks of steady, warm, light driving in top gear, above the speed at which the converter locks."""
    speed, drive, box = one.log.channels["speed"], one.drive, vehicle.gearbox
    time_s = speed.time_s - speed.time_s[0]
    rpm = one.log.channels["rpm"].at(speed.time_s, oldest_s=_FRESH_S)
    ids, into = np.unique((time_s / _BLOCK_S).astype(np.int64), return_inverse=True)
    count = np.bincount(into)
    mean_v, mean_rpm = (np.bincount(into, column) / count for column in (speed.value, rpm))
    low, high = np.full(len(ids), np.inf), np.full(len(ids), -np.inf)
    np.minimum.at(low, into, speed.value)
    np.maximum.at(high, into, speed.value)
    begin_s = ids * _BLOCK_S
    geared = box.ratios[-1] * vehicle.axle.ratio / vehicle.body.tyre_radius_m
    crank_w, full_w = _power_in_top(vehicle, drive, geared)
    crank, available = (_over(drive.duration_s, column, begin_s) for column in (crank_w, full_w))
    load = crank / np.maximum(available, 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = mean_rpm / (mean_v * geared)
        use = (count >= _LEAST_ROWS) & (high - low < _STEADY * mean_v + _step(speed.value))
        use &= mean_v > _ABOVE_SPEED * box.lockup_road_speed_m_per_s
        use &= (load > _LEAST_LOAD) & (load < _MOST_LOAD) & _warm(one, begin_s)
        use &= (ratio > _LEAST_RATIO) & (ratio < _top_until(box.ratios))
    return Steady(ratio[use], load[use], crank[use], _BLUR * _step(speed.value) / mean_v[use])


def _power_in_top(vehicle: Vehicle, drive: Drive, geared: float) -> tuple[FloatArray, FloatArray]:
    """Power that the model needs of the engine, and the most it could give in top gear, locked. [W, W]

    The model may drive in a lower gear. Air pressure and heat cost the same share of power in each.
    """
    _, work = compute_loads(vehicle, drive)
    here, top = work.engine_rad_per_s, drive.speed_m_per_s * geared
    here_w, top_w = (speed * full_torque_nm(vehicle.engine, speed) for speed in (here, top))
    return work.crank_w, work.available_w * top_w / np.maximum(here_w, 1.0)


def _over(duration_s: FloatArray, value: FloatArray, begin_s: FloatArray) -> FloatArray:
    """Mean over each block of a value that is constant over each segment of the drive."""
    edge_s = np.concatenate(([0.0], np.cumsum(duration_s)))
    sums = np.concatenate(([0.0], np.cumsum(value * duration_s)))
    return (np.interp(begin_s + _BLOCK_S, edge_s, sums) - np.interp(begin_s, edge_s, sums)) / _BLOCK_S


def _step(value: FloatArray) -> float:
    """Steps in which a channel is logged."""
    moves = np.abs(np.diff(np.unique(np.round(value, 4))))
    return float(np.median(moves)) if len(moves) else 0.0


def _top_until(ratios: tuple[float, ...]) -> float:
    """Highest ratio that is still taken for top gear."""
    return 1.0 + _NEXT_GEAR * (ratios[-2] / ratios[-1] - 1.0) if len(ratios) > 1 else 1.3


def _warm(one: Driven, at_s: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether the fluid is warm: by its gauge, else some minutes after the start."""
    gauge = one.log.channels.get("transmission")
    if gauge is None or not len(gauge.value):
        return at_s > _WARM_S
    read = gauge.at(at_s + float(one.log.channels["speed"].time_s[0]), oldest_s=60.0)
    return np.where(np.isfinite(read), read, 0.0) > _WARM_K


def judged(blocks: Steady) -> Lockup:
    """Judge the steady blocks: one ratio at all loads, a ratio that rises with load, or neither.

    >>> judged(Steady(*(np.zeros(0),) * 4)).state
    'unknown'
    """
    if blocks.minutes * 60.0 < _LEAST_S:
        return _unknown(
            f"the log has {blocks.minutes:.0f} min of steady, warm driving on a light throttle in top gear above the "
            f"lock-up speed; {_LEAST_S / 60.0:.0f} are needed"
        )
    centre, held = _commonest(blocks)
    differ = float(np.ptp(np.quantile(blocks.load, (0.1, 0.9)))) >= _LOADS_DIFFER
    near = abs(centre - 1.0) <= _CLOSE or (differ and abs(centre - 1.0) <= _TYRES)
    order = np.argsort(blocks.load)
    if held >= _HELD and near and abs(_rise(blocks.ratio[order])) < _LEVEL:
        minutes = held * blocks.minutes
        return Lockup(LOCKED, minutes, words=_locked_words(minutes, blocks.minutes))
    if _is_open(blocks.ratio[order], blocks.load[order]):
        slip = float(np.median(blocks.ratio)) - 1.0
        heat_w = float(np.mean(blocks.crank_w * np.maximum(1.0 - 1.0 / blocks.ratio, 0.0)))
        return Lockup(NEVER, blocks.minutes, slip, heat_w, _never_words(blocks, slip, heat_w))
    return _unknown(
        f"over {blocks.minutes:.0f} min of steady driving the engine turned {centre:.2f} times as fast as top gear in "
        "the car's file makes it, and how that changes with load shows neither lock-up nor slip",
        blocks.minutes,
    )


def _is_open(ratio: FloatArray, load: FloatArray) -> bool:
    """Whether ratios, in order of load, rise with it steadily from the lightest on, as an open converter's do."""
    rank = np.argsort(np.argsort(ratio)).astype(np.float64)
    follows = float(np.corrcoef(rank, np.arange(len(rank)))[0, 1])
    low, high = np.quantile(ratio, (0.05, 0.95))
    inner = np.sort(ratio[(ratio >= low) & (ratio <= high)])
    return bool(
        _rise(ratio) >= _RISES
        and _rise(ratio[: int(0.6 * len(ratio))]) >= _RISES_LIGHT
        and follows >= _FOLLOWS
        and np.median(ratio) - low >= _ABOVE_LEAST
        and np.median(ratio[: max(len(ratio) // 5, 3)]) >= _OPEN_LIGHT
        and np.max(np.diff(inner), initial=0.0) <= _LARGEST_GAP * (high - low)
        and np.sum(load < _LIGHT_LOAD) >= _LEAST_LIGHT
    )


def _rise(ratio: FloatArray) -> float:
    """Median of the last third less that of the first."""
    third = max(len(ratio) // 3, 1)
    return float(np.median(ratio[-third:]) - np.median(ratio[:third]))


def _commonest(blocks: Steady) -> tuple[float, float]:
    """Ratio that most blocks share, within what a locked converter's vary, and the share of the blocks."""
    order = np.sort(blocks.ratio)
    wide = 2.0 * (_ONE_RATIO + float(np.median(blocks.blur)))
    until = np.searchsorted(order, order + wide, side="right")
    counts = until - np.arange(len(order))
    best = int(np.argmax(counts))
    return float(np.median(order[best : until[best]])), float(counts[best] / len(order))


def _unknown(reason: str, minutes: float = 0.0) -> Lockup:
    return Lockup(UNKNOWN, minutes, words=f"Lock-up of the converter: cannot tell; {reason}.")


def _locked_words(minutes: float, steady: float) -> str:
    return (
        f"Lock-up of the converter: locked for {minutes:.0f} of {steady:.0f} min of steady driving in top gear. That "
        "speaks against a fault of the converter."
    )


def _never_words(blocks: Steady, slip: float, heat_w: float) -> str:
    low, high = np.quantile(blocks.ratio, (0.1, 0.9)) - 1.0
    return (
        f"LOCK-UP DOES NOT COME: in {blocks.minutes:.0f} min of steady driving in top gear the engine turned {low:.0%} "
        f"to {high:.0%} faster than a locked converter lets it, the faster the more it pulled. By the car's file it "
        f"locks at such speeds. A slip of {slip:.0%} (± {_TYRES:.0%} for tyre size and speedometer) makes "
        f"about {heat_w / 1e3:.1f} kW in the transmission fluid at that power. A box made to release its clutch below "
        "a quarter of full load looks the same."
    )
