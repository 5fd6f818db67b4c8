"""The part of a drive that does not depend on fluid temperatures: heat made, flows, bare conductances.

Computed once per segment with numpy; the kernel scales it per draw and integrates.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from thermal import air, brakes, cooling, driveline, engine, roadload, steering
from thermal.drive import Drive
from thermal.ranges import BoolArray, FloatArray, bisect
from thermal.vehicle import Cooler, Cooling, Node, Vehicle

_IDLE_ACCESSORY_SHARE = 0.5  # ASSUMED: alternator, pumps and fan at idle against cruise, 0.3 to 0.7
_IDLE_AC_SHARE = 0.7  # ASSUMED: A/C compressor and condenser at idle against cruise, 0.4 to 0.9
# Fuel at idle over that of the Willans line: a carburettor idles rich and late. ASSUMED, 1 to 1.8; injected engines
# meet the 0.3 L/h a litre of Argonne's idle table (from memory) with 1.
_CARBURETTOR_IDLE = 1.5
# No air recirculates to the grille above this speed. ASSUMED, 5 to 12.
_RECIRCULATED_M_PER_S = 8.0
# A/C load relative to that in great heat: a part for sun and glass, the rest as the air's enthalpy above that of the
# air delivered, 10 degC and saturated. Full at 38 degC and a dew point of 20 degC; at most a tenth more. ASSUMED.
_AC_SUN, _AC_DELIVERED_J_PER_KG, _AC_FULL_J_PER_KG, _AC_MOST = 0.25, 29.3e3, 75.9e3, 1.1
_AC_FAN_SHARE = 0.5  # ASSUMED: fan speed with the A/C on, 0.4 to 1
_STILL_RADIATOR_KG_PER_S = 0.03  # ASSUMED: air drifting through a standing radiator without fan, 0.01 to 0.05
_THERMOSIPHON_KG_PER_S = 0.002  # ASSUMED: coolant circulating with the pump stopped, 0 to 0.02
_STILL_LINK_SHARE = 0.05  # ASSUMED: block-coolant and oil-coolant links, pumps stopped against 3000 rpm, 0.03 to 0.1
_STILL_METAL_OIL_SHARE = 0.2  # ASSUMED: block-oil link, engine off against running, 0.1 to 0.4
# Speed at which the rise under the floor is given. ASSUMED: three times as much at rest, 2 to 5.
_UNDERBODY_M_PER_S, _UNDERBODY_STILL = 25.0, 3.0
_HEATER_EXPONENT = 0.3  # ASSUMED: a heater core is limited by its air side, 0.2 to 0.4
_NO_WIND = 1e9  # air speed that makes wind negligible when the car is stopped
_DESCENT_GRADE = -0.03  # steeper than this, a descent's speed is held to what the rotors bear
_HELD_GRADE = -0.02  # ASSUMED, -0.01 to -0.03: steeper than this, a log's gear is kept downhill; else it only brakes
_STEADY_ROTOR_K = 573.15  # ASSUMED: street pads begin to fade at 300-370 degC, common practice
# Fluid through a gearbox's cooler: its pump's pressure is regulated, the flow in the tubes laminar. ASSUMED, 0.3-0.6.
_FLUID_EXPONENT = 0.4
_FLOW_EXPONENT = 0.8  # Dittus-Boelter in the water jacket; Incropera eq. 8.60


class Loads(NamedTuple):
    """Per-segment coefficients of the heat balance, each shape (n_segment,)."""

    duration_s: FloatArray
    air_k: FloatArray  # around the bare surfaces in front
    grille_k: FloatArray  # into radiator and coolers
    under_k: FloatArray  # under the floor
    metal_w: FloatArray
    oil_w: FloatArray
    gearbox_w: FloatArray  # load-proportional and converter
    converter_doubt_w: FloatArray  # additional converter loss in a lazier box of the same kind
    gearbox_spin_w: FloatArray  # at reference viscosity
    axle_w: FloatArray
    axle_spin_w: FloatArray
    rotor_w: FloatArray
    ram_kg_per_s: FloatArray
    fan_kg_per_s: FloatArray  # the fan at its fullest
    fan_least: FloatArray  # share of that with a viscous clutch at its coldest
    fan_begins_k: FloatArray  # coolant at which a viscous clutch begins to engage, and at which it has
    fan_full_k: FloatArray
    condenser_w: FloatArray
    recirculated: FloatArray  # share of the radiator's air that recirculates
    pump_kg_per_s: FloatArray
    metal_coolant_w_per_k: FloatArray
    oil_coolant_w_per_k: FloatArray
    metal_oil_w_per_k: FloatArray
    metal_gearbox_w_per_k: FloatArray
    oil_air_w_per_k: FloatArray  # oil-air cooler, its thermostat open
    oil_water_w_per_k: FloatArray  # oil-water cooler
    gearbox_water_w_per_k: FloatArray
    gearbox_air_w_per_k: FloatArray
    axle_air_w_per_k: FloatArray
    metal_surface_w_per_k: FloatArray
    coolant_surface_w_per_k: FloatArray
    oil_surface_w_per_k: FloatArray
    gearbox_surface_w_per_k: FloatArray
    axle_surface_w_per_k: FloatArray
    rotor_surface_w_per_k: FloatArray
    steering_w: FloatArray  # by the driver's steering
    steering_spin_w: FloatArray  # by its pump, wheels straight, at reference viscosity
    steering_air_w_per_k: FloatArray
    steering_surface_w_per_k: FloatArray
    still: FloatArray  # 1 in still air
    airspeed_m_per_s: FloatArray  # past the car; huge where it is parked, as draws have no wind there
    slope: FloatArray  # shape (n_segment, 15), see `thermal.slopes`; zero where nothing is drawn


class Work(NamedTuple):
    """Work of the engine, for tables and fuel, each shape (n_segment,)."""

    fuel_w: FloatArray
    crank_w: FloatArray
    brake_w: FloatArray
    engine_rad_per_s: FloatArray
    gear: FloatArray  # 0 = first; -1 = neutral or engine off
    available_w: FloatArray


class _Air(NamedTuple):
    density_kg_per_m3: FloatArray
    power_share: FloatArray
    speed_m_per_s: FloatArray  # relative to the air


def _air(vehicle: Vehicle, drive: Drive) -> _Air:
    total = air.pressure_pa(drive.elevation_m)
    vapour = air.vapour_pressure_pa(np.minimum(drive.dew_k, drive.air_k))
    share = engine.power_share(
        vehicle.engine, dry_pressure_pa=total - vapour, temp_k=drive.air_k, elevation_m=drive.elevation_m
    )
    return _Air(air.density_kg_per_m3(drive.air_k, total, vapour), share, drive.speed_m_per_s + drive.headwind_m_per_s)


def road_force_n(vehicle: Vehicle, drive: Drive, density_kg_per_m3: FloatArray | None = None) -> FloatArray:
    """Force at the wheels for steady driving, trailer included, negative downhill, shape (n_segment,).

    The air density is computed from the drive unless given.
    """
    density = _air(vehicle, drive).density_kg_per_m3 if density_kg_per_m3 is None else density_kg_per_m3
    return _steady_force_n(vehicle, drive, density)(drive.speed_m_per_s)


def _steady_force_n(
    vehicle: Vehicle, drive: Drive, density_kg_per_m3: FloatArray
) -> Callable[[FloatArray], FloatArray]:
    """The same at any speeds on the segments of a drive."""
    body, trailer = vehicle.body, vehicle.trailer
    rolling = roadload.rolling_n(body.mass_kg, body.rolling_coefficient, drive.grade)
    rolling = rolling + roadload.rolling_n(trailer.mass_kg, trailer.rolling_coefficient, drive.grade)
    climbing = roadload.climbing_n(body.mass_kg + trailer.mass_kg, drive.grade)

    def at(speed_m_per_s: FloatArray) -> FloatArray:
        drag = roadload.drag_n(
            density_kg_per_m3=density_kg_per_m3,
            drag_area_m2=body.drag_m2 + trailer.drag_m2,
            speed_m_per_s=speed_m_per_s,
            headwind_m_per_s=drive.headwind_m_per_s,
        )
        return rolling + drag + climbing

    return at


def inertia_kg(vehicle: Vehicle) -> float:
    """Mass of car and trailer, with the inertia of wheels and engine in top gear."""
    top = np.asarray(vehicle.gearbox.ratios[-1] * vehicle.axle.ratio)
    return (vehicle.body.mass_kg + vehicle.trailer.mass_kg) * float(roadload.rotational_factor(top))


def _acceleration_n(vehicle: Vehicle, drive: Drive) -> FloatArray:
    """Mean force that changes the speed along each segment; zero where it does not change."""
    before = np.concatenate(([drive.end_speed_m_per_s[0]], drive.end_speed_m_per_s[:-1]))
    force = inertia_kg(vehicle) * (drive.end_speed_m_per_s**2 - before**2) / (2.0 * np.maximum(drive.length_m, 1.0))
    return np.where(drive.speed_m_per_s > 0.0, force, 0.0)


def ac_share(drive: Drive) -> FloatArray:
    """Load of the A/C relative to that in great heat, shape (n_segment,): 0 where it is off, else 0.25 to 1.1. [-]

    By the enthalpy of moist air, 1.006 t + w (2501 + 1.86 t) kJ/kg (ASHRAE Fundamentals, psychrometrics, from memory),
    w at the standard pressure of the place.
    """
    vapour = air.vapour_pressure_pa(np.minimum(drive.dew_k, drive.air_k))
    water = 0.622 * vapour / (air.pressure_pa(drive.elevation_m) - vapour)
    celsius = drive.air_k - 273.15
    enthalpy = 1006.0 * celsius + water * (2.501e6 + 1860.0 * celsius)
    above = (enthalpy - _AC_DELIVERED_J_PER_KG) / (_AC_FULL_J_PER_KG - _AC_DELIVERED_J_PER_KG)
    return np.asarray(drive.ac_on * np.clip(_AC_SUN + (1.0 - _AC_SUN) * above, _AC_SUN, _AC_MOST))


def extras_w(vehicle: Vehicle, drive: Drive) -> FloatArray:
    """Power of accessories and air conditioning on the crankshaft while driving, shape (n_segment,)."""
    return vehicle.engine.accessory_power_w + ac_share(drive) * vehicle.cooling.compressor_power_w


def full_wheel_w(vehicle: Vehicle, drive: Drive, power_share: FloatArray) -> FloatArray:
    """Wheel power at full load in the best gear, shape (n_segment,).

    `power_share` is full-load power relative to rated. [-]
    """
    speed, extras = drive.speed_m_per_s, extras_w(vehicle, drive)

    def given(wheel_w: FloatArray) -> BoolArray:
        asked = {"wheel_w": wheel_w, "speed_m_per_s": speed, "other_w": extras, "power_share": power_share}
        return np.asarray(~(driveline.power_shortfall_w(vehicle, **asked, steady=False) > 0.0))

    return bisect(given, 0.0 * speed, 0.0 * speed + vehicle.engine.peak_power_w, rounds=40)[0]


def held_speed_m_per_s(vehicle: Vehicle, drive: Drive) -> FloatArray:
    """Speed the car can hold, at most the one wanted, shape (n_segment,).

    Bisection on the power balance in the best gear, only where the wanted speed cannot be held; not below 3 m/s.
    """
    holds = _strong_enough(vehicle, drive)(drive.speed_m_per_s)
    short = np.flatnonzero((drive.speed_m_per_s > 0.0) & ~holds)
    held = drive.speed_m_per_s.copy()
    if len(short):
        part, low = drive.take(short), np.full(len(short), 3.0)
        held[short] = bisect(_strong_enough(vehicle, part), low, part.speed_m_per_s, rounds=24)[0]
    return held


def safe_descent_m_per_s(vehicle: Vehicle, drive: Drive) -> FloatArray:
    """Speed at which the front rotors stay below a steady temperature however long the grade, shape (n_segment,).

    Not above the one wanted and not below 5 m/s.

    Bisection on rotor heat = rotor conductance times (limit - air), best gear for engine braking. A lower gear comes in
    below some speed, so the search may stop at a slower speed than the fastest that would do. Short grades could be
    taken faster; a careful driver goes down a long one no faster than this.
    """
    steep = np.flatnonzero((drive.speed_m_per_s > 5.0) & (drive.grade < _DESCENT_GRADE))
    safe = drive.speed_m_per_s.copy()
    if len(steep):
        part = drive.take(steep)
        hot = np.flatnonzero(~_rotors_cool_enough(vehicle, part)(part.speed_m_per_s))
        if len(hot):
            part = part.take(hot)
            low = np.full(len(hot), 5.0)
            safe[steep[hot]] = bisect(_rotors_cool_enough(vehicle, part), low, part.speed_m_per_s, rounds=20)[0]
    return safe


_Holds = Callable[[FloatArray], BoolArray]


def _demand(vehicle: Vehicle, drive: Drive) -> tuple[Callable[[FloatArray], dict[str, FloatArray]], _Air]:
    """Arguments for the driveline at any steady speeds on the segments of a drive, and the air around."""
    surroundings, extras = _air(vehicle, drive), extras_w(vehicle, drive)
    force = _steady_force_n(vehicle, drive, surroundings.density_kg_per_m3)

    def at(speed_m_per_s: FloatArray) -> dict[str, FloatArray]:
        wheel = force(speed_m_per_s) * speed_m_per_s
        return {"wheel_w": wheel, "other_w": extras, "power_share": surroundings.power_share}

    return at, surroundings


def _rotors_cool_enough(vehicle: Vehicle, drive: Drive) -> _Holds:
    """Whether steady braking at a speed heats the rotors no further than their steady limit."""
    demand, surroundings = _demand(vehicle, drive)
    hot, air_k = _STEADY_ROTOR_K, drive.air_k
    glow = vehicle.rotors.emissivity * cooling.STEFAN_BOLTZMANN_W_PER_M2K4 * (hot**2 + air_k**2) * (hot + air_k)

    def holds(speed_m_per_s: FloatArray) -> BoolArray:
        gear = driveline.choose_gear(vehicle, speed_m_per_s=speed_m_per_s, **demand(speed_m_per_s))
        scale = cooling.surface_scale(speed_m_per_s + drive.headwind_m_per_s, surroundings.density_kg_per_m3)
        conductance = vehicle.rotors.surface_w_per_k * scale + vehicle.rotors.area_m2 * glow
        return np.asarray(brakes.rotor_heat_w(gear.brake_w) <= conductance * (hot - air_k))

    return holds


def _strong_enough(vehicle: Vehicle, drive: Drive) -> _Holds:
    """Whether the best gear has the crank power for a speed."""
    demand, _ = _demand(vehicle, drive)

    def holds(speed_m_per_s: FloatArray) -> BoolArray:
        speed = np.maximum(speed_m_per_s, 0.1)
        missing = driveline.power_shortfall_w(vehicle, speed_m_per_s=speed, **demand(speed_m_per_s), steady=True)
        return np.asarray(missing <= 0.0)

    return holds


def compute_loads(vehicle: Vehicle, drive: Drive, *, gear: FloatArray | None = None) -> tuple[Loads, Work]:
    """Compute the coefficients of a drive that do not depend on fluid temperatures, and the engine's work.

    The drive has speeds that the car can hold. `gear` are the gears to drive in, 0 the first, shape (n_segment,), as
    `Work` has them; chosen if not given. [-]
    """
    d = _drive_it(vehicle, drive, gear)
    work = Work(
        fuel_w=d.heat.fuel_w,
        crank_w=d.driving * d.crank_w,
        brake_w=d.driving * d.gear.brake_w,
        engine_rad_per_s=d.turning_rad_per_s,
        gear=np.where(d.driving > 0.0, d.gear.chosen, -1.0),
        available_w=d.driving * d.gear.available_w,
    )
    return _assemble(vehicle, drive, d), work


def heats_w(vehicle: Vehicle, drive: Drive, gear: FloatArray) -> FloatArray:
    """Heat of block, oil, gearbox, axle and rotors as in `Loads`, shape (5, n_segment); `gear` as `compute_loads`."""
    d = _drive_it(vehicle, drive, gear)
    gearbox, axle = _by_load(vehicle, d)
    return np.stack((d.heat.metal_w, d.heat.oil_w, gearbox, axle, brakes.rotor_heat_w(d.driving * d.gear.brake_w)))


class _Driven(NamedTuple):
    """A drive as driven, per segment."""

    air: _Air
    gear: driveline.Gear
    crank_w: FloatArray  # while driving, as far as the engine has it
    heat: engine.EngineHeat
    driving: FloatArray  # share of the time
    idling: FloatArray
    turning_rad_per_s: FloatArray  # the engine, on the mean


def _drive_it(vehicle: Vehicle, drive: Drive, gear: FloatArray | None) -> _Driven:
    """Choose the gears, unless given, and work out what the engine does."""
    surroundings, extras = _air(vehicle, drive), extras_w(vehicle, drive)
    moving = drive.speed_m_per_s > 0.0
    force = road_force_n(vehicle, drive, surroundings.density_kg_per_m3) + _acceleration_n(vehicle, drive)
    asked = {
        "wheel_w": force * drive.speed_m_per_s,
        "speed_m_per_s": np.where(moving, drive.speed_m_per_s, 1.0),
        "other_w": extras,
        "power_share": surroundings.power_share,
    }
    chosen = driveline.choose_gear(
        vehicle, **asked, low_gear=drive.low_gear, highest_gear=drive.highest_gear, gear=gear
    )
    downhill = (chosen.crank_w < 0.0) & (drive.grade < _HELD_GRADE)
    lower = downhill & (chosen.chosen + 1.0 < drive.held_gear)
    if gear is None and lower.any():  # downhill a driver may leave it to the brakes; the log says so
        held = driveline.choose_gear(vehicle, **asked, gear=np.where(lower, drive.held_gear - 1.0, chosen.chosen))
        chosen = driveline.Gear(*(np.where(lower, one, other) for one, other in zip(held, chosen, strict=True)))
    crank = np.minimum(chosen.crank_w, np.maximum(chosen.available_w, extras))
    running = (drive.engine_on > 0.0).astype(np.float64)
    driving = running * moving * (1.0 - drive.idle_share)
    idling = running * np.where(moving, drive.idle_share, 1.0)
    in_gear = engine.engine_heat(vehicle.engine, brake_w=crank, speed_rad_per_s=chosen.engine_rad_per_s)
    at_idle = _idle_heat(vehicle, drive)
    heat = engine.EngineHeat(*(driving * a + idling * b for a, b in zip(in_gear, at_idle, strict=True)))
    turning = driving * chosen.engine_rad_per_s + idling * vehicle.engine.idle_speed_rad_per_s
    return _Driven(surroundings, chosen, crank, heat, driving, idling, turning)


def _idle_heat(vehicle: Vehicle, drive: Drive) -> engine.EngineHeat:
    """Heat of the engine idling with its accessories and A/C, an automatic in gear."""
    load = (
        _IDLE_ACCESSORY_SHARE * vehicle.engine.accessory_power_w
        + ac_share(drive) * _IDLE_AC_SHARE * vehicle.cooling.compressor_power_w
        + driveline.creep_w(vehicle)
    )
    speed = np.full_like(load, vehicle.engine.idle_speed_rad_per_s)
    heat = engine.engine_heat(vehicle.engine, brake_w=load, speed_rad_per_s=speed)
    if vehicle.engine.overrun_fuel != "idle":
        return heat
    more = (_CARBURETTOR_IDLE - 1.0) * heat.fuel_w
    metal, oil = vehicle.engine.coolant_share * more, vehicle.engine.oil_share * more
    return engine.EngineHeat(
        heat.fuel_w + more, heat.metal_w + metal, heat.oil_w + oil, heat.exhaust_w + more - metal - oil
    )


def _assemble(vehicle: Vehicle, drive: Drive, d: _Driven) -> Loads:
    heat, driving, idling, surroundings = d.heat, d.driving, d.idling, d.air
    flow = d.turning_rad_per_s / driveline.REFERENCE_RAD_PER_S
    running = drive.engine_on > 0.0
    link = np.where(running, np.maximum(flow, 0.05) ** _FLOW_EXPONENT, _STILL_LINK_SHARE)
    scale = cooling.surface_scale(surroundings.speed_m_per_s, surroundings.density_kg_per_m3) * driving
    grille = drive.air_k + drive.road_rise_k
    under = grille + vehicle.links.underbody_rise_k_per_w * heat.exhaust_w * np.where(
        driving > 0.0, _UNDERBODY_M_PER_S / np.maximum(drive.speed_m_per_s, 5.0), _UNDERBODY_STILL
    )
    pump = np.where(running, vehicle.cooling.pump_flow_kg_per_s * flow, _THERMOSIPHON_KG_PER_S)
    front, least = _front(vehicle, drive, d, flow, grille, pump)
    begins, engaged = _clutch_k(vehicle.cooling, front, least)
    gearbox, axle = _by_load(vehicle, d)
    gearbox_spin, axle_spin = _by_spin(vehicle, drive, d)
    doubt = driving * d.gear.converter_doubt_w + idling * driveline.creep_w(vehicle)
    return Loads(
        duration_s=drive.duration_s,
        air_k=drive.air_k,
        grille_k=grille,
        under_k=under,
        metal_w=heat.metal_w,
        oil_w=heat.oil_w,
        gearbox_w=gearbox,
        converter_doubt_w=doubt,
        gearbox_spin_w=gearbox_spin,
        axle_w=axle,
        axle_spin_w=axle_spin,
        rotor_w=brakes.rotor_heat_w(driving * d.gear.brake_w),
        ram_kg_per_s=front.ram_kg_per_s,
        fan_kg_per_s=front.fan_kg_per_s,
        fan_least=least,
        fan_begins_k=begins,
        fan_full_k=engaged,
        condenser_w=front.condenser_w,
        recirculated=front.recirculated,
        pump_kg_per_s=pump,
        metal_coolant_w_per_k=vehicle.links.metal_coolant_w_per_k * link,
        oil_coolant_w_per_k=vehicle.links.oil_coolant_w_per_k * link,
        metal_oil_w_per_k=vehicle.links.metal_oil_w_per_k * np.where(running, 1.0, _STILL_METAL_OIL_SHARE),
        metal_gearbox_w_per_k=np.full_like(flow, vehicle.links.metal_transmission_w_per_k),
        oil_air_w_per_k=_to_air(vehicle.oil_cooler, scale) * running,
        oil_water_w_per_k=_to_water(vehicle.oil_cooler, flow) * running,
        gearbox_water_w_per_k=_to_water(vehicle.transmission_cooler, flow, _FLUID_EXPONENT) * running,
        gearbox_air_w_per_k=_to_air(vehicle.transmission_cooler, scale) * running,
        axle_air_w_per_k=_to_air(vehicle.differential_cooler, scale),
        metal_surface_w_per_k=_surface(vehicle.metal, scale),
        coolant_surface_w_per_k=_surface(vehicle.coolant, scale) + _heater(vehicle, drive, flow) * running,
        oil_surface_w_per_k=_surface(vehicle.oil, scale),
        gearbox_surface_w_per_k=_surface(vehicle.transmission, scale),
        axle_surface_w_per_k=_surface(vehicle.differential, scale),
        rotor_surface_w_per_k=_surface(vehicle.rotors, scale),
        steering_w=driving * steering.steering_work_w(vehicle.steering, drive.speed_m_per_s),
        steering_spin_w=steering.pump_spin_w(vehicle.steering, d.turning_rad_per_s),
        steering_air_w_per_k=_to_air(vehicle.power_steering_cooler, scale),
        steering_surface_w_per_k=_surface(vehicle.power_steering, scale),
        still=np.where(driving > 0.0, 0.0, 1.0),
        airspeed_m_per_s=np.where(driving > 0.0, np.maximum(surroundings.speed_m_per_s, 1.0), _NO_WIND),
        slope=np.zeros((len(flow), 15)),
    )


def _front(
    vehicle: Vehicle, drive: Drive, d: _Driven, flow: FloatArray, grille_k: FloatArray, pump_kg_per_s: FloatArray
) -> tuple[cooling.Front, FloatArray]:
    """What passes the radiator, and the least share of the fan's air. [-]"""
    ac = ac_share(drive) * vehicle.cooling.condenser_heat_w * (d.driving + _IDLE_AC_SHARE * d.idling)
    ram, fan, least = _airflow(vehicle, drive, d.air, d.driving, flow)
    slow = 1.0 - d.driving * np.clip(drive.speed_m_per_s / _RECIRCULATED_M_PER_S, 0.0, 1.0)
    recirculated = vehicle.cooling.recirculation * slow
    ram = np.maximum(ram, _STILL_RADIATOR_KG_PER_S)
    return cooling.Front(ram, fan, grille_k, ac, recirculated, pump_kg_per_s), least


