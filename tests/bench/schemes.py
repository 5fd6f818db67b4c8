"""Other ways to step the same heat balance, to compare with the kernel's. Kept small, not tuned.

Every scheme has the same step control: its error is its result less that of a linearly implicit Euler step with the
same matrix. All share the kernel's heat balance and its matrix: a 3 x 3 block and three single entries.
"""

import math

import numba
import numpy as np

from thermal import kernel

_jit = numba.njit(error_model="numpy", fastmath={"contract", "nsz", "arcp"})
SIX = 6  # bodies of `kernel.balance`; the power-steering fluid, which none of them feels, is left out
SQRT_HALF_GAMMA = 1.0 - 1.0 / math.sqrt(2.0)


@_jit
def slopes(y, row, fan, car):
    """Rates of the six nodes, and the heat balance behind them."""
    air = kernel._air_through(kernel._fan_share(car, y[1], fan), row, car)
    b = kernel.balance(y[0], y[1], y[2], y[3], y[4], y[5], row, air, car)
    return np.array([b.f_m, b.f_c, b.f_o, b.f_t, b.f_d, b.f_r]) / car.capacity[:SIX], b


@_jit
def factor(b, row, car, gh):
    """Factors of I + gh C^-1 G, times C: the matrix of a stage."""
    cap = car.capacity
    block = kernel._factor3(
        cap[0] + gh * (row.g_mc + row.g_mo + b.d_m),
        cap[1] + gh * (row.g_mc + row.g_oc + b.d_c),
        cap[2] + gh * (row.g_oc + row.g_mo + b.d_o),
        -gh * row.g_mc,
        -gh * row.g_mo,
        -gh * row.g_oc,
    )
    return block, cap[3] + gh * b.d_t, cap[4] + gh * b.d_d, cap[5] + gh * b.d_r


@_jit
def solve(factors, x, car):
    """Solve one stage for a right-hand side in K/s."""
    block, t, d, r = factors
    x = x * car.capacity[:SIX]
    m, c, o = kernel._solve3(block, x[0], x[1], x[2])
    return np.array([m, c, o, x[3] / t, x[4] / d, x[5] / r])


@_jit
def minus_matrix(b, row, car, k):
    """C^-1 G k: minus the matrix times a vector."""
    out = np.array([b.d_m, b.d_c, b.d_o, b.d_t, b.d_d, b.d_r]) * k
    out[0] += row.g_mc * (k[0] - k[1]) + row.g_mo * (k[0] - k[2])
    out[1] += row.g_mc * (k[1] - k[0]) + row.g_oc * (k[1] - k[2])
    out[2] += row.g_oc * (k[2] - k[1]) + row.g_mo * (k[2] - k[0])
    return out / car.capacity[:SIX]


@_jit
def ros2(y, h, row, fan, car):
    """Two stages, order 2 (the kernel's). Verwer et al. 1999."""
    f, b = slopes(y, row, fan, car)
    w = factor(b, row, car, SQRT_HALF_GAMMA * h)
    k = solve(w, f, car)
    f2, _ = slopes(y + h * k, row, fan, car)
    return y + h * (1.5 * k + 0.5 * solve(w, f2 - 2.0 * k, car)), y + h * k, 2


@_jit
def ros3pw(y, h, row, fan, car):
    """Three stages, order 3. ROS3Pw, Rang and Angermann, BIT 45 (2005), coefficients from memory."""
    g = 0.78867513459481287
    f, b = slopes(y, row, fan, car)
    w = factor(b, row, car, g * h)
    k1 = solve(w, f, car)
    f2, _ = slopes(y + h * 1.5773502691896257 * k1, row, fan, car)
    k2 = solve(w, f2 + h * 1.5773502691896257 * minus_matrix(b, row, car, k1), car)
    f3, _ = slopes(y + h * 0.5 * k1, row, fan, car)
    mixed = 0.67075317547305480 * k1 + 0.17075317547305482 * k2
    k3 = solve(w, f3 + h * minus_matrix(b, row, car, mixed), car)
    return y + h * (0.10566243270259355 * k1 + 0.049038105676657971 * k2 + 0.84529946162074843 * k3), y + h * k1, 3


