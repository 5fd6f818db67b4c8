"""Reference integration of the same heat balance by scipy, to check the kernel."""

from collections.abc import Callable
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp

from thermal import kernel
from thermal.drive import Drive
from thermal.fluids import N_BODY, fluid_of
from thermal.loads import compute_loads
from thermal.ranges import FloatArray
from thermal.simulate import car_constants, cold_start_k, nominal
from thermal.vehicle import Vehicle

_COOLANT = fluid_of("coolant").node


def integrate(
    drive: Drive, vehicle: Vehicle, *, start_k: FloatArray | None = None, rtol: float = 1e-8, method: str = "LSODA"
) -> FloatArray:
    """Integrate one nominal draw with scipy: temperatures at the ends of segments, shape (n_segment, n_body).

    `start_k`, shape (n_body,), is the air's temperature unless given. `rtol` is the relative tolerance; the absolute
    one is 1e-6 K at 1e-8. [-]

    The forcing steps at every segment's edge, so the solver is restarted there. A switched fan is an event: the solver
    stops on the switching temperature, the fan turns over, and it goes on. The right-hand side is the kernel's own.
    """
    loads, _ = compute_loads(vehicle, drive)
    fixed = (kernel.table_of(loads), car_constants(vehicle, loads), nominal())
    y = np.array(cold_start_k(drive) if start_k is None else start_k, dtype=float)
    fan, out, temps = 0.0, np.empty(N_BODY), np.empty((len(drive.duration_s), N_BODY))
    for i, duration in enumerate(drive.duration_s):
        y, fan = _segment(
            y,
            fan,
            i,
            float(duration),
            fixed,
            out,
            {"rtol": rtol, "atol": 100.0 * rtol, "method": method},
        )
        temps[i] = y
    return temps


def _segment(
    y: FloatArray,
    fan: float,
    i: int,
    duration_s: float,
    fixed: tuple[Any, ...],
    out: FloatArray,
    options: dict[str, Any],
) -> tuple[FloatArray, float]:
    """Integrate one segment, stopping where the fan switches."""
    table, car, factors = fixed
    done = 0.0
    while duration_s - done > 1e-9:
        state, now = fan, y.copy()
        run = kernel.rates.bound(now, table, i, factors, 0, 0.0, state, car, out)

        def rate(_: float, held: FloatArray, now: FloatArray = now, run: Callable[[], None] = run) -> FloatArray:
            now[:] = held
            run()
            return out.copy()

        def switch(_: float, held: FloatArray, state: float = state) -> float:
            return float(held[_COOLANT] - (car.fan_on_k if state == 0.0 else car.fan_off_k))

        switch.terminal = True  # type: ignore[attr-defined]
        switch.direction = 1.0 if state == 0.0 else -1.0  # type: ignore[attr-defined]
        events = switch if car.fan_kind == kernel.ELECTRIC else None
        if events is not None and switch(0.0, y) * switch.direction > 1e-9:  # type: ignore[attr-defined]
            fan = 1.0 - fan
            continue
        solution = solve_ivp(rate, (done, duration_s), y, events=events, **options)
        y, done = solution.y[:, -1], float(solution.t[-1])
        if solution.status == 1:
            fan = 1.0 - fan
    return y, fan
