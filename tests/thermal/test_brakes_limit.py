"""Descents: the speed a long grade is taken at is the one the brakes bear."""

from dataclasses import replace

import numpy as np
import pytest
from cars import with_part

from thermal import kernel
from thermal.drive import steady_drive
from thermal.loads import safe_descent_m_per_s
from thermal.simulate import simulate
from thermal.vehicle import Vehicle

LIMIT_K = 573.15  # street pads begin to fade at 300-370 degC; common practice, no source


@pytest.mark.parametrize(("grade", "slowest"), [(-0.06, 20.0), (-0.08, 9.0), (-0.10, 5.0)])
def test_descents_are_taken_no_faster_than_the_brakes_bear(estate: Vehicle, grade: float, slowest: float) -> None:
    """Driven for ever at that speed the rotors stay under the limit; at the wanted speed they do not.

    The slowest are what was found, rounded down, so that no search gives up early; 5 m/s is its floor.
    """
    car = with_part(estate, "trailer", mass_kg=1800.0, drag_area_m2=1.0)
    wanted = steady_drive(minutes=60, speed_m_per_s=25.0, grade=grade, air_k=300.0)
    wanted = replace(wanted, elevation_m=np.full_like(wanted.elevation_m, 1500.0))
    speed = safe_descent_m_per_s(car, wanted)

    def settled_k(v: np.ndarray) -> float:
        at = replace(wanted, speed_m_per_s=v, end_speed_m_per_s=v)
        return float(simulate(at, car).temps_k[0, -1, kernel.ROTORS])

    assert settled_k(speed) <= LIMIT_K + 1.0 or speed[0] == 5.0
    assert slowest <= speed[0] < 25.0
    assert settled_k(wanted.speed_m_per_s) > LIMIT_K


def test_level_and_uphill_are_left_alone(estate: Vehicle) -> None:
    for grade in (-0.02, 0.0, 0.06):
        drive = steady_drive(minutes=1, speed_m_per_s=25.0, grade=grade, air_k=300.0)
        assert np.all(safe_descent_m_per_s(estate, drive) == 25.0)
