"""Compiled: what every gear asks of the engine, and the gear that a careful driver or a gearbox takes.

`thermal.driveline` is its interface.
"""

from typing import NamedTuple

import numpy as np

from thermal.compiled import Code
from thermal.ranges import FloatArray

_code = Code(error_model="numpy")
_jit = _code.inlined  # a call would copy all of `Box`
# Converter: torque ratio falls straight from stall to coupling, capacity with speed ratio. ASSUMED textbook shape.
_STALL_TORQUE_RATIO, _COUPLING_RATIO = 2.0, 0.88
_LEAST_RATIO, _MOST_RATIO, _HALVINGS = 0.05, 0.985, 30
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
_HARDLY = 1.02  # no shift for a small acceleration


class Box(NamedTuple):
    """Constants of one car's engine, gearbox and axle; arrays by gear."""

    turns: FloatArray  # engine speed over road speed, geared [rad/m]
    mesh_share: FloatArray  # lost in the gear, of what it passes
    locks: FloatArray  # 1 where the converter may lock; 2 where a lazy box's may too
    direct: int  # number of gears below overdrive
    automatic: int
    axle_share: float
    axle_spin_w: float  # at a road speed of 1 m/s
    box_spin_w: FloatArray  # spin loss of the gearbox, geared, at a road speed of 1 m/s
    idle_spin_w: float
    box_exponent: float
    axle_exponent: float
    stall_rad_per_s: float
    lock_m_per_s: float
    reserve: float
    lugging_rad_per_s: float
    descent_rad_per_s: float
    sustained_rad_per_s: float
    idle_rad_per_s: float
    top_rad_per_s: float
    peak_nm: float
    peak_nm_rad_per_s: float
    rated_w: float
    rated_rad_per_s: float
    friction_pa: float
    friction_pa_s: float
    swept_m3: float


@_code.called
def torque_ratio(speed_ratio):  # type: ignore[no-untyped-def]
    """Torque multiplication of a converter at a ratio of turbine over pump speed: 2.0 at stall, 1 from 0.88 on. [-].

    >>> torque_ratio(0.0), torque_ratio(0.95)
    (2.0, 1.0)
    """
    return max(1.0, _STALL_TORQUE_RATIO - (_STALL_TORQUE_RATIO - 1.0) / _COUPLING_RATIO * speed_ratio)


@_code.called
def converter_ratio(turbine_nm, turbine_rad_per_s, peak_nm, stall_rad_per_s):  # type: ignore[no-untyped-def]
    """Turbine over pump speed, 0.05 to 0.985, of a torque converter with a given turbine torque and speed. [-].

    `peak_nm` is the engine torque at which the stall speed is stated.

    Pump torque = peak (w_pump / w_stall)^2 (1 - sr^6), torque ratio from 2.0 at stall to 1 at 0.88: ASSUMED textbook
    shape. Solved by bisection; efficiency is speed ratio times torque ratio.
    """
    low, high = _LEAST_RATIO, _MOST_RATIO
    for _ in range(_HALVINGS):
        ratio = 0.5 * (low + high)
        pump, square = turbine_rad_per_s / ratio / stall_rad_per_s, ratio * ratio
        if peak_nm * pump * pump * (1.0 - square * square * square) * torque_ratio(ratio) >= turbine_nm:
            low = ratio
        else:
            high = ratio
    return 0.5 * (low + high)


@_jit
def full_torque(box, speed):  # type: ignore[no-untyped-def]
    """Full-load torque at rated conditions, as `thermal.engine.full_torque_nm` with its ASSUMED shape. [N m]."""
    if speed < box.idle_rad_per_s * 0.999 or speed > box.top_rad_per_s:
        return 0.0
    at, peak = box.peak_nm_rad_per_s, box.peak_nm
    if speed >= at:
        fall = peak - box.rated_w / box.rated_rad_per_s
        over = (speed - at) / (box.rated_rad_per_s - at)
        return max(peak - fall * over * over, 0.0)
    under = (at - speed) / (at - box.idle_rad_per_s)
    return max(peak * (1.0 - 0.35 * under * under), 0.0)


@_jit
def _released(load, low, high):  # type: ignore[no-untyped-def]
    """Share of the time the converter's clutch is open."""
    return min(max((load - low) / (high - low), 0.0), 1.0)


