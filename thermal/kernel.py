"""The compiled heart: heat balance of seven bodies, and the integrator that steps every draw through every segment.

Several draws step side by side, a lane each, so that the processor's vector instructions serve; one or two alone take
the same steps one by one. Scheme: a two-stage Rosenbrock-W method of order 2, L-stable (Verwer, Spee, Blom &
Hundsdorfer, SIAM J. Sci. Comput. 20 (1999), ROS2 with gamma = 1 - 1/sqrt 2). Its first stage is the error estimate;
every draw has its own step size. The engine block, coolant and oil are solved implicitly together. As it is a W-method,
its order does not depend on the matrix being exact. docs/benchmark.md compares it with other schemes.
"""

import math
from collections import namedtuple
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from thermal.compiled import Code
from thermal.loads import Loads
from thermal.ranges import FloatArray
from thermal.sharing import share_out, threads

# Bodies and fluids as `thermal.fluids` has them; a test holds them equal.
N_NODE = 7
METAL, COOLANT, OIL, TRANSMISSION, DIFFERENTIAL, ROTORS, STEERING = range(N_NODE)
FLUID_NODES = (COOLANT, OIL, TRANSMISSION, DIFFERENTIAL, STEERING)
N_FLUID = len(FLUID_NODES)
ELECTRIC, VISCOUS, FIXED = range(3)
_GAMMA = 1.0 - 1.0 / math.sqrt(2.0)
# Copied from thermal.air and thermal.cooling, not imported: compiled code is kept until this file changes, whatever
# happens to theirs. A test holds them equal.
_CP_AIR = 1006.0
_SIGMA = 5.670374419e-8
# Simplified laminar natural convection in air, h = 1.32 (dT/d)^0.25 for a horizontal cylinder: Holman, Heat Transfer,
# table 7-2 (from memory); d = 0.25 m, a gearbox, an axle housing or a block. [W/(m2 K^1.25)]
_STILL = 1.32 / 0.25**0.25
TABLE_LOW_K, TABLE_STEP_K, TABLE_SIZE = 223.15, 1.0, 301
MAP_SIZE = 49
# Steps in tables, unsigned: another number might be negative and count from the end, which takes time to rule out.
_NEXT, _NEXT_AIR, _NEXT_BOTH = np.uint64(1), np.uint64(MAP_SIZE), np.uint64(MAP_SIZE + 1)
_SWITCH_S = 1e-4  # how exactly a switched fan's turning over is found; coarser, and a cycling fan drifts out of step
# Radiator's air, mixed into that around sump and gearbox. ASSUMED, 0.05 to 0.3: 1 to 5 K on a grade, common practice.
_BAY_SHARE = 0.15
# Air warmed by coolers in front that goes through the radiator. ASSUMED, 0.4 to 1: 1 to 2 K, common practice.
_FRONT_SHARE = 0.7
# Still coolant in the tank takes heat from the gearbox's cooler by natural convection alone: opening at which the
# forced conductance has fallen to it. ASSUMED, 0.01 to 0.05. The factor `tank` says how little is known of it: it may
# well be several times as much, and hardly less, so below 1 its fourth root counts.
_TANK_OPENING = 0.02
# Draws handed to a thread at a time, by callers that hand over some at a time and at the most: some tenths of a second
# on the longest trip.
_BATCH, _MOST = 16, 64


class Car(NamedTuple):
    """Constants of one car, in the kernel's order of nodes."""

    capacity: FloatArray
    area: FloatArray
    emissivity: FloatArray
    thermostat_open_k: float
    thermostat_full_k: float
    fan_kind: int
    fan_on_k: float
    fan_off_k: float
    oil_open_k: float
    oil_full_k: float
    gearbox_open_k: float
    gearbox_full_k: float
    axle_open_k: float
    axle_full_k: float
    steering: float  # 1 where it is hydraulic; else its body is left alone
    steering_open_k: float
    steering_full_k: float
    coolant_cp: float
    map_air_max: float
    map_coolant_max: float
    radiator: FloatArray  # by air, then by coolant, one row after the other
    gearbox_spin: FloatArray
    axle_spin: FloatArray
    steering_spin: FloatArray


class Factors(NamedTuple):
    """What varies from draw to draw, each shape (n_draw,); 1 is the car as described."""

    engine_heat: FloatArray
    airflow: FloatArray
    radiator: FloatArray
    oil_heat: FloatArray
    oil_coolant: FloatArray
    oil_cooler: FloatArray
    gearbox_heat: FloatArray
    gearbox_loss: FloatArray
    axle_heat: FloatArray
    axle_loss: FloatArray
    capacity: FloatArray
    brake_heat: FloatArray
    steering_heat: FloatArray
    steering_loss: FloatArray
    mass: FloatArray
    drag: FloatArray
    wind: FloatArray  # e to the power of a tenth of a headwind in m/s, within 2 %: log-normal as the others are
    tank: FloatArray  # what the cooler in the radiator's tank passes while the thermostat is hardly open
    converter: FloatArray  # 0 where it wastes nothing, 2 where as much as in a lazy box of its kind


