"""Gear choice, engine speed, and the losses between crankshaft and wheel."""

import functools
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from thermal.engine import friction_w, full_torque_nm
from thermal.oil import spin_ratio
from thermal.ranges import BoolArray, FloatArray, bisect
from thermal.vehicle import Axle, Gearbox, Lubricant, Vehicle

REFERENCE_RAD_PER_S = 3000.0 * 2.0 * np.pi / 60.0
REFERENCE_M_PER_S = 100.0 / 3.6
REFERENCE_OIL_K = 353.15
OVERDRIVE = 0.995  # a ratio below this is an overdrive
# Converter: torque ratio falls straight from stall to coupling, capacity with speed ratio. ASSUMED textbook shape.
_STALL_TORQUE_RATIO, _COUPLING_RATIO = 2.0, 0.88
# An automatic shifts by the speed of its output: up only where the geared engine would turn faster than this share of
# the lugging speed. ASSUMED, 0.75 to 1.
_GEARED_SHARE = 0.85
# The lock-up clutch holds up to the first share of full load and is released from the second on; between, on a rolling
# road, part of the time. ASSUMED: common practice, "half to two thirds of full load".
_LOCK_LOAD, _RELEASE_LOAD = 0.5, 0.7
# A gearbox under load shifts down rather than let the open converter waste more than this. ASSUMED, 0.04 to 0.1: past
# its coupling point, speed ratio 0.88, a converter wastes an eighth or less.
_MOST_SLIP = 0.06
# A lazy box of the same kind: it locks in its highest gear alone, releases between a quarter and half of full load, and
# holds a gear until its converter is past its coupling point. ASSUMED, common practice of boxes before the mid-1990s.
_LAZY_LOCK_LOAD, _LAZY_RELEASE_LOAD, _LAZY_LOCK_SPEED, _LAZY_SLIP = 0.25, 0.5, 1.2, 0.12
# Highest engine speed a driver holds for minutes, over that of rated power: ASSUMED, 0.8 to 1. A diesel's governor and
# an automatic under full throttle go to it.
_SUSTAINED = 0.9
# Converter with the car held on the brake: torque at idle against capacity ~ speed^2. ASSUMED 0.4 to 1: idle sags in
# gear; with it 1 to 3 kW go into the fluid (common practice).
_CREEP_SHARE, _CREEP_MOST_W = 0.45, 2000.0


class Gear(NamedTuple):
    """What one choice of gear means, per segment."""

    chosen: FloatArray
    engine_rad_per_s: FloatArray
    gearbox_heat_w: FloatArray
    converter_heat_w: FloatArray
    converter_doubt_w: FloatArray
    axle_heat_w: FloatArray
    crank_w: FloatArray
    brake_w: FloatArray


def gear_efficiency(gearbox: Gearbox) -> FloatArray:
    """Load-proportional efficiency of every gear; the one within 0.5 % of 1:1 is the direct gear. [-]"""
    direct = np.abs(np.asarray(gearbox.ratios) - 1.0) < 0.005
    return np.where(direct, gearbox.direct_efficiency, gearbox.mesh_efficiency)


def converter_slip(
    gearbox: Gearbox, *, turbine_nm: FloatArray, turbine_rad_per_s: FloatArray, peak_nm: float
) -> FloatArray:
    """Turbine over pump speed, 0.05 to 0.985, of a torque converter with a given turbine torque and speed. [-]

    `peak_nm` is the engine torque at which the stall speed is stated.

    Pump torque = peak (w_pump / w_stall)^2 (1 - sr^6), torque ratio from 2.0 at stall to 1 at 0.88: ASSUMED textbook
    shape. Solved by bisection; efficiency is speed ratio times torque ratio.
    """

    def enough(ratio: FloatArray) -> BoolArray:
        pump = turbine_rad_per_s / ratio
        capacity = peak_nm * (pump / gearbox.stall_speed_rad_per_s) ** 2 * (1.0 - ratio**6)
        return np.asarray(capacity * torque_ratio(ratio) >= turbine_nm)

    low, high = bisect(enough, np.full(np.shape(turbine_nm), 0.05), np.full(np.shape(turbine_nm), 0.985), rounds=30)
    return np.asarray(0.5 * (low + high))


