"""What changed since the last plan: arrivals, nights, margins, fuel; what cannot be compared is said."""

import json
import math
from datetime import datetime, timedelta

import pytest

from planner.forecast.run import forecast, local_time, span_of
from planner.model import clock
from planner.output.changes import NO_CHANGE, NOTHING_TO_COMPARE, OTHER_TRIP, changes, last_plan
from planner.output.export import plan_dict
from planner.output.report import make_report
from planner.output.write import to_json
from planner.replan.remaining import replan
from thermal.vehicle_file import VehicleFile


def plan_of(report):
    return json.loads(to_json(plan_dict(report)))


@pytest.fixture
def old(alps):
    return plan_of(alps)


def test_the_same_plan_has_not_changed_and_none_or_another_trips_is_not_compared(minimal, tmp_path):
    old = plan_of(minimal)
    assert changes(old, minimal) == changes(old | {"trip": f"{old['trip']}, from Raton on day 2"}, minimal)
    assert changes(old, minimal) == (NO_CHANGE,)
    assert changes(old | {"trip": "Another"}, minimal) == (OTHER_TRIP,)
    assert changes(None, minimal) == (NOTHING_TO_COMPARE,)
    assert last_plan(tmp_path) is last_plan(tmp_path / "nowhere") is None


def test_a_later_arrival_and_a_moved_night_are_said(alps, old):
    finish = local_time(alps.outlook, span_of(alps.outlook, alps.outlook.timeline.days[-1].last).last)
    old["days"][-1]["arrive"] = (finish - timedelta(minutes=75)).isoformat()
    old["days"][0]["to"] = "somewhere"
    said = changes(old, alps)
    assert any("1 h 15 min later than in the last plan" in line and "Bormio" in line for line in said)
    night = alps.outlook.trip.places[alps.outlook.legs[alps.outlook.timeline.days[0].last].finish].name
    assert any(f"at {night} instead of somewhere" in line for line in said)


def test_a_trip_over_new_year_is_compared_by_its_dates(make_trip, road, car):
    """Days carry their year, so one in January follows one in December, and a year's difference is a year."""
    legs = [road("a", "b", 300), road("b", "c", 300)]
    trip = make_trip(legs, departure=datetime(2027, 12, 31, 8), day={"driving_s": 6 * 3600.0, "daylight": False})
    file = VehicleFile(vehicle=car, base="estate-1990s-six", about="", entries=(), overridden=frozenset())
    report = make_report(forecast(trip, file), remedies=False)
    old = plan_of(report)
    assert [day["arrive"][:10] for day in old["days"]] == ["2027-12-31", "2028-01-01"]
    assert changes(old, report) == (NO_CHANGE,)
    for day in old["days"]:
        day["arrive"] = f"{int(day['arrive'][:4]) + 1}{day['arrive'][4:]}"
    assert any("366 d" in line and "earlier" in line for line in changes(old, report))


def test_margins_that_changed_are_named_the_greatest_first(alps, old):
    for i, by in ((2, 9.0), (5, 30.0)):
        for fluid in old["legs"][i]["fluids"]:
            fluid["margin_k"] += by
    said = changes(old, alps)
    legs, places = alps.outlook.legs, alps.outlook.trip.places
    names = [f"{places[legs[i].start].name} to {places[legs[i].finish].name}" for i in (5, 2)]
    assert [line.split(":")[0] for line in said] == names
    assert "margin down by 30 to" in said[0]


def test_only_what_lies_ahead_is_compared(alps, old):
    old["fuel"]["stops"] = [{"place": "brig"}, {"place": "davos"}]
    assert [line for line in changes(old, alps) if "Fuel" in line] == ["Fuel no longer at Davos."]


def test_a_day_lost_on_the_way_is_said(alps, old):
    outlook = alps.outlook
    day = outlook.timeline.days[1]
    place = outlook.trip.places[outlook.legs[day.first].start]
    at = clock.local(day.start_s, place.lat_deg, place.lon_deg).replace(tzinfo=None)
    rest = replan(outlook.trip, outlook.legs, start_at=place.key, at=at + timedelta(days=1))
    said = changes(old, make_report(forecast(rest, outlook.car), remedies=False))
    assert "1 d later than in the last plan" in said[0]
    assert any(line.startswith("Night of Sun 11 Jul") and line.endswith("none in the last plan.") for line in said)
    assert not any("Night of Fri 09 Jul" in line for line in said)  # behind


@pytest.mark.parametrize(
    "changed", [{"margin_k": math.inf}, {"margin_k": math.nan}, {"margin_k": 1e300}, {"level": "\x1b[2J"}]
)
def test_margins_that_cannot_be_are_not_compared_and_that_is_said(minimal, tmp_path, changed):
    old = plan_of(minimal)
    for fluid in old["legs"][0]["fluids"]:
        fluid |= {"margin_k": fluid["margin_k"] - 20.0}
    assert any("margin up by" in line for line in changes(old, minimal))
    for fluid in old["legs"][0]["fluids"]:
        fluid |= changed
    (tmp_path / "plan.json").write_text(json.dumps(old), encoding="utf-8")
    assert changes(last_plan(tmp_path), minimal) == (
        "Not compared, as out/plan.json is damaged or from another version: margins.",
    )