# Only compiled code sees these. Load: one segment's loads, as `thermal.loads.Loads` has them, slopes by name. Row: one
# segment's coefficients for one draw; g_ links two nodes by their letters (a air, w water), s_ is a bare surface. Air:
# what passes the radiator at one fan speed, and its place on the map. Balance: net heat into every node, the entries of
# the implicit matrix, and the totals for the ledger.
Load = namedtuple(
    "Load",
    "duration_s air_k grille_k under_k metal_w oil_w gearbox_w converter_doubt_w gearbox_spin_w axle_w axle_spin_w "
    "rotor_w ram_kg_per_s fan_kg_per_s fan_least fan_begins_k fan_full_k condenser_w recirculated pump_kg_per_s "
    "metal_coolant_w_per_k oil_coolant_w_per_k metal_oil_w_per_k metal_gearbox_w_per_k oil_air_w_per_k "
    "oil_water_w_per_k gearbox_water_w_per_k gearbox_air_w_per_k axle_air_w_per_k metal_surface_w_per_k "
    "coolant_surface_w_per_k oil_surface_w_per_k gearbox_surface_w_per_k axle_surface_w_per_k "
    "rotor_surface_w_per_k steering_w steering_spin_w steering_air_w_per_k steering_surface_w_per_k still "
    "airspeed_m_per_s metal_by_mass metal_by_drag metal_by_wind oil_by_mass oil_by_drag oil_by_wind "
    "gearbox_by_mass gearbox_by_drag gearbox_by_wind axle_by_mass axle_by_drag axle_by_wind rotor_by_mass "
    "rotor_by_drag rotor_by_wind",
)
Row = namedtuple(
    "Row",
    "grille_k under_k air_k metal_w oil_w gearbox_w gearbox_spin_w axle_w axle_spin_w rotor_w ram fan condenser_w "
    "recirculated pump radiator g_mc g_oc g_mo g_mt g_oa g_ow g_tw g_ta g_da s_m s_c s_o s_t s_d s_r still "
    "steering_w steering_spin_w g_pa s_p tank fan_least fan_begins_k fan_full_k",
)
Air = namedtuple("Air", "share inlet_k rise_k_per_w column part")
Balance = namedtuple("Balance", "f_m f_c f_o f_t f_d f_r d_m d_c d_o d_t d_d d_r heat_in heat_out")


# Numbers may be fused, and divided by multiplying with an inverse; sums keep their order.
_code = Code(error_model="numpy", fastmath={"contract", "nsz", "arcp"})
# All of it becomes one body: a call would copy some hundred coefficients, which takes as long as the sums themselves.
_jit = _code.inlined


@_jit
def _ramp(temp_k, open_k, full_k):  # type: ignore[no-untyped-def]
    """Opening of a wax thermostat, 0 to 1."""
    return min(1.0, max(0.0, (temp_k - open_k) / (full_k - open_k)))


@_jit
def _table(values, temp_k):  # type: ignore[no-untyped-def]
    """Linear look-up on the common temperature grid: value and slope."""
    x = min(max((temp_k - TABLE_LOW_K) / TABLE_STEP_K, 0.0), TABLE_SIZE - 1.001)
    before = np.floor(x)
    i = np.uint64(before)
    rise = values[i + _NEXT] - values[i]
    return values[i] + (x - before) * rise, rise / TABLE_STEP_K


@_jit
def _air_through(share, row, car):  # type: ignore[no-untyped-def]
    """Air through the radiator at a fan speed, and its position on the map (square-root spaced)."""
    flow = math.sqrt(row.ram * row.ram + share * share * row.fan * row.fan)
    x = min(math.sqrt(flow / car.map_air_max) * (MAP_SIZE - 1), MAP_SIZE - 1.001)
    before = np.floor(x)
    rise_k_per_w = 1.0 / (flow * _CP_AIR + 20.0)
    return Air(share, row.grille_k + row.condenser_w * rise_k_per_w, rise_k_per_w, before * MAP_SIZE, x - before)


@_jit
def _radiator(car, air, coolant):  # type: ignore[no-untyped-def]
    """Radiator conductance and its slope with coolant flow, bilinear on the map."""
    y = min(max(coolant / car.map_coolant_max * (MAP_SIZE - 1), 0.0), MAP_SIZE - 1.001)
    before = np.floor(y)
    i, u, v = np.uint64(air.column + before), air.part, y - before
    low = car.radiator[i] + u * (car.radiator[i + _NEXT_AIR] - car.radiator[i])
    high = car.radiator[i + _NEXT] + u * (car.radiator[i + _NEXT_BOTH] - car.radiator[i + _NEXT])
    return low + v * (high - low), (high - low) * (MAP_SIZE - 1) / car.map_coolant_max


@_jit
def _surface(node, temp_k, air_k, moving, still, car):  # type: ignore[no-untyped-def]
    """Conductance of a bare surface: moving air, still air, radiation."""
    glow = car.emissivity[node] * _SIGMA * (temp_k * temp_k + air_k * air_k) * (temp_k + air_k)
    quiet = still * _STILL * math.sqrt(math.sqrt(abs(temp_k - air_k))) if still > 0.0 else 0.0
    return moving + car.area[node] * (quiet + glow)


@_jit
def _fan_share(car, temp_k, fan_state, row):  # type: ignore[no-untyped-def]
    """Fan speed share: switched, by its clutch, or always."""
    if car.fan_kind == ELECTRIC:
        return fan_state
    if car.fan_kind == VISCOUS:
        return row.fan_least + (1.0 - row.fan_least) * _ramp(temp_k, row.fan_begins_k, row.fan_full_k)
    return 1.0


@_jit
def _air_at(air, coolant_k, fan_state, row, car):  # type: ignore[no-untyped-def]
    """Air through the radiator with the coolant at a temperature: `air` itself where the fan speed is the same."""
    share = _fan_share(car, coolant_k, fan_state, row)
    return air if share == air.share else _air_through(share, row, car)


