"""Readers of replies: gaps and other units are understood, other forms and values that cannot be are refused and named.

What a forecast may hold is stated by `planner.weather.records.implausible`; the extremes behind its bounds are the
World Meteorological Organization's.
"""

import json
import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from loopback import BRIG

from planner.weather.nws import duration_s
from planner.weather.openmeteo import parse_hours
from planner.weather.records import BadReply

START = "2026-07-01T13:00:00+00:00"


# --- Open-Meteo ---


def hours(**changes):
    held = {
        "time": [1782864000, 1782867600, 1782871200],
        "temperature_2m": [18.4, None, 19.0],
        "dew_point_2m": [8.0, 8.0, None],
        "wind_speed_10m": [2.1, 1.8, 0.0],
        "wind_direction_10m": [250, 360, 0],
    }
    units = {"time": "unixtime", "temperature_2m": "°C", "dew_point_2m": "°C", "wind_speed_10m": "m/s"}
    more = {name: changes.pop(name) for name in ("elevation",) if name in changes}
    units |= {"wind_direction_10m": changes.pop("unit", "°")}
    reply = {"hourly": held | changes, "hourly_units": units, **more}
    return parse_hours(json.loads(json.dumps(reply)), point=BRIG, fetched_s=1.8e9, source="open-meteo")


def test_null_is_left_out_and_the_rest_is_used():
    one = hours()
    assert one.epoch_s == (1782864000.0, 1782871200.0)
    assert math.isnan(one.dew_k[1])


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"temperature_2m": [900.0, 18.0, 18.0]}, "air temperature of 1173.15 K"),
        ({"temperature_2m": [18.0, math.nan, 18.0]}, "not a valid number"),
        ({"temperature_2m": [18.0, "18.0", 18.0]}, "'18.0', not a valid number"),
        ({"temperature_2m": [18.0, True, 18.0]}, "not a valid number"),
        ({"temperature_2m": [18.0, 10**400, 18.0]}, "not a valid number"),
        ({"temperature_2m": [18.0, [18.0], 18.0]}, "a list, not a valid number"),
        ({"temperature_2m": [18.0]}, "a different number of hours"),
        ({"temperature_2m": {"0": 18.0}}, "a different number of hours"),
        ({"dew_point_2m": [8.0, 8.0, 99.0]}, "dew point of 372.15 K"),
        ({"wind_speed_10m": [-3.0, 1.0, 1.0]}, "wind of -3 m/s"),
        ({"wind_speed_10m": [500.0, 1.0, 1.0]}, "wind of 500 m/s"),
        ({"wind_direction_10m": [720, 0, 0]}, "wind direction of 720"),
        ({"unit": "rad"}, "wind_direction_10m in 'rad'"),
        ({"time": [1782871200, 1782867600, 1782864000]}, "out of order"),
        ({"time": [1782864000, 1782867600, 1782864000]}, "out of order"),
        ({"time": [1782864000, 1782867600, 253402300799]}, r"a time of 2.53402e\+11"),
        ({"time": [None, 1782867600, 1782871200]}, "a time of nan"),
        ({"time": 5}, "a different number of hours"),
        ({"elevation": 1e6}, "impossible elevation, 1e\\+06 m"),
        ({"elevation": "680"}, "not a valid number"),
    ],
)
def test_impossible_hours_are_refused_and_named(changes, told):
    with pytest.raises(BadReply, match=told):
        hours(**changes)


def test_too_many_hours_are_refused_before_they_are_read():
    """None of them is a number, and that is not even seen."""
    with pytest.raises(BadReply, match="sent 1001 hours"):
        hours(time=["noon"] * 1001, temperature_2m=["hot"] * 1001)


# --- the National Weather Service ---


def layer(*values, uom="wmoUnit:degC", span=f"{START}/PT1H"):
    return {"uom": uom, "values": [{"validTime": span, "value": value} for value in values]}


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"temperature": layer()}, "no temperatures"),
        ({"temperature": None}, "no temperatures"),
        ({"temperature": layer(900.0)}, "air temperature of 1173.15 K"),
        ({"temperature": layer("25.5")}, "not a valid number"),
        ({"temperature": layer(1.0, 2.0)}, "twice for one hour"),
        ({"temperature": layer(36.0, uom="wmoUnit:km_h-1")}, "in an unknown unit"),
        ({"temperature": layer(25.0, uom=None)}, "not text"),
        ({"temperature": layer(25.0, span="2026-07-01T13:00:00/PT1H")}, "offset"),
        ({"temperature": layer(25.0, span="2026-07-01T13:00:00Z/1 hour")}, "span"),
        ({"temperature": layer(25.0, span="0001-01-01T00:00:00+23:59/PT1H")}, "unreadable time"),
        ({"temperature": layer(25.0, span="9999-12-31T23:59:59-23:59/PT1H")}, "unreadable time"),
        ({"temperature": layer(25.0, span="9999-12-31T23:00:00+00:00/PT1H")}, "a time of"),
        ({"temperature": layer(25.0, span=f"{START}/P999DT999H")}, "more than 1000 hours"),
        ({"temperature": layer(25.0, span=["x"])}, "not text"),
        ({"temperature": [1, 2]}, "without 'temperature'"),
        ({"temperature": {"uom": "wmoUnit:degC", "values": ["25.5"]}}, "unexpected format"),
        ({"windSpeed": layer(25.0)}, "windSpeed in an unknown unit"),
        ({"elevation": None}, "without 'elevation'"),
        ({"elevation": {"value": 406.6}}, "unit of elevation"),
        ({"elevation": {"unitCode": "wmoUnit:m", "value": None}}, "impossible elevation, nan m"),
        ({"elevation": {"unitCode": "wmoUnit:ft", "value": 1334.0}}, "elevation in an unknown unit"),
        ({"updateTime": "0001-01-01T00:00:00+00:00"}, "time of issue"),
        ({"updateTime": 5}, "not text"),
    ],
)
def test_impossible_grids_are_refused_and_named(grid, changes, told):
    with pytest.raises(BadReply, match=told):
        grid(**changes)


