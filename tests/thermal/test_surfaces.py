"""What gearbox and axle give to the air of the road, against a published correlation for a cylinder in cross flow.

Churchill and Bernstein, J. Heat Transfer 99 (1977) 300-306, as implemented in the library `ht`
(`Nu_cylinder_Churchill_Bernstein`). Air at 300 K: k 0.0263 W/(m K), nu 16e-6 m2/s, Pr 0.707 (Incropera, table A.4, from
memory). How much of the road's wind arrives under a car, 40 to 100 %, is ASSUMED: a check of the order, not the digit.
"""

import pytest
from cars import CLASS_NAMES, read_class
from ht import Nu_cylinder_Churchill_Bernstein

SPEED_M_PER_S = 100.0 / 3.6  # the surfaces of a file are those at 100 km/h


def film_w_per_m2k(share, across_m):
    speed = share * SPEED_M_PER_S
    return Nu_cylinder_Churchill_Bernstein(Re=speed * across_m / 16e-6, Pr=0.707) * 0.0263 / across_m


@pytest.mark.parametrize("name", CLASS_NAMES)
def test_surfaces_are_those_of_cylinders_in_the_air_under_a_car(name):
    car = read_class(name).vehicle
    case, housing = car.transmission, car.differential
    # The case lies in a tunnel: its lower half in slow air, or all of it in faster air; a transaxle is in front.
    low, high = 0.5 * case.area_m2 * film_w_per_m2k(0.4, 0.28), case.area_m2 * film_w_per_m2k(0.6, 0.28)
    front = 1.3 if car.axle.kind == "transaxle" else 1.0
    assert 0.85 * low <= case.surface_w_per_k <= 1.15 * front * high
    low, high = (housing.area_m2 * film_w_per_m2k(share, 0.25) for share in (0.6, 1.0))
    assert 0.85 * low <= housing.surface_w_per_k <= 1.15 * high


def test_the_check_can_fail():
    assert 22.0 < film_w_per_m2k(0.4, 0.28) < film_w_per_m2k(1.0, 0.25) < 80.0