@_jit
def balance(m, c, o, t, d, r, spin_t, spin_d, row, air, car):  # type: ignore[no-untyped-def]
    """Heat balance of the first six nodes at given temperatures and spin losses of gearbox and axle."""
    g_oa = row.g_oa * _ramp(o, car.oil_open_k, car.oil_full_k)
    g_ta = row.g_ta * _ramp(t, car.gearbox_open_k, car.gearbox_full_k)
    front_w = g_oa * (o - row.grille_k) + g_ta * (t - row.grille_k)
    inlet_k = air.inlet_k + _FRONT_SHARE * front_w * air.rise_k_per_w
    opening = _ramp(c, car.thermostat_open_k, car.thermostat_full_k)
    flow = row.pump * opening
    g_rad, slope = _radiator(car, air, flow)
    g_rad, slope = g_rad * row.radiator, slope * row.radiator
    if row.recirculated > 0.0:
        back = 1.0 / (1.0 + row.recirculated * g_rad * air.rise_k_per_w)
        g_rad, slope = g_rad * back, slope * back
    q_rad = g_rad * (c - inlet_k)
    d_rad = g_rad
    if 0.0 < opening < 1.0:
        d_rad += max(slope * row.pump / (car.thermostat_full_k - car.thermostat_open_k) * (c - inlet_k), 0.0)
    bay_k = row.under_k + _BAY_SHARE * q_rad * air.rise_k_per_w
    # in-radiator cooler: gearbox oil against coolant leaving the radiator, no more than that stream can carry
    c_flow = flow * car.coolant_cp
    q_tw = 0.0
    if row.g_tw > 0.0:
        root = math.sqrt(max(opening, _TANK_OPENING))
        creeps = min(row.tank * root * math.sqrt(root), 1.0)
        g_tw = row.g_tw * creeps * _ramp(t, car.gearbox_open_k, car.gearbox_full_k)
        g_tw *= c_flow / (g_tw + c_flow + 1e-9)
        q_tw = g_tw * (t - (c - q_rad / (c_flow + 1e-9)))
    s_m = _surface(0, m, row.air_k, row.s_m, row.still, car)
    s_c = _surface(1, c, row.air_k, row.s_c, row.still, car)
    s_o = _surface(2, o, bay_k, row.s_o, row.still, car)
    s_t = _surface(3, t, bay_k, row.s_t, row.still, car)
    s_d = _surface(4, d, row.under_k, row.s_d, row.still, car)
    s_r = _surface(5, r, row.air_k, row.s_r, row.still, car)
    g_ow = row.g_oc + row.g_ow * _ramp(o, car.oil_open_k, car.oil_full_k)
    g_da = row.g_da * _ramp(d, car.axle_open_k, car.axle_full_k)
    q_mc, q_mo, q_oc = row.g_mc * (m - c), row.g_mo * (m - o), g_ow * (o - c)
    q_mt = row.g_mt * (m - t)  # too small to need a place in the implicit matrix, as is q_tw
    out_m, out_c = s_m * (m - row.air_k), s_c * (c - row.air_k) + q_rad
    out_o = s_o * (o - bay_k) + g_oa * (o - row.grille_k)
    out_t = s_t * (t - bay_k) + g_ta * (t - row.grille_k)
    out_d = s_d * (d - row.under_k) + g_da * (d - row.grille_k)
    out_r = s_r * (r - row.air_k)
    in_t, in_d = row.gearbox_w + row.gearbox_spin_w * spin_t, row.axle_w + row.axle_spin_w * spin_d
    return Balance(
        row.metal_w - q_mc - q_mo - q_mt - out_m,
        q_mc + q_oc + q_tw - out_c,
        row.oil_w + q_mo - q_oc - out_o,
        in_t + q_mt - q_tw - out_t,
        in_d - out_d,
        row.rotor_w - out_r,
        s_m,
        s_c + d_rad,
        s_o + g_oa,
        s_t + g_ta,
        s_d + g_da,
        s_r,
        row.metal_w + row.oil_w + in_t + in_d + row.rotor_w,
        out_m + out_c + out_o + out_t + out_d + out_r,
    )


@_jit
def steering_given(p, row, car):  # type: ignore[no-untyped-def]
    """Heat that the power-steering fluid gives off, and that per kelvin."""
    surface = _surface(6, p, row.under_k, row.s_p, row.still, car)
    cooler = row.g_pa * _ramp(p, car.steering_open_k, car.steering_full_k)
    return surface * (p - row.under_k) + cooler * (p - row.grille_k), surface + cooler


@_jit
def _moved(heat_w, by_mass, by_drag, by_wind, mass, drag, wind):  # type: ignore[no-untyped-def]
    """Heat at another road load, along its slopes; never negative. [W]"""
    return max(heat_w + by_mass * mass + by_drag * drag + by_wind * wind, 0.0)


@_jit
def _load_of(table, i):  # type: ignore[no-untyped-def]
    """Return the loads of one segment."""
    return Load(
        table[i, 0],
        table[i, 1],
        table[i, 2],
        table[i, 3],
        table[i, 4],
        table[i, 5],
        table[i, 6],
        table[i, 7],
        table[i, 8],
        table[i, 9],
        table[i, 10],
        table[i, 11],
        table[i, 12],
        table[i, 13],
        table[i, 14],
        table[i, 15],
        table[i, 16],
        table[i, 17],
        table[i, 18],
        table[i, 19],
        table[i, 20],
        table[i, 21],
        table[i, 22],
        table[i, 23],
        table[i, 24],
        table[i, 25],
        table[i, 26],
        table[i, 27],
        table[i, 28],
        table[i, 29],
        table[i, 30],
        table[i, 31],
        table[i, 32],
        table[i, 33],
        table[i, 34],
        table[i, 35],
        table[i, 36],
        table[i, 37],
        table[i, 38],
        table[i, 39],
        table[i, 40],
        table[i, 41],
        table[i, 42],
        table[i, 43],
        table[i, 44],
        table[i, 45],
        table[i, 46],
        table[i, 47],
        table[i, 48],
        table[i, 49],
        table[i, 50],
        table[i, 51],
        table[i, 52],
        table[i, 53],
        table[i, 54],
        table[i, 55],
    )


