"""Places that nobody tells of take what stations say, not what a neighbour has, nor a guess."""

from dataclasses import replace

import numpy as np
import pytest

from planner.route.timeline import open_route
from planner.weather.records import WeatherSource
from planner.weather.shipped import ShippedStations
from planner.weather.sources import TripWeather, highs_lows_on, weather_along

F = 1.8


def degf(kelvin):
    return (kelvin - 273.15) * F + 32.0


# A coast's entered 72 degF beside a valley. July mean high of Fresno 98 degF (NOAA normals 1981-2010, from memory).
COAST = {"lat_deg": 35.28, "lon_deg": -120.66, "elevation_m": 70.0, "high_k": 295.37, "low_k": 284.8}
VALLEY = {"lat_deg": 36.75, "lon_deg": -119.77, "elevation_m": 94.0, "high_k": None, "low_k": None}


@pytest.fixture
def valley(make_trip, road):
    leg = replace(road("coast", "valley", 120.0), distance_m=220e3)
    return make_trip([leg], places={"coast": COAST, "valley": VALLEY})


def test_a_valley_does_not_take_the_high_of_the_coast(valley):
    known = TripWeather(stations=ShippedStations())
    weather = weather_along(valley, valley.legs, known)
    coast, inland = highs_lows_on(weather, valley.first_date)
    assert (coast.source, inland.source) == (WeatherSource.ENTERED, WeatherSource.STATIONS)
    assert degf(inland.anchor.high_k) == pytest.approx(98.0, abs=3.0)
    assert coast.anchor.high_k == COAST["high_k"]
    assert inland.sd_k > coast.sd_k  # a station elsewhere is known less well than what was entered


def test_the_air_of_the_drive_is_that_of_the_valley(valley, car):
    air = [
        float(open_route(valley, car, TripWeather(stations=stations)).timeline.drive.air_k.max())
        for stations in (None, ShippedStations())
    ]
    assert degf(air[0]) < 75.0
    assert degf(air[1]) > 90.0


def test_far_from_any_station_nothing_is_said(valley):
    where = np.array([[48.86, 2.35, 40.0], [36.75, -119.77, 94.0]])
    paris, fresno = ShippedStations().at(where, day=valley.first_date)
    assert paris is None
    assert fresno is not None
    assert fresno.low_k < fresno.high_k