@_jit
def phi(z):
    """(exp z - 1) / z of a 3 x 3 matrix: Taylor on a scaled matrix, then doubling."""
    eye = np.eye(3)
    size, doublings = np.abs(z).sum(axis=1).max(), 0
    while size > 0.5:
        size, doublings = 0.5 * size, doublings + 1
    s = z / 2.0**doublings
    p, term = eye.copy(), eye.copy()
    for n in range(2, 9):
        term = term @ s / n
        p = p + term
    for _ in range(doublings):
        p = 0.5 * (p @ (eye + s @ p + eye))
        s = 2.0 * s
    return p


@_jit
def exponential(y, h, row, fan, car):
    """Exponential Rosenbrock-Euler, one right-hand side; order 2 only as far as the matrix is the true one."""
    f, b = slopes(y, row, fan, car)
    z = np.empty((3, 3))
    unit = np.zeros(SIX)
    for j in range(3):
        unit[:] = 0.0
        unit[j] = 1.0
        z[:, j] = -h * minus_matrix(b, row, car, unit)[:3]
    step = f.copy()
    step[:3] = phi(z) @ f[:3]
    for i, d in ((3, b.d_t), (4, b.d_d), (5, b.d_r)):
        x = -h * d / car.capacity[i]
        step[i] = f[i] * (math.expm1(x) / x if x < -1e-9 else 1.0)
    return y + h * step, y + h * solve(factor(b, row, car, SQRT_HALF_GAMMA * h), f, car), 1


@_jit
def sdirk2(y, h, row, fan, car):
    """Two implicit stages, order 2, L-stable (Alexander 1977), solved to 1e-5 K with the block matrix."""
    g = SQRT_HALF_GAMMA
    f, b = slopes(y, row, fan, car)
    w, used = factor(b, row, car, g * h), 1
    k = solve(w, f, car)
    low, base = y + h * k, y
    for stage in range(2):
        if stage == 1:
            base = y + h * (1.0 - g) * k
        for _ in range(12):
            f, _ = slopes(base + g * h * k, row, fan, car)
            used += 1
            change = solve(w, f - k, car)
            k = k + change
            if h * np.abs(change).max() < 1e-5:
                break
        else:
            low = low + 1e3  # not converged: have the step rejected
    return base + g * h * k, low, used


def make_march(scheme):
    """Compile a whole drive of one scheme, fan not switched: temperatures at segments' ends, steps and balances."""

    @_jit
    def march(loads, car, factors, start_k, tolerance_k, temps):
        y, h, steps, used = start_k.copy(), 1.0, 0, 0
        for i in range(loads.duration_s.shape[0]):
            row = kernel.scaled_row(loads, i, factors, 0, 0.0)
            left = loads.duration_s[i]
            while left > 1e-9:
                h = min(h, left)
                after, low, balances = scheme(y, h, row, 0.0, car)
                off = np.abs(after - low)
                off[5] *= 0.2
                error = off.max() + 1e-12
                steps, used = steps + 1, used + balances
                if error > tolerance_k and h > 0.05:
                    h *= max(0.2, 0.85 * math.sqrt(tolerance_k / error))
                    continue
                y, left = after, left - h
                h *= min(3.0, max(0.3, 0.85 * math.sqrt(tolerance_k / error)))
            temps[i] = y
        return steps, used

    return march


SCHEMES = {
    "two-stage Rosenbrock-W, order 2 (ours)": ros2,
    "three-stage Rosenbrock-W, order 3": ros3pw,
    "exponential Rosenbrock-Euler": exponential,
    "two-stage SDIRK, order 2, iterated": sdirk2,
}
