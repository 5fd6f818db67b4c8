"""Logs of the other car: roads, weather, traffic and loggers, with the truth that its maker knows."""

from dataclasses import dataclass, replace

import numpy as np
from other_car import (
    C0,
    OtherCar,
    cold_state,
    gauge_readings,
    run_seconds,
    seen_places,
    wander,
    with_fault,
)

from thermal.drive import Drive
from thermal.fluids import N_BODY
from thermal.log_drive import Readings, drive_from_log, start_from_readings
from thermal.ranges import FloatArray

ALL = (1, 2, 3, 4)  # fluids as bodies of the model: coolant, engine oil, transmission, differential


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One day: road, length, weather, logger, fault."""

    road: str = "mixed"
    hours: float = 1.5
    air_c: float = 22.0
    ac: bool = False
    fault: str = ""
    onset_s: float = 0.0
    every_s: int = 1
    step_k: float = 1.0
    fluids: tuple[int, ...] = ALL
    heights: bool = True
    warm_start: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherLog:
    """A log as the model takes it, and the truth at its readings' times, NaN without a gauge."""

    day: Day
    drive: Drive
    readings: Readings
    truth_k: FloatArray
    rpm: FloatArray
    by_second: FloatArray  # speed as logged [m/s] and engine speed [rad/s], shape (n_second, 2)


