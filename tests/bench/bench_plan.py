"""Times whole commands on the worked example, and measures the scatter that the number of draws leaves."""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.append(str(Path(__file__).parents[1] / "shared"))
from held import most_held

from planner.analysis.margins import find_margins
from planner.analysis.remedies import Remedy, find_remedies
from planner.forecast.assemble import find_route, read_inputs
from planner.forecast.kept import CLOSE_K, keep_legs, sample_of
from planner.forecast.run import ambient_sd_k, days_of_legs, forecast_route
from planner.model.levels import WORDS as LEVELS
from thermal.error_path import rows_along, with_error
from thermal.fluids import fluids_in
from thermal.kernel import Factors
from thermal.simulate import simulate
from thermal.spread import SEED, draw

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE = ROOT / "data" / "examples" / "wilmington-astoria"
COMMANDS = ("check", "forecast", "plan", "whatif")
EXAMPLES = ("wilmington-astoria", "alps")
DRAWS, SEEDS, SCATTERED = (64, 256, 1024), 12, 8
WORDS = {
    "drawn": "the model's error drawn too",
    "integrated": "that error integrated",
    "fitted": "integrated, with the control variate",
}


def commands() -> list[list[str]]:
    """Wall clock, processor time and memory of whole commands, the compiled code in its cache: rows of a table."""
    rows = []
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}  # as installed
    with tempfile.TemporaryDirectory() as folder:
        trip = Path(folder) / "trip"
        shutil.copytree(EXAMPLE, trip)
        for command in COMMANDS:
            call = [sys.executable, "-m", "planner", command, str(trip)]
            for _ in range(2):  # the first fills caches
                before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
                subprocess.run(call, capture_output=True, cwd=ROOT, env=env, check=False)
                wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
            used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            most = most_held(call[3:], env | {"PYTHONPATH": str(ROOT)})[2:]
            held = [f"{one / 2**20:.0f} MB" for one in most]
            rows.append([f"`{command}`", f"{wall:.1f} s", f"{used:.1f} s", *held])
    return rows


def seeds() -> list[list[str]]:
    """The worked example planned with other seeds: levels of its margins and the first advice of every day."""
    inputs = read_inputs(EXAMPLE)
    route, rows, first = find_route(inputs), [], None
    for number in range(SEEDS):
        outlook = forecast_route(route, inputs.car, seed=SEED + 1000 * number)
        margins = find_margins(outlook)
        levels = [margin.level for margin in margins]
        first = first or levels
        moved = sum(one != other for one, other in zip(levels, first, strict=True))
        said = [
            f"day {day.day + 1}: {_advised(day.working[0]) if day.working else 'nothing suffices'}"
            for day in find_remedies(outlook, margins)
        ]
        count = ", ".join(f"{levels.count(word)} {word}" for word in reversed(LEVELS))
        rows.append([str(number + 1), count, str(moved), f"{outlook.error_k:.2f} K", "; ".join(said)])
    return rows


def sampling() -> list[list[str]]:
    """How far margins at 90 % scatter from seed to seed, of legs and fluids with less than 20 K: rows of a table.

    Every row uses the same draws: the first so many of one sequence for each seed.
    """
    rows = []
    for name in EXAMPLES:
        found = _margins_k(ROOT / "data" / "examples" / name)
        close = found[max(DRAWS), "integrated"][0].mean(axis=0) < CLOSE_K
        for (n, how), (margin, told) in found.items():
            scatter = np.std(margin, axis=0, ddof=1)[close]
            said = "-" if how == "drawn" else f"{_rms(told[:, close]):.2f} K"
            rows.append([name, f"{n:,}", WORDS[how], f"{_rms(scatter):.2f} K", f"{scatter.max():.2f} K", said])
    return rows


def _advised(remedy: Remedy) -> str:
    """Words of a remedy and its chance."""
    return f"{remedy.words} ({100 * remedy.probability:.1f} ± {100 * remedy.probability_error:.1f} %)"


def _rms(values: np.ndarray) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(values**2)))


def _margins_k(folder: Path) -> dict[tuple[int, str], tuple[np.ndarray, np.ndarray]]:
    """Margins and their stated errors, by number of draws and by method: (seed, leg and fluid)."""
    inputs = read_inputs(folder)
    line, car = find_route(inputs).timeline, inputs.car
    sd_k, day, confidence = ambient_sd_k(line), days_of_legs(line), inputs.trip.confidence
    fluids = [fluid.index for fluid in fluids_in(car.vehicle)]
    found: dict[tuple[int, str], list[list[np.ndarray]]] = {(n, how): [] for n in DRAWS for how in WORDS}
    for seed in range(SCATTERED):
        factors, shift = draw(max(DRAWS), ambient_sd_k=sd_k, seed=seed, posterior=car.spread, vehicle=car.vehicle)
        plain = simulate(line.drive, car.vehicle, factors=factors, ambient_k=shift, record=rows_along(line.drive))
        drawn = with_error(plain, line.drive, car.vehicle, car.spread.discrepancy, seed=seed)
        margin, were = drawn.margin_k[:, :, fluids], drawn.were_k[:, :, fluids]
        for n in DRAWS:
            sample = sample_of(car, Factors(*(column[:n] for column in factors)), shift[:n], sd_k, seed)
            each = np.quantile(margin[:n], 1.0 - confidence, axis=0)
            found[n, "drawn"].append([each.ravel(), np.zeros(each.size)])
            for how, close_k in (("integrated", -np.inf), ("fitted", CLOSE_K)):
                kept = keep_legs(were[:n], day, sample, confidence, close_k=close_k)
                found[n, how].append([kept.margin_k.ravel(), kept.error_k.ravel()])
    return {key: (np.array(one)[:, 0], np.array(one)[:, 1]) for key, one in found.items()}
