"""The day's curve against hand-computed values and three weather files; sunshine against pvlib."""

import csv
import importlib.util
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib import clearsky

from planner.model.clock import sun_angles
from planner.weather.expected import (
    PLAINS_LAG_H,
    VALLEY_LAG_H,
    air_k,
    day_length_h,
    haurwitz_w_per_m2,
    mountain_lag_h,
    within_day,
)

DAY_H = 14.5758  # latitude 40, declination 21.517 deg: day 196 of the year

# Parton and Logan's curve as printed, evaluated by hand for a low of 15 and a high of 32 degC, hours of solar time.
BY_HAND = {0: 18.175, 3: 16.556, 6: 19.211, 9: 26.779, 12: 31.289, 15: 31.572, 18: 27.553, 21: 21.478}


def degc(share):
    return 15.0 + 17.0 * float(share)


@pytest.mark.parametrize(("hour", "wanted"), BY_HAND.items())
def test_curve_as_printed(hour, wanted):
    got = degc(within_day(solar_h=hour, day_h=DAY_H, lag_h=PLAINS_LAG_H, closed=False))
    assert got == pytest.approx(wanted, abs=0.001)  # the digits of the hand computation
    closed = degc(within_day(solar_h=hour, day_h=DAY_H, lag_h=PLAINS_LAG_H))
    by_day = 5 < hour < 19
    assert closed == pytest.approx(wanted, abs=0.001 if by_day else 1.08)  # the remedy moves the night, by 1.08 at dawn


def test_sunset_dawn_and_peak_as_computed_by_hand():
    sunset_h, dawn_h = 19.2879, 4.7121 + PLAINS_LAG_H
    assert degc(within_day(solar_h=sunset_h, day_h=DAY_H, lag_h=PLAINS_LAG_H)) == pytest.approx(24.733, abs=0.002)
    before = within_day(solar_h=dawn_h - 1e-6, day_h=DAY_H, lag_h=PLAINS_LAG_H, closed=False)
    assert degc(before) == pytest.approx(16.078, abs=0.001)
    hours = np.arange(0.0, 24.0, 0.01)
    share = within_day(solar_h=hours, day_h=DAY_H, lag_h=PLAINS_LAG_H)
    assert hours[np.argmax(share)] == pytest.approx(13.69, abs=0.01)
    assert hours[np.argmin(share)] == pytest.approx(dawn_h, abs=0.01)


@given(st.floats(0.0, 24.0), st.floats(-0.2, 1.5))
def test_curve_has_no_jump_and_stays_between_low_and_high(day_h, lag_h):
    share = within_day(solar_h=np.linspace(0.0, 24.0, 2881), day_h=day_h, lag_h=lag_h)
    # steps of 30 s; steepest is the sunset before the shortest night: 0.42 b / (1 - e^-b) / 1.8 h = 0.58 per hour
    assert np.max(np.abs(np.diff(share))) < 0.006
    assert share[0] == pytest.approx(share[-1], abs=1e-9)
    assert share.min() >= -1e-9
    assert share.min() < 0.01
    assert 0.999 < share.max() <= 1.0


def test_air_is_continuous_through_days_and_midnights():
    epoch = datetime(2027, 7, 6, tzinfo=UTC).timestamp() + np.arange(0.0, 3 * 86400.0, 30.0)
    air = air_k(epoch_s=epoch, lat_deg=39.0, lon_deg=-106.0, low_k=280.0, high_k=300.0, lag_h=VALLEY_LAG_H)
    assert np.max(np.abs(np.diff(air))) < 0.06
    assert (air.min(), air.max()) == pytest.approx((280.0, 300.0), abs=0.01)


def test_curve_follows_the_sun_and_not_the_zone():
    """Two ends of one time zone, 15 degrees apart, warm an hour apart."""
    epoch = datetime(2027, 7, 6, 12, tzinfo=UTC).timestamp() + np.arange(0.0, 86400.0, 60.0)
    east, west = (
        epoch[np.argmax(air_k(epoch_s=epoch, lat_deg=40.0, lon_deg=lon, low_k=288.0, high_k=305.0))]
        for lon in (-87.0, -102.0)
    )
    assert west - east == pytest.approx(3600.0, abs=61.0)


