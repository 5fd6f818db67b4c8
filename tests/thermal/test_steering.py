"""Power-steering fluid: by hand, inside the bands of the trade, and nowhere where there is none."""

import dataclasses

import numpy as np
import pytest
from cars import C0, CLASS_NAMES, MPH, held, parked, read_class, with_part

from thermal import kernel, steering
from thermal.drive import steady_drive
from thermal.errors import ParameterError
from thermal.fluids import FACTORS, fluid_of, fluids_in
from thermal.simulate import simulate
from thermal.spread import draw
from thermal.vehicle import Vehicle

FLUID = fluid_of("power_steering")
HYDRAULIC = [name for name in CLASS_NAMES if read_class(name).vehicle.steering.kind == "hydraulic"]
WITHOUT = "roadster-1960s-four"


def warm_c(vehicle: Vehicle, *, speed: float, grade: float, air_c: float, minutes: float = 90.0) -> float:
    drive = steady_drive(minutes=minutes, speed_m_per_s=speed, grade=grade, air_k=air_c + C0)
    return float(simulate(held(vehicle, drive), vehicle).temps_k[0, -1, FLUID.node]) - C0


def test_pump_by_hand(estate: Vehicle) -> None:
    """Flow times pressure: 8 L/min at 90 bar are 1,200 W; 30 % of it creeping at no speed, half that at 6 m/s."""
    assert 8e-3 / 60.0 * 90e5 == pytest.approx(estate.steering.relief_power_w)
    assert float(steering.steering_work_w(estate.steering, np.array(0.0))) == pytest.approx(360.0)
    assert float(steering.steering_work_w(estate.steering, np.array(6.0))) == pytest.approx(180.0)
    at_3000_rpm = np.array(3000.0 * np.pi / 30.0)
    assert float(steering.pump_spin_w(estate.steering, at_3000_rpm)) == pytest.approx(estate.steering.spin_loss_w)


@pytest.mark.parametrize("name", HYDRAULIC)
def test_bands_of_the_trade(name: str) -> None:
    """Common practice, no source: 40 to 95 degC on the motorway at 20 to 38 degC, 80 to 125 on hot winding climbs."""
    vehicle = read_class(name).vehicle
    assert 40.0 <= warm_c(vehicle, speed=65 * MPH, grade=0.0, air_c=20.0)
    assert warm_c(vehicle, speed=65 * MPH, grade=0.0, air_c=38.0) <= 95.0
    assert 80.0 <= warm_c(vehicle, speed=20 * MPH, grade=0.07, air_c=35.0, minutes=40.0) <= 125.0
    assert 45.0 <= warm_c(vehicle, speed=0.0, grade=0.0, air_c=38.0) <= 90.0  # idling


def test_switchbacks_are_hotter_than_the_motorway_and_a_cooler_helps(estate: Vehicle) -> None:
    winding = {"speed": 20 * MPH, "grade": 0.07, "air_c": 30.0}
    bare = with_part(estate, "power_steering_cooler", kind="none")
    assert warm_c(bare, **winding) > warm_c(bare, speed=65 * MPH, grade=0.0, air_c=30.0) + 10.0
    assert warm_c(estate, **winding) < warm_c(bare, **winding) - 2.0


def test_long_segments_are_stepped_finely_enough(estate: Vehicle) -> None:
    """A night as one segment of 10 h against the same in 10 s pieces; the other bodies alone choose the steps."""
    fine = parked(600.0, 280.0)
    one = fine.take(np.array([0]))
    coarse = dataclasses.replace(one, duration_s=np.array([36_000.0]))
    start = np.full(kernel.N_NODE, 380.0)
    ends = [simulate(d, estate, start_k=start).temps_k[0, -1, FLUID.node] for d in (coarse, fine)]
    assert abs(float(ends[0] - ends[1])) <= 0.05


def test_no_other_body_feels_it(estate: Vehicle) -> None:
    """Temperatures of all others are the same to the last bit with it, without it, and with twice its heat."""
    drive = steady_drive(minutes=60, speed_m_per_s=15.0, grade=0.05, air_k=305.0)
    hot = with_part(estate, "steering", spin_loss_w=2.0 * estate.steering.spin_loss_w)
    none = with_part(estate, "steering", kind="none")
    temps = [simulate(drive, car).temps_k[0] for car in (estate, hot, none)]
    others = [node for node in range(kernel.N_NODE) if node != FLUID.node]
    assert np.array_equal(temps[0][:, others], temps[1][:, others])
    assert np.array_equal(temps[0][:, others], temps[2][:, others])
    assert temps[1][-1, FLUID.node] > temps[0][-1, FLUID.node] + 5.0


def test_added_factors_leave_the_other_draws_alone() -> None:
    """The first sequence is Owen's scrambled Sobol of twelve factors and the days, as scipy alone gives it."""
    from scipy.special import ndtri
    from scipy.stats import qmc

    factors, shift_k = draw(64, ambient_sd_k=np.full(2, 3.0), seed=5)
    first = [name for name, factor in FACTORS.items() if not factor.later]
    plain = ndtri(np.clip(qmc.Sobol(len(first) + 2, rng=np.random.default_rng(5)).random(64), 1e-6, 1.0 - 1e-6))
    expect = np.exp(plain[:, : len(first)] * [FACTORS[name].spread for name in first])
    assert np.allclose(np.array([getattr(factors, name) for name in first]).T, expect, rtol=1e-12, atol=0.0)
    assert np.allclose(shift_k, plain[:, len(first) :] * 3.0, rtol=1e-12, atol=0.0)


def test_its_draws_are_spread_as_asked_and_hang_on_no_other() -> None:
    """Within 4 % of the deviation, correlations below 0.08: 2.5 standard errors of 1,024 plain draws."""
    factors, _ = draw(1024, ambient_sd_k=np.full(3, 3.0))
    logs = np.log(np.array(factors))
    for name in FLUID.factors:
        assert np.std(np.log(getattr(factors, name))) == pytest.approx(FACTORS[name].spread, rel=0.04)
    assert np.max(np.abs(np.corrcoef(logs) - np.eye(len(logs)))) < 0.08


def test_a_car_without_has_no_such_fluid() -> None:
    vehicle = read_class(WITHOUT).vehicle
    assert [fluid.key for fluid in fluids_in(vehicle)] == ["coolant", "engine_oil", "transmission", "differential"]
    own = '[steering]\nkind = {value = "none", source = "changed to an electric pump"}\n'
    assert FLUID not in fluids_in(read_class("estate-1990s-six", own).vehicle)
    assert FLUID in fluids_in(read_class("estate-1990s-six").vehicle)


def test_an_owner_who_adds_it_is_told_what_is_missing() -> None:
    own = '[steering]\nkind = {value = "hydraulic", source = "fitted"}\n'
    with pytest.raises(ParameterError) as caught:
        read_class(WITHOUT, own)
    for where in ("[steering] spin_loss", "[power_steering] surface", "[power_steering_limit] limit"):
        assert f"vehicle.toml {where}: read None" in str(caught.value)
