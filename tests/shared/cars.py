"""Cars, drives and calculations that several tests, and the makers of pages in docs/, share."""

import functools
import tempfile
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from planner.files.vehicles import read_vehicle
from thermal import fluids
from thermal.drive import Drive, steady_drive
from thermal.engine import LHV_J_PER_L
from thermal.loads import held_speed_m_per_s
from thermal.simulate import Result, simulate
from thermal.vehicle import Vehicle
from thermal.vehicle_file import VehicleFile

CLASSES = Path(__file__).parents[2] / "data" / "vehicles"
CLASS_NAMES = sorted(path.stem for path in CLASSES.glob("*.toml"))
ESTATE = "estate-1990s-six"  # the reference car
MPH, C0 = 0.44704, 273.15
GAUGED = [fluid.node for fluid in fluids.FLUIDS if fluid.gauge]  # bodies of the fluids that bands are known for
# SAE J2807's published highway grade (secondary pages; the standard was not opened): 37.8 degC at the base, 11.4 mi,
# about 3,000 ft, A/C at its most, never below 40 mph.
HOT = {"speed_m_per_s": 40 * MPH, "air_k": 37.8 + C0, "elevation_m": 300.0, "ac_on": True}
GRADE_M = 18_346.5
GRADE = 914.0 / GRADE_M
# Newfound Gap from the north-east: 13 miles of 5 % (a road atlas's climb over its distance, from memory).
LONG_GRADES = {"newfound gap": (20_900.0, 0.050), "hot grade": (GRADE_M, GRADE)}
SPEEDS_MPH = range(20, 61, 2)


@functools.cache
def read_class(base: str, own: str = "") -> VehicleFile:
    """A class with a sound radiator, or with a TOML text of own values."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "vehicle.toml"
        path.write_text(f'base = "{base}"\n{own}', encoding="utf-8")
        held = read_vehicle(path, CLASSES)
    return held if "condition" in own else replace(held, vehicle=with_part(held.vehicle, "cooling", condition="new"))


def with_part(vehicle: Vehicle, section: str, **values: Any) -> Vehicle:
    return replace(vehicle, **{section: replace(getattr(vehicle, section), **values)})


def heat_capacities_j_per_k(vehicle: Vehicle) -> np.ndarray:
    return fluids.each_body(lambda body: fluids.node_of(vehicle, body).heat_capacity_j_per_k)


def join(*parts: Drive) -> Drive:
    """Drives one after the other."""
    return Drive(**{item.name: np.concatenate([getattr(part, item.name) for part in parts]) for item in fields(Drive)})


def parked(minutes: float, air_k: float, elevation_m: float = 0.0) -> Drive:
    """Standing with the engine off."""
    drive = steady_drive(minutes=minutes, speed_m_per_s=0.0, grade=0.0, air_k=air_k, elevation_m=elevation_m)
    return replace(drive, engine_on=np.zeros(len(drive.duration_s)))


def held(vehicle: Vehicle, drive: Drive) -> Drive:
    """The drive at speeds the car can hold."""
    speed = held_speed_m_per_s(vehicle, drive)
    return replace(drive, speed_m_per_s=speed, end_speed_m_per_s=speed)


def hot_grade(vehicle: Vehicle, **change: Any) -> tuple[Drive, Result]:
    """The published grade, entered warm from level road in the same weather."""
    conditions = HOT | change
    warm = simulate(steady_drive(minutes=60, grade=0.0, **conditions), vehicle).temps_k[0, -1]
    drive = held(vehicle, steady_drive(minutes=GRADE_M / (40 * MPH) / 60, grade=GRADE, **conditions))
    return drive, simulate(drive, vehicle, start_k=warm)


def settled_c(result: Result) -> np.ndarray:
    """Mean over the last ten minutes of a steady drive, so that a switching fan does not matter."""
    return result.temps_k[0, -60:].mean(axis=0) - C0


def warm_up_min(result: Result, node: int) -> float:
    """Time of a steady drive to within 10 % of the whole rise."""
    rise = result.temps_k[0, :, node] - result.temps_k[0, 0, node]
    return float(np.argmax(rise >= 0.9 * rise[-30:].mean()) + 1) / 6.0


def soak_after_climb(vehicle: Vehicle) -> tuple[float, np.ndarray]:
    """The coolant's rise in ten minutes after a climb in 38 degC, and its course from when the engine stops. [K, K]"""
    climb = held(vehicle, steady_drive(minutes=15, speed_m_per_s=22.0, grade=0.065, air_k=311.15, elevation_m=300.0))
    coolant = simulate(join(climb, parked(90, 311.15, 1500.0)), vehicle).temps_k[0, :, 1]
    return float(coolant[90:150].max() - coolant[89]), coolant[89:]


def fuel_l_per_100km(vehicle: Vehicle) -> float:
    """Fuel use at a steady 100 km/h on level road in 20 degC."""
    drive = steady_drive(minutes=1, speed_m_per_s=100.0 / 3.6, grade=0.0, air_k=20.0 + C0)
    return float(simulate(drive, vehicle).work.fuel_w[-1]) / LHV_J_PER_L[vehicle.engine.fuel] / (100.0 / 3.6) * 1e5


def energy_left_open(result: Result, drive: Drive, vehicle: Vehicle) -> float:
    """Heat made, less given away, less stored, as a share of the heat made; one draw from a cold start."""
    stored = float(((result.temps_k[0, -1] - drive.air_k[0]) * heat_capacities_j_per_k(vehicle)).sum())
    return abs(float(result.heat_in_j[0] - result.heat_out_j[0]) - stored) / max(float(result.heat_in_j[0]), 1e3)


def gearbox_by_speed_c(vehicle: Vehicle, grade: str) -> np.ndarray:
    """Hottest gearbox on a grade driven at 20 to 60 mph in steps of 2, or at what it holds; entered at 55 mph."""
    length_m, slope = LONG_GRADES[grade]
    where = {"air_k": HOT["air_k"], "elevation_m": HOT["elevation_m"], "ac_on": True}
    warm = simulate(steady_drive(minutes=60, speed_m_per_s=55 * MPH, grade=0.0, **where), vehicle).temps_k[0, -1]
    found = []
    for mph in SPEEDS_MPH:
        drive = steady_drive(minutes=length_m / (mph * MPH) / 60.0, speed_m_per_s=mph * MPH, grade=slope, **where)
        at = held(vehicle, drive)
        at = replace(at, duration_s=drive.duration_s * drive.speed_m_per_s / at.speed_m_per_s)
        found.append(
            float(simulate(at, vehicle, start_k=warm).temps_k[0, :, fluids.fluid_of("transmission").node].max()) - C0
        )
    return np.array(found)