def test_runs_out_of_order_keep_their_own_hours(grid):
    late = layer(20.0, span="2026-07-01T16:00:00+00:00/PT1H")["values"]
    one = grid(temperature={"uom": "wmoUnit:degC", "values": late + layer(10.0)["values"]})
    assert one.air_k == (283.15, 293.15)


def test_absent_and_empty_layers_and_nulls(grid):
    values = [
        {"validTime": f"{START}/PT1H", "value": None},
        {"validTime": "2026-07-01T14:00:00+00:00/PT5H", "value": 27},
    ]
    one = grid(
        temperature={"uom": "wmoUnit:degC", "values": values},
        dewpoint={"uom": "wmoUnit:degC", "values": []},
        windSpeed={"uom": "wmoUnit:km_h-1", "values": None},
    )
    assert len(one.epoch_s) == 5
    assert set(one.air_k) == {300.15}
    assert all(math.isnan(v) for v in (*one.dew_k, *one.wind_m_per_s, *one.wind_from_deg))


def test_other_units_of_the_same_layer(grid):
    one = grid(
        temperature={"uom": "unit:degF", "values": [{"validTime": f"{START}/PT1H", "value": 95}]},
        windSpeed={"uom": "wmoUnit:m_s-1", "values": [{"validTime": f"{START}/PT1H", "value": 4}]},
    )
    assert (one.air_k[0], one.wind_m_per_s[0]) == pytest.approx((308.15, 4.0))


@pytest.mark.parametrize("text", ["", "P", "PT", "P1Y", "1H", "PT1S", "P1DT"])
def test_odd_durations(text):
    with pytest.raises(BadReply):
        duration_s(text)


@pytest.mark.parametrize(("day", "zone_hour"), [((2027, 3, 14), 7), ((2026, 11, 1), 6)])
def test_nights_of_the_clock_change_have_every_hour_once(grid, day, zone_hour):
    """Runs come in UTC, so the night clocks change has no hour twice and none missing."""
    start = datetime(*day, zone_hour, tzinfo=UTC)
    values = [{"validTime": f"{(start + timedelta(hours=h)).isoformat()}/PT1H", "value": 10.0 + h} for h in range(6)]
    one = grid(temperature={"uom": "wmoUnit:degC", "values": values})
    assert np.diff(one.epoch_s) == pytest.approx(3600.0)
    assert one.air_at(start.timestamp() + 1.5 * 3600.0) == pytest.approx(284.65)


def test_offsets_other_than_utc_are_the_same_instant(grid):
    values = [{"validTime": "2026-11-01T01:30:00-06:00/PT1H", "value": 5.0}]
    one = grid(temperature={"uom": "wmoUnit:degC", "values": values})
    assert one.epoch_s == (datetime(2026, 11, 1, 7, 30, tzinfo=UTC).timestamp(),)


# --- past years ---


def wild(reply):
    reply["daily"] |= {"temperature_2m_max": [-55.0, 60.0] * 7 + [60.0], "temperature_2m_min": [-60.0] * 15}


@pytest.mark.parametrize(
    ("spoil", "told", "which"),
    [
        (lambda r: r["daily"]["temperature_2m_max"].__setitem__(0, 99.0), "sent an impossible", slice(3, 4)),
        (lambda r: r["daily"]["temperature_2m_max"].__setitem__(0, "30"), "not a valid number", slice(3, 4)),
        (lambda r: r["daily"]["temperature_2m_max"].__setitem__(0, 10**400), "not a valid number", slice(3, 4)),
        (lambda r: r["daily"]["time"].reverse(), "days other than 20", slice(3, 4)),
        (lambda r: r["daily"]["time"].__setitem__(0, "1950-01-01"), "days other than 20", slice(3, 4)),
        (lambda r: r["daily_units"].update(temperature_2m_min="°F"), "different unit", slice(3, 4)),
        (lambda r: r.update(daily=[]), "without 'daily'", slice(3, 4)),
        (wild, "spread of 57", slice(None)),
        (lambda r: r.update(elevation=1e6), r"impossible elevation, 1e\+06 m", slice(None)),
    ],
)
def test_impossible_past_years_are_refused_and_named(archive, spoil, told, which):
    assert archive(lambda _: None).high_k == (pytest.approx(303.15),)
    with pytest.raises(BadReply, match=told):
        archive(spoil, which)
