"""Write docs/learning.md: python docs/make_learning.py [--logs FOLDER] [--quick] [--example-log FILE].

Everything in the page is computed here from the code as it stands; nothing in it depends on the day it is run.
"""

import argparse
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "docs"), str(ROOT / "tests" / "shared")]

import learning_other  # noqa: E402
import made_up  # noqa: E402
from cars import CLASSES, read_class  # noqa: E402
from measured import LOGS, MEASURED_CLASS  # noqa: E402

from planner.files import logmap as logmapfile  # noqa: E402
from planner.files.folder import open_folder  # noqa: E402
from planner.files.logpropose import describe_log  # noqa: E402
from planner.files.logs import read_log  # noqa: E402
from planner.files.vehicles import read_vehicle  # noqa: E402
from planner.logs import fit as learn  # noqa: E402
from planner.logs.drives import drive_of  # noqa: E402
from planner.route.graph import choose_route  # noqa: E402
from planner.route.timeline import build_timeline, open_route  # noqa: E402
from thermal import causes, fit  # noqa: E402
from thermal.fluids import FACTORS, fluid_of  # noqa: E402
from thermal.posterior import Posterior, posterior_from  # noqa: E402
from thermal.spread import CLASS_SPREAD  # noqa: E402
from thermal.vehicle import Vehicle  # noqa: E402

EXAMPLE = ROOT / "data" / "examples" / "wilmington-astoria"
NAMES = tuple(name for name in FACTORS if name != "brake_heat")
TRUTH = {
    "engine_heat": 1.06,
    "airflow": 0.85,
    "oil_cooler": 1.15,
    "gearbox_heat": 1.2,
    "axle_heat": 0.85,
    "axle_loss": 1.1,
}
TITLE = "SYNTHETIC log of the worked example: made up by docs/make_learning.py from a car that differs from its file."

HEAD = """# Learning from logs: what is found, how often it is right

Written by `python docs/make_learning.py`; every number is computed. The method is in [model.md](model.md#17-spread)
and in the docstrings of `thermal/discrepancy.py`, `thermal/fit.py` and `thermal/causes.py`. The hardest test stands
first: logs of a car that shares no physics with the model. Then four measured logs. Logs of the model's own kind come
last; they flatter.
"""
KIN = """## Logs of the model's own kind

From here on made-up logs come from `tests/shared/made_up.py`: the model's equations, with another share of heat in
the block and gusts of 2 m/s; gauges lag 15 s, are off by 0.7 K, noisy by 0.4 K and show whole degrees. These figures
say that the sums are right, not that a real car is followed so well.
"""


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Write a table."""
    yield "| " + " | ".join(head) + " |"
    yield "|" + "---|" * len(head)
    yield from ("| " + " | ".join(row) + " |" for row in rows)
    yield ""


# --- measured ---------------------------------------------------------------------------------------------------------


def measured(logs: Path) -> Iterator[str]:
    """Read the four measured logs as a user would and fit each, trying it on the others."""
    yield "## Four measured logs\n"
    if not logs.is_dir():
        yield "*The logs were not at hand when this page was made; the numbers are missing.*\n"
        return
    car = read_class(MEASURED_CLASS)
    trip, _ = open_folder(ROOT / "data" / "examples" / "minimal")
    drives = {}
    for path in sorted(logs.glob("*.csv.gz")):
        found = describe_log(path)
        assert not found.mapping.unsure, path  # noqa: S101
        log = read_log(path, replace(found.mapping, elevation="115 m"))
        drives[str(log.day)] = drive_of(trip, choose_route(trip), log, car.vehicle)
    yield (
        "KIT Automotive OBD-II Dataset (DOI 10.35097/1130, CC BY 4.0). `log --describe` proposes a mapping with "
        "nothing unsure for all four; only the height of the plain was added by hand. Coolant error in K, root mean "
        "square over the whole drive; fitted on the row, tried on the column; the diagonal is the fit itself.\n"
    )
    rows = []
    for name, one in drives.items():
        got = learn.learn(trip, car, [one], on=date(2027, 7, 8))
        errors = []
        for other in drives.values():
            left = fit.residuals_k(got.found.vehicle, other.drive, other.readings, factors=got.found.factors)
            errors.append(f"{fit.rmse_k(left[:, fluid_of('coolant').node]):.1f}")
        rows.append((name, *errors))
    plain = [
        f"{fit.rmse_k(fit.residuals_k(car.vehicle, one.drive, one.readings)[:, fluid_of('coolant').node]):.1f}"
        for one in drives.values()
    ]
    yield from table(("fitted on", *drives), [("nothing: the class", *plain), *rows])
    got = learn.learn(trip, car, list(drives.values()), on=date(2027, 7, 8))
    yield "All four together:\n"
    yield from (f"- {line}" for line in got.sentences)
    yield ""
    yield "One car, coolant only: nothing here tests what is learnt of oil, transmission or differential.\n"


# --- coverage ---------------------------------------------------------------------------------------------------------


def car_of_example() -> Vehicle:
    """The worked example's car."""
    return read_vehicle(EXAMPLE / "vehicle.toml", CLASSES).vehicle


