"""A leg on a ferry or a train: the engine off, the fluids cooling as in any parked car, hours that are no driving."""

import numpy as np
import pytest
from rules import with_trip

import planner
from planner.analysis.service import plan_service
from planner.model.trip import ServiceItem
from planner.route.timeline import build_timeline, lay_out
from thermal.fluids import FLUIDS

PLACES = (
    'place,name,lat,lon,elevation [ft],services\nneedles,"Needles, California",34.8481,-114.6141,495,\n'
    'east,"East quay",34.80,-114.50,500,\nwest,"West quay",34.80,-114.40,500,\n'
    'kingman,"Kingman, Arizona",35.1894,-114.0530,3335,\n'
)
LEGS = (
    "from,to,distance [mi],speed [mph],carried\nneedles,east,9,55,\neast,west,{miles},16,{how}\nwest,kingman,40,55,\n"
)


@pytest.fixture
def folder(copy_example, tmp_path):
    made = copy_example("minimal", tmp_path / "trip")
    (made / "places.csv").write_text(PLACES, encoding="utf-8")
    (made / "legs.csv").write_text(LEGS.format(miles=16, how="ferry"), encoding="utf-8")
    return made


def test_the_engine_is_off_and_hours_aboard_are_no_driving(folder):
    line = planner.plan(folder, remedies=False).report.outlook.timeline
    aboard = next(span for span in line.spans if span.kind == "ferry").rows
    assert line.drive.engine_on[aboard].max() == 0.0
    assert line.drive.speed_m_per_s[aboard].max() == 0.0
    assert line.drive.duration_s[aboard].sum() == pytest.approx(3600.0, rel=1e-3)
    (day,) = line.days
    assert day.carried_s == pytest.approx(3600.0, rel=1e-3)
    assert day.driving_s == pytest.approx((9 + 40) / 55 * 3600.0, rel=0.02)
    last = next(span for span in reversed(line.spans) if span.kind == "drive")
    assert line.end_s[last.last] == pytest.approx(day.end_s, abs=60.0)


def test_fluids_cool_aboard_as_in_a_car_parked_as_long(folder):
    # A ferry of five miles in as many minutes at one spot, against a halt there: the same air, the same hours.
    made = planner.plan(folder, remedies=False).report.outlook
    ferry = made.timeline
    aboard = next(span for span in ferry.spans if span.kind == "ferry").rows
    (folder / "legs.csv").write_text(LEGS.format(miles=16, how=""), encoding="utf-8")
    with (folder / "trip.toml").open("a") as file:
        file.write('[[halt]]\nplace = "east"\nduration = "60 min"\n')
    halted = planner.plan(folder, remedies=False).report.outlook
    halt = next(span for span in halted.timeline.spans if span.kind == "halt").rows
    for fluid in FLUIDS:
        end = made.nominal.temps_k[0, aboard.stop - 1, fluid.node]
        parked = halted.nominal.temps_k[0, halt.stop - 1, fluid.node]
        assert end == pytest.approx(parked, abs=1.5), fluid.key  # the air of two spots nine km apart
    coolant = made.nominal.temps_k[0, aboard, FLUIDS[0].node]
    assert np.all(np.diff(coolant[20:]) < 0.0)


def test_check_plan_and_whatif_take_a_ferry(folder, tmp_path, run):
    for command in (["check", folder], ["plan", folder, "--out", tmp_path / "out"], ["whatif", folder]):
        done = run(*command)
        assert done.code == 0, done
    assert "1.0 h on the ferry, engine off" in (tmp_path / "out" / "trip.html").read_text(encoding="utf-8")
    assert not any("look at" in line for line in run("check", folder).out.splitlines())


def test_a_train_may_carry_the_car_through_a_hill(make_trip, road, car):
    legs = [road("a", "b", 30), road("b", "c", 20, kind="train"), road("c", "d", 30)]
    trip = make_trip(legs, places={"c": {"elevation_m": 400.0}, "d": {"elevation_m": 400.0}})
    line = build_timeline(trip, legs, car)
    aboard = next(span for span in line.spans if span.kind == "train").rows
    assert line.drive.grade[aboard].max() == 0.0
    assert line.end_elevation_m[aboard.stop - 1] == pytest.approx(400.0)
    again = lay_out(trip, line.road, line.days, line.road.wanted_m_per_s)
    assert len(again.begin_s) == len(line.begin_s)


def test_miles_aboard_wear_nothing(folder):
    made = planner.plan(folder, remedies=False).report.outlook  # 49 miles driven, 16 carried
    for miles, due in ((60.0, 0), (45.0, 1)):
        job = ServiceItem(item="x", every_m=miles * 1609.344)
        assert len(plan_service(with_trip(made, service=(job,))).due) == due
