"""Trips that are hard on a route planner: passing a place twice, the date line, winter, heat, loose ends."""

from dataclasses import replace
from datetime import datetime, time

import numpy as np
import pytest

from planner.model.trip import Event
from planner.route.days import split_days
from planner.route.graph import choose_route, remarks
from planner.route.timeline import build_timeline

HOUR = 3600.0


def loop(make_trip, road):
    """Out by one road, back by another, then the first again: b and c are passed twice."""
    legs = [road("a", "b", 80), road("b", "c", 80), road("c", "d", 80), road("d", "b", 80), road("b", "c", 80)]
    return make_trip(legs, explicit=True, route=("a", "b", "c", "d", "b", "c")), legs


def test_a_place_passed_twice_is_driven_twice(make_trip, road, car):
    trip, _ = loop(make_trip, road)
    legs = choose_route(trip)
    assert [leg.finish for leg in legs] == ["b", "c", "d", "b", "c"]
    line = build_timeline(trip, legs, car)
    assert line.end_m[-1] == pytest.approx(sum(leg.distance_m for leg in legs), rel=1e-9)
    assert np.all(np.diff(line.end_s) > 0.0)


def test_an_event_binds_the_first_passing_only(make_trip, road):
    trip, legs = loop(make_trip, road)
    event = Event(place="b", on=trip.first_date, arrive_by=time(23), stay_s=0.0)
    days = split_days(replace(trip, events=(event,)), legs, [4 * HOUR] * 5)
    assert len(days) > 1  # passed again on a later day, which is no contradiction


def test_across_the_date_line(make_trip, road, car):
    """Taveuni, Fiji, lies on both sides of 180 degrees; the road does not go round the world."""
    places = {"p0": {"lat_deg": -16.80, "lon_deg": 179.99}, "p1": {"lat_deg": -16.85, "lon_deg": -179.95}}
    legs = [road("p0", "p1", 10)]
    trip = make_trip(legs, places=places)
    line = build_timeline(trip, choose_route(trip), car)
    away = np.minimum(np.abs(line.lon_deg - 180.0), np.abs(line.lon_deg + 180.0))
    assert np.all(away < 0.1)
    assert line.end_m[-1] == pytest.approx(legs[0].distance_m)


def test_into_winter(make_trip, road, car):
    """A December start at 60 degrees north: six hours of daylight, cold air, everything still a number."""
    places = {
        key: {"lat_deg": 60.0 + 0.5 * n, "lon_deg": 10.0, "high_k": 265.0, "low_k": 255.0}
        for n, key in enumerate(("p0", "p1"))
    }
    trip = make_trip([road("p0", "p1", 60)], places=places, departure=datetime(2027, 12, 21, 10))
    line = build_timeline(trip, choose_route(trip), car)
    assert line.drive.air_k.max() < 266.0
    assert np.all(np.isfinite(line.drive.dew_k))


def test_heat_moves_a_start_only_when_asked(make_trip, road):
    """A climb that is hot from nine on: the usual start without, an earlier one with the table of heat."""
    legs = [road("p0", "p1", 100), road("p1", "p2", 100)]
    trip = make_trip(legs)
    heat = np.zeros((2, 48))
    heat[1, 18:] = 5.0
    plain = split_days(trip, legs, [7 * HOUR, 2 * HOUR])
    cool = split_days(trip, legs, [7 * HOUR, 2 * HOUR], heat=heat)
    assert len(plain) == len(cool) == 2
    assert plain[1].start_s - cool[1].start_s >= 0.5 * HOUR
    assert plain[0].start_s == cool[0].start_s  # the departure is the user's


def test_oddities_of_the_network_are_told(make_trip, road):
    legs = [road("a", "b", 10), road("b", "c", 10), road("b", "dead", 10), road("far", "away", 10)]
    trip = make_trip(legs, route=("a", "c"))
    lonely = replace(trip.places["a"], key="lonely", name="lonely")
    lonesome = replace(trip, places={**trip.places, "lonely": lonely})
    said = remarks(lonesome)
    names = {key: place.name for key, place in trip.places.items()}
    assert any("No open leg reaches lonely" in text for text in said)
    assert any(names["far"] in text and "not to the start" in text for text in said)
    assert any("Dead ends" in text and names["dead"] in text for text in said)
