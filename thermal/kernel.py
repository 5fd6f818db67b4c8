"""The compiled heart: heat balance of six bodies, and the integrator that steps every draw through every segment.

Scheme: a two-stage Rosenbrock-W method of order 2, L-stable (Verwer, Spee, Blom & Hundsdorfer, SIAM J. Sci. Comput. 20
(1999), ROS2 with gamma = 1 - 1/sqrt 2), its first stage as error estimate, step size chosen per draw. The engine block,
coolant and oil are solved implicitly together; being a W-method, the order does not depend on the matrix being exact.
"""

import math
from typing import Any, NamedTuple

import numba

from thermal.compiled import choose_cache
from thermal.ranges import FloatArray

N_NODE = 6
METAL, COOLANT, OIL, TRANSMISSION, DIFFERENTIAL, ROTORS = range(N_NODE)
ELECTRIC, VISCOUS, FIXED = range(3)
_GAMMA = 1.0 - 1.0 / math.sqrt(2.0)
_CP_AIR = 1006.0
_SIGMA = 5.670374419e-8
_STILL = 1.32 / 0.25**0.25  # see thermal.cooling.STILL_W_PER_M2K125; a test holds them equal
TABLE_LOW_K, TABLE_STEP_K, TABLE_SIZE = 223.15, 1.0, 301
MAP_SIZE = 49


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
    coolant_cp: float
    map_air_max: float
    map_coolant_max: float
    radiator: FloatArray
    gearbox_spin: FloatArray
    axle_spin: FloatArray


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


class Row(NamedTuple):
    """One segment's coefficients, scaled for one draw."""

    grille_k: float
    under_k: float
    air_k: float
    metal_w: float
    oil_w: float
    gearbox_w: float
    gearbox_spin_w: float
    axle_w: float
    axle_spin_w: float
    rotor_w: float
    ram: float
    fan: float
    condenser_w: float
    pump: float
    radiator: float
    g_mc: float
    g_oc: float
    g_mo: float
    g_oa: float
    g_ow: float
    g_tw: float
    g_ta: float
    g_da: float
    s_m: float
    s_c: float
    s_o: float
    s_t: float
    s_d: float
    s_r: float
    still: float


class Balance(NamedTuple):
    """Net heat into every node, the implicit matrix' entries, and the totals for the ledger."""

    f_m: float
    f_c: float
    f_o: float
    f_t: float
    f_d: float
    f_r: float
    d_m: float
    d_c: float
    d_o: float
    d_t: float
    d_d: float
    d_r: float
    heat_in: float
    heat_out: float


choose_cache()
_jit = numba.njit(cache=True, error_model="numpy", fastmath={"contract", "nsz"})


@_jit
def _ramp(temp_k, open_k, full_k):  # type: ignore[no-untyped-def]
    """Opening of a wax thermostat, 0 to 1."""
    return min(1.0, max(0.0, (temp_k - open_k) / (full_k - open_k)))


@_jit
def _table(values, temp_k):  # type: ignore[no-untyped-def]
    """Linear look-up on the common temperature grid."""
    x = min(max((temp_k - TABLE_LOW_K) / TABLE_STEP_K, 0.0), TABLE_SIZE - 1.001)
    i = int(x)
    return values[i] + (x - i) * (values[i + 1] - values[i])


@_jit
def _radiator(car, air, coolant):  # type: ignore[no-untyped-def]
    """Radiator conductance and its slope with coolant flow, bilinear on the map (air axis is square-root spaced)."""
    x = min(math.sqrt(max(air, 0.0) / car.map_air_max) * (MAP_SIZE - 1), MAP_SIZE - 1.001)
    y = min(max(coolant / car.map_coolant_max * (MAP_SIZE - 1), 0.0), MAP_SIZE - 1.001)
    i, j = int(x), int(y)
    u, v = x - i, y - j
    low = car.radiator[i, j] + u * (car.radiator[i + 1, j] - car.radiator[i, j])
    high = car.radiator[i, j + 1] + u * (car.radiator[i + 1, j + 1] - car.radiator[i, j + 1])
    return low + v * (high - low), (high - low) * (MAP_SIZE - 1) / car.map_coolant_max


@_jit
def _surface(node, temp_k, air_k, moving, still, car):  # type: ignore[no-untyped-def]
    """Conductance of a bare surface: moving air, still air, radiation."""
    rise = abs(temp_k - air_k)
    quiet = still * _STILL * math.sqrt(math.sqrt(rise))
    glow = car.emissivity[node] * _SIGMA * (temp_k * temp_k + air_k * air_k) * (temp_k + air_k)
    return moving + car.area[node] * (quiet + glow)