@_jit
def scaled_row(load, factors, draw, ambient_k):  # type: ignore[no-untyped-def]
    """Coefficients of one segment for one draw, with that draw's ambient shift, road load and wind."""
    mass, drag = factors.mass[draw] - 1.0, factors.drag[draw] - 1.0
    wind = 20.0 * (factors.wind[draw] - 1.0) / (factors.wind[draw] + 1.0)
    there = mass, drag, wind
    metal_w = _moved(load.metal_w, load.metal_by_mass, load.metal_by_drag, load.metal_by_wind, *there)
    oil_w = _moved(load.oil_w, load.oil_by_mass, load.oil_by_drag, load.oil_by_wind, *there)
    gearbox_w = _moved(load.gearbox_w, load.gearbox_by_mass, load.gearbox_by_drag, load.gearbox_by_wind, *there)
    gearbox_w = max(gearbox_w + (factors.converter[draw] - 1.0) * load.converter_doubt_w, 0.0)
    axle_w = _moved(load.axle_w, load.axle_by_mass, load.axle_by_drag, load.axle_by_wind, *there)
    rotor_w = _moved(load.rotor_w, load.rotor_by_mass, load.rotor_by_drag, load.rotor_by_wind, *there)
    past = max((load.airspeed_m_per_s + wind) / load.airspeed_m_per_s, 0.1) if wind != 0.0 else 1.0
    film = math.sqrt(past * math.sqrt(past)) if wind != 0.0 else 1.0  # speed^0.75 for the 0.8 of the loads
    f_air, tank = factors.airflow[draw], factors.tank[draw]
    return Row(
        load.grille_k + ambient_k,
        load.under_k + ambient_k,
        load.air_k + ambient_k,
        metal_w * factors.engine_heat[draw],
        oil_w * factors.engine_heat[draw] * factors.oil_heat[draw],
        gearbox_w * factors.gearbox_heat[draw],
        load.gearbox_spin_w * factors.gearbox_heat[draw],
        axle_w * factors.axle_heat[draw],
        load.axle_spin_w * factors.axle_heat[draw],
        rotor_w * factors.brake_heat[draw],
        load.ram_kg_per_s * f_air * past,
        load.fan_kg_per_s * f_air,
        load.condenser_w,
        load.recirculated,
        load.pump_kg_per_s,
        factors.radiator[draw],
        load.metal_coolant_w_per_k,
        load.oil_coolant_w_per_k * factors.oil_coolant[draw],
        load.metal_oil_w_per_k,
        load.metal_gearbox_w_per_k,
        load.oil_air_w_per_k * factors.oil_cooler[draw] * film,
        load.oil_water_w_per_k * factors.oil_cooler[draw],
        load.gearbox_water_w_per_k * factors.gearbox_loss[draw],
        load.gearbox_air_w_per_k * factors.gearbox_loss[draw] * film,
        load.axle_air_w_per_k * factors.axle_loss[draw] * film,
        load.metal_surface_w_per_k * film,
        load.coolant_surface_w_per_k,
        load.oil_surface_w_per_k * factors.oil_cooler[draw] * film,
        load.gearbox_surface_w_per_k * factors.gearbox_loss[draw] * film,
        load.axle_surface_w_per_k * factors.axle_loss[draw] * film,
        load.rotor_surface_w_per_k * film,
        load.still,
        load.steering_w * factors.steering_heat[draw],
        load.steering_spin_w * factors.steering_heat[draw],
        load.steering_air_w_per_k * factors.steering_loss[draw],
        load.steering_surface_w_per_k * factors.steering_loss[draw],
        max(tank, min(math.sqrt(math.sqrt(tank)), 1.0)),
        load.fan_least,
        load.fan_begins_k,
        load.fan_full_k,
    )


@_jit
def _factor3(a, b, e, ab, ae, be):  # type: ignore[no-untyped-def]
    """Eliminate a symmetric 3x3 matrix with a b e on the diagonal: two multipliers, three pivots' inverses, s."""
    i = 1.0 / a
    p, q = ab * i, ae * i
    b, e, be = b - p * ab, e - q * ae, be - p * ae
    j = 1.0 / b
    s = be * j
    return i, j, 1.0 / (e - s * be), p, q, s


@_jit
def _solve3(f, x, y, z):  # type: ignore[no-untyped-def]
    """Solve for one right-hand side with the result of `_factor3`."""
    i, j, k, p, q, s = f
    y = y - p * x
    w = (z - q * x - s * y) * k
    v = y * j - s * w
    return x * i - p * v - q * w, v, w


