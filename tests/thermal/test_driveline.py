"""Gear choice, converter and losses against hand cases; common practice where no source is named."""

import dataclasses

import numpy as np
import pytest
from cars import CLASS_NAMES, read_class, with_part

from thermal import driveline, engine, gears, loads
from thermal.drive import steady_drive
from thermal.fluids import fluid_of
from thermal.simulate import nominal, simulate
from thermal.vehicle import Vehicle

RPM = np.pi / 30.0


@pytest.fixture(scope="module")
def automatic(estate: Vehicle) -> Vehicle:
    """The estate with a four-speed automatic that locks up at 70 km/h; no real car."""
    return with_part(
        estate,
        "gearbox",
        kind="automatic",
        ratios=(2.72, 1.48, 1.0, 0.72),
        stall_speed_rad_per_s=2200 * RPM,
        lockup_ratio=1.0,
        lockup_road_speed_m_per_s=70 / 3.6,
    )


def choose(vehicle: Vehicle, wheel_w: float, speed_m_per_s: float, share: float = 1.0) -> driveline.Gear:
    one = np.ones(1)
    return driveline.choose_gear(
        vehicle, wheel_w=wheel_w * one, speed_m_per_s=speed_m_per_s * one, other_w=2000.0 * one, power_share=share * one
    )


@pytest.mark.checks("thermal.driveline.gear_efficiency")
def test_gear_efficiency_is_that_of_a_manual(estate: Vehicle) -> None:
    """Common practice, churning counted apart: 0.99 (0.985-0.995) a pair of gears, two pairs in an indirect gear.

    Direct drive has bearings and seals alone, 0.99-0.997.
    """
    found = driveline.gear_efficiency(estate.gearbox)
    assert np.all((0.985**2 <= found[:-1]) & (found[:-1] <= 0.995**2))
    assert 0.99 <= found[-1] <= 0.997


@pytest.mark.checks("thermal.gears.converter_ratio", "thermal.gears.torque_ratio")
@pytest.mark.parametrize("ratio", [0.3, 0.6, 0.8, 0.9, 0.95])
def test_the_ratio_found_carries_the_torque(automatic: Vehicle, ratio: float) -> None:
    """Solve forward with the documented shape, then ask for the ratio: capacity ~ (pump speed / stall speed)^2."""
    pump = 2500 * RPM
    peak, stall = automatic.engine.peak_torque_nm, automatic.gearbox.stall_speed_rad_per_s
    torque = peak * (pump / stall) ** 2 * (1.0 - ratio**6) * gears.torque_ratio(ratio)
    assert gears.converter_ratio(torque, pump * ratio, peak, stall) == pytest.approx(ratio, abs=1e-6)


@pytest.mark.checks("thermal.gears.converter_ratio")
def test_stall_speed_is_where_the_engine_stalls(automatic: Vehicle) -> None:
    """By definition the pump takes the peak torque at the stall speed when the turbine hardly turns."""
    peak, stall = automatic.engine.peak_torque_nm, automatic.gearbox.stall_speed_rad_per_s
    ratio = gears.converter_ratio(1.9 * peak, 0.1 * stall, peak, stall)
    assert 0.1 * stall / ratio == pytest.approx(stall, rel=0.03)


@pytest.mark.parametrize("name", CLASS_NAMES)
def test_compiled_torque_and_friction_are_the_engine_s(name: str) -> None:
    """The compiled choice of gears repeats two formulas of `thermal.engine`: demand and supply must agree with them."""
    vehicle = read_class(name).vehicle
    speed, share = np.linspace(2.0, 45.0, 40), np.full(40, 0.9)
    asked = {"speed_m_per_s": speed, "other_w": 2000.0 * np.ones(40), "power_share": share}
    for first in range(len(vehicle.gearbox.ratios)):
        got = driveline.choose_gear(vehicle, wheel_w=np.full(40, -40e3), gear=np.full(40, float(first)), **asked)
        turning = got.engine_rad_per_s
        given = engine.full_torque_nm(vehicle.engine, turning) * turning * share
        assert got.available_w == pytest.approx(given, rel=1e-9)
        held = got.brake_w > 0.0
        assert held.any()
        assert -got.crank_w[held] == pytest.approx(engine.friction_w(vehicle.engine, turning)[held], rel=1e-9)


@pytest.mark.checks("thermal.driveline.creep_w")
def test_idling_in_gear_heats_the_fluid_by_one_to_three_kilowatts(estate: Vehicle) -> None:
    """Common practice, for converters of cars and pick-ups; a manual's clutch is open."""
    for name in CLASS_NAMES:
        vehicle = read_class(name).vehicle
        if vehicle.gearbox.kind == "automatic":
            assert 600.0 <= driveline.creep_w(vehicle) <= 3000.0, name
    assert driveline.creep_w(estate) == 0.0