@_jit
def _ask(box, k, at_axle_w, pulls, speed, spun, other_w, share, out):  # type: ignore[no-untyped-def]
    """What a gear would ask of the engine, into a column of `out`; `spun` is its spin loss over `box_spin_w`."""
    geared, spin_w = speed * box.turns[k], box.box_spin_w[k] * spun
    mesh_w = abs(at_axle_w) * box.mesh_share[k]
    turbine_w = at_axle_w + mesh_w
    engine, slip_w, lazy_w = geared, 0.0, 0.0
    if box.automatic and pulls:
        load = (turbine_w + spin_w + other_w) / max(full_torque(box, geared) * geared * share, 1.0)
        released, lazily = 1.0, 1.0
        if box.locks[k] >= 1.0 and speed >= box.lock_m_per_s:
            released = _released(load, _LOCK_LOAD, _RELEASE_LOAD)
        if box.locks[k] >= 2.0 and speed >= _LAZY_LOCK_SPEED * box.lock_m_per_s:
            lazily = _released(load, _LAZY_LOCK_LOAD, _LAZY_RELEASE_LOAD)
        if released > 0.0 or lazily > 0.0:
            turning, given_w = max(geared, 1.0), max(turbine_w, 0.0)
            ratio = converter_ratio(given_w / turning, turning, box.peak_nm, box.stall_rad_per_s)
            lost_w = given_w * (1.0 / min(ratio * torque_ratio(ratio), _MOST_RATIO) - 1.0)
            engine = geared + released * (turning / ratio - geared)
            slip_w, lazy_w = released * lost_w, lazily * lost_w
    if engine <= box.idle_rad_per_s:
        engine, spin_w = box.idle_rad_per_s, box.idle_spin_w
    elif engine != geared:
        spin_w *= (engine / geared) ** box.box_exponent
    out[0, k], out[1, k], out[2, k] = turbine_w + slip_w + spin_w + other_w, engine, geared
    out[3, k], out[4, k], out[5, k] = mesh_w, slip_w, lazy_w
    out[6, k] = full_torque(box, engine) * engine * share
    steady = geared / _GEARED_SHARE if box.automatic else engine
    out[7, k] = (k == 0 or steady >= box.lugging_rad_per_s) and engine <= box.top_rad_per_s
    out[8, k] = (box.friction_pa + box.friction_pa_s * engine) * box.swept_m3 * engine / (4.0 * np.pi)


# Rows of `room`; the last two: 1 where a gear may be used (the first always, others unless they lug; none above the top
# speed), and friction and pumping power as `thermal.engine.friction_w`.
_TOTAL, _ENGINE, _GEARED, _MESH, _SLIP, _LAZY, _GIVEN, _TURNS, _HOLD = range(9)


def room(box: Box) -> FloatArray:
    """Room for what each gear asks, for the compiled functions."""
    return np.empty((9, len(box.turns)))


@_jit
def _at_axle(box, wheel_w, speed):  # type: ignore[no-untyped-def]
    """Power into the axle, its losses included. [W]."""
    return wheel_w + abs(wheel_w) * box.axle_share + box.axle_spin_w * speed**box.axle_exponent


@_jit
def _top_allowed(box, highest, speed):  # type: ignore[no-untyped-def]
    """Number of gears the driver allows; all, where the highest of them would turn the engine too fast."""
    n = len(box.turns)
    top = box.direct if highest < 0.0 else int(highest)
    top = n if top < 1 else min(top, n)
    return n if speed * box.turns[top - 1] > box.top_rad_per_s else top


@_code.called
def _uphill(a, top, reserve, sustained, rated):  # type: ignore[no-untyped-def]
    """Choose the gear that pulls: of five wishes, the last that any gear meets, in its highest; else the strongest."""
    strongest, most, best, wish = 0, -1.0, 0, 0
    for k in range(top):
        if a[_TURNS, k] == 0.0:
            continue
        if a[_GIVEN, k] > most:
            strongest, most = k, a[_GIVEN, k]
        gives, enough = a[_GIVEN, k] >= a[_TOTAL, k], a[_GIVEN, k] >= a[_TOTAL, k] * (1.0 + reserve)
        tight = a[_SLIP, k] <= _MOST_SLIP * a[_TOTAL, k]
        held = a[_ENGINE, k] <= _HARDLY * sustained
        fast = a[_ENGINE, k] <= _HARDLY * rated
        met = 0
        if enough:
            met = 1
        if gives and held:
            met = 2
        if gives and fast and tight:
            met = 3
        if gives and held and tight:
            met = 4
        if enough and held and tight:
            met = 5
        if met > 0 and met >= wish:
            best, wish = k, met
    return best if wish > 0 else strongest


