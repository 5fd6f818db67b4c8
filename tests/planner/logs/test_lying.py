"""Gauges made to lie in a log that is good otherwise: each is refused by name, and `fit` writes nothing."""

import csv
import random
from collections.abc import Callable
from pathlib import Path

import pytest

import planner
from planner.forecast.assemble import find_route, read_inputs
from planner.logs import fit
from planner.logs.lying import refuse_liars
from planner.model.errors import PlannerError

AIR, OIL, BOX, DIFF = "Ambient [degC]", "Oil temp [degC]", "Transmission [degC]", "Diff [degC]"


@pytest.fixture(scope="module")
def folder(copy_example, tmp_path_factory):
    return copy_example("wilmington-astoria", tmp_path_factory.mktemp("lying") / "trip")


@pytest.fixture(scope="module")
def route(folder):
    return find_route(read_inputs(folder))


def lie(folder: Path, change: Callable[[dict[str, str], random.Random], object]) -> Path:
    log = folder / "logs" / "synthetic-2027-07-06.csv"
    rows, rng = list(csv.reader(log.read_text(encoding="utf-8").splitlines())), random.Random(1)
    begin = next(i for i, row in enumerate(rows) if "Time [s]" in row)
    made = folder / "lie.csv"
    with made.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerows(rows[: begin + 1])
        for row in rows[begin + 1 :]:
            cells = dict(zip(rows[begin], row, strict=True))
            change(cells, rng)
            out.writerow(cells.values())
    said = log.with_suffix(".map.toml").read_text(encoding="utf-8")
    made.with_suffix(".map.toml").write_text(said.replace(log.name, made.name), encoding="utf-8")
    return made


def warmer(cells, rng):
    cells[AIR] = f"{float(cells[AIR]) + 20.0:.1f}" if cells[AIR] else ""


def noisy(cells, rng):
    cells[OIL] = f"{rng.uniform(40.0, 140.0):.1f}"


def stuck(cells, rng):
    cells[DIFF] = "60"


def swapped(cells, rng):
    cells[BOX], cells[DIFF] = cells[DIFF], cells[BOX]


LIES = [
    (warmer, r"lie.csv, ambient: the outside air reads 5\d degC, the usual high at Wilmington, North Carolina is 3\d"),
    (noisy, "lie.csv, engine_oil: its readings jump"),
    (stuck, "lie.csv, differential: it stays at 60 degC for "),
    (swapped, "lie.csv, transmission and differential: each matches the expected values of the other"),
]


@pytest.mark.parametrize(("change", "said"), LIES, ids=[change.__name__ for change, _ in LIES])
def test_a_lying_gauge_is_refused_by_name(folder, route, change, said):
    with pytest.raises(PlannerError, match=said):
        planner.fit(folder, [lie(folder, change)])
    vehicle = planner.read(folder).car.vehicle
    driven = fit.read_drives(route, [folder / "lie.csv"], vehicle)
    with pytest.raises(PlannerError) as caught:
        refuse_liars(route.trip, route.legs, vehicle, driven)
    assert len(str(caught.value).splitlines()) == 1  # none of the others is accused


def test_a_log_that_is_good_is_not_accused(folder, route):
    vehicle = planner.read(folder).car.vehicle
    driven = fit.read_drives(route, [folder / "logs" / "synthetic-2027-07-06.csv"], vehicle)
    refuse_liars(route.trip, route.legs, vehicle, driven)