@pytest.mark.parametrize(
    ("lat", "declination", "hours"),
    [(40.0, 21.517, 14.5758), (0.0, 23.0, 12.0), (80.0, 20.0, 24.0), (-80.0, 20.0, 0.0), (90.0, 20.0, 24.0)],
)
def test_day_length(lat, declination, hours):
    assert float(day_length_h(lat_deg=lat, declination_deg=declination)) == pytest.approx(hours, abs=0.0005)


def july(path):
    """Place and the dry bulb of July as (day, hour), with the middle of each hour as epoch seconds."""
    with path.open(encoding="latin-1", newline="") as lines:
        rows = list(csv.reader(lines))
    lat, lon, offset_h, elevation = map(float, rows[0][6:10])
    air = np.array([float(row[6]) for row in rows[8:] if row[1] == "7"]).reshape(31, 24)
    first = datetime(2027, 7, 1, tzinfo=UTC).timestamp() - offset_h * 3600.0  # hours of the file are standard time
    return lat, lon, elevation, air, first + (np.arange(31 * 24).reshape(31, 24) + 0.5) * 3600.0


# Relief of the road within 25 km, rounded public elevations: flat round Chicago; round Mount Shasta from 698 m at
# Dunsmuir to about 1,190 m at Black Butte summit; the Tanana valley road round Northway stays within about 150 m.
STATIONS = {"OHare": 20.0, "Mount.Shasta": 490.0, "Northway": 150.0}


@pytest.mark.parametrize(("station", "relief"), STATIONS.items())
def test_july_hours_of_weather_files(station, relief):
    package = importlib.util.find_spec("diyepw")
    if package is None or package.origin is None:
        pytest.skip("diyepw, which carries the three weather files, is not installed")
    folder = Path(package.origin).parent / "data" / "tmy_epw_files"
    lat, lon, elevation, air, epoch = july(next(folder.glob(f"*{station}*.epw")))
    low, high = air.min(axis=1, keepdims=True), air.max(axis=1, keepdims=True)
    lag_h = mountain_lag_h(elevation_m=elevation, relief_m=relief)
    got = air_k(epoch_s=epoch, lat_deg=lat, lon_deg=lon, low_k=low + 273.15, high_k=high + 273.15, lag_h=lag_h) - 273.15
    inner = slice(1, -1)  # whole days with neighbours

    def rms(error):
        return float(np.sqrt(np.mean(error[inner] ** 2)))

    flat = rms((low + high) / 2.0 - air)
    assert rms(got - air) < 2.5  # what the ambient's spread allows for
    assert rms(got - air) < 0.6 * flat
    if station == "Mount.Shasta":  # the reason for the mountains' lag
        plains = air_k(epoch_s=epoch, lat_deg=lat, lon_deg=lon, low_k=low + 273.15, high_k=high + 273.15) - 273.15
        assert rms(got - air) < rms(plains - air) - 0.5


def test_lag_needs_height_and_relief():
    lag = mountain_lag_h(elevation_m=[0.0, 1600.0, 300.0, 2200.0], relief_m=[0.0, 100.0, 900.0, 900.0])
    assert lag == pytest.approx([PLAINS_LAG_H, PLAINS_LAG_H, PLAINS_LAG_H, VALLEY_LAG_H])
    middle = float(mountain_lag_h(elevation_m=900.0, relief_m=900.0))
    assert PLAINS_LAG_H < middle < VALLEY_LAG_H


def test_sunshine_against_pvlib():
    height = np.linspace(-10.0, 90.0, 101)
    wanted = clearsky.haurwitz(pd.Series(90.0 - height))["ghi"].to_numpy()
    assert haurwitz_w_per_m2(height) == pytest.approx(wanted, rel=1e-9, abs=1e-6)
    assert np.array_equal(haurwitz_w_per_m2(np.arange(0, 91)), haurwitz_w_per_m2(np.arange(0.0, 91.0)))


def test_noon_sunshine_of_a_high_plain():
    """40 N 105 W, 15 July 12:00 standard time: 977.5 W/m2, computed with pvlib's SPA and Haurwitz."""
    declination_deg, _ = sun_angles(datetime(2025, 7, 15, 19, tzinfo=UTC).timestamp())
    assert float(haurwitz_w_per_m2(90.0 - 40.0 + declination_deg)) == pytest.approx(977.5, rel=0.003)
