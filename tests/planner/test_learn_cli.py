"""The commands log, fit, review and alarms, run in this process on made-up logs along the minimal trip."""

import io
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import click
import numpy as np
import pytest

from planner.cli import Streams
from planner.errors import OutputError, PlannerError
from planner.files.folder import open_folder
from planner.graph import choose_route
from planner.learncli import COMMANDS
from planner.paths import data_folder
from planner.timeline import build_timeline
from thermal import made_up
from thermal.vehicle_file import read_vehicle


def call(*words: object) -> str:
    """Run one command; gives what it printed."""
    out, err = io.StringIO(), io.StringIO()
    names = {"help_option_names": ["-h", "--help"]}  # kept by click in a command once it has run
    group = click.Group("grademargin", {str(c.name): c for c in COMMANDS}, context_settings=names)
    code = group.main([str(word) for word in words], standalone_mode=False, obj=Streams(out, err))
    assert code == 0, err.getvalue()
    return out.getvalue()


@pytest.fixture(scope="module")
def folder(copy_example: Callable[[str, Path], Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    trip_folder = copy_example("minimal", tmp_path_factory.mktemp("cli") / "trip")
    trip, car = open_folder(trip_folder)
    line = build_timeline(trip, choose_route(trip), car.vehicle)
    drive = line.drive.take(slice(0, line.spans[0].last + 1))
    drive = replace(drive, road_rise_k=0.0 * drive.air_k)
    log = made_up.made_up_on(car.vehicle, drive, rng=np.random.default_rng(2), truth={"axle_heat": 0.8})
    (trip_folder / "logs").mkdir()
    (trip_folder / "logs" / "one.csv").write_text(made_up.csv_text(log, title="synthetic"), encoding="utf-8")
    return trip_folder


def test_from_a_log_to_a_vehicle_a_review_and_back(folder: Path) -> None:
    path = folder / "logs" / "one.csv"
    assert "Nothing is read until this is confirmed" in call("log", path)
    with pytest.raises(PlannerError, match="not confirmed"):
        call("fit", folder, path)
    with pytest.raises(PlannerError, match=r"nine\.csv: does not exist"):
        call("review", folder, folder / "logs" / "nine.csv")
    assert "Sure: coolant" in call("log", path, "--describe", "--write")
    assert json.loads(call("log", path, "--json"))["unsure"] == []
    assert "Read: coolant" in call("log", path)
    told = call("fit", folder, path, "--on", "2027-07-11")
    assert "held out, last quarter of one.csv" in told
    new = folder / "vehicle-fitted-2027-07-11.toml"
    assert read_vehicle(new, data_folder() / "vehicles").spread.factors["axle_heat"].value == pytest.approx(
        0.8, abs=0.12
    )
    assert (folder / "out" / "fit-one.svg").is_file()
    with pytest.raises(OutputError, match="exists already"):
        call("fit", folder, path, "--on", "2027-07-11")
    with pytest.raises(OutputError, match="exists already"):
        call("fit", folder, path, "--out", folder / "vehicle.toml")
    found = json.loads(call("review", folder, path, "--json"))
    assert found["schema"] == "grademargin-review/1"
    assert "odds" in call("review", folder, path)


def test_only_what_was_asked_is_learnt(folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "few.csv"
    path.write_bytes((folder / "logs" / "one.csv").read_bytes())
    call("log", path, "--write")
    told = json.loads(
        call("fit", folder, path, "--learn", "axle_heat, axle_loss", "--out", tmp_path / "v.toml", "--json")
    )
    assert [item["name"] for item in told["unknowns"]] == ["axle_heat", "axle_loss"]
    with pytest.raises(PlannerError, match="did you mean axle_heat"):
        call("fit", folder, path, "--learn", "axl_heat", "--out", tmp_path / "w.toml")


def test_alarms_expect_the_weather_that_a_plan_does(copy_example: Callable[[str, Path], Path], tmp_path: Path) -> None:
    trip_folder = copy_example("minimal", tmp_path / "trip")
    usual = json.loads(call("alarms", trip_folder, "--json"))["cards"][0]["fluids"]
    hot = "place,date,high [degC],low [degC]\n" + "".join(f"{key},2027-07-10,49,33\n" for key in ("needles", "kingman"))
    (trip_folder / "weather.csv").write_text(hot, encoding="utf-8")
    hotter = json.loads(call("alarms", trip_folder, "--json"))["cards"][0]["fluids"]
    for before, after in zip(usual, hotter, strict=True):
        assert after["expected_k"][1] > before["expected_k"][1] + 1.0, before["fluid"]


def test_alarms(folder: Path) -> None:
    text = call("alarms", folder)
    assert "common practice" in text
    assert "Whole trip" in text
    own = json.loads(call("alarms", folder, "--idle", "15 psi", "850 rpm", "210 degF", "--json"))
    assert "your reading at idle" in own["rests_on"]
    with pytest.raises(PlannerError, match="write pressure"):
        call("alarms", folder, "--idle", "1500 psi", "850 rpm", "210 degF")
    with pytest.raises(PlannerError, match="needs a number and a unit"):
        call("alarms", folder, "--idle", "15", "850 rpm", "210 degF")
