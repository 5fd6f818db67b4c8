"""Times the kernel beside general solvers on the same right-hand side, and writes docs/benchmark.md.

Run from the project's folder, with scikit-sundae installed for the CVODE rows and the machine otherwise idle:
    python tests/bench/bench_kernel.py
Nothing here asserts seconds; the tests hold accuracy.
"""

import argparse
import datetime
import importlib.metadata
import os
import platform
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numba
import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from bench_plan import SCATTERED, SEEDS, commands, sampling, seeds

from planner.files.folder import open_folder
from planner.route.graph import choose_route
from planner.route.timeline import build_timeline
from thermal import kernel, reference, simulate
from thermal.drive import Drive
from thermal.fluids import N_BODY, N_FLUID
from thermal.loads import compute_loads
from thermal.spread import draw
from thermal.vehicle import Vehicle

ROOT = Path(__file__).resolve().parents[2]
MILES = (650, 1625, 6500)
MILE_M = 1609.344
REPEATS = 3
OUTPUT_EVERY = 100  # segments between temperatures kept of a spread: about 25 miles
TOLERANCES = (0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)


def example(name: str) -> tuple[Drive, Vehicle]:
    trip, car = open_folder(ROOT / "data" / "examples" / name)
    return build_timeline(trip, choose_route(trip), car.vehicle).drive, car.vehicle


def first_miles(drive: Drive, miles: float) -> Drive:
    """The drive's beginning; nights and stops included."""
    count = int(np.searchsorted(np.cumsum(drive.length_m), miles * MILE_M - 1.0)) + 1
    return drive.take(slice(0, count))


def best(
    run: Callable[[], Any], repeats: int = REPEATS, clock: Callable[[], float] = time.perf_counter
) -> tuple[float, Any]:
    """Shortest time of some runs, and the last result."""
    shortest, found = np.inf, None
    for _ in range(repeats):
        start = clock()
        found = run()
        shortest = min(shortest, clock() - start)
    return shortest, found


def cvode(drive: Drive, vehicle: Vehicle) -> np.ndarray:
    """CVODE, BDF, rtol 1e-6, restarted at every segment; for cars whose fan is not switched."""
    from sksundae.cvode import CVODE

    loads, _ = compute_loads(vehicle, drive)
    car, factors, table = simulate.car_constants(vehicle, loads), simulate.nominal(), kernel.table_of(loads)
    now, found = np.empty(N_BODY), np.empty(N_BODY)
    call = [lambda: None]

    def rate(_: float, y: np.ndarray, out: np.ndarray) -> None:
        now[:] = y
        call[0]()
        out[:] = found

    solver = CVODE(rate, method="BDF", rtol=1e-6, atol=1e-4, max_num_steps=100_000)
    y, temps = simulate.cold_start_k(drive), np.empty((len(drive.duration_s), N_BODY))
    for i, duration_s in enumerate(drive.duration_s):
        call[0] = kernel.rates.bound(now, table, i, factors, 0, 0.0, 0.0, car, found)
        y = solver.solve(np.array([0.0, duration_s]), y).y[-1].copy()
        temps[i] = y
    return temps


def march_only(drive: Drive, vehicle: Vehicle) -> Callable[[], None]:
    """The kernel alone, everything else made ready."""
    loads, _ = compute_loads(vehicle, drive)
    car, n = simulate.car_constants(vehicle, loads), len(drive.duration_s)
    days, groups = drive.day.astype(np.int64), drive.group.astype(np.int64)
    shape = (1, int(groups.max()) + 1, N_FLUID)
    ready = (
        loads, car, simulate.nominal(), np.zeros((1, int(days.max()) + 1)), days, groups,
        simulate.limits_k(vehicle, drive.elevation_m), simulate.cold_start_k(drive)[None, :], np.arange(n),
        simulate.TOLERANCE_K, np.empty((1, n, N_BODY)), np.full(shape, np.inf), np.zeros(shape, np.int64),
        np.zeros((1, 3)),
    )  # fmt: skip
    return lambda: kernel.march(*ready)


def rate_cost_us(drive: Drive, vehicle: Vehicle) -> float:
    """One call of the right-hand side from Python. [us]."""
    loads, _ = compute_loads(vehicle, drive)
    car, factors, table = simulate.car_constants(vehicle, loads), simulate.nominal(), kernel.table_of(loads)
    y, out = np.full(N_BODY, 350.0), np.empty(N_BODY)

    call = kernel.rates.bound(y, table, 100, factors, 0, 0.0, 0.0, car, out)

    def run() -> None:
        for _ in range(5000):
            call()

    return best(run)[0] / 5000 * 1e6


