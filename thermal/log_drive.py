"""A car's log as a drive for the model, and its readings to compare with."""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from thermal.drive import Drive
from thermal.errors import ParameterError
from thermal.fluids import N_BODY, each_body, fluid_of
from thermal.ranges import BoolArray, FloatArray

STEP_S = 3.0  # ASSUMED: 2-5 s keeps a car's accelerations and averages a speed sensor's whole km/h
BRIDGE_S = 120.0  # ASSUMED: a logger that drops out for two minutes at most dropped out while driving; longer is a stop
_DEW_BELOW_AIR_K = 10.0  # ASSUMED: loggers have no humidity; it moves air density by less than 1 %
_COLD_START_K = 10.0  # ASSUMED: coolant no more than this above the air means the whole car is as cold
_AGREE_K, _ODD_K = 5.0, 6.0  # ASSUMED: senders of a car that stood overnight agree within 2 to 5 K
_COOLANT = fluid_of("coolant").node
_HEATER_OFF_K, _HEATER_FULL_K = 293.15, 263.15  # see heater_use


def drive_from_log(
    time_s: FloatArray,
    speed_m_per_s: FloatArray,
    air_k: FloatArray,
    *,
    elevation_m: float | FloatArray,
    engine_on: BoolArray | None = None,
    ac_on: float = 0.0,
    heater_on: float | None = None,
    step_s: float = STEP_S,
    bridge_s: float = BRIDGE_S,
) -> Drive:
    """Make a drive of equal short segments, one leg and one day, from what a logger wrote; grade from the heights.

    Raises `ParameterError` if the arrays differ in length, contain NaN, or give no segment.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times; a row not later than all before it is dropped. [s]
    air_k : ndarray, shape (n,)
        Outside air at the car, road heat included. [K]
    elevation_m : float or ndarray, shape (n,)
        Height, one for the whole drive where the logger has none: the drive is then level. [m]
    engine_on : ndarray of bool, shape (n,), optional
        Whether the engine was running; default: always, idling when stopped. [-]
    ac_on : float
        Air conditioning for the whole drive, 0 or 1. [-]
    heater_on : float, optional
        Cabin heater for the whole drive, 0 to 1 = full; default: as the weather requires, see `heater_use`. [-]
    step_s : float
        Length of a segment; what is left of the last one is cut off. [s]
    bridge_s : float
        Longest gap between rows in which the car is taken to have driven on, its speed changing evenly. In a longer
        one it is parked with the engine off. [s]

    Examples
    --------
    >>> time_s = np.arange(0.0, 61.0)
    >>> drive = drive_from_log(time_s, np.full(61, 20.0), np.full(61, 290.0), elevation_m=0.0)
    >>> len(drive.duration_s), round(float(drive.length_m.sum()))
    (20, 1200)
    """
    height = np.broadcast_to(np.asarray(elevation_m, dtype=np.float64), np.shape(time_s))
    running = np.ones(len(time_s)) if engine_on is None else np.asarray(engine_on, dtype=np.float64)
    log = _Log(*(np.asarray(x, dtype=np.float64) for x in (time_s, speed_m_per_s, air_k, height, running)))
    _check_log(log)
    later = np.concatenate(([True], log.time_s[1:] > np.maximum.accumulate(log.time_s)[:-1]))
    log = _with_stops(_Log(*(column[later] for column in log)), bridge_s)
    n = int((log.time_s[-1] - log.time_s[0]) / step_s + 1e-9)
    if n < 1:
        message = f"a log of {log.time_s[-1] - log.time_s[0]:g} s holds no segment of {step_s:g} s"
        raise ParameterError(message)
    drive = _segments(log, log.time_s[0] + step_s * np.arange(n + 1), ac_on)
    return drive if heater_on is None else replace(drive, heater_on=np.full(n, heater_on))


def heater_use(air_k: FloatArray) -> FloatArray:
    """How far occupants turn the cabin heater up in that weather: 0 from 20 degC up, 1 from -10 degC down.

    ASSUMED: off at 15 to 22 degC, full at -15 to 0 degC.

    >>> [float(share) for share in heater_use(np.array([300.0, 278.15, 260.0]))]
    [0.0, 0.5, 1.0]
    """
    return np.asarray(np.clip((_HEATER_OFF_K - air_k) / (_HEATER_OFF_K - _HEATER_FULL_K), 0.0, 1.0))


class _Log(NamedTuple):
    time_s: FloatArray
    speed_m_per_s: FloatArray
    air_k: FloatArray
    elevation_m: FloatArray
    running: FloatArray


def _check_log(log: _Log) -> None:
    """Refuse columns of unequal length and cells that are no number."""
    for name, column in log._asdict().items():
        if column.shape != log.time_s.shape or len(column) < 2 or not np.all(np.isfinite(column)):
            message = f"log column {name} must be {len(log.time_s)} (at least 2) finite numbers; got {column.shape}"
            raise ParameterError(message)


def _with_stops(log: _Log, bridge_s: float) -> _Log:
    """Add rows of a parked car at both ends of every gap too long to bridge."""
    gap = np.flatnonzero(np.diff(log.time_s) > bridge_s)
    if len(gap) == 0:
        return log
    where = np.repeat(gap + 1, 2)
    edge = np.column_stack((log.time_s[gap] + 0.1, log.time_s[gap + 1] - 0.1)).ravel()
    between = {name: np.interp(edge, log.time_s, getattr(log, name)) for name in ("air_k", "elevation_m")}
    parked = _Log(edge, np.zeros(len(edge)), running=np.zeros(len(edge)), **between)
    return _Log(*(np.insert(column, where, added) for column, added in zip(log, parked, strict=True)))