def torque_ratio(speed_ratio: FloatArray) -> FloatArray:
    """Torque multiplication of the converter at a `speed_ratio` of turbine over pump: 2.0 at stall, 1 from 0.88 on. [-]

    >>> float(torque_ratio(0.0)), float(torque_ratio(0.95))
    (2.0, 1.0)
    """
    fall = (_STALL_TORQUE_RATIO - 1.0) / _COUPLING_RATIO
    return np.asarray(np.maximum(1.0, _STALL_TORQUE_RATIO - fall * np.asarray(speed_ratio)))


def creep_w(vehicle: Vehicle) -> float:
    """Power an automatic's converter takes at idle in gear, the car held on its brakes; 0 for a manual.

    Pump torque ~ speed^2, the greatest engine torque at the stall speed; times 0.45, ASSUMED 0.4 to 1; not above
    2 kW, where a converter of that size is given a lower idle.
    """
    gearbox, engine = vehicle.gearbox, vehicle.engine
    if gearbox.kind != "automatic":
        return 0.0
    idle = engine.idle_speed_rad_per_s
    taken = _CREEP_SHARE * engine.peak_torque_nm * (idle / gearbox.stall_speed_rad_per_s) ** 2 * idle
    return min(taken, _CREEP_MOST_W)


def sustained_rad_per_s(vehicle: Vehicle) -> float:
    """Highest engine speed held for minutes on a grade.

    That of rated power for a diesel and with an automatic, else nine tenths of it.
    """
    engine = vehicle.engine
    all_of_it = engine.fuel == "diesel" or vehicle.gearbox.kind == "automatic"
    return (1.0 if all_of_it else _SUSTAINED) * engine.peak_power_speed_rad_per_s


def gearbox_spin_w(gearbox: Gearbox, engine_rad_per_s: FloatArray) -> FloatArray:
    """Spin loss with oil at 80 degC.

    A manual's ~ speed^1.7: between viscous drag (2) and windage-free meshing (1.5); ASSUMED, 1.5 to 2. An automatic's
    ~ speed^1.2: most of it is a pump against regulated pressure, whose torque is constant; ASSUMED, 1 to 1.5.
    """
    exponent = 1.2 if gearbox.kind == "automatic" else 1.7
    return gearbox.spin_loss_w * (np.asarray(engine_rad_per_s) / REFERENCE_RAD_PER_S) ** exponent


def axle_spin_w(axle: Axle, speed_m_per_s: FloatArray) -> FloatArray:
    """Churning and bearing loss of the final drive with oil at 80 degC.

    ~ speed^1.7, as for the gearbox; ASSUMED, 1.5 to 2.
    """
    return axle.spin_loss_w * (np.asarray(speed_m_per_s) / REFERENCE_M_PER_S) ** 1.7


def spin_table(lubricant: Lubricant, temps_k: FloatArray) -> FloatArray:
    """Spin loss relative to 80 degC at oil temperatures; not above 6, which a cold start does not reach. [-]"""
    reference = float(lubricant.oil.viscosity_m2_per_s(np.asarray(REFERENCE_OIL_K)))
    return np.minimum(spin_ratio(lubricant.oil.viscosity_m2_per_s(temps_k), reference), 6.0)


def _engine_speeds(vehicle: Vehicle, speed_m_per_s: FloatArray) -> FloatArray:
    """Geared engine speed, shape (n_segment, n_gear)."""
    ratios = np.asarray(vehicle.gearbox.ratios) * vehicle.axle.ratio / vehicle.body.tyre_radius_m
    return speed_m_per_s[:, None] * ratios[None, :]


class _Crank(NamedTuple):
    """What every gear would ask of the engine, shape (n_segment, n_gear); the axle's loss per segment. [W, rad/s]."""

    total_w: FloatArray
    engine_rad_per_s: FloatArray
    geared_rad_per_s: FloatArray
    mesh_w: FloatArray
    slip_w: FloatArray
    lazy_slip_w: FloatArray
    available_w: FloatArray
    axle_loss_w: FloatArray


