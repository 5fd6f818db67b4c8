"""The commands log, fit, review and alarms, run in this process on made-up logs along the minimal trip."""

import json
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from driven import write_log

from planner.files.folder import open_folder
from planner.files.vehicles import read_vehicle
from planner.model.paths import data_folder
from planner.route.timeline import open_route
from thermal.drive import Drive
from thermal.loads import compute_loads
from thermal.vehicle import Vehicle


@pytest.fixture
def call(run) -> Callable[..., str]:
    """`call("log", path)`: what the command printed; `code=2` asks for a refusal, and gives its sentence."""

    def command(*words: object, code: int = 0) -> str:
        done = run(*words)
        assert done.code == code, done.err
        return done.err if code else done.out

    return command


@pytest.fixture(scope="module")
def folder(copy_example: Callable[[str, Path], Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    trip_folder = copy_example("minimal", tmp_path_factory.mktemp("cli") / "trip")
    trip, car = open_folder(trip_folder)
    line = open_route(trip, car.vehicle).timeline
    write_log(trip_folder, "one.csv", line, car.vehicle, seed=2, mapped=False, axle_heat=0.8)
    return trip_folder


def _axle_heat_w(vehicle: Vehicle, drive: Drive) -> float:
    """Mean heat of the differential over a drive, its oil at 80 degC."""
    loads = compute_loads(vehicle, drive)[0]
    return float(np.average(loads.axle_w + loads.axle_spin_w, weights=drive.duration_s))


def test_a_folder_of_logs_is_called_one(call, folder: Path) -> None:
    logs = folder / "logs"
    for words in (("fit", folder, logs), ("review", folder, logs), ("log", logs)):
        said = call(*words, code=2)
        assert said == f"grademargin: {logs}: is a folder; name the log files one by one, e.g. {logs}/day1.csv\n"


def test_from_a_log_to_a_vehicle_a_review_and_back(call, folder: Path) -> None:
    path = folder / "logs" / "one.csv"
    assert "The log is not used until you confirm" in call("log", path)
    assert "not confirmed" in call("fit", folder, path, code=2)
    assert "nine.csv: does not exist" in call("review", folder, folder / "logs" / "nine.csv", code=2)
    assert "Sure: coolant" in call("log", path, "--describe", "--write")
    assert json.loads(call("log", path, "--json"))["unsure"] == []
    assert "Read: coolant" in call("log", path)
    told = call("fit", folder, path, "--on", "2027-07-11")
    assert "hold-out test, last quarter of one.csv" in told
    new = folder / "vehicle-fitted-2027-07-11.toml"
    # mesh and churning both make 0.8 of the heat; one hour on one road cannot say how it divides, only what it sums to
    trip, car = open_folder(folder)
    drive = open_route(trip, car.vehicle).timeline.drive
    learnt = read_vehicle(new, data_folder() / "vehicles")
    heat_w = learnt.spread.factors["axle_heat"].value * _axle_heat_w(learnt.vehicle, drive)
    assert heat_w == pytest.approx(0.8 * _axle_heat_w(car.vehicle, drive), rel=0.08)
    picture = " ".join(ElementTree.parse(folder / "out" / "fit-one.svg").getroot().itertext())
    assert "differential" in picture
    assert "measured" in picture
    assert "already exists" in call("fit", folder, path, "--on", "2027-07-11", code=3)
    assert "already exists" in call("fit", folder, path, "--out", folder / "vehicle.toml", code=3)
    found = json.loads(call("review", folder, path, "--json"))
    assert found["schema"] == "grademargin-review/1"
    assert "odds" in call("review", folder, path)


def test_only_what_was_asked_is_learnt(call, folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "few.csv"
    path.write_bytes((folder / "logs" / "one.csv").read_bytes())
    call("log", path, "--write")
    fit = ("fit", folder, path, "--learn")
    told = json.loads(call(*fit, "axle_heat, axle_loss", "--out", tmp_path / "v.toml", "--json"))
    assert [item["name"] for item in told["unknowns"]] == ["axle_heat", "axle_loss"]
    assert "did you mean axle_heat" in call(*fit, "axl_heat", "--out", tmp_path / "w.toml", code=2)
    nowhere = tmp_path / "nowhere" / "v.toml"
    assert "cannot be written" in call(*fit, "axle_heat", "--out", nowhere, code=3)


def test_alarms(call, folder: Path) -> None:
    text = call("alarms", folder)
    assert "common practice" in text
    assert "Whole trip" in text
    own = json.loads(call("alarms", folder, "--idle", "15 psi", "850 rpm", "210 degF", "--json"))
    assert "your reading at idle" in own["rests_on"]
    assert "write pressure" in call("alarms", folder, "--idle", "1500 psi", "850 rpm", "210 degF", code=2)
    for wrong, said in (
        ("15|850 rpm|210 degF", "grademargin: pressure: '15' needs a number and a unit, e.g. '15 psi'"),
        ("15 psi|850|210 degF", "grademargin: engine speed: '850' needs a number and a unit, e.g. '850 rpm'"),
        ("15 psi|850 rpm|210 ft", "grademargin: oil temperature: '210 ft' is not a valid temperature"),
    ):
        assert said in call("alarms", folder, "--idle", *wrong.split("|"), code=2)
