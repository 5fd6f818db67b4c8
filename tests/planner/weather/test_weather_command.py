"""The weather command on trips: each place of the route is told fresh, stale or missing; nothing is asked unasked."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from planner.files.folder import open_folder
from planner.route.graph import choose_route
from planner.weather.command import FRESH, MISSING, STALE, dates_of, run
from planner.weather.store import load_forecasts, load_past_years


@pytest.fixture
def ask(services, user_folders):
    """`ask(trip, legs, offline=...)`: run against the loopback server."""

    def make(trip, legs, **more):
        plain = {"offline": False, "now": datetime.now(UTC) + timedelta(seconds=5), "sleep": lambda _: None}
        return run(trip, legs, services=services.both(), archive_url=services.url, **plain | more)

    return make


@pytest.fixture
def soon():
    return datetime.combine(datetime.now(UTC).date() + timedelta(days=1), datetime.min.time().replace(hour=8))


@pytest.fixture
def trip(make_trip, road, tmp_path, soon):
    bare = {"high_k": None, "low_k": None}
    places = {"linn": {"lat_deg": 39.7, "lon_deg": -97.1} | bare, "york": {"lat_deg": 40.9, "lon_deg": -97.6}}
    return make_trip([road("linn", "york", 90.0)], places=places, folder=tmp_path / "trip", departure=soon)


def test_fresh_then_stale_then_offline(trip, ask, services):
    told = []
    report = ask(trip, trip.legs, progress=told.append)
    assert [row.state for row in report.rows] == [FRESH, FRESH]
    assert report.rows[0].source == "US National Weather Service"
    assert report.rows[0].made == "30 min"
    assert report.attribution == (
        "Forecast: National Weather Service (weather.gov). Public domain; United States only. Hourly grid values, "
        "adjusted to the road's elevation.",
    )
    assert told == ["US National Weather Service: linn (1 of 2)", "US National Weather Service: york (2 of 2)"]
    asked = len(services.asked)
    report = ask(trip, trip.legs, offline=True, now=datetime.now(UTC) + timedelta(hours=30))
    assert [(row.state, row.fetched) for row in report.rows] == [(STALE, "30 h")] * 2
    assert len(services.asked) == asked


def test_a_kept_forecast_that_ends_before_the_trip_is_none(trip, ask, soon):
    ask(trip, trip.legs)
    later = replace(trip, departure=soon + timedelta(days=12))
    assert {row.state for row in ask(later, trip.legs, offline=True).rows} == {MISSING}


def test_offline_with_nothing_kept(trip, ask, services):
    report = ask(trip, trip.legs, offline=True)
    assert report.failed
    assert {row.state for row in report.rows} == {MISSING}
    assert "not been fetched before; run again" in report.rows[0].note
    assert services.asked == []


def test_services_down_is_told_and_nothing_raises(trip, ask, services):
    services.faults = {"/points/": "403", "/v1/": "html"}
    report = ask(trip, trip.legs)
    assert report.failed
    assert "returned HTTP 403" in report.rows[0].note
    assert "require a login" in report.rows[0].note
    assert "No past years for 1 place: Open-Meteo archive did not send JSON" in report.notes[0]


def test_months_ahead_only_past_years_are_asked_for_and_only_where_nobody_entered(trip, ask, services, soon):
    later = replace(trip, departure=soon + timedelta(days=200))
    report = ask(later, later.legs)
    assert all("/v1/archive" in path for path in services.asked)
    assert len(services.asked) == 10
    assert not report.failed
    assert "forecasts cover 16 days" in report.notes[0]
    assert list(load_past_years(later)) == ["linn"]
    assert report.rows[0].note.startswith("the means of")
    assert report.rows[1].note == "the usual values from places.csv"
    assert "Open-Meteo.com" in report.attribution[0]
    services.asked.clear()
    ask(later, later.legs)
    assert services.asked == []  # fetched once


def test_example_across_a_continent(copy_example, tmp_path, ask, services, soon):
    trip, _ = open_folder(copy_example("wilmington-astoria", tmp_path / "trip"))
    trip = replace(trip, departure=soon)
    legs = choose_route(trip)
    services.cell = lambda lat, lon: (round(-20.0 * lon), round(20.0 * lat))
    for place in trip.places.values():
        services.ground_m[services.cell(place.lat_deg, place.lon_deg)] = place.elevation_m
    report = ask(trip, legs)
    assert len(report.rows) == len({leg.start for leg in legs} | {legs[-1].finish})
    assert {row.state for row in report.rows} == {FRESH}
    assert {row.source for row in report.rows} == {
        "US National Weather Service, Open-Meteo"
    }  # the second for later days
    assert sum("/v1/forecast" in path for path in services.asked) == 1
    kept = load_forecasts(trip)
    assert set(kept) == {row.place for row in report.rows}
    first, last = dates_of(trip, legs)[0], dates_of(trip, legs)[-1]
    assert 10 <= (last - first).days <= 20


def test_past_years_are_not_asked_for_near_entered_values(trip, ask, services, soon, road):
    later = replace(trip, departure=soon + timedelta(days=200))
    ask(later, [road("linn", "york", 60.0)])  # 90 km
    assert services.asked == []
