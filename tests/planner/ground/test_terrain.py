"""The coarse model of the ground against heights that others measured, and against passes between towns."""

import csv
from pathlib import Path

import airportsdata
import numpy as np
import pytest
from passes import LEVEL, PASSES

from planner.ground import terrain
from planner.ground.between import LEVEL_M, ground_between

STATIONS = Path(__file__).parents[4] / "shared" / "data" / "normals.csv"


def test_the_height_of_fields_on_level_ground():
    # airportsdata: heights of public airfields (FAA and other registers; 0 stands for not known in some); level: the
    # nine cells around within 60 m.
    countries = {"US", "CA", "FR", "DE"}
    fields = [f for f in airportsdata.load("ICAO").values() if f["country"] in countries and f["elevation"] != 0.0]
    lat, lon, height = (np.array([f[key] for f in fields]) for key in ("lat", "lon", "elevation"))
    steps = (-terrain.CELL_DEG, 0.0, terrain.CELL_DEG)
    around = np.array([terrain.ground_m(lat + north, lon + east) for north in steps for east in steps])
    level = np.ptp(around, axis=0) < 60.0
    off = terrain.ground_m(lat, lon)[level] - height[level] * 0.3048
    assert level.sum() > 800
    assert np.percentile(np.abs(off), 95) < 40.0
    assert abs(np.median(off)) < terrain.STEP_M / 2


@pytest.mark.skipif(not STATIONS.exists(), reason="the table of station normals (../shared/data) is not here")
def test_the_height_of_weather_stations():
    with STATIONS.open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["state"] not in {"AK", "HI", "PR"}]
    lat, lon, height = (np.array([float(row[key]) for row in rows]) for key in ("lat", "lon", "elev_m"))
    off = terrain.ground_m(lat, lon) - height
    # mountains included, where a cell's mean is not a station's height
    assert np.median(np.abs(off)) < 30.0
    assert np.percentile(np.abs(off), 90) < 320.0


@pytest.mark.parametrize("name", PASSES)
def test_a_pass_between_two_towns_is_seen(name):
    start, finish, length_m, top_m = PASSES[name]
    between = ground_between(start, finish, distance_m=length_m)
    true_m = top_m - max(start[2], finish[2])
    assert not between.even
    assert between.off_even_m > LEVEL_M
    # the straight line may cross higher ground than the road
    assert 0.55 * true_m < between.above_m < 2.1 * true_m, (between.above_m, true_m)


@pytest.mark.parametrize("name", LEVEL)
def test_level_ground_is_known(name):
    start, finish, length_m = LEVEL[name]
    between = ground_between(start, finish, distance_m=length_m)
    assert between.even
    assert between.above_m < 60.0


def test_a_gorge_is_not_called_level():
    # the Columbia below The Dalles: walls of 400 m and more on both sides; a road could stay by the river, or not
    assert not ground_between((45.595, -121.178, 34.0), (45.705, -121.521, 49.0), distance_m=35e3).even


def test_one_place_twice_and_a_way_round():
    assert ground_between((40.0, -100.0, 800.0), (40.0, -100.0, 800.0), distance_m=1e3).above_m < 100.0
    straight = ground_between((39.75, -105.22, 1730.0), (40.02, -105.27, 1655.0), distance_m=32e3)
    roundabout = ground_between((39.75, -105.22, 1730.0), (40.02, -105.27, 1655.0), distance_m=90e3)
    assert roundabout.above_m > straight.above_m + 300.0  # by way of the mountains west of Boulder


def test_across_the_date_line_and_at_the_poles():
    heights = terrain.ground_m([90.0, -90.0, 65.9, 65.9], [0.0, 0.0, 180.0, -180.0])
    assert np.isfinite(heights).all()
    assert heights[2] == heights[3]
