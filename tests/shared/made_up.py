"""Made-up logs: a drive by a car whose truth is known, read by gauges that lag, round and are noisy.

The truth is not the model: its wind gusts, its block shares its heat with the coolant in another proportion, its gauges
follow late and its air sensor reads warm. So tests can compare what is learnt from such a log with the truth.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from other_car import wander

from planner.files.folder import open_folder
from planner.forecast.run import forecast
from thermal.drive import Drive
from thermal.fluids import FLUIDS, N_BODY
from thermal.log_drive import Readings, drive_from_log
from thermal.ranges import BoolArray, FloatArray
from thermal.simulate import nominal, simulate
from thermal.vehicle import Vehicle

READ_S = 15.0
_FLUIDS = [fluid.node for fluid in FLUIDS if fluid.gauge]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauges:
    """Errors of the gauges. Defaults ASSUMED: cheap senders and whole degrees."""

    lag_s: float = 15.0
    noise_k: float = 0.4
    step_k: float = 1.0
    offset_sd_k: float = 0.7
    air_offset_sd_k: float = 0.7
    gust_m_per_s: float = 2.0
    block_share: float = 0.85  # heat capacity of the block against the model's; the coolant takes what is missing


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeUp:
    """One log, a reading a second; block and rotors have no gauge, `start_k` is the truth."""

    time_s: FloatArray
    speed_m_per_s: FloatArray
    air_k: FloatArray
    elevation_m: FloatArray
    temp_k: FloatArray
    start_k: FloatArray
    running: BoolArray

    def drive(self, *, step_s: float = 5.0) -> Drive:
        """Return the drive as a reader of the log would make it."""
        return drive_from_log(
            self.time_s, self.speed_m_per_s, self.air_k, elevation_m=self.elevation_m, heater_on=0.0, step_s=step_s
        )

    def readings(self, *, every_s: float = READ_S) -> Readings:
        """Return a reading of every gauge at intervals."""
        rows = np.arange(0, len(self.time_s), max(1, round(every_s)))
        return Readings(time_s=self.time_s[rows], temp_k=self.temp_k[rows], start_k=self.start_k)


def hilly_road(n: int, rng: np.random.Generator, *, steepest: float = 0.06) -> tuple[FloatArray, FloatArray]:
    """Drive through towns and hills."""
    speed = np.clip(23.0 + wander(n, sd=6.0, lasting_s=240.0, rng=rng), 0.0, 33.0)
    stops = wander(n, sd=1.0, lasting_s=60.0, rng=rng) > 2.0
    speed = np.where(stops, 0.0, speed)
    kernel = np.ones(9) / 9.0
    speed = np.convolve(np.pad(speed, 4, mode="edge"), kernel, mode="valid")
    speed = np.where(speed < 1.0, 0.0, speed)
    phase = rng.uniform(0.0, 2.0 * np.pi)
    grade = steepest * np.sin(np.arange(n) / 420.0 + phase) * (0.6 + 0.4 * np.sin(np.arange(n) / 1700.0))
    speed = np.where(grade > 0.03, np.minimum(speed, 22.0), speed)
    return speed, 600.0 + np.cumsum(grade * speed)


def made_up_log(
    vehicle: Vehicle,
    *,
    seed: int,
    hours: float,
    truth: Mapping[str, float] | None = None,
    air_k: float = 300.0,
    steepest: float = 0.06,
    gauges: Gauges | None = None,
) -> MadeUp:
    """Make up a log."""
    rng, how = np.random.default_rng(seed), gauges or Gauges()
    n = round(hours * 3600.0)
    speed, height = hilly_road(n, rng, steepest=steepest)
    time_s = np.arange(n, dtype=np.float64)
    air = air_k + wander(n, sd=1.0, lasting_s=1200.0, rng=rng) - 0.0065 * (height - 600.0)
    drive = drive_from_log(time_s, speed, air, elevation_m=height, heater_on=0.0, step_s=5.0)
    return made_up_on(vehicle, drive, rng=rng, truth=truth, gauges=how, rows=(time_s, speed, air, height))


def made_up_on(
    vehicle: Vehicle,
    drive: Drive,
    *,
    rng: np.random.Generator,
    truth: Mapping[str, float] | None = None,
    gauges: Gauges | None = None,
    rows: tuple[FloatArray, FloatArray, FloatArray, FloatArray] | None = None,
) -> MadeUp:
    """Make up the log of a given drive."""
    how = gauges or Gauges()
    edge_s = np.concatenate(([0.0], np.cumsum(drive.duration_s)))
    time_s, speed, air, height = _rows_of(drive, edge_s) if rows is None else rows
    gust = np.interp(edge_s[1:], time_s, wander(len(time_s), sd=how.gust_m_per_s, lasting_s=120.0, rng=rng))
    drive = replace(drive, headwind_m_per_s=np.clip(gust, -0.5 * drive.speed_m_per_s, None))
    factors = nominal()._replace(**{name: np.array([value]) for name, value in (truth or {}).items()})
    start = np.full(N_BODY, air[0])
    temps = simulate(drive, _other_block(vehicle, how), start_k=start, factors=factors).temps_k[0]
    true = np.column_stack([np.interp(time_s, edge_s, column) for column in np.vstack((start, temps)).T])
    return MadeUp(
        time_s=time_s,
        speed_m_per_s=np.round(speed * 3.6) / 3.6,
        air_k=np.round(air + rng.normal(0.0, how.air_offset_sd_k)),
        elevation_m=height,
        temp_k=_read(true, how, rng),
        start_k=start,
        running=drive.engine_on[np.clip(np.searchsorted(edge_s, time_s, side="right") - 1, 0, len(drive.engine_on) - 1)]
        > 0.0,
    )


def write_first_leg(folder: Path, path: Path, truth: Mapping[str, float]) -> None:
    """Write a log of a trip's first leg, as its car would drive it."""
    trip, car = open_folder(folder)
    line = forecast(trip, car).timeline
    drive = line.drive.take(slice(0, line.spans[0].last + 1))
    drive = replace(drive, road_rise_k=0.0 * drive.air_k)
    log = made_up_on(car.vehicle, drive, rng=np.random.default_rng(2), truth=truth)
    path.write_text(csv_text(log, title="synthetic"), encoding="utf-8")


