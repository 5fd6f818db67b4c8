"""Made-up logs of the first day of a trip folder, for the commands that read logs."""

from dataclasses import replace
from pathlib import Path

import made_up
import numpy as np

from planner.files.logmap import map_path, write_map
from planner.files.logpropose import describe_log
from planner.route.timeline import Timeline
from thermal.vehicle import Vehicle


def write_log(
    folder: Path,
    name: str,
    line: Timeline,
    vehicle: Vehicle,
    *,
    seed: int = 1,
    warmer_k: float = 0.0,
    mapped: bool = True,
    **truth: float,
) -> Path:
    """Drive the first day of a timed road with a car of that truth; write its log, and its mapping."""
    last = max(span.last for span in line.spans if span.kind == "drive" and span.day == 0)
    drive = line.drive.take(slice(0, last + 1))
    drive = replace(drive, air_k=drive.air_k + warmer_k, road_rise_k=0.0 * drive.air_k)
    log = made_up.made_up_on(vehicle, drive, rng=np.random.default_rng(seed), truth=truth)
    path = folder / "logs" / name
    path.parent.mkdir(exist_ok=True)
    path.write_text(made_up.csv_text(log, title="synthetic log, no car drove it"), encoding="utf-8")
    if mapped:
        write_map(map_path(path), describe_log(path).mapping, path.name)
    return path
