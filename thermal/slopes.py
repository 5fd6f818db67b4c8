"""Sensitivity of a drive's heats to unknown road load and wind."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from thermal.drive import Drive
from thermal.loads import Loads, Work, heats_w
from thermal.ranges import FloatArray
from thermal.vehicle import Vehicle

MASS_STEP, DRAG_STEP, _WIND_M_PER_S = 0.1, 0.2, 4.0  # how far each is moved to find its slope


def road_slopes(vehicle: Vehicle, drive: Drive, loads: Loads, work: Work) -> FloatArray:
    """Change of the heats of a drive with mass, drag area and headwind, shape (n_segment, 15).

    Block, oil, gearbox, axle and rotors, each by the share of mass, by that of drag area [W] and by the headwind
    [W s/m]; in the gears of the drive, which a tenth of mass more seldom changes.
    """
    here = np.stack((loads.metal_w, loads.oil_w, loads.gearbox_w, loads.axle_w, loads.rotor_w))
    steps = (MASS_STEP, DRAG_STEP, _WIND_M_PER_S)
    others = zip(moved(vehicle, drive), steps, strict=True)
    slopes = np.stack([(heats_w(car, way, work.gear) - here) / step for (car, way), step in others], axis=1)
    return np.ascontiguousarray(slopes.reshape(-1, here.shape[1]).T)


def moved(vehicle: Vehicle, drive: Drive) -> Iterator[tuple[Vehicle, Drive]]:
    """Yield the drive with mass greater by the share `MASS_STEP`, with drag area by `DRAG_STEP`, headwind by 4 m/s."""
    body, trailer = vehicle.body, vehicle.trailer
    mass = 1.0 + MASS_STEP
    yield _with(vehicle, body.mass_kg * mass, body.drag_area_m2, trailer.mass_kg * mass, trailer.drag_area_m2), drive
    more_m2 = DRAG_STEP * body.drag_m2 + DRAG_STEP * trailer.drag_m2
    yield _with(vehicle, body.mass_kg, body.drag_area_m2 + more_m2, trailer.mass_kg, trailer.drag_area_m2), drive
    yield vehicle, replace(drive, headwind_m_per_s=drive.headwind_m_per_s + _WIND_M_PER_S)


def _with(vehicle: Vehicle, mass_kg: float, drag_m2: float, trailer_kg: float, trailer_m2: float) -> Vehicle:
    """A vehicle with changed road load, beyond the allowed range if a difference needs it."""
    body, trailer = replace(vehicle.body), replace(vehicle.trailer)
    for part, mass, drag in ((body, mass_kg, drag_m2), (trailer, trailer_kg, trailer_m2)):
        object.__setattr__(part, "mass_kg", mass)
        object.__setattr__(part, "drag_area_m2", drag)
    return replace(vehicle, body=body, trailer=trailer)