@pytest.mark.checks("thermal.driveline.sustained_rad_per_s")
def test_no_engine_is_held_above_the_speed_of_its_rated_power(estate: Vehicle) -> None:
    """Common practice: a driver leaves the last tenth of the revolutions; on a grade he slows instead."""
    rated = estate.engine.peak_power_speed_rad_per_s
    assert 0.8 * rated <= driveline.sustained_rad_per_s(estate) <= rated
    wanted = steady_drive(minutes=1, speed_m_per_s=40.0, grade=0.12, air_k=300.0)
    slowed = loads.held_speed_m_per_s(estate, wanted)
    at = dataclasses.replace(wanted, speed_m_per_s=slowed)
    _, work = loads.compute_loads(estate, at)
    assert slowed[0] < 40.0
    assert work.engine_rad_per_s[0] <= 1.001 * driveline.sustained_rad_per_s(estate)


@pytest.mark.checks("thermal.driveline.choose_gear")
@pytest.mark.parametrize("mph", [8, 10, 15, 20, 25])
@pytest.mark.parametrize("grade", [0.0, 0.04, 0.08])
def test_an_automatic_shifts_by_its_geared_speed(mph: float, grade: float) -> None:
    """A converter's slip must not hide a lugging gear: geared speed above 0.75 of lugging, or first."""
    for name in CLASS_NAMES:
        vehicle = read_class(name).vehicle
        drive = steady_drive(minutes=1, speed_m_per_s=mph * 0.44704, grade=grade, air_k=300.0)
        _, work = loads.compute_loads(vehicle, drive)
        gear = int(work.gear[0])
        geared = drive.speed_m_per_s[0] * vehicle.gearbox.ratios[gear] * vehicle.axle.ratio / vehicle.body.tyre_radius_m
        assert gear == 0 or geared >= 0.75 * vehicle.gearbox.lugging_speed_rad_per_s, name


@pytest.mark.checks("thermal.driveline.choose_gear")
def test_the_clutch_locks_by_ratio_speed_and_load(automatic: Vehicle) -> None:
    """Locked in direct and overdrive on the level; released above half of full load, and in low gears."""
    level, heavy = choose(automatic, 15e3, 25.0), choose(automatic, 85e3, 25.0)
    assert level.converter_heat_w[0] == 0.0
    assert heavy.converter_heat_w[0] > 1000.0
    never = with_part(automatic, "gearbox", lockup_ratio=0.0)
    assert choose(never, 15e3, 25.0).converter_heat_w[0] > 0.0


@pytest.mark.checks("thermal.driveline.choose_gear")
def test_the_highest_gear_allowed_is_kept(automatic: Vehicle) -> None:
    """Overdrive off, and third of four held: no higher gear on the level, a lower one where it is needed."""
    one = np.ones(1)
    where = {"speed_m_per_s": 25.0 * one, "other_w": 2000.0 * one, "power_share": one}
    free, held = (
        driveline.choose_gear(automatic, wheel_w=15e3 * one, highest_gear=top * one, **where).chosen[0]
        for top in (0.0, 3.0)
    )
    assert (free, held) == (3.0, 2.0)
    off = driveline.choose_gear(automatic, wheel_w=15e3 * one, highest_gear=-1.0 * one, **where).chosen[0]
    assert off == 2.0
    steep = driveline.choose_gear(automatic, wheel_w=90e3 * one, highest_gear=3.0 * one, **where)
    assert steep.chosen[0] < 2.0


@pytest.mark.checks("thermal.driveline.choose_gear")
def test_what_a_converter_wastes_and_what_a_lazy_box_may_waste_more(estate: Vehicle, automatic: Vehicle) -> None:
    """Common practice: locked on a cruise in every box that can lock; on a grade an open converter wastes 4-12 %.

    By definition the doubt is never less than what is wasted, so that its factor can double it or take it away.
    """
    level, grade, locked = choose(automatic, 8e3, 25.0), choose(automatic, 45e3, 25.0), choose(automatic, 25e3, 22.0)
    assert level.converter_doubt_w[0] == locked.converter_heat_w[0] == 0.0
    assert 0.04 * 45e3 < grade.converter_heat_w[0] + grade.converter_doubt_w[0] < 0.13 * 45e3
    assert grade.converter_doubt_w[0] >= grade.converter_heat_w[0]
    assert 0.02 * 25e3 < choose(automatic, 25e3, 18.0).converter_heat_w[0] < 0.25 * 25e3
    open_ = choose(with_part(automatic, "gearbox", lockup_ratio=0.0), 8e3, 25.0)
    assert open_.converter_doubt_w[0] == pytest.approx(open_.converter_heat_w[0], rel=0.01)
    assert choose(estate, 45e3, 25.0).converter_doubt_w[0] == 0.0


