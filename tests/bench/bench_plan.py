"""Times whole commands on the worked example, and measures what the number of draws leaves open."""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from planner.forecast.assemble import find_route, read_inputs
from planner.forecast.run import SET, ambient_sd_k
from thermal.error_path import rows_along, with_error
from thermal.kernel import Factors
from thermal.simulate import simulate
from thermal.spread import draw

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE = ROOT / "data" / "examples" / "wilmington-astoria"
COMMANDS = ("check", "forecast", "plan", "whatif")
DRAWS, SEEDS, CLOSE_K, CONFIDENCE = (64, 256, 1024), 12, 20.0, 0.9


def commands() -> list[list[str]]:
    """Wall clock, processor time and memory of whole commands, the compiled code in its cache: rows of a table."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        trip = Path(folder) / "trip"
        shutil.copytree(EXAMPLE, trip)
        for command in COMMANDS:
            call = [sys.executable, "-m", "planner", command, str(trip)]
            for _ in range(2):  # the first fills caches
                before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
                subprocess.run(call, capture_output=True, cwd=ROOT, check=False)
                wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
            used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            rows.append([f"`{command}`", f"{wall:.1f} s", f"{used:.1f} s", f"{_peak_mb(call):.0f} MB"])
    return rows


def _peak_mb(call: list[str]) -> float:
    """Most memory of one command; of a process of its own, as the children's peak only grows."""
    script = (
        "import resource, subprocess, sys\n"
        "subprocess.run(sys.argv[1:], capture_output=True)\n"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    ran = subprocess.run([sys.executable, "-c", script, *call], capture_output=True, text=True, check=True, cwd=ROOT)
    return int(ran.stdout) / (1024.0 if os.uname().sysname == "Linux" else 1048576.0)


def sampling() -> list[list[str]]:
    """How far margins at 90 % scatter from seed to seed, of legs and fluids with less than 20 K: rows of a table."""
    return [
        [f"{n:,}", name, f"{rms:.2f} K", f"{worst:.2f} K"]
        for n in DRAWS
        for name, size in ((f"sets of {SET}", SET), ("one sequence", n))
        for rms, worst in [_scatter_k(n, size)]
    ]


def _scatter_k(n_draw: int, size: int) -> tuple[float, float]:
    """Standard deviation over seeds: root mean square over close margins, and of the worst of them."""
    inputs = read_inputs(EXAMPLE)
    line, car = find_route(inputs).timeline, inputs.car
    found = []
    for seed in range(SEEDS):
        parts = [
            draw(size, ambient_sd_k=ambient_sd_k(line), seed=1000 * seed + i, posterior=car.spread, vehicle=car.vehicle)
            for i in range(n_draw // size)
        ]
        factors = Factors(*(np.concatenate(column) for column in zip(*(part[0] for part in parts), strict=True)))
        shift = np.concatenate([part[1] for part in parts])
        plain = simulate(line.drive, car.vehicle, factors=factors, ambient_k=shift, record=rows_along(line.drive))
        drawn = with_error(plain, line.drive, car.vehicle, car.spread.discrepancy, seed=seed)
        found.append(np.quantile(drawn.margin_k, 1.0 - CONFIDENCE, axis=0))
    close = np.mean(found, axis=0) < CLOSE_K
    scatter = np.std(found, axis=0, ddof=1)[close]
    return float(np.sqrt(np.mean(scatter**2))), float(scatter.max())
