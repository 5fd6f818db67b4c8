"""Gear choice, engine speed, and the losses between crankshaft and wheel."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from thermal.engine import friction_w, full_torque_nm
from thermal.oil import spin_ratio
from thermal.ranges import BoolArray, FloatArray
from thermal.vehicle import Axle, Gearbox, Lubricant, Vehicle

REFERENCE_RAD_PER_S = 3000.0 * 2.0 * np.pi / 60.0
REFERENCE_M_PER_S = 100.0 / 3.6
REFERENCE_OIL_K = 353.15
# Converter: torque ratio falls straight from stall to coupling, capacity with speed ratio. ASSUMED textbook shape.
_STALL_TORQUE_RATIO, _COUPLING_RATIO = 2.0, 0.88


class Gear(NamedTuple):
    """What one choice of gear means, per segment."""

    chosen: FloatArray
    engine_rad_per_s: FloatArray
    gearbox_heat_w: FloatArray
    converter_heat_w: FloatArray
    axle_heat_w: FloatArray
    crank_w: FloatArray
    brake_w: FloatArray


def gear_efficiency(gearbox: Gearbox) -> FloatArray:
    """Load-proportional efficiency of every gear.

    Returns
    -------
    ndarray, shape (n_gear,)
        Efficiency; the gear within 0.5 % of 1:1 is the direct one. [-]
    """
    direct = np.abs(np.asarray(gearbox.ratios) - 1.0) < 0.005
    return np.where(direct, gearbox.direct_efficiency, gearbox.mesh_efficiency)


def converter_slip(
    gearbox: Gearbox, *, turbine_nm: FloatArray, turbine_rad_per_s: FloatArray, peak_nm: float
) -> FloatArray:
    """Speed ratio of a torque converter that carries a torque at a turbine speed.

    Parameters
    ----------
    turbine_nm : float or ndarray
        Torque at the turbine. [N m]
    turbine_rad_per_s : float or ndarray
        Turbine speed. [rad/s]
    peak_nm : float
        Engine torque at which the stall speed is stated. [N m]

    Returns
    -------
    float or ndarray
        Turbine over pump speed, 0.05 to 0.985. [-]

    Notes
    -----
    Pump torque = peak (w_pump / w_stall)^2 (1 - sr^6), torque ratio from 2.0 at stall to 1 at 0.88: ASSUMED textbook
    shape. Solved by bisection; efficiency is speed ratio times torque ratio.
    """
    low = np.full(np.shape(turbine_nm), 0.05)
    high = np.full(np.shape(turbine_nm), 0.985)
    for _ in range(30):
        middle = 0.5 * (low + high)
        pump = turbine_rad_per_s / middle
        capacity = peak_nm * (pump / gearbox.stall_speed_rad_per_s) ** 2 * (1.0 - middle**6)
        enough = capacity * torque_ratio(middle) >= turbine_nm
        low, high = np.where(enough, middle, low), np.where(enough, high, middle)
    return np.asarray(0.5 * (low + high))


def torque_ratio(speed_ratio: FloatArray) -> FloatArray:
    """Torque multiplication of the converter.

    Parameters
    ----------
    speed_ratio : float or ndarray
        Turbine over pump speed. [-]

    Returns
    -------
    float or ndarray
        Turbine over pump torque, 2.0 at stall, 1 from 0.88 on. [-]

    Examples
    --------
    >>> float(torque_ratio(0.0)), float(torque_ratio(0.95))
    (2.0, 1.0)
    """
    fall = (_STALL_TORQUE_RATIO - 1.0) / _COUPLING_RATIO
    return np.asarray(np.maximum(1.0, _STALL_TORQUE_RATIO - fall * np.asarray(speed_ratio)))


def gearbox_spin_w(gearbox: Gearbox, engine_rad_per_s: FloatArray) -> FloatArray:
    """Spin loss at the reference viscosity.

    Parameters
    ----------
    engine_rad_per_s : float or ndarray
        Input speed. [rad/s]

    Returns
    -------
    float or ndarray
        Loss at 80 degC oil. [W]

    Notes
    -----
    ~ speed^1.7: between viscous drag (2) and windage-free meshing (1.5); ASSUMED, 1.5 to 2.
    """
    return gearbox.spin_loss_w * (np.asarray(engine_rad_per_s) / REFERENCE_RAD_PER_S) ** 1.7


def axle_spin_w(axle: Axle, speed_m_per_s: FloatArray) -> FloatArray:
    """Churning and bearing loss of the final drive at the reference viscosity.

    Parameters
    ----------
    speed_m_per_s : float or ndarray
        Road speed. [m/s]

    Returns
    -------
    float or ndarray
        Loss at 80 degC oil. [W]

    Notes
    -----
    ~ speed^1.7, as for the gearbox; ASSUMED, 1.5 to 2.
    """
    return axle.spin_loss_w * (np.asarray(speed_m_per_s) / REFERENCE_M_PER_S) ** 1.7


def spin_table(lubricant: Lubricant, temps_k: FloatArray) -> FloatArray:
    """Spin loss relative to 80 degC over a grid of oil temperatures.

    Parameters
    ----------
    temps_k : ndarray
        Oil temperatures. [K]

    Returns
    -------
    ndarray
        Ratio, 1 at 80 degC; not above 6, which a cold start does not reach. [-]
    """
    reference = float(lubricant.oil.viscosity_m2_per_s(np.asarray(REFERENCE_OIL_K)))
    return np.minimum(spin_ratio(lubricant.oil.viscosity_m2_per_s(temps_k), reference), 6.0)


def _engine_speeds(vehicle: Vehicle, speed_m_per_s: FloatArray) -> FloatArray:
    """Geared engine speed of every segment in every gear, shape (n_segment, n_gear)."""
    ratios = np.asarray(vehicle.gearbox.ratios) * vehicle.axle.ratio / vehicle.body.tyre_radius_m
    return speed_m_per_s[:, None] * ratios[None, :]


def _crank_power(vehicle: Vehicle, wheel_w: FloatArray, speed_m_per_s: FloatArray) -> tuple[FloatArray, ...]:
    """Crank power and engine speed in every gear for a wheel power, losses in between."""
    gearbox, axle = vehicle.gearbox, vehicle.axle
    geared = _engine_speeds(vehicle, speed_m_per_s)
    pulling = wheel_w > 0.0
    axle_loss = np.abs(wheel_w) * (1.0 / axle.efficiency - 1.0)
    at_axle = wheel_w + axle_loss + axle_spin_w(axle, speed_m_per_s)
    efficiency = gear_efficiency(gearbox)[None, :]
    mesh_loss = np.abs(at_axle)[:, None] * (1.0 / efficiency - 1.0)
    turbine = at_axle[:, None] + mesh_loss
    engine_speed, slip_loss = geared, np.zeros_like(geared)
    if gearbox.kind == "automatic":
        engine_speed, slip_loss = _through_converter(vehicle, turbine, geared, speed_m_per_s, pulling)
    engine_speed = np.maximum(engine_speed, vehicle.engine.idle_speed_rad_per_s)
    crank = turbine + slip_loss + gearbox_spin_w(gearbox, engine_speed)
    return crank, engine_speed, mesh_loss, slip_loss, axle_loss


def _through_converter(
    vehicle: Vehicle, turbine_w: FloatArray, geared: FloatArray, speed_m_per_s: FloatArray, pulling: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Engine speed and slip loss where the converter is open."""
    gearbox, engine = vehicle.gearbox, vehicle.engine
    turbine_speed = np.maximum(geared, 1.0)
    torque = np.maximum(turbine_w, 0.0) / turbine_speed
    ratio = converter_slip(gearbox, turbine_nm=torque, turbine_rad_per_s=turbine_speed, peak_nm=engine.peak_torque_nm)
    is_open = pulling[:, None] & (speed_m_per_s < gearbox.lockup_road_speed_m_per_s)[:, None]
    efficiency = np.minimum(ratio * torque_ratio(ratio), 0.985)
    loss = np.where(is_open, np.maximum(turbine_w, 0.0) * (1.0 / efficiency - 1.0), 0.0)
    return np.where(is_open, turbine_speed / ratio, geared), loss