def _crank_power(
    vehicle: Vehicle,
    *,
    wheel_w: FloatArray,
    speed_m_per_s: FloatArray,
    other_w: FloatArray,
    power_share: FloatArray,
) -> _Crank:
    """Crank power and engine speed in every gear for a wheel power, losses included."""
    gearbox, axle, engine = vehicle.gearbox, vehicle.axle, vehicle.engine
    geared = _engine_speeds(vehicle, speed_m_per_s)
    axle_loss = np.abs(wheel_w) * (1.0 / axle.efficiency - 1.0)
    at_axle = wheel_w + axle_loss + axle_spin_w(axle, speed_m_per_s)
    mesh_loss = np.abs(at_axle)[:, None] * (1.0 / gear_efficiency(gearbox)[None, :] - 1.0)
    turbine = at_axle[:, None] + mesh_loss
    engine_speed, slip_loss, lazy = geared, np.zeros_like(geared), np.zeros_like(geared)
    if gearbox.kind == "automatic":
        engine_speed, slip_loss = _open_converter(vehicle, turbine, geared)
        locked_w = turbine + gearbox_spin_w(gearbox, geared) + other_w[:, None]
        most_w = full_torque_nm(engine, geared) * geared * power_share[:, None]
        load, pulls = locked_w / np.maximum(most_w, 1.0), (wheel_w > 0.0)[:, None]
        released = np.where(pulls, _released(vehicle, speed_m_per_s, load=load), 0.0)
        lazy = np.where(pulls, _released(vehicle, speed_m_per_s, load=load, lazy=True), 0.0) * slip_loss
        engine_speed, slip_loss = geared + released * (engine_speed - geared), released * slip_loss
    engine_speed = np.maximum(engine_speed, engine.idle_speed_rad_per_s)
    return _Crank(
        total_w=turbine + slip_loss + gearbox_spin_w(gearbox, engine_speed) + other_w[:, None],
        engine_rad_per_s=engine_speed,
        geared_rad_per_s=geared,
        mesh_w=mesh_loss,
        slip_w=slip_loss,
        lazy_slip_w=lazy,
        available_w=full_torque_nm(engine, engine_speed) * engine_speed * power_share[:, None],
        axle_loss_w=axle_loss,
    )


def _released(vehicle: Vehicle, speed_m_per_s: FloatArray, *, load: FloatArray, lazy: bool = False) -> FloatArray:
    """Share of the time the converter's clutch is open: always slowly and in gears that never lock, else by load."""
    box, ratios = vehicle.gearbox, np.asarray(vehicle.gearbox.ratios)
    low, high = (_LAZY_LOCK_LOAD, _LAZY_RELEASE_LOAD) if lazy else (_LOCK_LOAD, _RELEASE_LOAD)
    gears = (ratios < box.lockup_ratio + 0.005) & (not lazy or ratios <= ratios[-1])
    fast = speed_m_per_s >= (_LAZY_LOCK_SPEED if lazy else 1.0) * box.lockup_road_speed_m_per_s
    return np.where(gears[None, :] & fast[:, None], np.clip((load - low) / (high - low), 0.0, 1.0), 1.0)