@_jit
def _fan_share(car, temp_k, fan_state):  # type: ignore[no-untyped-def]
    """Fan speed share: switched, by its clutch, or always."""
    if car.fan_kind == ELECTRIC:
        return fan_state
    if car.fan_kind == VISCOUS:
        return 0.25 + 0.75 * _ramp(temp_k, car.fan_off_k, car.fan_on_k)
    return 1.0


@_jit
def balance(m, c, o, t, d, r, row, fan_state, car):  # type: ignore[no-untyped-def]
    """Heat balance of the six nodes at given temperatures."""
    share = _fan_share(car, c, fan_state)
    air = math.sqrt(row.ram * row.ram + share * share * row.fan * row.fan)
    inlet_k = row.grille_k + row.condenser_w / (air * _CP_AIR + 20.0)
    opening = _ramp(c, car.thermostat_open_k, car.thermostat_full_k)
    flow = row.pump * opening
    g_rad, slope = _radiator(car, air, flow)
    g_rad, slope = g_rad * row.radiator, slope * row.radiator
    q_rad = g_rad * (c - inlet_k)
    d_rad = g_rad
    if 0.0 < opening < 1.0:
        d_rad += max(slope * row.pump / (car.thermostat_full_k - car.thermostat_open_k) * (c - inlet_k), 0.0)
    # in-radiator cooler: gearbox oil against coolant leaving the radiator, no more than that stream can carry
    c_flow = flow * car.coolant_cp
    g_tw = row.g_tw * c_flow / (row.g_tw + c_flow + 1e-9)
    q_tw = g_tw * (t - (c - q_rad / (c_flow + 1e-9)))
    s_m = _surface(0, m, row.air_k, row.s_m, row.still, car)
    s_c = _surface(1, c, row.air_k, row.s_c, row.still, car)
    s_o = _surface(2, o, row.under_k, row.s_o, row.still, car)
    s_t = _surface(3, t, row.under_k, row.s_t, row.still, car)
    s_d = _surface(4, d, row.under_k, row.s_d, row.still, car)
    s_r = _surface(5, r, row.air_k, row.s_r, row.still, car)
    g_oa = row.g_oa * _ramp(o, car.oil_open_k, car.oil_full_k)
    g_ow = row.g_oc + row.g_ow * _ramp(o, car.oil_open_k, car.oil_full_k)
    g_ta = row.g_ta * _ramp(t, car.gearbox_open_k, car.gearbox_full_k)
    g_da = row.g_da * _ramp(d, car.axle_open_k, car.axle_full_k)
    spin_t = row.gearbox_spin_w * _table(car.gearbox_spin, t)
    spin_d = row.axle_spin_w * _table(car.axle_spin, d)
    q_mc, q_mo, q_oc = row.g_mc * (m - c), row.g_mo * (m - o), g_ow * (o - c)
    out_m, out_c = s_m * (m - row.air_k), s_c * (c - row.air_k) + q_rad
    out_o = s_o * (o - row.under_k) + g_oa * (o - row.grille_k)
    out_t = s_t * (t - row.under_k) + g_ta * (t - row.grille_k)
    out_d = s_d * (d - row.under_k) + g_da * (d - row.grille_k)
    out_r = s_r * (r - row.air_k)
    in_t, in_d = row.gearbox_w + spin_t, row.axle_w + spin_d
    return Balance(
        row.metal_w - q_mc - q_mo - out_m,
        q_mc + q_oc + q_tw - out_c,
        row.oil_w + q_mo - q_oc - out_o,
        in_t - q_tw - out_t,
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
def scaled_row(loads, i, factors, draw, ambient_k):  # type: ignore[no-untyped-def]
    """Coefficients of segment `i` for one draw, its ambient shifted."""
    f_air = factors.airflow[draw]
    return Row(
        loads.grille_k[i] + ambient_k,
        loads.under_k[i] + ambient_k,
        loads.air_k[i] + ambient_k,
        loads.metal_w[i] * factors.engine_heat[draw],
        loads.oil_w[i] * factors.engine_heat[draw] * factors.oil_heat[draw],
        loads.gearbox_w[i] * factors.gearbox_heat[draw],
        loads.gearbox_spin_w[i] * factors.gearbox_heat[draw],
        loads.axle_w[i] * factors.axle_heat[draw],
        loads.axle_spin_w[i] * factors.axle_heat[draw],
        loads.rotor_w[i] * factors.brake_heat[draw],
        loads.ram_kg_per_s[i] * f_air,
        loads.fan_kg_per_s[i] * f_air,
        loads.condenser_w[i],
        loads.pump_kg_per_s[i],
        factors.radiator[draw],
        loads.metal_coolant_w_per_k[i],
        loads.oil_coolant_w_per_k[i] * factors.oil_coolant[draw],
        loads.metal_oil_w_per_k[i],
        loads.oil_air_w_per_k[i] * factors.oil_cooler[draw],
        loads.oil_water_w_per_k[i] * factors.oil_cooler[draw],
        loads.gearbox_water_w_per_k[i] * factors.gearbox_loss[draw],
        loads.gearbox_air_w_per_k[i] * factors.gearbox_loss[draw],
        loads.axle_air_w_per_k[i] * factors.axle_loss[draw],
        loads.metal_surface_w_per_k[i],
        loads.coolant_surface_w_per_k[i],
        loads.oil_surface_w_per_k[i] * factors.oil_cooler[draw],
        loads.gearbox_surface_w_per_k[i] * factors.gearbox_loss[draw],
        loads.axle_surface_w_per_k[i] * factors.axle_loss[draw],
        loads.rotor_surface_w_per_k[i],
        loads.still[i],
    )


@_jit
def _solve3(a, b, e, ab, ae, be, x, y, z):  # type: ignore[no-untyped-def]
    """Solve a symmetric 3x3 system by elimination; entries a b e on the diagonal."""
    p, q = ab / a, ae / a
    b, e, be = b - p * ab, e - q * ae, be - p * ae
    y, z = y - p * x, z - q * x
    s = be / b
    w = (z - s * y) / (e - s * be)
    v = (y - be * w) / b
    return (x - ab * v - ae * w) / a, v, w


@_jit
def _step(state, row, fan_state, h, car, scale):  # type: ignore[no-untyped-def]
    """One Rosenbrock step; returns the new state, the error estimate, heat in and heat out. [K, K, J, J]."""
    m, c, o, t, d, r = state
    cap = car.capacity
    gh = _GAMMA * h
    one = balance(m, c, o, t, d, r, row, fan_state, car)
    a = cap[0] * scale + gh * (row.g_mc + row.g_mo + one.d_m)
    b = cap[1] * scale + gh * (row.g_mc + row.g_oc + one.d_c)
    e = cap[2] * scale + gh * (row.g_oc + row.g_mo + one.d_o)
    ab, ae, be = -gh * row.g_mc, -gh * row.g_mo, -gh * row.g_oc
    m_t, m_d, m_r = cap[3] * scale + gh * one.d_t, cap[4] * scale + gh * one.d_d, cap[5] * scale + gh * one.d_r
    k_m, k_c, k_o = _solve3(a, b, e, ab, ae, be, one.f_m, one.f_c, one.f_o)
    k_t, k_d, k_r = one.f_t / m_t, one.f_d / m_d, one.f_r / m_r
    out_1 = one.heat_out + gh * (
        one.d_m * k_m + one.d_c * k_c + one.d_o * k_o + one.d_t * k_t + one.d_d * k_d + one.d_r * k_r
    )
    two = balance(m + h * k_m, c + h * k_c, o + h * k_o, t + h * k_t, d + h * k_d, r + h * k_r, row, fan_state, car)
    # right-hand side less 2 C k1, C being the plain capacities
    x = two.f_m - 2.0 * cap[0] * scale * k_m
    y = two.f_c - 2.0 * cap[1] * scale * k_c
    z = two.f_o - 2.0 * cap[2] * scale * k_o
    l_m, l_c, l_o = _solve3(a, b, e, ab, ae, be, x, y, z)
    l_t = (two.f_t - 2.0 * cap[3] * scale * k_t) / m_t
    l_d = (two.f_d - 2.0 * cap[4] * scale * k_d) / m_d
    l_r = (two.f_r - 2.0 * cap[5] * scale * k_r) / m_r
    stored_1 = scale * (cap[0] * k_m + cap[1] * k_c + cap[2] * k_o + cap[3] * k_t + cap[4] * k_d + cap[5] * k_r)
    heat_2 = two.heat_in - 2.0 * stored_1
    out_2 = two.heat_out + gh * (
        one.d_m * l_m + one.d_c * l_c + one.d_o * l_o + one.d_t * l_t + one.d_d * l_d + one.d_r * l_r
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
def _segment(state, fan_state, row, duration_s, h, tolerance_k, car, scale):  # type: ignore[no-untyped-def]
    """Carry one draw over one segment; returns state, fan, next step size, heat in, heat out, steps taken."""
    left, heat_in, heat_out, steps = duration_s, 0.0, 0.0, 0
    while left > 1e-9:
        h = min(h, left)
        after, error, q_in, q_out = _step(state, row, fan_state, h, car, scale)
        steps += 1
        if error > tolerance_k and h > 0.05:
            h *= max(0.2, 0.85 * math.sqrt(tolerance_k / error))
            continue
        share = _crossing(state[1], after[1], fan_state, car)
        if share <= 1.0:
            if share * h < 0.02:  # already there: turn the fan over and take the step again
                fan_state = 1.0 - fan_state
                continue
            if (1.0 - share) * h > 0.02:
                for _ in range(2):  # land on the switching temperature: secant on the step length
                    after, error, q_in, q_out = _step(state, row, fan_state, share * h, car, scale)
                    wanted = car.fan_on_k if fan_state == 0.0 else car.fan_off_k
                    share *= (wanted - state[1]) / (after[1] - state[1])
                    share = min(max(share, 0.01), 1.0)
                after, error, q_in, q_out = _step(state, row, fan_state, share * h, car, scale)
                taken = share * h
            else:
                taken = h
            fan_state = 1.0 - fan_state
        else:
            taken = h
        left -= taken
        heat_in += q_in
        heat_out += q_out
        state = after
        h = taken * min(3.0, max(0.3, 0.85 * math.sqrt(tolerance_k / (error + 1e-12))))
    return state, fan_state, h, heat_in, heat_out, steps


@numba.njit(cache=True, parallel=True, error_model="numpy", fastmath={"contract", "nsz"})
def march(  # type: ignore[no-untyped-def]
    loads, car, factors, ambient_k, day, group, limit_k, start_k, record, tolerance_k, temps, margin, where, ledger
):
    """Step all draws through all segments, filling `temps`, `margin`, `where` and `ledger` in place."""
    n_segment, n_draw = loads.duration_s.shape[0], factors.airflow.shape[0]
    for draw in numba.prange(n_draw):
        y = start_k[draw]
        state = (y[0], y[1], y[2], y[3], y[4], y[5])
        fan_state, h, scale = 0.0, 1.0, factors.capacity[draw]
        for i in range(n_segment):
            row = scaled_row(loads, i, factors, draw, ambient_k[draw, day[i]])
            state, fan_state, h, q_in, q_out, steps = _segment(
                state, fan_state, row, loads.duration_s[i], h, tolerance_k, car, scale
            )
            ledger[draw, 0] += q_in
            ledger[draw, 1] += q_out
            ledger[draw, 2] += steps
            if record[i] >= 0:
                for node in range(6):
                    temps[draw, record[i], node] = state[node]
            for fluid in range(4):
                left = limit_k[i, fluid] - state[fluid + 1]
                if left < margin[draw, group[i], fluid]:
                    margin[draw, group[i], fluid] = left
                    where[draw, group[i], fluid] = i


@_jit
def rates(y, loads, i, factors, draw, ambient_k, fan_state, car, out):  # type: ignore[no-untyped-def]
    """Rates of change at one state, for reference integrators. [K/s]."""
    row = scaled_row(loads, i, factors, draw, ambient_k)
    b = balance(y[0], y[1], y[2], y[3], y[4], y[5], row, fan_state, car)
    scale = factors.capacity[draw]
    out[0] = b.f_m / (car.capacity[0] * scale)
    out[1] = b.f_c / (car.capacity[1] * scale)
    out[2] = b.f_o / (car.capacity[2] * scale)
    out[3] = b.f_t / (car.capacity[3] * scale)
    out[4] = b.f_d / (car.capacity[4] * scale)
    out[5] = b.f_r / (car.capacity[5] * scale)


def is_compiled() -> bool:
    """Tell whether a compiled kernel for this program lies in the cache.

    Returns
    -------
    bool
        False on the first run after installing or updating.
    """
    from pathlib import Path

    stats: Any = march.stats
    return any(Path(str(stats.cache_path)).glob("kernel.march-*.nbc"))