@_jit
def _steering_step(p, row, h, car, scale):  # type: ignore[no-untyped-def]
    """One step of the power-steering fluid; returns its temperature, heat in and heat out. [K, J, J]."""
    if car.steering == 0.0:
        return p, 0.0, 0.0
    # it stands alone, and acts on no other fluid
    capacity, (spin, slope) = car.capacity[6] * scale, _table(car.steering_spin, p)
    made, slope = row.steering_w + row.steering_spin_w * spin, row.steering_spin_w * slope
    out, per_k = steering_given(p, row, car)
    inverse = 1.0 / (capacity + _GAMMA * h * (per_k - slope))
    k = (made - out) * inverse
    made_2, (out_2, _) = made + slope * h * k, steering_given(p + h * k, row, car)
    rise = h * (1.5 * k + 0.5 * (made_2 - out_2 - 2.0 * capacity * k) * inverse)
    heat_in = 0.5 * h * (made + made_2)
    return p + rise, heat_in, heat_in - capacity * rise


@_jit
def _step(state, row, air, fan_state, h, car, scale):  # type: ignore[no-untyped-def]
    """One Rosenbrock step; returns the new state, the error estimate, heat in and heat out. [K, K, J, J]."""
    m, c, o, t, d, r = state
    cap = car.capacity
    gh = _GAMMA * h
    (spin_t, slope_t), (spin_d, slope_d) = _table(car.gearbox_spin, t), _table(car.axle_spin, d)
    one = balance(m, c, o, t, d, r, spin_t, spin_d, row, air, car)
    a = cap[0] * scale + gh * (row.g_mc + row.g_mo + one.d_m)
    b = cap[1] * scale + gh * (row.g_mc + row.g_oc + one.d_c)
    e = cap[2] * scale + gh * (row.g_oc + row.g_mo + one.d_o)
    ab, ae, be = -gh * row.g_mc, -gh * row.g_mo, -gh * row.g_oc
    i_t = 1.0 / (cap[3] * scale + gh * one.d_t)
    i_d = 1.0 / (cap[4] * scale + gh * one.d_d)
    i_r = 1.0 / (cap[5] * scale + gh * one.d_r)
    f = _factor3(a, b, e, ab, ae, be)
    k_m, k_c, k_o = _solve3(f, one.f_m, one.f_c, one.f_o)
    k_t, k_d, k_r = one.f_t * i_t, one.f_d * i_d, one.f_r * i_r
    out_1 = one.heat_out + gh * (
        one.d_m * k_m + one.d_c * k_c + one.d_o * k_o + one.d_t * k_t + one.d_d * k_d + one.d_r * k_r
    )
    air = _air_at(air, c + h * k_c, fan_state, row, car)
    # spin losses along their slopes: no term of order 2 is lost
    spin_t, spin_d = spin_t + slope_t * h * k_t, spin_d + slope_d * h * k_d
    two = balance(
        m + h * k_m, c + h * k_c, o + h * k_o, t + h * k_t, d + h * k_d, r + h * k_r, spin_t, spin_d, row, air, car
    )
    # right-hand side less 2 C k1, C being the plain capacities
    x = two.f_m - 2.0 * cap[0] * scale * k_m
    y = two.f_c - 2.0 * cap[1] * scale * k_c
    z = two.f_o - 2.0 * cap[2] * scale * k_o
    l_m, l_c, l_o = _solve3(f, x, y, z)
    l_t = (two.f_t - 2.0 * cap[3] * scale * k_t) * i_t
    l_d = (two.f_d - 2.0 * cap[4] * scale * k_d) * i_d
    l_r = (two.f_r - 2.0 * cap[5] * scale * k_r) * i_r
    heat_2 = two.heat_in - 2.0 * one.heat_in
    out_2 = (
        two.heat_out
        - 2.0 * out_1
        + gh * (one.d_m * l_m + one.d_c * l_c + one.d_o * l_o + one.d_t * l_t + one.d_d * l_d + one.d_r * l_r)
    )
    error = max(abs(k_m + l_m), abs(k_c + l_c), abs(k_o + l_o), abs(k_t + l_t), abs(k_d + l_d), 0.2 * abs(k_r + l_r))
    after = (
        m + h * (1.5 * k_m + 0.5 * l_m),
        c + h * (1.5 * k_c + 0.5 * l_c),
        o + h * (1.5 * k_o + 0.5 * l_o),
        t + h * (1.5 * k_t + 0.5 * l_t),
        d + h * (1.5 * k_d + 0.5 * l_d),
        r + h * (1.5 * k_r + 0.5 * l_r),
    )
    return after, 0.5 * h * error, h * (1.5 * one.heat_in + 0.5 * heat_2), h * (1.5 * out_1 + 0.5 * out_2)


@_jit
def _crossing(before_k, after_k, fan_state, car):  # type: ignore[no-untyped-def]
    """Share of the step at which a switched fan turns over; above 1 when it does not."""
    if car.fan_kind != ELECTRIC:
        return 2.0
    if fan_state == 0.0 and after_k > car.fan_on_k:
        return max((car.fan_on_k - before_k) / (after_k - before_k), 0.0) if after_k > before_k else 0.0
    if fan_state == 1.0 and after_k < car.fan_off_k:
        return max((before_k - car.fan_off_k) / (before_k - after_k), 0.0) if before_k > after_k else 0.0
    return 2.0


