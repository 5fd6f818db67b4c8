"""Write docs/learning.md: python docs/make_learning.py [--logs FOLDER] [--quick] [--example-log FILE].

Everything in the page is computed here from the code as it stands; nothing in it depends on the day it is run.
"""

import argparse
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import basics
import learning_other
import made_up
import numpy as np
from cars import read_class
from measured import LOGS, MEASURED_CLASS

from planner.files.folder import open_folder
from planner.files.logpropose import describe_log
from planner.files.logs import read_log
from planner.logs import fit as learn
from planner.logs.drives import Driven, drive_of
from planner.route.graph import choose_route
from planner.route.timeline import build_timeline
from thermal import fit
from thermal.fluids import fluid_of
from thermal.kernel import Factors
from thermal.vehicle import Vehicle

EXAMPLE = basics.ROOT / "data" / "examples" / "wilmington-astoria"
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

What an owner should take from these tables stands in [trust.md](trust.md).

Written by `python docs/make_learning.py`; every number is computed. The method is in [model.md](model.md#17-spread)
and in the docstrings of `thermal/discrepancy.py`, `thermal/fit.py` and `thermal/causes.py`. The hardest test stands
first: logs of a car that shares no physics with the model. Then four measured logs. Logs of the model's own kind
flatter; they check the sums alone, in `tests/thermal/test_learning.py`.
"""


# --- measured ---------------------------------------------------------------------------------------------------------


def measured(logs: Path) -> Iterator[str]:
    """Read the four measured logs as a user would and fit each, trying it on the others."""
    yield "## Four measured logs\n"
    if not logs.is_dir():
        yield "*The logs were not at hand when this page was made; the numbers are missing.*\n"
        return
    car = read_class(MEASURED_CLASS)
    trip, _ = open_folder(basics.ROOT / "data" / "examples" / "minimal")
    drives = {}
    for path in sorted(logs.glob("*.csv.gz")):
        found = describe_log(path)
        assert not found.mapping.unsure, path  # noqa: S101
        log = read_log(path, replace(found.mapping, elevation="115 m"))
        drives[str(log.day)] = drive_of(trip, choose_route(trip), log, car.vehicle)
    yield (
        "KIT Automotive OBD-II Dataset (DOI 10.35097/1130, CC BY 4.0). `log --describe` proposes a mapping with "
        "nothing unsure for all four; only the height of the plain was added by hand. Coolant error in K, root mean "
        "square over the whole drive; fitted on the row, tried on the column; the diagonal is the fit itself. The "
        "gear follows the logged engine speed; the car's real ratios are not known. With the gear chosen by the model: "
        "[validation.md](validation.md), where a drive is better and another worse.\n"
    )
    rows = [("nothing: the class", *(coolant_rmse(car.vehicle, one) for one in drives.values()))]
    for name, one in drives.items():
        found = learn.learn(trip, car, [one], on=date(2027, 7, 8)).found
        rows.append((name, *(coolant_rmse(found.vehicle, other, found.factors) for other in drives.values())))
    yield basics.table(("fitted on", *drives), rows) + "\n"
    got = learn.learn(trip, car, list(drives.values()), on=date(2027, 7, 8))
    yield "All four together:\n"
    yield from (f"- {line}" for line in got.sentences)
    yield ""
    yield "One car, coolant only: nothing here tests what is learnt of oil, transmission or differential.\n"


def coolant_rmse(vehicle: Vehicle, driven: Driven, factors: Factors | None = None) -> str:
    """Root mean square error of the coolant over a drive. [K]"""
    left = fit.residuals_k(vehicle, driven.drive, driven.readings, factors=factors)
    return f"{fit.rmse_k(left[:, fluid_of('coolant').node]):.1f}"


# --- the worked example -----------------------------------------------------------------------------------------------


def example_log() -> str:
    """A made-up log of the worked example's first day, without heights, a row every two seconds."""
    trip, car = open_folder(EXAMPLE)
    line = build_timeline(trip, choose_route(trip), car.vehicle)
    last = max(span.last for span in line.spans if span.day == 0 and span.kind == "drive")
    drive = line.drive.take(slice(0, last + 1))
    log = made_up.made_up_on(car.vehicle, drive, rng=np.random.default_rng(7), truth=TRUTH)
    return made_up.csv_text(log, title=TITLE, every_s=2)


def page(logs: Path, *, quick: bool) -> str:
    """Compute the whole page."""
    lines = [HEAD, *learning_other.section(range(6, 8 if quick else 12)), *measured(logs)]
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Write docs/learning.md.")
    parser.add_argument("--logs", type=Path, default=LOGS, help="folder of the measured drives")
    parser.add_argument("--quick", action="store_true", help="two cars instead of six")
    parser.add_argument("--example-log", type=Path, help="write the worked example's synthetic log there and stop")
    given = parser.parse_args()
    if given.example_log is not None:
        given.example_log.write_text(example_log(), encoding="utf-8")
    else:
        (basics.DOCS / "learning.md").write_text(page(given.logs, quick=given.quick), encoding="utf-8")