def choose_gear(
    vehicle: Vehicle,
    *,
    wheel_w: FloatArray,
    speed_m_per_s: FloatArray,
    other_w: FloatArray,
    power_share: FloatArray,
    low_gear: FloatArray | None = None,
) -> Gear:
    """Choose a gear for every segment, as a careful driver or a gearbox would.

    Parameters
    ----------
    wheel_w : ndarray, shape (n,)
        Power wanted at the wheels; negative downhill. [W]
    speed_m_per_s : ndarray, shape (n,)
        Road speed, > 0. [m/s]
    other_w : ndarray, shape (n,)
        Accessories and A/C on the crankshaft. [W]
    power_share : ndarray, shape (n,)
        Full-load power relative to rated, for height and heat. [-]
    low_gear : ndarray, shape (n,), optional
        1 where the driver holds one gear lower than needed, engine speed allowing. [-]

    Returns
    -------
    Gear
        Per segment: gear, engine speed, heat of gearbox, converter and axle, crank power, power left to the brakes.

    Notes
    -----
    Uphill and level: the highest gear that gives the power with the reserve and is not lugging; else the one with
    most power. Downhill: the highest gear in which engine friction holds the car, else the lowest allowed for
    engine braking; what is left goes to the brakes.
    """
    n = len(wheel_w)
    crank, engine_speed, mesh, slip, axle_loss = _crank_power(vehicle, wheel_w, speed_m_per_s)
    total = crank + other_w[:, None]
    engine = vehicle.engine
    available = full_torque_nm(engine, engine_speed) * engine_speed * power_share[:, None]
    turning = (engine_speed <= engine.top_speed_rad_per_s) & (engine_speed >= vehicle.gearbox.lugging_speed_rad_per_s)
    turning[:, 0] = engine_speed[:, 0] <= engine.top_speed_rad_per_s
    enough = turning & (available >= total * (1.0 + vehicle.gearbox.reserve))
    strongest = np.argmax(np.where(turning, available, -1.0), axis=1)
    up = np.where(enough.any(axis=1), _highest(enough), strongest)
    hold = friction_w(engine, engine_speed)
    allowed = engine_speed <= vehicle.gearbox.descent_speed_rad_per_s
    holds = allowed & turning & (total + hold >= 0.0)
    lowest = np.where(allowed.any(axis=1), np.argmax(allowed, axis=1), len(vehicle.gearbox.ratios) - 1)
    down = np.where(holds.any(axis=1), _highest(holds), lowest)
    rows, gear = np.arange(n), np.where(total[:, -1] < 0.0, down, up)
    if low_gear is not None:
        lower = np.maximum(gear - 1, 0)
        gear = np.where((low_gear > 0.0) & allowed[rows, lower], lower, gear)
    left = np.maximum(-(total[rows, gear] + hold[rows, gear]), 0.0)
    # what the brakes take never passes axle and gearbox: give their losses back
    axle_share = 1.0 / vehicle.axle.efficiency - 1.0
    mesh_share = 1.0 / gear_efficiency(vehicle.gearbox)[gear] - 1.0
    braked = left / ((1.0 - axle_share) * (1.0 - mesh_share))
    return Gear(
        chosen=gear.astype(float),
        engine_rad_per_s=engine_speed[rows, gear],
        gearbox_heat_w=mesh[rows, gear] - mesh_share * (1.0 - axle_share) * braked,
        converter_heat_w=slip[rows, gear],
        axle_heat_w=axle_loss - axle_share * braked,
        crank_w=total[rows, gear] + left,
        brake_w=braked,
    )


def _highest(mask: BoolArray) -> npt.NDArray[np.intp]:
    """Index of the last true column of each row."""
    return np.asarray(mask.shape[1] - 1 - np.argmax(mask[:, ::-1], axis=1))


def power_shortfall_w(
    vehicle: Vehicle, *, wheel_w: FloatArray, speed_m_per_s: FloatArray, other_w: FloatArray, power_share: FloatArray
) -> FloatArray:
    """Power missing in the best gear; zero or less where the car holds the speed.

    Parameters
    ----------
    wheel_w, other_w : ndarray, shape (n,)
        Wheel power and crankshaft extras. [W]
    speed_m_per_s : ndarray, shape (n,)
        Road speed, > 0. [m/s]
    power_share : ndarray, shape (n,)
        Full-load power relative to rated. [-]

    Returns
    -------
    ndarray, shape (n,)
        Wanted less available crank power, best over gears. [W]
    """
    crank, engine_speed, *_ = _crank_power(vehicle, wheel_w, speed_m_per_s)
    available = full_torque_nm(vehicle.engine, engine_speed) * engine_speed * power_share[:, None]
    return np.asarray(np.min(crank + other_w[:, None] - available, axis=1))