@_jit
def _segment(state, p, fan_state, row, duration_s, h, tolerance_k, car, scale):  # type: ignore[no-untyped-def]
    """Step one draw through one segment; returns state, steering, fan, next step, heat in, heat out, steps taken."""
    left, heat_in, heat_out, steps = duration_s, 0.0, 0.0, 0
    air = _air_through(_fan_share(car, state[1], fan_state, row), row, car)
    while left > 1e-9:
        h = min(h, left)
        air = _air_at(air, state[1], fan_state, row, car)
        after, error, q_in, q_out = _step(state, row, air, fan_state, h, car, scale)
        steps += 1
        if error > tolerance_k and h > 0.05:
            h *= max(0.2, 0.85 * math.sqrt(tolerance_k / error))
            continue
        share = _crossing(state[1], after[1], fan_state, car)
        if share <= 1.0:
            if share * h < _SWITCH_S:  # already there: turn the fan over and take the step again
                fan_state = 1.0 - fan_state
                continue
            if (1.0 - share) * h > _SWITCH_S:  # too far: come back to where the fan turns over
                h *= share
                continue
            fan_state = 1.0 - fan_state
        p, in_p, out_p = _steering_step(p, row, h, car, scale)
        left -= h
        heat_in += q_in + in_p
        heat_out += q_out + out_p
        state = after
        h *= min(3.0, max(0.3, 0.85 * math.sqrt(tolerance_k / (error + 1e-12))))
    return state, p, fan_state, h, heat_in, heat_out, steps


@_code.entry
def _march(inputs, outputs, first, last):  # type: ignore[no-untyped-def]
    """Step draws `first` to `last` - 1 through all segments."""
    table, car, factors, ambient_k, day, group, limit_k, start_k, record, tolerance_k = inputs
    temps, margin, where, ledger = outputs
    for draw in range(first, last):
        y = start_k[draw]
        state, p = (y[0], y[1], y[2], y[3], y[4], y[5]), y[6]
        fan_state, h, scale = 0.0, 1.0, factors.capacity[draw]
        for i in range(len(table)):
            load = _load_of(table, i)
            row = scaled_row(load, factors, draw, ambient_k[draw, day[i]])
            state, p, fan_state, h, q_in, q_out, steps = _segment(
                state, p, fan_state, row, load.duration_s, h, tolerance_k, car, scale
            )
            ledger[draw, 0] += q_in
            ledger[draw, 1] += q_out
            ledger[draw, 2] += steps
            if record[i] >= 0:
                for node in range(STEERING):
                    temps[draw, record[i], node] = state[node]
                temps[draw, record[i], STEERING] = p
            for fluid in range(N_FLUID):
                left = limit_k[i, fluid] - (state[fluid + 1] if fluid + 1 < ROTORS else p)
                if left < margin[draw, group[i], fluid]:
                    margin[draw, group[i], fluid] = left
                    where[draw, group[i], fluid] = i


# Draws side by side, one a lane: the same steps, each lane with its own step size, written so that the compiler makes
# vector instructions of the loops over lanes. Every lane computes everything; a choice then drops what it does not use.
_LANES = 8
_LEAST_LANES = 3  # fewer draws are faster one after the other
Lanes = namedtuple("Lanes", "m c o t d r p fan_state h left_s heat_in heat_out steps scale ambient_k")


@_jit
def _keep_row(rows, k, row):  # type: ignore[no-untyped-def]
    """Store one lane's coefficients, field by field."""
    rows[k] = row.grille_k
    rows[_LANES + k] = row.under_k
    rows[2 * _LANES + k] = row.air_k
    rows[3 * _LANES + k] = row.metal_w
    rows[4 * _LANES + k] = row.oil_w
    rows[5 * _LANES + k] = row.gearbox_w
    rows[6 * _LANES + k] = row.gearbox_spin_w
    rows[7 * _LANES + k] = row.axle_w
    rows[8 * _LANES + k] = row.axle_spin_w
    rows[9 * _LANES + k] = row.rotor_w
    rows[10 * _LANES + k] = row.ram
    rows[11 * _LANES + k] = row.fan
    rows[12 * _LANES + k] = row.condenser_w
    rows[13 * _LANES + k] = row.recirculated
    rows[14 * _LANES + k] = row.pump
    rows[15 * _LANES + k] = row.radiator
    rows[16 * _LANES + k] = row.g_mc
    rows[17 * _LANES + k] = row.g_oc
    rows[18 * _LANES + k] = row.g_mo
    rows[19 * _LANES + k] = row.g_mt
    rows[20 * _LANES + k] = row.g_oa
    rows[21 * _LANES + k] = row.g_ow
    rows[22 * _LANES + k] = row.g_tw
    rows[23 * _LANES + k] = row.g_ta
    rows[24 * _LANES + k] = row.g_da
    rows[25 * _LANES + k] = row.s_m
    rows[26 * _LANES + k] = row.s_c
    rows[27 * _LANES + k] = row.s_o
    rows[28 * _LANES + k] = row.s_t
    rows[29 * _LANES + k] = row.s_d
    rows[30 * _LANES + k] = row.s_r
    rows[32 * _LANES + k] = row.steering_w
    rows[33 * _LANES + k] = row.steering_spin_w
    rows[34 * _LANES + k] = row.g_pa
    rows[35 * _LANES + k] = row.s_p
    rows[36 * _LANES + k] = row.tank
    rows[37 * _LANES + k] = row.fan_least
    rows[38 * _LANES + k] = row.fan_begins_k
    rows[39 * _LANES + k] = row.fan_full_k