def truth_of(seed: int) -> dict[str, float]:
    """A truth drawn from the class's spread."""
    rng = np.random.default_rng(5000 + seed)
    return {name: float(np.exp(rng.normal(0.0, CLASS_SPREAD[name]))) for name in NAMES}


def coverage(n: int) -> Iterator[str]:
    """Count how often 90 % intervals hold the truth."""
    car = car_of_example()
    inside, learned, scores = [], [], []
    for seed in range(n):
        truth = truth_of(seed)
        log = made_up.made_up_log(car, seed=seed, hours=1.5, truth=truth, air_k=303.0)
        got = fit.fit_factors(car, [log.drive(step_s=10.0)], [log.readings(every_s=30.0)], NAMES)
        score = (np.log(got.estimate) - np.log([truth[name] for name in NAMES])) / got.standard_error
        inside.append(np.abs(score) < 1.645)
        learned.append(got.learned)
        scores.append(score)
    share, bias = np.mean(inside, axis=0), np.mean(scores, axis=0)
    yield f"## Intervals: {n} made-up logs of an hour and a half\n"
    yield (
        "Truths drawn from the class's spread. *Covered*: share of 90 % intervals that hold the truth, 85 to 95 % is "
        "asked of the whole. *Off*: mean error in standard errors, so a steady bias of the model's wrong lag. "
        "*Learned*: share of the prior variance removed.\n"
    )
    rows = [
        (name, f"{share[i]:.0%}", f"{bias[i]:+.1f}", f"{np.mean(learned, axis=0)[i]:.0%}")
        for i, name in enumerate(NAMES)
    ]
    yield from table(
        ("unknown", "covered", "off", "learned"), [*rows, ("**all**", f"**{np.mean(inside):.0%}**", "", "")]
    )


# --- confusion --------------------------------------------------------------------------------------------------------

