"""What `check` says of a trip that is read without fault: the whole at a glance, and what a slip would look like."""

import re
from dataclasses import replace
from datetime import date

import pytest

from planner.analysis.plausible import low_passes, steep_legs, winding_legs
from planner.analysis.plausible_car import car_doubts
from planner.analysis.plausible_day import schedule_doubts
from planner.files.folder import open_folder
from planner.files.vehicles import read_vehicle
from planner.forecast.assemble import changed_car
from planner.model.lesson import Lesson
from planner.model.paths import data_folder
from planner.model.trip import Profile
from planner.output.check import check_lines, quiet_traps
from planner.route.graph import choose_route

KM_E = {"lat_deg": 0.0}  # on the equator a degree of longitude is 111.32 km (WGS84)


@pytest.fixture
def glance(trip_folder):
    """The lines of `check` before what is assumed, joined."""
    _, car = open_folder(trip_folder)

    def made(trip):
        return " ".join(line.strip() for line in check_lines(trip, car, choose_route(trip), ())[1:4])

    return made


def test_the_whole_stands_in_one_sentence(make_trip, road, glance):
    """Up 900 m, down 1,400 m, up 100 m by the profile inside the last leg; 36, 54 and 18 km at 90 km/h."""
    spots = {
        "a": {"lat_deg": 37.26, "lon_deg": -107.88, "elevation_m": 2000.0, "name": "Durango"},
        "b": {"elevation_m": 2900.0, "name": "Top"},
        "c": {"elevation_m": 1500.0, "name": "Low"},
        "d": {"lat_deg": -33.04, "lon_deg": 18.02, "elevation_m": 1500.0, "name": "South"},
    }
    hump = Profile(distance_m=(0.0, 9e3, 18e3), elevation_m=(1500.0, 1600.0, 1500.0))
    legs = [road("a", "b", 24), road("b", "c", 36), road("c", "d", 12, profile=hump)]
    trip = make_trip(legs, places=spots)
    assert glance(trip).startswith(
        "from Durango (37.3° N 107.9° W) to South (33.0° S 18.0° E), 108 km; lowest Low 1,500 m, highest Top 2,900 m, "
        "climb 1,000 m"
    )
    assert "67 mi; lowest Low 4,921 ft, highest Top 9,514 ft, climb 3,281 ft" in glance(replace(trip, units="us"))


def test_a_pass_in_a_hollow_is_told(make_trip, road):
    """Feet of a pass typed as metres of its neighbours, or the other way round, put it below them."""
    legs = [road("a", "b", 30), road("b", "c", 30)]

    def said(height_m, kind="pass"):
        spots = {"a": {"elevation_m": 1500.0}, "c": {"elevation_m": 1200.0}}
        trip = make_trip(legs, places=spots | {"b": {"elevation_m": height_m, "kind": kind}})
        return [doubt.sentence for doubt in low_passes(trip, choose_route(trip))]

    assert said(840.0) == [
        "B is a pass, but at 840 m it is below A (1,500 m) and C (1,200 m); is its elevation in the unit of its column?"
    ]
    assert not said(1300.0)  # on the way up: some passes are
    assert not said(840.0, "town")


def test_a_long_steep_leg_is_told(make_trip, road):
    """A mean of 9 % over 3 km and more is rare; with a profile, or shorter, it is none of it."""
    spots = {"a": {"lon_deg": 0.0, **KM_E}, "b": {"lon_deg": 0.04, "elevation_m": 450.0, **KM_E}}

    def said(km, rise_m=450.0, **more):
        places = {"a": spots["a"], "b": spots["b"] | {"elevation_m": rise_m}}
        trip = make_trip([road("a", "b", km / 1.5, **more)], places=places)
        return [doubt.sentence for doubt in steep_legs(trip)]

    assert said(5.0) == [
        "A to B is 5.0 km at 9% all the way; check its distance and both elevations, or add a profile."
    ]
    assert not said(5.0, rise_m=395.0)
    assert not said(2.9, rise_m=290.0)
    assert not said(5.0, profile=Profile(distance_m=(0.0, 5e3), elevation_m=(0.0, 450.0)))