@_jit
def _row_of(rows, k, still):  # type: ignore[no-untyped-def]
    """Return one lane's coefficients."""
    return Row(
        rows[k],
        rows[_LANES + k],
        rows[2 * _LANES + k],
        rows[3 * _LANES + k],
        rows[4 * _LANES + k],
        rows[5 * _LANES + k],
        rows[6 * _LANES + k],
        rows[7 * _LANES + k],
        rows[8 * _LANES + k],
        rows[9 * _LANES + k],
        rows[10 * _LANES + k],
        rows[11 * _LANES + k],
        rows[12 * _LANES + k],
        rows[13 * _LANES + k],
        rows[14 * _LANES + k],
        rows[15 * _LANES + k],
        rows[16 * _LANES + k],
        rows[17 * _LANES + k],
        rows[18 * _LANES + k],
        rows[19 * _LANES + k],
        rows[20 * _LANES + k],
        rows[21 * _LANES + k],
        rows[22 * _LANES + k],
        rows[23 * _LANES + k],
        rows[24 * _LANES + k],
        rows[25 * _LANES + k],
        rows[26 * _LANES + k],
        rows[27 * _LANES + k],
        rows[28 * _LANES + k],
        rows[29 * _LANES + k],
        rows[30 * _LANES + k],
        still,
        rows[32 * _LANES + k],
        rows[33 * _LANES + k],
        rows[34 * _LANES + k],
        rows[35 * _LANES + k],
        rows[36 * _LANES + k],
        rows[37 * _LANES + k],
        rows[38 * _LANES + k],
        rows[39 * _LANES + k],
    )


@_jit
def _step_lanes(rows, b, tolerance_k, car, still):  # type: ignore[no-untyped-def]
    """Try a step, as `_segment` does, in every lane whose segment is not over; returns how many have time left."""
    busy = 0
    for k in range(_LANES):
        row, left, asked, fan = _row_of(rows, k, still), b.left_s[k], b.h[k], b.fan_state[k]
        active = left > 1e-9
        h = min(asked, left) if active else 0.0
        state = (b.m[k], b.c[k], b.o[k], b.t[k], b.d[k], b.r[k])
        air = _air_through(_fan_share(car, state[1], fan, row), row, car)
        after, error, q_in, q_out = _step(state, row, air, fan, h, car, b.scale[k])
        p, in_p, out_p = _steering_step(b.p[k], row, h, car, b.scale[k])
        wrong = active & (error > tolerance_k) & (h > 0.05)
        share = _crossing(state[1], after[1], fan, car)
        turns = active & (not wrong) & (share <= 1.0)
        there = turns & (share * h < _SWITCH_S)
        past = turns & (not there) & ((1.0 - share) * h > _SWITCH_S)
        taken = active & (not wrong) & (not there) & (not past)
        root = 0.85 * math.sqrt(tolerance_k / (error if wrong else error + 1e-12))
        grow = max(0.2, root) if wrong else min(3.0, max(0.3, root))
        grow = grow if wrong | taken else (share if past else 1.0)
        b.fan_state[k] = 1.0 - fan if turns & (not past) else fan
        b.h[k] = h * grow if active else asked
        b.left_s[k] = left - h if taken else left
        b.steps[k] += 1.0 if active else 0.0
        b.heat_in[k] += q_in + in_p if taken else 0.0
        b.heat_out[k] += q_out + out_p if taken else 0.0
        b.m[k] = after[0] if taken else state[0]
        b.c[k] = after[1] if taken else state[1]
        b.o[k] = after[2] if taken else state[2]
        b.t[k] = after[3] if taken else state[3]
        b.d[k] = after[4] if taken else state[4]
        b.r[k] = after[5] if taken else state[5]
        b.p[k] = p if taken else b.p[k]
        busy += 1 if b.left_s[k] > 1e-9 else 0
    return busy


@_jit
def _begin_lanes(b, f, factors, start_k, block, n):  # type: ignore[no-untyped-def]
    """Fill the lanes with `n` draws; lanes without one repeat the last."""
    for k in range(_LANES):
        draw = block + min(k, n - 1)
        for j in range(len(f)):
            f[j][k] = factors[j][draw]
        for j in range(N_NODE):
            b[j][k] = start_k[draw, j]
        b.fan_state[k], b.h[k], b.scale[k] = 0.0, 1.0, factors.capacity[draw]
        b.heat_in[k], b.heat_out[k], b.steps[k] = 0.0, 0.0, 0.0


@_jit
def _record_lanes(b, outputs, limit_k, block, n, i, at, here):  # type: ignore[no-untyped-def]
    """Record requested temperatures, and update the smallest margins."""
    temps, margin, where, _ = outputs
    for k in range(n):
        if at >= 0:
            for j in range(N_NODE):
                temps[block + k, at, j] = b[j][k]
        for fluid in range(N_FLUID):
            left = limit_k[i, fluid] - (b[fluid + 1][k] if fluid + 1 < ROTORS else b.p[k])
            if left < margin[block + k, here, fluid]:
                margin[block + k, here, fluid] = left
                where[block + k, here, fluid] = i


@_code.apart
def _march_lanes(inputs, outputs, work, first, last):  # type: ignore[no-untyped-def]
    """Step draws `first` to `last` - 1 through all segments, several at a time."""
    table, car, factors, ambient_k, day, group, limit_k, start_k, record, tolerance_k = inputs
    rows, b, f = work
    for block in range(first, last, _LANES):
        n = min(_LANES, last - block)
        _begin_lanes(b, f, factors, start_k, block, n)
        for i in range(len(table)):
            load = _load_of(table, i)
            for k in range(_LANES):
                b.ambient_k[k] = ambient_k[block + min(k, n - 1), day[i]]
            for k in range(_LANES):
                _keep_row(rows, k, scaled_row(load, f, k, b.ambient_k[k]))
                b.left_s[k] = load.duration_s
            if load.still > 0.0:
                while _step_lanes(rows, b, tolerance_k, car, 1.0) > 0:
                    pass
            else:  # the same without still air, whose roots take long
                while _step_lanes(rows, b, tolerance_k, car, 0.0) > 0:
                    pass
            _record_lanes(b, outputs, limit_k, block, n, i, record[i], group[i])
        ledger = outputs[3]
        for k in range(n):
            ledger[block + k, 0], ledger[block + k, 1] = b.heat_in[k], b.heat_out[k]
            ledger[block + k, 2] = b.steps[k]