def rate_calls(drive: Drive, vehicle: Vehicle) -> tuple[int, float]:
    """How often LSODA asks for the right-hand side, and its time. [-, s]."""
    seconds, _ = best(lambda: reference.integrate(drive, vehicle))
    count, plain = 0, kernel.rates.bound

    def counting(*given: Any) -> Callable[[], None]:
        call = plain(*given)

        def counted() -> None:
            nonlocal count
            count += 1
            call()

        return counted

    kernel.rates.bound = counting
    try:
        reference.integrate(drive, vehicle)
    finally:
        del kernel.rates.bound
    return count, seconds


def table(headings: str, rows: list[list[str]]) -> str:
    names = headings.split("|")
    lines = [names, ["---", *["---:"] * (len(names) - 1)], *rows]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


def single_draw(drive: Drive, vehicle: Vehicle) -> str:
    """One draw against LSODA and CVODE."""
    rows = []
    for miles in MILES:
        part = first_miles(drive, miles)
        slow_s, true = best(lambda part=part: reference.integrate(part, vehicle))
        cvode_s, theirs = best(lambda part=part: cvode(part, vehicle))
        whole_s, ours = best(lambda part=part: simulate.simulate(part, vehicle), 20)
        alone_s, _ = best(march_only(part, vehicle), 20)
        error, other = np.abs(ours.temps_k[0] - true).max(), np.abs(theirs - true).max()
        rows.append(
            [
                f"{miles:,} mi, {len(part.duration_s):,} segments",
                *(f"{seconds:.2f} s" for seconds in (slow_s, cvode_s)),
                *(f"{seconds * 1e3:.1f} ms" for seconds in (whole_s, alone_s)),
                *(f"{ratio:,.0f}" for ratio in (slow_s / whole_s, slow_s / alone_s, cvode_s / whole_s)),
                *(f"{off:.4f} K" for off in (error, other)),
            ]
        )
    return table(
        "drive|LSODA|CVODE|`simulate`|kernel alone|LSODA / `simulate`|LSODA / kernel|CVODE / `simulate`"
        "|error of ours|error of CVODE",
        rows,
    )


def parts(drive: Drive, vehicle: Vehicle) -> str:
    """How one draw's time splits up."""
    loads_s, (loads, _) = best(lambda: compute_loads(vehicle, drive), 20)
    car_s, _ = best(lambda: simulate.car_constants(vehicle, loads), 20)
    march_s, _ = best(march_only(drive, vehicle), 20)
    whole_s, found = best(lambda: simulate.simulate(drive, vehicle), 20)
    steps = int(found.steps[0])
    rows = [
        ["`compute_loads`", f"{loads_s * 1e3:.1f} ms", "numpy, once per drive, whatever the number of draws"],
        ["`car_constants`", f"{car_s * 1e3:.1f} ms", "radiator map and tables, once per drive"],
        ["`march`, one draw", f"{march_s * 1e3:.1f} ms", f"{steps:,} steps, {march_s / steps * 1e9:.0f} ns each"],
        ["`simulate`", f"{whole_s * 1e3:.1f} ms", "all of it"],
    ]
    return table("part|time|what", rows)


def spread_run(drive: Drive, vehicle: Vehicle, draws: int) -> Callable[[], simulate.Result]:
    days = int(drive.day.max()) + 1
    factors, shift = draw(1024, ambient_sd_k=np.full(days, 3.6))
    factors = kernel.Factors(*(values[:draws].copy() for values in factors))
    rows = np.arange(0, len(drive.duration_s), OUTPUT_EVERY)
    return lambda: simulate.simulate(drive, vehicle, factors=factors, ambient_k=shift[:draws].copy(), record=rows)


def memory_mb(run: Callable[[], simulate.Result]) -> tuple[float, float]:
    """Most memory allocated at once during a run, and size of its outputs. [MB]."""
    tracemalloc.start()
    found = run()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 2**20, sum(a.nbytes for a in (found.temps_k, found.margin_k, found.where)) / 2**20