def _clutch_k(parts: Cooling, front: cooling.Front, least: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Coolant at which a viscous clutch begins to engage, and has; other fans go by `fan_off` and `fan_on`. [K]"""
    if parts.fan == "viscous":
        return cooling.clutch_temps_k(parts, front, least)
    return np.full_like(least, parts.fan_off_k), np.full_like(least, parts.fan_on_k)


def _airflow(
    vehicle: Vehicle, drive: Drive, surroundings: _Air, driving: FloatArray, flow: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Air through the radiator by motion and by the fan at its fullest [kg/s], and the least share of the fan's."""
    density, kind = surroundings.density_kg_per_m3, vehicle.cooling.fan
    ram = cooling.ram_kg_per_s(
        vehicle.cooling, airspeed_m_per_s=surroundings.speed_m_per_s * driving, density_kg_per_m3=density
    )
    share = vehicle.cooling.air_share * (drive.engine_on > 0.0)
    fan, least = density * vehicle.cooling.fan_flow_m3_per_s * share, np.ones_like(ram)
    if kind == "viscous":
        full = cooling.clutch_slip(flow, cooling.CLUTCH_HOT)
        least = cooling.clutch_slip(flow, cooling.CLUTCH_COLD) / full
        return ram, fan * flow * full / cooling.CLUTCH_HOT, least
    if kind == "fixed":
        return ram, fan * np.minimum(flow, 1.3), least
    # the A/C runs an electric fan at half speed or more at any coolant temperature; common practice
    floor = _AC_FAN_SHARE * (drive.ac_on > 0.0)
    return np.hypot(ram, floor * fan), fan * np.sqrt(1.0 - floor**2), least


def _by_load(vehicle: Vehicle, d: _Driven) -> tuple[FloatArray, FloatArray]:
    """Heat of gearbox and axle by load; all of a transaxle's is the gearbox's, as it has one oil. [W]"""
    axle = d.driving * d.gear.axle_heat_w
    gearbox = d.driving * (d.gear.gearbox_heat_w + d.gear.converter_heat_w) + d.idling * driveline.creep_w(vehicle)
    return _in_one_oil(vehicle, gearbox, axle)


def _by_spin(vehicle: Vehicle, drive: Drive, d: _Driven) -> tuple[FloatArray, FloatArray]:
    """Heat of gearbox and axle by spin, likewise. [W]"""
    axle = d.driving * driveline.axle_spin_w(vehicle.axle, drive.speed_m_per_s)
    idle = np.asarray(vehicle.engine.idle_speed_rad_per_s)
    gearbox = d.driving * driveline.gearbox_spin_w(vehicle.gearbox, d.gear.engine_rad_per_s)
    gearbox = gearbox + d.idling * driveline.gearbox_spin_w(vehicle.gearbox, idle)
    return _in_one_oil(vehicle, gearbox, axle)


def _in_one_oil(vehicle: Vehicle, gearbox: FloatArray, axle: FloatArray) -> tuple[FloatArray, FloatArray]:
    return (gearbox + axle, 0.0 * axle) if vehicle.axle.kind == "transaxle" else (gearbox, axle)


def _to_air(cooler: Cooler, scale: FloatArray) -> FloatArray:
    """Conductance of a cooler in the air stream; a little remains at rest."""
    return cooler.conductance_w_per_k * np.maximum(scale, 0.05) * (cooler.kind == "air")


def _to_water(cooler: Cooler, flow: FloatArray, exponent: float = _FLOW_EXPONENT) -> FloatArray:
    """Conductance of a cooler in the coolant stream."""
    return cooler.conductance_w_per_k * np.clip(flow, 0.2, 1.5) ** exponent * (cooler.kind == "water")


def _heater(vehicle: Vehicle, drive: Drive, flow: FloatArray) -> FloatArray:
    """Conductance of the cabin heater to outside air, where it is on."""
    return vehicle.cooling.heater_w_per_k * np.clip(flow, 0.2, 1.5) ** _HEATER_EXPONENT * drive.heater_on


def _surface(node: Node, scale: FloatArray) -> FloatArray:
    return node.surface_w_per_k * scale