def _lanes_work() -> Any:
    """Work arrays of a thread's lanes."""
    lanes, factors = (kind(*(np.zeros(_LANES) for _ in kind._fields)) for kind in (Lanes, Factors))
    return np.zeros(len(Row._fields) * _LANES), lanes, factors


def march(
    loads: Loads,
    car: Car,
    factors: Factors,
    ambient_k: FloatArray,
    day: npt.NDArray[np.int64],
    group: npt.NDArray[np.int64],
    limit_k: FloatArray,
    start_k: FloatArray,
    record: npt.NDArray[np.int64],
    tolerance_k: float,
    temps: FloatArray,
    margin: FloatArray,
    where: npt.NDArray[np.int64],
    ledger: FloatArray,
    table: FloatArray | None = None,
) -> None:
    """Step all draws through all segments, filling the last four arrays in place.

    Batches of draws go to threads, as many as there are processors (or NUMBA_NUM_THREADS); the compiled code lets go of
    the interpreter. A draw does not see the others, so the result does not depend on how they are shared out.

    Parameters
    ----------
    ambient_k : ndarray, shape (n_draw, n_day)
        Shift of the air temperature. [K]
    day, group : ndarray of int, shape (n_segment,)
        Day and group each segment belongs to. [-]
    limit_k : ndarray, shape (n_segment, n_fluid)
        Limits of the fluids, coolant first. [K]
    start_k : ndarray, shape (n_draw, n_body)
        Temperatures at the start. [K]
    record : ndarray of int, shape (n_segment,)
        Row of `temps` that takes the temperatures at a segment's end; negative for none. [-]
    tolerance_k : float
        Local error allowed per step. [K]
    temps : ndarray, shape (n_draw, n_recorded, n_body)
        Temperatures wanted. [K]
    margin, where : ndarray, shape (n_draw, n_group, n_fluid)
        Smallest limit less temperature [K], infinite before, and the segment at whose end it occurs. [-]
    ledger : ndarray, shape (n_draw, 3)
        Heat in, heat out, steps taken; zero before. [J, J, -]
    table : ndarray, optional
        What `table_of` has for `loads`; worked out when not given. [SI, each column its own]
    """
    shift, limit, begin = (np.require(x, np.float64, ["C", "W"]) for x in (ambient_k, limit_k, start_k))
    days, groups, rows = (np.require(x, np.int64, ["C", "W"]) for x in (day, group, record))
    table, tolerance = table_of(loads) if table is None else table, float(tolerance_k)
    inputs = (table, _plain(car), _plain(factors), shift, days, groups, limit, begin, rows, tolerance)
    outputs = (temps, margin, where, ledger)
    n_draw, workers = len(start_k), threads()
    alone = n_draw < _LEAST_LANES
    batch = 1 if alone else min(_MOST, -(-n_draw // (workers * _LANES)) * _LANES)

    def some(first: int) -> None:
        last = min(first + batch, n_draw)
        if alone:
            _march(inputs, outputs, first, last)
        else:
            _march_lanes(inputs, outputs, _lanes_work(), first, last)

    share_out(some, range(0, n_draw, batch))


def table_of(loads: Loads) -> FloatArray:
    """Loads side by side, segment by segment, as the compiled code reads them: by row a segment, by column a field."""
    table = np.empty((len(loads.duration_s), len(Load._fields)))
    *columns, slope = loads
    for j, column in enumerate(columns):
        table[:, j] = column
    table[:, len(columns) :] = slope
    return table


def at_once() -> int:
    """Fewest draws that keep every thread busy, for callers that hand over some at a time; a multiple of the lanes."""
    return _BATCH * threads()


def _plain(values: Any) -> Any:
    """Same numbers, each field of one type only: the compiler works once, not once per kind of array that it gets."""
    return type(values)(
        *(np.require(v, np.float64, ["C", "W"]) if isinstance(v, np.ndarray) else float(v) for v in values)
    )


@_code.entry
def rates(y, table, i, factors, draw, ambient_k, fan_state, car, out):  # type: ignore[no-untyped-def]
    """Rates of change at one state, for reference integrators. [K/s]."""
    row = scaled_row(_load_of(table, i), factors, draw, ambient_k)
    air = _air_through(_fan_share(car, y[1], fan_state, row), row, car)
    (spin_t, _), (spin_d, _) = _table(car.gearbox_spin, y[3]), _table(car.axle_spin, y[4])
    b = balance(y[0], y[1], y[2], y[3], y[4], y[5], spin_t, spin_d, row, air, car)
    given, _ = steering_given(y[6], row, car)
    f_p = (row.steering_w + row.steering_spin_w * _table(car.steering_spin, y[6])[0] - given) * car.steering
    heat = (b.f_m, b.f_c, b.f_o, b.f_t, b.f_d, b.f_r, f_p)
    for node in range(N_NODE):
        out[node] = heat[node] / (car.capacity[node] * factors.capacity[draw])


def is_compiled() -> bool:
    """Whether a compiled kernel for this version is in the cache.

    False on the first run after installing or updating; true when the compiler is switched off.
    """
    return _march.is_kept() and _march_lanes.is_kept()
