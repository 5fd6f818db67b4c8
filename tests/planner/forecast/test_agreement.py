"""Every command goes by one forecast: the same weather, the same open road, whatever is asked.

A folder whose weather.csv makes the day hot, and one with a pass that is closed on the day, go through all of them.
What each says is held against the table of the plan, by means of its own where it gives no more than a summary.
"""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from driven import write_log

import planner
from planner.analysis.rerun_trip import as_planned
from planner.forecast.assemble import find_route, read_inputs

SAME_K = 0.01
HOT = "place,date,high [degC],low [degC]\nneedles,2027-07-10,46,33\nkingman,2027-07-10,41,28\n"
SESSION = """place = "kingman"
start = "15:30"
until = "15:30"
[lap]
length = "3 km"
time = "110 s"
full_load = 0.5
corner_speed = "70 km/h"
[session]
laps = 2
sessions = 1
[pit]
time = "5 min"
"""


def with_log(folder: Path) -> Path:
    inputs = read_inputs(folder)
    write_log(folder, "day-1.csv", find_route(inputs).timeline, inputs.car.vehicle)
    return folder


@pytest.fixture(scope="module")
def hot(copy_example: Callable[[str, Path], Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = copy_example("minimal", tmp_path_factory.mktemp("hot") / "trip")
    (folder / "weather.csv").write_text(HOT, encoding="utf-8")
    (folder / "session.toml").write_text(SESSION, encoding="utf-8")
    return with_log(folder)


@pytest.fixture(scope="module")
def plan(hot: Path) -> "planner.plan":
    return planner.plan(hot, remedies=False)


@pytest.fixture(scope="module")
def said(hot: Path, run) -> Callable[..., dict]:
    """`said("review", log)`: what a command says of the hot trip, as data."""

    def ask(command: str, *more: object) -> dict:
        out = ("--out", hot / "out") if command == "plan" else ()
        done = run(command, hot, *more, "--json", *out)
        assert done.code in (0, 1), done.err
        return json.loads(done.out)

    return ask


def by_leg(data: dict) -> np.ndarray:
    return np.array([[fluid["margin_k"] for fluid in leg["fluids"]] for leg in data["legs"]])


def smallest(plan, column: str) -> np.ndarray:
    return plan.margins.groupby("fluid", sort=False)[column].min().to_numpy()


def test_the_weather_of_the_folder_is_what_the_plan_goes_by(plan, copy_example, tmp_path):
    """Else the tests below could not fail: without weather.csv the fluids are kelvins cooler."""
    bare = planner.plan(copy_example("minimal", tmp_path / "bare"), remedies=False)
    assert (plan.track.air_k - bare.track.air_k).min() > 2.5
    assert (smallest(bare, "margin_k") - smallest(plan, "margin_k")).max() > 2.0


def test_plan_and_forecast_agree_with_the_interface(plan, said, hot, run):
    want = plan.margins.margin_k.to_numpy().reshape(len(plan.legs), -1)
    np.testing.assert_allclose(by_leg(said("plan")), want, atol=SAME_K)
    np.testing.assert_allclose(by_leg(said("forecast")), want, atol=SAME_K)
    table = list(csv.DictReader(io.StringIO(run("forecast", hot, "--csv").out)))
    peaks_f = plan.legs.coolant_peak_k * 1.8 - 459.67
    assert [float(row["coolant peak [°F]"]) for row in table] == [round(peak) for peak in peaks_f]


def test_review_judges_by_the_plan(plan, said, hot):
    (log,) = said("review", hot / "logs" / "day-1.csv")["logs"]
    moving = plan.track[plan.track.kind == "drive"]
    assert {peak["fluid"] for peak in log["peaks"]} == {"coolant", "engine_oil", "transmission", "differential"}
    review = planner.review(hot, [hot / "logs" / "day-1.csv"])
    one = review.reviews[0].driven
    for peak in log["peaks"]:
        where_m = np.interp(60.0 * peak["minute"], np.cumsum(one.drive.duration_s), one.distance_m)
        want = np.interp(where_m, moving.distance_m, moving[f"{peak['fluid']}_k"])
        assert peak["planned_k"] == pytest.approx(want, abs=SAME_K)


def test_fit_starts_from_the_plan(plan, said, hot, tmp_path):
    data = said("fit", hot / "logs" / "day-1.csv", "--out", tmp_path / "fitted.toml", "--plots", tmp_path / "plots")
    before = [one["before"]["nominal_k"] for one in data["margins"]]
    np.testing.assert_allclose(before, smallest(plan, "margin_as_described_k"), atol=SAME_K)


def test_session_has_the_air_of_the_plan(plan, said):
    """The car stands at the session's place in the plan too, so the air there is in its table."""
    air = said("session")["hours"][0]["air_k"]
    stands = plan.track[plan.track.kind == "end"]
    seconds = (stands.time - stands.time.iloc[0].normalize()).dt.total_seconds()
    middle = seconds - 0.5 * np.diff(seconds, prepend=2.0 * seconds.iloc[0] - seconds.iloc[1])
    assert air == pytest.approx(np.interp(15.5 * 3600.0, middle, stands.air_k), abs=SAME_K)


def test_alarms_expect_what_the_plan_does(plan, said):
    trip = said("alarms")["cards"][-1]
    for fluid, want in zip(trip["fluids"], planner.alarms(plan).fluids.query("leg.isna()").itertuples(), strict=True):
        assert fluid["expected_k"] == pytest.approx([want.expected_low_k, want.expected_high_k], abs=SAME_K)
        assert fluid["expected_k"][1] <= plan.track[f"{want.fluid}_upper_k"].max() + 20.0


def test_whatif_counts_from_the_plan(plan, said):
    """Margin less gain is the smallest margin of the plan."""
    kept = as_planned(plan.report.outlook).margin_k
    (change,) = said("whatif", "--set", "body.mass=2300 kg")["changes"]
    for fluid, want in zip(plan.margins.fluid.unique(), kept, strict=True):
        name = fluid.replace("_", " ")
        assert change["margin_k"][name] - change["margin_gained_k"][name] == pytest.approx(want, abs=SAME_K)


# --- a road closed on the day ---

PLACES = """place,name,lat,lon,elevation [m],services,high [degC],low [degC]
brig,Brig,46.3150,7.9870,680,lodging,24,12
ulrichen,Ulrichen,46.5050,8.3090,1346,lodging,20,8
furka,Furkapass,46.5725,8.4147,2427,,12,3
nufenen,Nufenenpass,46.4771,8.3870,2478,,12,3
andermatt,Andermatt,46.6360,8.5940,1440,lodging,19,8
"""
LEGS = """from,to,distance [km],speed [km/h],road,open
brig,ulrichen,40,60,19,
ulrichen,furka,21.8,42,Furka road,08-01..10-15
furka,andermatt,21.5,45,Furka road,08-01..10-15
ulrichen,nufenen,13.5,42,Nufenen road,
nufenen,andermatt,50,50,Nufenen road,
"""
CLOSED = "Furka road from Ulrichen to Furkapass is closed on the day it would be driven; see 'open' in legs.csv."
ROUND = ["brig", "ulrichen", "nufenen", "andermatt"]


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("closed")
    toml = 'units = "metric"\nstart = "brig"\nfinish = "andermatt"\ndeparture = "2027-07-09 08:00"\n'
    car = 'base = "saloon-2000s-diesel"\n'
    for name, text in (("places.csv", PLACES), ("legs.csv", LEGS), ("trip.toml", toml), ("vehicle.toml", car)):
        (folder / name).write_text(text, encoding="utf-8")
    return with_log(folder)


def test_plan_drives_round_a_closed_road(closed, run, tmp_path):
    data = json.loads(run("plan", closed, "--json", "--out", tmp_path / "out").out)
    assert [leg["to"] for leg in data["legs"]] == ROUND[1:]
    assert CLOSED in data["assumed"]["trip"]


def test_weather_is_fetched_for_the_road_driven(closed, run):
    assert [row["place"] for row in json.loads(run("weather", closed, "--offline", "--json").out)["rows"]] == ROUND


def test_check_says_what_is_closed_and_measures_the_road_driven(closed, run):
    done = run("check", closed)
    assert f"check: {CLOSED}" in done.out
    assert "104 km" in " ".join(done.out.split())  # 40 + 13.5 + 50
    assert json.loads(run("check", closed, "--json").out)["closed"] == [CLOSED]


def test_fit_and_review_place_a_log_on_the_road_driven(closed, run, tmp_path):
    log = closed / "logs" / "day-1.csv"
    fitted = ("--out", tmp_path / "fitted.toml", "--plots", tmp_path / "plots")
    margins = json.loads(run("fit", closed, log, "--json", *fitted).out)["margins"]
    plan = planner.plan(closed, remedies=False)
    before = [one["before"]["nominal_k"] for one in margins]
    np.testing.assert_allclose(before, smallest(plan, "margin_as_described_k"), atol=SAME_K)
    peaks = json.loads(run("review", closed, log, "--json").out)["logs"][0]["peaks"]
    assert all(peak["planned_k"] is not None for peak in peaks)


def test_from_a_place_on_the_way_round_the_rest_is_planned(closed, run, tmp_path):
    where = ("--from", "nufenen", "--at", "2027-07-09 09:20")
    done = run("plan", closed, *where, "--json", "--out", tmp_path / "out")
    data = json.loads(done.out)
    assert [(leg["from"], leg["to"]) for leg in data["legs"]] == [("nufenen", "andermatt")]
    assert any("54 km driven" in text for text in data["assumed"]["trip"])  # 40 + 13.5, not the 0 of a place beside
