"""The gear from engine speed and road speed, against gearing worked out by hand."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from cars import read_class

from planner.files.logs import Series
from planner.logs.drives import gears_held
from thermal.drive import steady_drive
from thermal.simulate import simulate
from thermal.vehicle import Vehicle

SPEED_M_PER_S = 22.0


def log_of(rpm: float, speed_m_per_s: float = SPEED_M_PER_S) -> SimpleNamespace:
    """Ten minutes at one engine speed and one road speed, a row a second."""
    time_s = np.arange(0.0, 600.0)
    channels = {
        "speed": Series(time_s=time_s, value=np.full(600, speed_m_per_s)),
        "rpm": Series(time_s=time_s, value=np.full(600, rpm * np.pi / 30.0)),
    }
    return SimpleNamespace(channels=channels)


def gears(vehicle: Vehicle, rpm: float, speed_m_per_s: float = SPEED_M_PER_S) -> set[float]:
    drive = steady_drive(minutes=10.0, speed_m_per_s=speed_m_per_s, grade=0.0, air_k=290.0)
    return set(gears_held(vehicle, drive, log_of(rpm, speed_m_per_s)))


def rpm_in(vehicle: Vehicle, gear: int) -> float:
    """rpm = speed / (2 pi tyre radius) x ratio x final drive x 60: mechanics, by hand."""
    turns_per_s = SPEED_M_PER_S / (2.0 * np.pi * vehicle.body.tyre_radius_m) * vehicle.axle.ratio
    return turns_per_s * 60.0 * vehicle.gearbox.ratios[gear - 1]


@pytest.mark.parametrize("gear", [1, 2, 3, 4, 5])
def test_a_manual_gear_is_known_by_its_ratio(gear: int) -> None:
    vehicle = read_class("estate-1990s-six").vehicle
    rpm = rpm_in(vehicle, gear)
    assert gears(vehicle, rpm) == {float(gear)}
    assert gears(vehicle, 1.04 * rpm) == {float(gear)}  # tyres worn, a speed that reads low


def test_an_automatic_slips_and_a_clutch_that_is_open_tells_nothing() -> None:
    vehicle = read_class("saloon-1980s-v8-automatic").vehicle
    direct = 1 + vehicle.gearbox.ratios.index(1.0)
    assert gears(vehicle, 1.12 * rpm_in(vehicle, direct)) == {float(direct)}  # an open converter
    manual = read_class("estate-1990s-six").vehicle
    assert gears(manual, 700.0) == {0.0}  # rolling with the clutch down
    assert gears(manual, 2000.0, 2.0) == {0.0}  # pulling away


def test_the_model_drives_in_the_gear_that_was_held() -> None:
    """A driver who holds third: the model's engine turns as the log says, within what speeds and tyres are off."""
    vehicle = read_class("estate-1990s-six").vehicle
    rpm = rpm_in(vehicle, 3)
    drive = steady_drive(minutes=10.0, speed_m_per_s=SPEED_M_PER_S, grade=0.0, air_k=290.0)
    held = replace(drive, highest_gear=gears_held(vehicle, drive, log_of(rpm)))
    free, third = (simulate(one, vehicle).work.engine_rad_per_s[-1] * 30.0 / np.pi for one in (drive, held))
    assert third == pytest.approx(rpm, rel=0.02)
    assert third > 1.2 * free


def test_downhill_the_model_keeps_the_gear_held_and_leaves_the_rest_to_the_brakes() -> None:
    """A driver who brakes in fourth: friction at the logged engine speed alone heats the engine, without fuel."""
    vehicle = read_class("estate-1990s-six").vehicle
    drive = steady_drive(minutes=10.0, speed_m_per_s=SPEED_M_PER_S, grade=-0.07, air_k=290.0)
    held = gears_held(vehicle, drive, log_of(rpm_in(vehicle, 4)))
    free, fourth = (simulate(one, vehicle).work for one in (drive, replace(drive, highest_gear=held, held_gear=held)))
    assert fourth.engine_rad_per_s[-1] * 30.0 / np.pi == pytest.approx(rpm_in(vehicle, 4), rel=1e-6)
    assert free.engine_rad_per_s[-1] > 1.2 * fourth.engine_rad_per_s[-1]
    assert fourth.fuel_w[-1] == 0.0
    assert fourth.brake_w[-1] > free.brake_w[-1] + 2e3