@_code.called
def _downhill(a, top, fastest):  # type: ignore[no-untyped-def]
    """Choose the highest gear in which friction holds the car, else the lowest that engine braking allows."""
    n = a.shape[1]
    held, lowest = -1, n - 1
    for k in range(n - 1, -1, -1):
        if a[_ENGINE, k] <= fastest:
            lowest = k
            if held < 0 and k < top and a[_TURNS, k] > 0.0 and a[_TOTAL, k] + a[_HOLD, k] >= 0.0:
                held = k
    return held if held >= 0 else lowest


@_code.called
def _lazily(a, top):  # type: ignore[no-untyped-def]
    """Choose the highest gear that a lazy box would hold; -1 where none."""
    for k in range(top - 1, -1, -1):
        if a[_TURNS, k] > 0.0 and a[_GIVEN, k] >= a[_TOTAL, k] and a[_LAZY, k] <= _LAZY_SLIP * a[_TOTAL, k]:
            return k
    return -1


@_code.entry
def choose(box, wheel_w, speed, other_w, share, low_gear, highest, gear, a, out):  # type: ignore[no-untyped-def]
    """Fill `out`, shape (9, n), as `thermal.driveline.Gear`; `gear` is negative where it is to be chosen."""
    n = len(box.turns)
    for i in range(len(wheel_w)):
        at_axle_w, pulls = _at_axle(box, wheel_w[i], speed[i]), wheel_w[i] > 0.0
        spun = speed[i] ** box.box_exponent
        first, last = (int(gear[i]), int(gear[i]) + 1) if gear[i] >= 0.0 else (0, n)
        for j in range(first, last):
            _ask(box, j, at_axle_w, pulls, speed[i], spun, other_w[i], share[i], a)
        k, lazy = first, first
        if gear[i] < 0.0:
            top = _top_allowed(box, highest[i], speed[i])
            if a[_TOTAL, n - 1] < 0.0:
                k = _downhill(a, top, box.descent_rad_per_s)
            else:
                k = _uphill(a, top, box.reserve, box.sustained_rad_per_s, box.rated_rad_per_s)
            if low_gear[i] > 0.0 and a[_ENGINE, max(k - 1, 0)] <= box.descent_rad_per_s:
                k = max(k - 1, 0)
            lazy = k if low_gear[i] > 0.0 else max(k, _lazily(a, top))
        left_w = max(-(a[_TOTAL, k] + a[_HOLD, k]), 0.0)
        # power to the brakes does not pass axle and gearbox: subtract its losses there
        axle, mesh = box.axle_share, box.mesh_share[k]
        braked_w = left_w / ((1.0 - axle) * (1.0 - mesh))
        out[0, i], out[1, i] = k, a[_ENGINE, k]
        out[2, i] = a[_MESH, k] - mesh * (1.0 - axle) * braked_w
        out[3, i] = a[_SLIP, k]
        out[4, i] = max(a[_LAZY, lazy] - a[_SLIP, k], a[_SLIP, k])
        out[5, i] = abs(wheel_w[i]) * axle - axle * braked_w
        out[6, i], out[7, i], out[8, i] = a[_TOTAL, k] + left_w, braked_w, a[_GIVEN, k]


@_code.entry
def shortfall(box, wheel_w, speed, other_w, share, steady, a, out):  # type: ignore[no-untyped-def]
    """Fill wanted less available crank power in the best gear, as `thermal.driveline.power_shortfall_w`."""
    for i in range(len(wheel_w)):
        at_axle_w, pulls, least = _at_axle(box, wheel_w[i], speed[i]), wheel_w[i] > 0.0, np.inf
        spun = speed[i] ** box.box_exponent
        for k in range(len(box.turns)):
            _ask(box, k, at_axle_w, pulls, speed[i], spun, other_w[i], share[i], a)
            calm = a[_ENGINE, k] <= box.sustained_rad_per_s
            calm = calm and (k == 0 or a[_SLIP, k] <= _MOST_SLIP * a[_TOTAL, k])
            if calm or not steady:
                least = min(least, a[_TOTAL, k] - a[_GIVEN, k])
        out[i] = least