def _road(kind: str, n: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Speed wanted [m/s], grade, and whether a stop is near, by the second."""
    t = np.arange(n, dtype=np.float64)
    hilly = 0.02 * np.sin(t / rng.uniform(300.0, 600.0) + rng.uniform(0.0, 6.0)) + wander(n, 0.008, 120.0, rng)
    if kind == "plain":
        return np.full(n, 24.0), 0.1 * hilly, wander(n, 1.0, 50.0, rng) > 2.3
    if kind == "hills":
        return np.full(n, 21.0), 1.6 * hilly, wander(n, 1.0, 50.0, rng) > 2.4
    if kind == "pass":
        up = rng.uniform(0.3, 0.4) * n
        top = up + rng.uniform(1200.0, 1700.0)
        grade = np.where((t > up) & (t < top), rng.uniform(0.05, 0.065), 0.4 * hilly)
        grade = np.where((t > top + 120.0) & (t < top + 1200.0), -0.05, grade)
        return np.where(np.abs(grade) > 0.04, 17.5, 23.0), grade, wander(n, 1.0, 50.0, rng) > 2.8
    if kind == "town":
        return np.full(n, 12.5), 0.5 * hilly, wander(n, 1.0, 35.0, rng) > 0.6
    if kind == "jam":
        return np.full(n, 4.0), 0.2 * hilly, wander(n, 1.0, 45.0, rng) > -0.2
    if kind == "motorway":
        return np.full(n, 31.0), 1.1 * hilly, wander(n, 1.0, 60.0, rng) > 3.4
    parts = [_road(k, n, rng) for k in ("town", "hills", "pass", "motorway")]
    which = np.minimum((t / n * 4.0).astype(np.int64), 3)
    choose = [np.choose(which, [p[i] for p in parts]) for i in range(3)]
    return choose[0], choose[1], choose[2].astype(bool)


def _speed(wanted: FloatArray, stops: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Speed of a driver in traffic, who brakes, stands, pulls away and varies."""
    n, speed = len(wanted), np.zeros(len(wanted))
    aim = np.where(stops, 0.0, np.maximum(wanted * (1.0 + wander(n, 0.06, 90.0, rng)), 3.0))
    eager = rng.uniform(0.8, 1.4)
    for i in range(1, n):
        gap = aim[i] - speed[i - 1]
        speed[i] = max(speed[i - 1] + min(max(0.25 * gap, -2.2), eager * (1.0 - 0.02 * speed[i - 1])), 0.0)
        if stops[i] and speed[i] < 0.6:
            speed[i] = 0.0
    return speed


def make_log(one: OtherCar, day: Day, seed: int) -> OtherLog:
    """Drive a day and log it."""
    rng = np.random.default_rng([seed, 9])
    n = round(day.hours * 3600.0)
    wanted, grade, stops = _road(day.road, n, rng)
    speed = _speed(wanted, stops, rng)
    height = 300.0 + np.cumsum(grade * speed)
    hour = np.linspace(-0.5, 0.5, n) * day.hours
    air = day.air_c + C0 + 1.2 * np.sin(hour / 4.0) - 0.0065 * (height - 300.0) + wander(n, 0.7, 900.0, rng)
    sun = rng.uniform(0.0, 3.0) * (day.air_c > 15.0)
    heater = np.full(n, float(np.clip((16.0 - day.air_c) / 20.0, 0.0, 1.0)))
    winds = (np.maximum(rng.normal(0.0, 2.0) + wander(n, 1.5, 90.0, rng), -speed),)
    winds += (rng.normal(0.0, 2.5) + wander(n, 1.5, 90.0, rng),)
    around = (grade, np.exp(-height / 8400.0), air, np.full(n, sun), *winds)
    rows = np.column_stack((speed, np.gradient(speed), *around, np.ones(n), np.full(n, float(day.ac)), heater))
    faulty = with_fault(one, day.fault, rng) if day.fault else one
    start = cold_state(float(air[0]))
    if day.warm_start:
        _, before = np.unique(rows[:, 0], return_index=True)
        start = run_seconds(one.car, np.repeat(rows[before[len(before) // 2]][None], 1500, axis=0), start)[0][-1]
    states, extra = run_seconds(one.car, rows, start, after=faulty.car, onset_s=day.onset_s)
    places = seen_places(one, states)
    shown = gauge_readings(one, places, np.random.default_rng([seed, 3]), step_k=day.step_k)
    if faulty.gauges != one.gauges:
        wrong = gauge_readings(faulty, places, np.random.default_rng([seed, 3]), step_k=day.step_k)
        shown[int(day.onset_s) :] = wrong[int(day.onset_s) :]
    return _logged(day, rows, height, sun, places, shown, extra[:, 0], rng)


def _logged(
    day: Day,
    rows: FloatArray,
    height: FloatArray,
    sun: float,
    places: FloatArray,
    shown: FloatArray,
    rpm: FloatArray,
    rng: np.random.Generator,
) -> OtherLog:
    """What the logger writes of it, and the drive that a reader makes from that."""
    n = len(rows)
    keep = np.arange(0, n, day.every_s)
    time_s = keep.astype(np.float64)
    soak = np.convolve(np.exp(-rows[:, 0] / 2.0), np.ones(120) / 120.0)[:n]
    air = rows[:, 4] + 0.7 * sun + 3.0 * soak + rng.normal(0.0, 0.8)
    seen_height = height + wander(n, 3.0, 60.0, rng)
    smooth = np.convolve(np.pad(seen_height, 15, mode="edge"), np.ones(31) / 31.0, mode="valid")
    drive = drive_from_log(
        time_s,
        np.round(rows[keep, 0] * 3.6) / 3.6,
        np.round(air[keep]),
        elevation_m=smooth[keep] if day.heights else 300.0,
        step_s=10.0,
        ac_on=float(day.ac),
    )
    at = np.arange(0, round(float(drive.duration_s.sum())), 30)
    row = (at // day.every_s) * day.every_s
    temp, truth = np.full((len(at), N_BODY), np.nan), np.full((len(at), N_BODY), np.nan)
    for body in day.fluids:
        temp[:, body], truth[:, body] = shown[row, body - 1], places[at, body - 1]
    first = temp[0].copy()
    first[1] = shown[0, 0]
    by_second = np.column_stack((np.round(rows[:, 0] * 3.6) / 3.6, rpm))
    readings = Readings(
        time_s=at.astype(np.float64), temp_k=temp, start_k=start_from_readings(first, float(drive.air_k[0]))
    )
    return OtherLog(day=day, drive=drive, readings=readings, truth_k=truth, rpm=rpm[row], by_second=by_second)


def varied(day: Day, number: int) -> Day:
    """The same day with another logger: rates of 1, 2 and 5 s, whole degC or degF."""
    return replace(day, every_s=(1, 2, 5)[number % 3], step_k=(1.0, 5.0 / 9.0)[number % 2])
