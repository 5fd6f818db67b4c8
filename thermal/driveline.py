"""Gear choice, engine speed, and the losses between crankshaft and wheel."""

import functools
from typing import NamedTuple

import numpy as np

from thermal import gears
from thermal.oil import spin_ratio
from thermal.ranges import FloatArray
from thermal.vehicle import Axle, Engine, Gearbox, Lubricant, Vehicle

REFERENCE_RAD_PER_S = 3000.0 * 2.0 * np.pi / 60.0
REFERENCE_M_PER_S = 100.0 / 3.6
REFERENCE_OIL_K = 353.15
OVERDRIVE = 0.995  # a ratio below this is an overdrive
# Highest engine speed a driver holds for minutes, over that of rated power: ASSUMED, 0.8 to 1. A diesel's governor and
# an automatic under full throttle go to it.
_SUSTAINED = 0.9
# Converter with the car held on the brake: torque at idle against capacity ~ speed^2. ASSUMED 0.4 to 1: idle sags in
# gear; with it 1 to 3 kW go into the fluid (common practice).
_CREEP_SHARE, _CREEP_MOST_W = 0.45, 2000.0
_AXLE_EXPONENT = 1.7  # ASSUMED: of its spin loss with speed, see `axle_spin_w`


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
    available_w: FloatArray


def gear_efficiency(gearbox: Gearbox) -> FloatArray:
    """Load-proportional efficiency of every gear; the one within 0.5 % of 1:1 is the direct gear. [-]"""
    direct = np.abs(np.asarray(gearbox.ratios) - 1.0) < 0.005
    return np.where(direct, gearbox.direct_efficiency, gearbox.mesh_efficiency)


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
    return _sustained_rad_per_s(vehicle.gearbox, vehicle.engine)


def _sustained_rad_per_s(gearbox: Gearbox, engine: Engine) -> float:
    all_of_it = engine.fuel == "diesel" or gearbox.kind == "automatic"
    return (1.0 if all_of_it else _SUSTAINED) * engine.peak_power_speed_rad_per_s


def gearbox_spin_w(gearbox: Gearbox, engine_rad_per_s: FloatArray) -> FloatArray:
    """Spin loss with oil at 80 degC.

    A manual's ~ speed^1.7: between viscous drag (2) and windage-free meshing (1.5); ASSUMED, 1.5 to 2. An automatic's
    ~ speed^1.2: most of it is a pump against regulated pressure, whose torque is constant; ASSUMED, 1 to 1.5.
    """
    return gearbox.spin_loss_w * (np.asarray(engine_rad_per_s) / REFERENCE_RAD_PER_S) ** _spin_exponent(gearbox)


def _spin_exponent(gearbox: Gearbox) -> float:
    return 1.2 if gearbox.kind == "automatic" else 1.7


def axle_spin_w(axle: Axle, speed_m_per_s: FloatArray) -> FloatArray:
    """Churning and bearing loss of the final drive with oil at 80 degC.

    ~ speed^1.7, as for the gearbox; ASSUMED, 1.5 to 2.
    """
    return axle.spin_loss_w * (np.asarray(speed_m_per_s) / REFERENCE_M_PER_S) ** _AXLE_EXPONENT


def spin_table(lubricant: Lubricant, temps_k: FloatArray) -> FloatArray:
    """Spin loss relative to 80 degC at oil temperatures; not above 6, which a cold start does not reach. [-]"""
    reference = float(lubricant.oil.viscosity_m2_per_s(np.asarray(REFERENCE_OIL_K)))
    return np.minimum(spin_ratio(lubricant.oil.viscosity_m2_per_s(temps_k), reference), 6.0)


def _box_of(vehicle: Vehicle) -> gears.Box:
    """Arrange a car's driveline for the compiled choice of gears."""
    return _box(vehicle.gearbox, vehicle.axle, vehicle.engine, vehicle.body.tyre_radius_m)


@functools.lru_cache(maxsize=32)
def _box(box: Gearbox, axle: Axle, engine: Engine, tyre_radius_m: float) -> gears.Box:
    ratios = np.asarray(box.ratios, dtype=np.float64)
    turns = ratios * axle.ratio / tyre_radius_m
    locks = ratios < box.lockup_ratio + 0.005
    return gears.Box(
        turns=turns,
        mesh_share=1.0 / gear_efficiency(box) - 1.0,
        locks=locks * (1.0 + (ratios <= ratios[-1])),
        direct=int(np.sum(ratios >= OVERDRIVE)),
        automatic=int(box.kind == "automatic"),
        axle_share=1.0 / axle.efficiency - 1.0,
        axle_spin_w=float(axle_spin_w(axle, np.asarray(1.0))),
        box_spin_w=gearbox_spin_w(box, turns),
        idle_spin_w=float(gearbox_spin_w(box, np.asarray(engine.idle_speed_rad_per_s))),
        box_exponent=_spin_exponent(box),
        axle_exponent=_AXLE_EXPONENT,
        stall_rad_per_s=float(box.stall_speed_rad_per_s),
        lock_m_per_s=float(box.lockup_road_speed_m_per_s),
        reserve=float(box.reserve),
        lugging_rad_per_s=float(box.lugging_speed_rad_per_s),
        descent_rad_per_s=float(box.descent_speed_rad_per_s),
        sustained_rad_per_s=float(_sustained_rad_per_s(box, engine)),
        idle_rad_per_s=float(engine.idle_speed_rad_per_s),
        top_rad_per_s=float(engine.top_speed_rad_per_s),
        peak_nm=float(engine.peak_torque_nm),
        peak_nm_rad_per_s=float(engine.peak_torque_speed_rad_per_s),
        rated_w=float(engine.peak_power_w),
        rated_rad_per_s=float(engine.peak_power_speed_rad_per_s),
        friction_pa=float(engine.friction_pressure_pa),
        friction_pa_s=float(engine.friction_slope_pa_s),
        swept_m3=float(engine.displacement_m3),
    )


def _columns(n: int, *columns: FloatArray | None) -> list[FloatArray]:
    """Columns of one length as the compiled code takes them; zeros where one is not given."""
    return [np.zeros(n) if column is None else np.require(column, np.float64, ["C", "W"]) for column in columns]


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
    n = len(wheel_w)
    out = np.empty((len(Gear._fields), n))
    columns = _columns(n, wheel_w, speed_m_per_s, other_w, power_share, low_gear, highest_gear)
    taken = np.full(n, -1.0) if gear is None else np.maximum(gear, 0.0)
    box = _box_of(vehicle)
    gears.choose(box, *columns, taken, gears.room(box), out)
    return Gear(*out)


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
    out = np.empty(len(wheel_w))
    columns = _columns(len(out), wheel_w, speed_m_per_s, other_w, power_share)
    box = _box_of(vehicle)
    gears.shortfall(box, *columns, int(steady), gears.room(box), out)
    return out