FAULTS: dict[str, tuple[str, dict[str, float], float]] = {
    "nothing": (causes.USUAL, {}, 0.0),
    "weather: 12 K hotter": (causes.USUAL, {}, 0.0),
    "cooling air × 0.5": ("airflow", {"airflow": 0.5}, 0.0),
    "radiator × 0.55": ("radiator", {"radiator": 0.55}, 0.0),
    "engine heat × 1.35": ("engine_heat", {"engine_heat": 1.35}, 0.0),
    "load × 1.3": ("load", {"engine_heat": 1.3, "gearbox_heat": 1.3, "axle_heat": 1.3}, 0.0),
    "thermostat stuck open": ("thermostat_open", {}, -60.0),
    "thermostat 14 K late": ("thermostat_late", {}, 14.0),
    "oil–coolant link × 4": ("oil_coolant", {"oil_coolant": 4.0}, 0.0),
    "oil cooler × 0.4": ("oil_cooler", {"oil_cooler": 0.4}, 0.0),
    "transmission heat × 1.6": ("gearbox_heat", {"gearbox_heat": 1.6}, 0.0),
    "differential heat × 1.6": ("axle_heat", {"axle_heat": 1.6}, 0.0),
    "coolant gauge + 10 K": ("offset_1", {}, 0.0),
    "oil gauge - 12 K": ("offset_2", {}, 0.0),
    "oil gauge stuck": ("stuck_2", {}, 0.0),
}
FAMILY = {"airflow": "cooling", "radiator": "cooling"}


def confusion(n: int) -> Iterator[str]:
    """Plant one fault a day into cars learnt from the day before, and count what review names."""
    car = car_of_example()
    known = []
    for seed in range(n):
        truth = truth_of(100 + seed)
        log = made_up.made_up_log(car, seed=100 + seed, hours=2.0, truth=truth, air_k=301.0)
        got = fit.fit_factors(car, [log.drive(step_s=10.0)], [log.readings(every_s=30.0)], [*NAMES, "thermostat"])
        k = len(NAMES)
        known.append(
            (
                truth,
                got.vehicle,
                posterior_from(NAMES, got.estimate[:k], got.covariance[:k, :k], "day 1", got.discrepancy),
            )
        )
    rows, hits, clear, accused, healthy = [], 0, 0, 0, 0
    for fault, (cause, _, _) in FAULTS.items():
        named: Counter[str] = Counter()
        days = 3 if cause == causes.USUAL else 1
        for day in range(days):
            for seed, one in enumerate(known):
                named[_judged(car, fault, one, 900 + 100 * day + seed)] += 1
        total = days * n
        right = sum(v for k, v in named.items() if FAMILY.get(k, k) == FAMILY.get(cause, cause))
        if cause == causes.USUAL:
            accused, healthy = accused + total - right, healthy + total
        else:
            hits, clear = hits + right, clear + total
        rows.append((fault, f"{right / total:.0%}", ", ".join(f"{k} {v}" for k, v in named.most_common())))
    yield "## Review: one fault a day\n"
    yield (
        f"{n} cars. Each has its own truth and was learnt from one sound drive of two hours at 28 °C; then comes a day "
        "of an hour and a half at 33 °C with one fault. What `review` holds most probable, counted; cooling air and "
        "radiator count as one, as a log rarely tells them apart and the sentence then says so.\n"
    )
    yield from table(("planted", "right", "named"), rows)
    yield f"Right over all faults: **{hits / clear:.0%}** of {clear}."
    yield f"Car accused although nothing was wrong with it: **{accused / healthy:.1%}** of {healthy}.\n"


def _judged(car: Vehicle, fault: str, known: tuple[dict[str, float], Vehicle, Posterior], seed: int) -> str:
    """What is named on one day."""
    _, factors, shift = FAULTS[fault]
    truth, vehicle, posterior = known
    whole = {name: truth.get(name, 1.0) * factors.get(name, 1.0) for name in {*truth, *factors}}
    true = causes.faulty_thermostat(car, shift) if shift else car
    air_k = 318.0 if "weather" in fault else 306.0
    log = made_up.made_up_log(true, seed=seed, hours=1.5, truth=whole, air_k=air_k)
    readings = log.readings(every_s=30.0)
    temp = readings.temp_k.copy()
    if fault.startswith("coolant gauge"):
        temp[:, 1] += 10.0
    if fault.startswith("oil gauge -"):
        temp[:, 2] -= 12.0
    if fault == "oil gauge stuck":
        temp[60:, 2] = temp[60, 2]
    found = causes.judge(vehicle, log.drive(step_s=10.0), replace(readings, temp_k=temp), posterior=posterior)
    return found[0].name