@pytest.mark.checks("thermal.driveline.choose_gear")
@pytest.mark.parametrize("wheel_w", [5e3, 30e3, 70e3])
@pytest.mark.parametrize("kind", ["manual", "automatic"])
def test_crank_power_is_wheel_power_and_every_loss(
    estate: Vehicle, automatic: Vehicle, wheel_w: float, kind: str
) -> None:
    vehicle = estate if kind == "manual" else automatic
    got = choose(vehicle, wheel_w, 17.0)
    spin = driveline.axle_spin_w(vehicle.axle, np.asarray(17.0))
    spin = spin + driveline.gearbox_spin_w(vehicle.gearbox, got.engine_rad_per_s)  # pump and drag turn with the engine
    heat = got.axle_heat_w + got.gearbox_heat_w + got.converter_heat_w
    assert got.crank_w == pytest.approx(wheel_w + heat + spin + 2000.0, rel=1e-12)
    assert got.brake_w == pytest.approx([0.0])


@pytest.mark.checks("thermal.driveline.choose_gear")
def test_gears_follow_the_load(estate: Vehicle) -> None:
    """Common practice: top on the level, lower on a grade, lower again in thin air, never above the highest speed."""
    level, hill, thin = choose(estate, 12e3, 25.0), choose(estate, 70e3, 25.0), choose(estate, 70e3, 25.0, 0.7)
    assert level.chosen[0] == 4.0
    assert thin.chosen[0] <= hill.chosen[0] < 4.0
    for got in (level, hill, thin):
        assert got.engine_rad_per_s[0] <= estate.engine.top_speed_rad_per_s


@pytest.mark.checks("thermal.driveline.choose_gear")
def test_descent_power_goes_to_engine_and_brakes(estate: Vehicle) -> None:
    """First law at the crank: what friction cannot take is left to the brakes; low gears hold more."""
    gentle, steep = choose(estate, -6e3, 17.0), choose(estate, -60e3, 17.0)
    assert gentle.brake_w[0] == 0.0
    assert steep.brake_w[0] > 0.4 * 60e3
    assert steep.chosen[0] < gentle.chosen[0] or steep.chosen[0] <= 2
    assert steep.engine_rad_per_s[0] <= estate.gearbox.descent_speed_rad_per_s
    friction = engine.friction_w(estate.engine, steep.engine_rad_per_s)
    assert steep.crank_w == pytest.approx(-friction, rel=1e-12)


@pytest.mark.checks("thermal.driveline.power_shortfall_w")
def test_shortfall_is_demand_less_what_the_engine_gives(estate: Vehicle) -> None:
    """At the geared speed of rated power, in third, the wheels get 142 kW less the losses: 0.965 x 0.975 less spin."""
    third = estate.gearbox.ratios[2] * estate.axle.ratio / estate.body.tyre_radius_m
    speed = estate.engine.peak_power_speed_rad_per_s / third
    rated = estate.engine.peak_power_w
    for share in (1.0, 0.7):
        arguments = {
            "speed_m_per_s": np.array([speed]),
            "other_w": np.array([2000.0]),
            "power_share": np.array([share]),
            "steady": False,
        }
        wheel = np.linspace(0.5, 1.0, 501) * rated
        short = np.array([driveline.power_shortfall_w(estate, wheel_w=np.array([w]), **arguments)[0] for w in wheel])
        most = float(np.interp(0.0, short, wheel))
        spin = driveline.axle_spin_w(estate.axle, np.asarray(speed))
        spin_box = driveline.gearbox_spin_w(estate.gearbox, np.asarray(speed * third))
        mesh, axle = estate.gearbox.mesh_efficiency, estate.axle.efficiency
        expect = ((rated * share - 2000.0 - spin_box) * mesh - spin) * axle
        assert most == pytest.approx(expect, rel=0.005)


def test_the_cooler_in_the_tank_is_in_doubt_on_a_cruise_and_not_with_the_thermostat_open() -> None:
    """Natural convection about a tube in still water, 600 W/(m2 K) (Churchill and Chu, from memory), is near forced."""
    sound = read_class("saloon-1980s-v8-automatic").vehicle
    weak = with_part(sound, "cooling", radiator_w_per_k=500.0)
    node, factors = fluid_of("transmission").node, nominal(2)._replace(tank=np.array([1.0, 4.0]))
    level, grade = (
        simulate(steady_drive(minutes=90, speed_m_per_s=25.0, grade=g, air_k=295.0), car, factors=factors).temps_k[
            :, -1
        ]
        for car, g in ((sound, 0.0), (weak, 0.04))
    )
    assert 8.0 < level[0, node] - level[1, node] < 40.0
    assert grade[:, fluid_of("coolant").node].min() > weak.cooling.thermostat_full_k
    assert grade[0, node] == pytest.approx(grade[1, node], abs=0.5)