def _open_converter(vehicle: Vehicle, turbine_w: FloatArray, geared: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Engine speed and slip loss with the converter open."""
    turbine_speed = np.maximum(geared, 1.0)
    torque = np.maximum(turbine_w, 0.0) / turbine_speed
    ratio = converter_slip(
        vehicle.gearbox,
        turbine_nm=torque,
        turbine_rad_per_s=turbine_speed,
        peak_nm=vehicle.engine.peak_torque_nm,
    )
    efficiency = np.minimum(ratio * torque_ratio(ratio), 0.985)
    return turbine_speed / ratio, np.maximum(turbine_w, 0.0) * (1.0 / efficiency - 1.0)


def _pulls(vehicle: Vehicle, crank: _Crank) -> BoolArray:
    """Whether a gear may be used: the first always, others unless they lug; none above the highest speed."""
    box = vehicle.gearbox
    steady = crank.geared_rad_per_s / _GEARED_SHARE if box.kind == "automatic" else crank.engine_rad_per_s
    smooth = steady >= box.lugging_speed_rad_per_s
    smooth[:, 0] = True
    return np.asarray(smooth & (crank.engine_rad_per_s <= vehicle.engine.top_speed_rad_per_s))


def _not_barred(vehicle: Vehicle, highest_gear: FloatArray, geared: FloatArray) -> BoolArray:
    """Gears the driver allows; any, where the highest of them would turn the engine too fast."""
    ratios = np.asarray(vehicle.gearbox.ratios)
    top = np.where(highest_gear < 0.0, np.sum(ratios >= OVERDRIVE), highest_gear)
    top = np.where(top < 1.0, len(ratios), np.minimum(top, len(ratios)))
    rows = np.arange(len(top))
    too_fast = geared[rows, top.astype(int) - 1] > vehicle.engine.top_speed_rad_per_s
    return np.asarray(too_fast[:, None] | (np.arange(1, len(ratios) + 1) <= top[:, None]))


def choose_gear(
    vehicle: Vehicle,
    *,
    wheel_w: FloatArray,
    speed_m_per_s: FloatArray,
    other_w: FloatArray,
    power_share: FloatArray,
    low_gear: FloatArray | None = None,
    highest_gear: FloatArray | None = None,
    gear: FloatArray | None = None,
) -> Gear:
    """Choose a gear for every segment, as a careful driver or a gearbox would; all arrays have shape (n,).

    `wheel_w` is wanted at the wheels, negative downhill; `other_w` are accessories and A/C; `speed_m_per_s` > 0.
    `power_share` is full-load power relative to rated, for height and heat. [-] Optional: `low_gear`, 1 where the
    driver holds one gear lower than needed, engine speed allowing [-]; `highest_gear`, the highest that the driver
    allows, 1 the first, 0 for any, -1 for overdrive off [-]; `gear`, the gears to drive in, 0 (or below) the first. [-]

    The converter's doubt is its additional loss in a lazy box of the same kind, which locks in its highest gear alone,
    releases on a light throttle and holds a gear until its converter wastes 12 %; at least its own loss.

    Uphill and level: the highest gear that gives the power with the reserve and is not lugging, below the speed an
    engine is held at for minutes; else the same without reserve; else up to the speed of rated power; else at any
    speed; else the one with most power. An automatic lugs by its geared speed, whatever the converter slip, locks by
    ratio, road speed and load, and shifts down where the open converter would waste more than a sixteenth. Downhill:
    the highest gear in which engine friction holds the car, else the lowest allowed for engine braking; the brakes take
    the rest.
    """
    n, engine, box = len(wheel_w), vehicle.engine, vehicle.gearbox
    crank = _crank_power(
        vehicle, wheel_w=wheel_w, speed_m_per_s=speed_m_per_s, other_w=other_w, power_share=power_share
    )
    total, engine_speed = crank.total_w, crank.engine_rad_per_s
    turning = _pulls(vehicle, crank)
    if highest_gear is not None:
        turning &= _not_barred(vehicle, highest_gear, crank.geared_rad_per_s)
    gives = turning & (crank.available_w >= total)
    enough = turning & (crank.available_w >= total * (1.0 + box.reserve))
    tight = crank.slip_w <= _MOST_SLIP * total
    held = engine_speed <= 1.02 * sustained_rad_per_s(vehicle)  # no shift for a small acceleration
    fast = engine_speed <= 1.02 * engine.peak_power_speed_rad_per_s
    up = _greatest(np.where(turning, crank.available_w, -1.0))
    for better in (enough, gives & held, gives & fast & tight, gives & held & tight, enough & held & tight):
        up = np.where(_any(better), _highest(better), up)
    hold = friction_w(engine, engine_speed)
    allowed = engine_speed <= box.descent_speed_rad_per_s
    holds = allowed & turning & (total + hold >= 0.0)
    lowest = len(box.ratios) - 1 - _highest(allowed[:, ::-1])
    down = np.where(_any(holds), _highest(holds), lowest)
    rows, taken = np.arange(n), np.where(total[:, -1] < 0.0, down, up)
    if low_gear is not None:
        lower = np.maximum(taken - 1, 0)
        taken = np.where((low_gear > 0.0) & allowed[rows, lower], lower, taken)
    if gear is not None:
        taken = np.maximum(gear, 0.0).astype(np.intp)
    lazily = gives & (crank.lazy_slip_w <= _LAZY_SLIP * total)
    free = (low_gear is None or low_gear <= 0.0) & lazily.any(axis=1) if gear is None else np.zeros(n, dtype=np.bool_)
    left = np.maximum(-(total[rows, taken] + hold[rows, taken]), 0.0)
    # power to the brakes does not pass axle and gearbox: subtract its losses there
    axle_share = 1.0 / vehicle.axle.efficiency - 1.0
    mesh_share = 1.0 / gear_efficiency(box)[taken] - 1.0
    braked = left / ((1.0 - axle_share) * (1.0 - mesh_share))
    return Gear(
        chosen=taken.astype(float),
        engine_rad_per_s=engine_speed[rows, taken],
        gearbox_heat_w=crank.mesh_w[rows, taken] - mesh_share * (1.0 - axle_share) * braked,
        converter_heat_w=crank.slip_w[rows, taken],
        converter_doubt_w=_doubt_w(crank, taken, np.where(free, np.maximum(_highest(lazily), taken), taken)),
        axle_heat_w=crank.axle_loss_w - axle_share * braked,
        crank_w=total[rows, taken] + left,
        brake_w=braked,
    )


def _doubt_w(crank: _Crank, taken: npt.NDArray[np.intp], lazily: npt.NDArray[np.intp]) -> FloatArray:
    """Additional converter loss in the gear of a lazy box; at least the loss itself. [W]"""
    rows = np.arange(len(taken))
    slip_w = crank.slip_w[rows, taken]
    return np.asarray(np.maximum(crank.lazy_slip_w[rows, lazily] - slip_w, slip_w))


def _highest(mask: BoolArray) -> npt.NDArray[np.intp]:
    """Index of the last true column of each row, else 0; loops over gears, as rows are many."""
    found = np.zeros(len(mask), dtype=np.intp)
    for gear in range(1, mask.shape[1]):
        found[mask[:, gear]] = gear
    return found


def _any(mask: BoolArray) -> BoolArray:
    return functools.reduce(np.logical_or, mask.T)


def _greatest(values: FloatArray) -> npt.NDArray[np.intp]:
    """Index of the greatest of each row, the first of several."""
    found, most = np.zeros(len(values), dtype=np.intp), values[:, 0]
    for gear in range(1, values.shape[1]):
        more = values[:, gear] > most
        found[more], most = gear, np.maximum(most, values[:, gear])
    return found


def power_shortfall_w(
    vehicle: Vehicle,
    *,
    wheel_w: FloatArray,
    speed_m_per_s: FloatArray,
    other_w: FloatArray,
    power_share: FloatArray,
    steady: bool,
) -> FloatArray:
    """Wanted less available crank power in the best gear, shape (n,); zero or less where the car holds the speed.

    `power_share` is full-load power relative to rated. [-]
    """
    crank = _crank_power(
        vehicle, wheel_w=wheel_w, speed_m_per_s=speed_m_per_s, other_w=other_w, power_share=power_share
    )
    missing = crank.total_w - crank.available_w
    if steady:
        calm = (crank.engine_rad_per_s <= sustained_rad_per_s(vehicle)) & (crank.slip_w <= _MOST_SLIP * crank.total_w)
        calm[:, 0] = crank.engine_rad_per_s[:, 0] <= sustained_rad_per_s(vehicle)
        missing = np.where(calm, missing, np.inf)
    return functools.reduce(np.minimum, missing.T)