# --- the worked example -----------------------------------------------------------------------------------------------


def example_log() -> str:
    """A made-up log of the worked example's first day, without heights, a row every two seconds."""
    trip, car = open_folder(EXAMPLE)
    line = build_timeline(trip, choose_route(trip), car.vehicle)
    last = max(span.last for span in line.spans if span.day == 0 and span.kind == "drive")
    drive = line.drive.take(slice(0, last + 1))
    log = made_up.made_up_on(car.vehicle, drive, rng=np.random.default_rng(7), truth=TRUTH)
    return made_up.csv_text(log, title=TITLE, every_s=2)


def worked_example() -> Iterator[str]:
    """Learn from that log and set margins side by side."""
    trip, car = open_folder(EXAMPLE)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "synthetic-2027-07-06.csv"
        path.write_text(example_log(), encoding="utf-8")
        logmapfile.write_map(logmapfile.map_path(path), describe_log(path).mapping, path.name)
        route = open_route(trip, car.vehicle)
        driven = learn.read_drives(route, [path], car.vehicle)
        got = learn.learn(trip, car, driven, on=date(2027, 7, 8))
    yield "## The worked example before and after\n"
    said = ", ".join(f"{name} × {value:g}" for name, value in TRUTH.items())
    yield f"A synthetic log of its first day; the car that made it up differs from its file by {said}.\n"
    yield from (f"- {text}" for text in got.sentences)
    yield ""
    before = learn.trip_margins(route, car.vehicle, car.spread)
    after = learn.trip_margins(route, got.found.vehicle, got.posterior)
    truth = posterior_from(list(TRUTH), np.array(list(TRUTH.values())), np.eye(len(TRUTH)) * 1e-6, "truth")
    true = learn.trip_margins(route, car.vehicle, truth)
    yield "Smallest margin of the whole trip in K: best known, kept at the trip's confidence (± spread).\n"
    rows = [
        (
            fluid_of(a.fluid).label,
            *(f"{o.nominal_k:+.0f}, {o.margin_k:+.0f} (± {o.sd_k:.0f})" for o in (a, b)),
            f"{c.nominal_k:+.0f}",
        )
        for a, b, c in zip(before, after, true, strict=True)
    ]
    yield from table(("fluid", "before", "after", "truth"), rows)
    yield "Error on the last quarter of the log, held out of a fit to the rest, root mean square in K:\n"
    yield from table(
        ("fluid", "before", "after"),
        [(fluid_of(h.fluid).label, f"{h.before_k:.1f}", f"{h.after_k:.1f}") for h in got.held],
    )
    picture = learn.plots(got)["fit-synthetic-2027-07-06.svg"]
    (ROOT / "docs" / "img").mkdir(exist_ok=True)
    (ROOT / "docs" / "img" / "fit-synthetic-2027-07-06.svg").write_text(picture, encoding="utf-8")
    yield "![log and model](img/fit-synthetic-2027-07-06.svg)\n"


def page(logs: Path, *, quick: bool) -> str:
    """Compute the whole page."""
    lines = [HEAD, *learning_other.section(range(6, 8 if quick else 12)), *measured(logs), KIN]
    lines += [*coverage(20 if quick else 200), *confusion(3 if quick else 20), *worked_example()]
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Write docs/learning.md and its picture.")
    parser.add_argument("--logs", type=Path, default=LOGS, help="folder of the measured drives")
    parser.add_argument("--quick", action="store_true", help="a tenth of the made-up logs")
    parser.add_argument("--example-log", type=Path, help="write the worked example's synthetic log there and stop")
    given = parser.parse_args()
    if given.example_log is not None:
        given.example_log.write_text(example_log(), encoding="utf-8")
    else:
        (ROOT / "docs" / "learning.md").write_text(page(given.logs, quick=given.quick), encoding="utf-8")