def _rows_of(drive: Drive, edge_s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Time, speed, air and height of a drive, a second apart."""
    time_s = np.arange(0.0, edge_s[-1])
    at = np.clip(np.searchsorted(edge_s, time_s, side="right") - 1, 0, len(drive.duration_s) - 1)
    middle = 0.5 * (edge_s[1:] + edge_s[:-1])
    air = np.interp(time_s, middle, drive.air_k + drive.road_rise_k)
    return time_s, drive.speed_m_per_s[at], air, np.interp(time_s, middle, drive.elevation_m)


def _other_block(vehicle: Vehicle, how: Gauges) -> Vehicle:
    """Move heat capacity from the block to the coolant: a lag the model does not have."""
    moved = (1.0 - how.block_share) * vehicle.metal.heat_capacity_j_per_k
    metal = replace(vehicle.metal, heat_capacity_j_per_k=vehicle.metal.heat_capacity_j_per_k - moved)
    coolant = replace(vehicle.coolant, heat_capacity_j_per_k=vehicle.coolant.heat_capacity_j_per_k + moved)
    return replace(vehicle, metal=metal, coolant=coolant)


def _read(true_k: FloatArray, how: Gauges, rng: np.random.Generator) -> FloatArray:
    """Apply lag, offset, noise and steps of the gauges."""
    from scipy.signal import lfilter

    seen = np.full(true_k.shape, np.nan)
    part = true_k[:, _FLUIDS]
    keep = float(np.exp(-1.0 / how.lag_s))
    late = lfilter([1.0 - keep], [1.0, -keep], part - part[0], axis=0) + part[0]
    read = late + rng.normal(0.0, how.offset_sd_k, part.shape[1]) + rng.normal(0.0, how.noise_k, part.shape)
    seen[:, _FLUIDS] = np.round((read - 273.15) / how.step_k) * how.step_k + 273.15
    return seen


def csv_text(log: MadeUp, *, title: str, every_s: int = 1) -> str:
    """Write a made-up log as a logger would: without heights, and silent while the engine is off."""
    lines = [
        title,
        "Time [s],Speed [km/h],Ambient [degC],Coolant [degC],Oil temp [degC],Transmission [degC],Diff [degC]",
    ]
    for i in range(0, len(log.time_s), every_s):
        if not log.running[i]:
            continue
        temps = ",".join(f"{t - 273.15:.0f}" for t in log.temp_k[i, _FLUIDS])
        lines.append(f"{log.time_s[i]:.0f},{3.6 * log.speed_m_per_s[i]:.0f},{log.air_k[i] - 273.15:.0f},{temps}")
    return "\n".join(lines) + "\n"