def spread(drive: Drive, vehicle: Vehicle) -> str:
    """Many draws: time against miles and draws, and memory."""
    rows = []
    for miles, draws in ((650, 1000), (1625, 1000), (3250, 1000), (6500, 125), (6500, 250), (6500, 500), (6500, 1000)):
        part = first_miles(drive, miles)
        run = spread_run(part, vehicle, draws)
        seconds, _ = best(run)
        busy_s, found = best(run, clock=time.process_time)
        cells = len(part.duration_s) * draws
        rows.append(
            [
                f"{miles:,} mi, {draws:,} draws",
                f"{seconds:.2f} s",
                f"{busy_s:.2f} s",
                f"{busy_s / cells * 1e9:.0f} ns",
                f"{found.steps.sum() / cells:.2f}",
                *(f"{megabytes:.0f} MB" for megabytes in memory_mb(run)),
            ]
        )
    return table(
        "spread|time|processor time, all threads|the same per draw and segment|steps per segment|peak memory"
        "|of it outputs",
        rows,
    )


def tolerances() -> str:
    """Error on the worked example, with its own fan and with a switched one, against LSODA."""
    drive, vehicle = example("wilmington-astoria")
    switched = replace(vehicle, cooling=replace(vehicle.cooling, fan="electric"))
    true = [reference.integrate(drive, car) for car in (vehicle, switched)]
    rows = []
    for tolerance in dict.fromkeys((*TOLERANCES, simulate.TOLERANCE_K)):
        cells = [f"{tolerance:g} K" + (" (in force)" if tolerance == simulate.TOLERANCE_K else "")]
        for car, exact in zip((vehicle, switched), true, strict=True):
            found = simulate.simulate(drive, car, tolerance_k=tolerance)
            cells += [f"{np.abs(found.temps_k[0] - exact).max():.4f} K", f"{int(found.steps[0]):,}"]
        rows.append(cells)
    return table("tolerance|error|steps|error, switched fan|steps, switched fan", rows)


def cold_compile_s() -> float:
    """First simulation in a process with an empty compiler cache, less a second one. [s]."""
    script = (
        "import time, numpy as np\n"
        "from thermal.drive import steady_drive\n"
        "from thermal.simulate import nominal, simulate\n"
        "from planner.files.vehicles import read_vehicle\nfrom pathlib import Path\n"
        "car = read_vehicle(Path('data/examples/benchmark/vehicle.toml'), Path('data/vehicles')).vehicle\n"
        "drive = steady_drive(minutes=10, speed_m_per_s=25.0, grade=0.0, air_k=300.0)\n"
        "start = time.perf_counter(); simulate(drive, car); simulate(drive, car, factors=nominal(8))\n"
        "print(time.perf_counter() - start)\n"
    )
    with tempfile.TemporaryDirectory() as folder:
        env = os.environ | {"NUMBA_CACHE_DIR": folder, "PYTHONPATH": str(ROOT)}
        command = [sys.executable, "-c", script]
        return float(subprocess.run(command, check=True, capture_output=True, text=True, cwd=ROOT, env=env).stdout)


def machine() -> str:
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.is_file():
        names = [
            line.split(":", 1)[1].strip() for line in info.read_text().splitlines() if line.startswith("model name")
        ]
        model = names[0] if names else model
    versions = ", ".join(f"{n} {importlib.metadata.version(n)}" for n in ("numba", "numpy", "scipy", "scikit-sundae"))
    load = f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"
    return (
        f"{model}, {os.cpu_count()} cores, {numba.get_num_threads()} threads; "
        f"Python {platform.python_version()}, {versions}. "
        f"Load average {load} when it began (above about 1 others were at work, and times are too long)."
    )