def _mean(log: _Log, column: FloatArray, edge_s: FloatArray) -> FloatArray:
    """Mean of a column over every segment, straight between rows, from ten points each."""
    width = np.diff(edge_s)[:, None]
    at_s = edge_s[:-1, None] + width * (np.arange(10) + 0.5) / 10.0
    return np.asarray(np.interp(at_s, log.time_s, column).mean(axis=1))


def _segments(log: _Log, edge_s: FloatArray, ac_on: float) -> Drive:
    """Average the log over segments."""
    duration = np.diff(edge_s)
    mean_speed = np.maximum(_mean(log, log.speed_m_per_s, edge_s), 0.0)
    stands = _mean(log, (log.speed_m_per_s <= 0.0).astype(np.float64), edge_s)
    moving = (mean_speed > 0.05) & (stands < 0.95)
    idle_share = np.where(moving, np.clip(stands, 0.0, 0.95), 0.0)
    speed = np.where(moving, mean_speed / (1.0 - idle_share), 0.0)
    end = np.where(moving, np.interp(edge_s[1:], log.time_s, log.speed_m_per_s), 0.0)
    height = np.interp(edge_s, log.time_s, log.elevation_m)
    length = np.maximum(mean_speed * duration, 1.0)
    air = _mean(log, log.air_k, edge_s)
    flat = np.zeros(len(duration))
    return Drive(
        duration_s=duration,
        speed_m_per_s=speed,
        end_speed_m_per_s=end,
        grade=np.clip(np.diff(height) / length, -0.3, 0.3),
        elevation_m=0.5 * (height[1:] + height[:-1]),
        air_k=air,
        dew_k=air - _DEW_BELOW_AIR_K,
        road_rise_k=flat,
        headwind_m_per_s=flat,
        idle_share=idle_share,
        engine_on=(_mean(log, log.running, edge_s) >= 0.5).astype(np.float64),
        ac_on=flat + ac_on,
        heater_on=heater_use(air),
        group=flat,
        day=flat,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Gauge readings along one drive."""

    time_s: FloatArray  # shape (n,), since the drive's start
    temp_k: FloatArray  # shape (n, n_body), in the order of `fluids.BODIES`; NaN if missing
    start_k: FloatArray  # shape (n_body,), see `start_from_readings`

    def __post_init__(self) -> None:
        """Check shapes, and that there is something to learn from."""
        if self.temp_k.shape != (len(self.time_s), N_BODY) or self.start_k.shape != (N_BODY,):
            message = f"readings: temp_k must be (n, {N_BODY}) and start_k ({N_BODY},); got {self.temp_k.shape}"
            raise ParameterError(message)
        if not np.any(np.isfinite(self.temp_k)):
            message = "readings: not one temperature is a number"
            raise ParameterError(message)

    def every(self, step_s: float) -> "Readings":
        """Keep the first reading of every gauge in each `step_s`; a log written more rarely is left as it is.

        >>> seen = Readings(time_s=np.arange(0.0, 95.0, 15.0), temp_k=np.full((7, N_BODY), 300.0),
        ...     start_k=np.full(N_BODY, 300.0))
        >>> seen.every(60.0).time_s
        array([ 0., 60.])
        """
        kept = np.full_like(self.temp_k, np.nan)
        for body in range(N_BODY):
            rows = np.flatnonzero(np.isfinite(self.temp_k[:, body]))
            first = rows[np.unique(self.time_s[rows] // step_s, return_index=True)[1]]
            kept[first, body] = self.temp_k[first, body]
        there = np.isfinite(kept).any(axis=1)
        return Readings(time_s=self.time_s[there], temp_k=kept[there], start_k=self.start_k)


def start_from_readings(first_k: FloatArray, air_k: float) -> FloatArray:
    """Guess the temperatures of all bodies at the start from those that were read.

    `first_k` has the first reading of every body, NaN if missing; the coolant's is required. A body has its reading
    where there is one, but for a gauge that alone differs after a cold start: where all others agree with the air, it
    has the others' median. Without a reading, block and oil have the coolant's; gearbox, final drive and rotors have
    the coolant's after a cold start (within 10 K of the air), and half-way to the air after a short stop.

    >>> first_k = np.full(N_BODY, np.nan); first_k[_COOLANT] = 340.0
    >>> [float(t) for t in start_from_readings(first_k, 280.0)]
    [340.0, 340.0, 340.0, 310.0, 310.0, 310.0, 310.0]
    """
    coolant = float(first_k[_COOLANT])
    rest = coolant if coolant - air_k <= _COLD_START_K else 0.5 * (coolant + air_k)
    guess = each_body(lambda body: coolant if body.at_coolant else rest)
    return np.where(np.isfinite(first_k), _cold_soaked(first_k, air_k), guess)


def _cold_soaked(first_k: FloatArray, air_k: float) -> FloatArray:
    """Correct one deviating gauge when the others show that the car was cold-soaked."""
    read = np.flatnonzero(np.isfinite(first_k))
    if len(read) < 3:
        return first_k
    middle = float(np.median(first_k[read]))
    off = np.abs(first_k[read] - middle)
    odd = off > _ODD_K
    if odd.sum() != 1 or np.any(off[~odd] > _AGREE_K) or abs(middle - air_k) > _COLD_START_K:
        return first_k
    out = first_k.copy()
    out[read[odd]] = middle
    return out
