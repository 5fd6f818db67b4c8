"""Engine: available power, fuel burnt, and heat distribution."""

from typing import NamedTuple

import numpy as np

from thermal.ranges import FloatArray
from thermal.vehicle import Engine

# E10 0.9*115000+0.1*76000 Btu/gal; diesel 128400 Btu/gal: DOE AFDC property table
LHV_J_PER_L = {"petrol": 31.0e6, "diesel": 35.8e6}
# ASSUMED: a turbo engine keeps its power to 1,500 m and loses 1 % per 100 m above; common practice, no source.
_TURBO_FULL_M, _TURBO_LOSS_PER_M = 1500.0, 1e-4


class EngineHeat(NamedTuple):
    """Fuel power and waste heat, each per segment. [W]"""

    fuel_w: FloatArray
    metal_w: FloatArray
    oil_w: FloatArray
    exhaust_w: FloatArray


def natural_power_share(dry_pressure_pa: FloatArray, temp_k: FloatArray) -> FloatArray:
    """Full-load power of a naturally aspirated engine relative to that at 99 kPa dry and 25 degC intake air. [-]

    1/cf of SAE J1349 (from memory): cf = 1.18 (99/p_d) sqrt(T/298) - 0.18. The standard claims 0.93 < cf < 1.07;
    beyond, as on any pass, this is an extrapolation.

    >>> round(float(natural_power_share(99e3, 298.0)), 6)
    1.0
    """
    factor = 1.180 * (99.0e3 / np.asarray(dry_pressure_pa)) * np.sqrt(np.asarray(temp_k) / 298.0) - 0.180
    return 1.0 / factor


def power_share(
    engine: Engine, *, dry_pressure_pa: FloatArray, temp_k: FloatArray, elevation_m: FloatArray
) -> FloatArray:
    """Full-load power relative to rated, by aspiration. [-]

    Natural: SAE J1349. Turbo: full to 1,500 m, then 1 % per 100 m (common practice, no source); no temperature term.
    """
    if engine.induction == "turbo":
        return 1.0 - _TURBO_LOSS_PER_M * np.maximum(np.asarray(elevation_m) - _TURBO_FULL_M, 0.0)
    return natural_power_share(dry_pressure_pa, temp_k)


def full_torque_nm(engine: Engine, speed_rad_per_s: FloatArray) -> FloatArray:
    """Full-load torque at rated conditions, through the two published points; zero above the top speed and below idle.

    A parabola with its top at the torque peak through the power peak; the same curvature scaled to keep 65 % of peak
    torque at idle below it. ASSUMED: shape only; +-5 % between the published points.
    """
    speed = np.asarray(speed_rad_per_s)
    peak, at = engine.peak_torque_nm, engine.peak_torque_speed_rad_per_s
    fall = peak - engine.peak_power_w / engine.peak_power_speed_rad_per_s
    above = peak - fall * ((speed - at) / (engine.peak_power_speed_rad_per_s - at)) ** 2
    below = peak * (1.0 - 0.35 * ((at - speed) / (at - engine.idle_speed_rad_per_s)) ** 2)
    torque = np.where(speed >= at, above, below)
    inside = (speed >= engine.idle_speed_rad_per_s * 0.999) & (speed <= engine.top_speed_rad_per_s)
    return np.where(inside, np.maximum(torque, 0.0), 0.0)


def friction_w(engine: Engine, speed_rad_per_s: FloatArray) -> FloatArray:
    """Friction and pumping power.

    Mean effective pressure rising with speed, four-stroke: P = (p0 + s w) V w / (4 pi).
    """
    speed = np.asarray(speed_rad_per_s)
    pressure = engine.friction_pressure_pa + engine.friction_slope_pa_s * speed
    return pressure * engine.displacement_m3 * speed / (4.0 * np.pi)


def engine_heat(engine: Engine, *, brake_w: FloatArray, speed_rad_per_s: FloatArray) -> EngineHeat:
    """Fuel from the Willans line, and where the waste heat goes.

    `brake_w` is the demand at the crankshaft, accessories included; negative when the car drives the engine.

    Q_fuel = (P_b + P_fric) / eta_i. Heat not turned to indicated work splits by the engine's shares; friction heat goes
    to oil and metal, ASSUMED in the same proportion at idle and on the overrun, where the car's work is friction heat
    and the fuel is cut or at idle. Shares of fuel energy land in Heywood's table 12.1 (from memory) at full load, and
    higher for the coolant at part load.
    """
    friction = friction_w(engine, speed_rad_per_s)
    idle = friction_w(engine, np.asarray(engine.idle_speed_rad_per_s)) if engine.overrun_fuel == "idle" else 0.0
    indicated = np.maximum(np.asarray(brake_w) + friction, idle)
    fuel = indicated / engine.indicated_efficiency
    waste = fuel - indicated
    # All friction work becomes heat, also when the car and not the fuel supplies it; so does idle fuel's work with the
    # brakes on, when it drives nothing.
    surplus = indicated - (np.asarray(brake_w) + friction)
    metal = engine.coolant_share * waste + (1.0 - engine.friction_oil_share) * friction + surplus
    oil = engine.oil_share * waste + engine.friction_oil_share * friction
    exhaust = (1.0 - engine.coolant_share - engine.oil_share) * waste
    return EngineHeat(fuel, metal, oil, exhaust)