TEXT = """# Benchmark

Written by `python tests/bench/bench_kernel.py` on {date}; edit that file, not this page.

{machine}

Times are the shortest of {repeats} runs (20 where a run takes milliseconds), everything in one run of the program.
Look at the ratios: seconds differ between machines and with what else is running. The drive is
`data/examples/benchmark`, a 1990s estate with a trailer over an invented loop, nights included. Error is the largest
difference from LSODA at any segment's end in any body's temperature.

## One draw
LSODA is `thermal.reference.integrate` (scipy `solve_ivp`, rtol 1e-8), CVODE is scikit-sundae's (BDF, rtol 1e-6); both
are restarted at every segment's edge, where the forcing steps, and call the same compiled right-hand side,
`kernel.rates`. `simulate` is everything from drive to margins; the kernel alone leaves out what is computed once per
drive.

{single}

A call of the right-hand side from Python takes {rate:.1f} us, its arguments laid out once for each segment. Over the
first 650 miles LSODA makes {calls:,} calls, {share:.0%} of its time; the rest is its own work and the restarts. The
kernel takes {steps:,} steps there, two heat balances each. When each call handed over its arguments, 11 us, the ratio
to `simulate` was 543 to 694: more than half of that was Python.

## Where the time goes, 6,500 miles

{parts}

The compiler takes {compile:.0f} s the first time (empty cache); afterwards the code is read from the cache.

Draws go side by side through the kernel, eight at a time, in vector instructions; one or two go one by one.

## Whole commands
The worked example, Wilmington to Astoria, {example_miles:,} miles, 256 draws; `plan` with its page and all remedies.
Second runs. `plan` tries remedies in a second process; what both share counts once.

{commands}

## How many draws
How far the margins at 90 % scatter over {scattered} seeds: standard deviation of those below 20 K, root mean square and
the worst; the scatter itself is known to 25 %. Every row takes the same draws: of one sequence for each seed, the first
so many. Told is the sampling error that a forecast of one seed states. `plan` makes 256 draws, and more where it states
over 0.3 K.

{sampling}

## What hangs on the seed
The worked example with all its remedies, planned with {seeds} seeds. Levels are those of every leg and fluid.

{other_seeds}

## Spread
On all threads; temperatures kept every {every} segments, margins of every leg. Time and memory grow linearly with
miles and with draws. Memory is that of the outputs, and of the coefficients, which do not grow with draws. Processor
time is the steadier figure where others use the machine.

{spread}

## Tolerance
The worked example, Wilmington to Astoria, as it is and with an electric fan instead, which switches.

{tolerances}

The tolerance is of the error of a step's first stage, of order 1; the result's, of order 2, is much smaller. What is
left of it comes from the thermostat's two kinks, and with a switched fan from the moment it turns over: a fan that
cycles for an hour adds up small differences of its period into a shift against the reference, while level and swing
stay right.

## Choice of scheme
Measured on 2026-11-30 on the worked example at a tolerance of 0.01 K: every scheme under the same step control,
compiled and not tuned, so the heat balances tell more than the milliseconds. The code of those not taken is not kept.

| scheme | error | steps | heat balances | time |
| --- | ---: | ---: | ---: | ---: |
| two-stage Rosenbrock-W, order 2 (ours) | 0.0039 K | 27,204 | 54,408 | 18 ms |
| three-stage Rosenbrock-W, order 3 | 0.0115 K | 27,395 | 82,185 | 38 ms |
| exponential Rosenbrock-Euler | 1.3164 K | 26,577 | 26,577 | 73 ms |
| two-stage SDIRK, order 2, iterated | 0.0023 K | 27,102 | 146,298 | 55 ms |

There are one to two steps per segment whatever the scheme: the forcing changes at each edge, so a longer step cannot
be taken and a higher order has little left to win. What counts is the cost of a step.

- The three-stage scheme pays half as much again per step for no smaller error, since the matrix is not the exact one
  and the kinks of the thermostat limit any order.
- The exponential scheme looks at the heat only once per step; it cannot see a thermostat open within one, nor can its
  error estimate. With a second look it would cost more than what it replaces: its matrix functions alone take longer
  than a balance.
- The iterated scheme forms about six balances per step; at equal error it forms more than twice as many in all.
- Two stages with one matrix, factored once, are the cheapest that notice everything, and conserve energy to rounding.
"""


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--out", type=Path, default=ROOT / "docs" / "benchmark.md")
    given = options.parse_args()
    about = machine()
    drive, vehicle = example("benchmark")
    simulate.simulate(first_miles(drive, 20), vehicle)
    rate_us, start = rate_cost_us(drive, vehicle), first_miles(drive, 650)
    calls, seconds = rate_calls(start, vehicle)
    text = TEXT.format(
        date=datetime.date.today().isoformat(),
        machine=about,
        repeats=REPEATS,
        single=single_draw(drive, vehicle),
        rate=rate_us,
        calls=calls,
        share=calls * rate_us * 1e-6 / seconds,
        steps=int(simulate.simulate(start, vehicle).steps[0]),
        parts=parts(drive, vehicle),
        compile=cold_compile_s(),
        example_miles=round(example("wilmington-astoria")[0].length_m.sum() / MILE_M),
        commands=table(
            "command|wall clock|processor time, all threads|peak memory of a process|of all together", commands()
        ),
        seeds=SEEDS,
        scattered=SCATTERED,
        sampling=table("example|draws|how|root mean square|worst|told, root mean square", sampling()),
        other_seeds=table(
            "seed|levels|not as the first seed's|worst sampling error|first advice, chance of passing", seeds()
        ),
        every=OUTPUT_EVERY,
        spread=spread(drive, vehicle),
        tolerances=tolerances(),
    )
    given.out.parent.mkdir(exist_ok=True)
    given.out.write_text(text, encoding="utf-8")
    sys.stdout.write(text)


if __name__ == "__main__":
    main()