def test_a_leg_that_winds_too_much_is_told(make_trip, road):
    """0.1 degree of the equator is 11.13 km: at 90 km/h up to 1.8 times that and 2 km are usual."""
    places = {"a": {"lon_deg": 0.0, **KM_E}, "b": {"lon_deg": 0.1, **KM_E}}

    def said(km, **more):
        trip = make_trip([road("a", "b", km / 1.5, **more)], places=places)
        return [doubt.sentence for doubt in winding_legs(trip)]

    assert said(30.0) == ["A to B is 30.0 km by road, but 11.1 km in a straight line; check its distance."]
    assert not said(21.5)
    level = Profile(distance_m=(0.0, 3e4), elevation_m=(0.0, 0.0))
    assert not said(30.0, profile=level)
    assert said(70.0, profile=level)  # over four times and 20 km: 64.5 km


def test_the_head_counts_and_a_fault_comes_first(trip_folder, make_trip, road):
    _, car = open_folder(trip_folder)
    trip = make_trip([road("a", "b", 20)])
    lesson = Lesson(
        air={}, seen=(), last=None, sentences=("hot oil", "row 2", "runs"), warnings=("hot oil",), unused=("row 2",)
    )
    plain, told = (check_lines(trip, car, choose_route(trip), (), one) for one in (None, lesson))
    assert plain[0].endswith(" No problems.")
    assert told[0].endswith(" No errors; 2 things to check.")
    assert told[1] == "  warning: hot oil"
    assert {"  check: row 2", "  learnt: runs"} <= set(told)


def test_a_heavy_trailer_and_its_car_are_told_in_one_unit(trip_folder):
    _, car = open_folder(trip_folder)
    heavy = changed_car(changed_car(car.vehicle, "trailer.drag_area", "2 m**2"), "trailer.mass", "13000 lb")
    texts = [replace(e, text="13000 lb") if e.key == "trailer.mass" else e for e in car.entries]
    (doubt, *_) = car_doubts(replace(car, vehicle=heavy, entries=tuple(texts)), {})
    assert re.fullmatch(r"13000 lb compared with a car of [\d,]+ lb; check both", doubt.sentence)


def test_a_departure_in_the_past_is_told(make_trip, road):
    """The trips made up here leave on 6 July 2027 at 8."""
    trip = make_trip([road("a", "b", 20)], places={"b": {"lon_deg": -97.7}})
    assert not list(schedule_doubts(trip, date(2027, 7, 6)))
    assert [doubt.sentence for doubt in schedule_doubts(trip, date(2028, 7, 5))] == [
        "The departure, 2027-07-06 08:00, is in the past; today is 2028-07-05."
    ]


def test_check_looks_at_the_calendar(run, trip_folder):
    file = trip_folder / "trip.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("2027-", "2023-"), encoding="utf-8")
    assert "check: trip.toml, departure: The departure, 2023-" in run("check", trip_folder).out


@pytest.mark.parametrize("name", ["alps", "minimal", "wilmington-astoria", "benchmark"])
def test_the_examples_have_no_such_slip(copy_example, tmp_path, name):
    trip, _ = open_folder(copy_example(name, tmp_path / name))
    assert not [*low_passes(trip, choose_route(trip)), *steep_legs(trip)]


@pytest.mark.parametrize(
    ("own", "said"),
    [
        ('[oil_cooler]\nkind = {value = "air", source = "fitted"}\n', "its conductance is still that of the class's"),
        ('[gearbox]\nlockup_road_speed = {value = "0 mph", source = "owner"}\n', "locks as soon as the car moves"),
    ],
)
def test_a_value_that_means_more_than_it_seems_is_told(tmp_path, own, said):
    def told(more):
        path = tmp_path / "vehicle.toml"
        path.write_text(f'base = "pickup-1990s-v8-tow"\n{more}', encoding="utf-8")
        return " ".join(" ".join(quiet_traps(read_vehicle(path, data_folder() / "vehicles"))).split())

    assert said in told(own)
    assert told("") == ""
    whole = own + ('conductance = {value = "60 W/K", source = "fitted"}\n' if "cooler" in own else "")
    assert (said in told(whole)) == ("cooler" not in own)
