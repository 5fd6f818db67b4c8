"""Past years from a loopback archive: which days are asked for, the means and spread, and what is kept."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from loopback import BRIG

from planner.weather.openmeteo import fetch_past_years, past_years_for, thinned, year_spans
from planner.weather.records import NoAnswer, Point
from planner.weather.store import load_past_years

DAYS = tuple(date(2027, 7, 6) + timedelta(days=i) for i in range(3))
NOW = datetime(2027, 3, 1, tzinfo=UTC)


def ask(services, web, points=(BRIG,), **more):
    waits = []
    plain = {"client": web(now=NOW), "url": services.url, "sleep": waits.append}
    return *fetch_past_years(list(points), DAYS, **plain | more), waits


def test_mean_and_spread_of_ten_years(services, web):
    """The archive alternates 29 and 31 degC day by day, 2 K more in odd years: mean 31, spread root 2, by hand."""
    found, missing, _ = ask(services, web)
    one = found["brig"]
    assert missing == ()
    # of 15 days 8 have the sign of the first: -1/15 or +1/15 off, the same in every year
    assert one.high_k == pytest.approx([304.15 - 1 / 15, 304.15 + 1 / 15, 304.15 - 1 / 15], abs=1e-6)
    assert list(np.subtract(one.high_k, one.low_k)) == pytest.approx([14.0] * 3)
    assert one.sd_k == pytest.approx([np.sqrt(2.0)] * 3, abs=0.01)
    assert one.years == (2017, 2026)
    assert len(services.asked) == 10
    assert "start_date=2026-06-29&end_date=2026-07-15" in services.asked[0]


def test_years_end_before_the_archive_does():
    assert year_spans(DAYS, date(2026, 7, 10))[0][0].year == 2025
    assert year_spans([date(2028, 2, 29)], date(2028, 1, 1))[0] == (date(2027, 2, 21), date(2027, 3, 7))
    assert len(year_spans([date(2027, 12, 30), date(2028, 1, 3)], date(2027, 6, 1))) == 10


def test_limit_of_calls_is_kept(services, web):
    """600 calls a minute, a place counting once for each 14 days."""
    points = [Point(place=f"p{i}", lat_deg=40.0 + i / 10, lon_deg=7.0, elevation_m=0.0) for i in range(40)]
    found, _, waits = ask(services, web, points)
    assert len(found) == 40
    assert len(waits) == 9
    assert 40 * (17 / 14) * 60.0 / min(waits) <= 600.0
    assert ask(services, web, points)[2] == [] or len(services.asked) == 10  # the second time from the cache


def test_archive_down_or_odd(services, web):
    services.faults["/v1/archive"] = "429"
    found, missing, _ = ask(services, web)
    assert found == {}
    assert "returned HTTP 429" in missing[0].why
    services.faults["/v1/archive"] = "array"
    assert isinstance(ask(services, web)[1][0], NoAnswer)
    services.faults.clear()
    services.archive = lambda query, *where: {"daily": {}, "daily_units": {}, "n": 1}
    assert "days other than 2026-06-29 to 2026-07-15" in ask(services, web)[1][0].why


def test_too_few_days(services, web):
    sound = services.archive

    def gappy(query, *where):
        reply = sound(query, *where)
        if query["start_date"][0] > "2020":
            reply["daily"]["temperature_2m_max"] = [None] * len(reply["daily"]["time"])
        return reply

    services.archive = gappy
    assert "too few" in ask(services, web)[1][0].why


def test_fetched_once_and_kept(services, web, make_trip, road, tmp_path, user_folders):
    where = {"lat_deg": BRIG.lat_deg, "lon_deg": BRIG.lon_deg, "elevation_m": BRIG.elevation_m}
    trip = make_trip([road("brig", "bormio", 60.0)], places={"brig": where}, folder=tmp_path / "trip")
    more = {"url": services.url, "sleep": lambda _: None}
    first, _ = past_years_for(trip, [BRIG], DAYS, client=web(now=NOW), **more)
    assert load_past_years(trip) == first
    again, missing = past_years_for(trip, [BRIG], DAYS, client=web(tmp_path / "purged", offline=True, now=NOW), **more)
    assert (again, missing, len(services.asked)) == (first, (), 10)
    assert first["brig"].on(date(2027, 7, 7)) is not None
    assert first["brig"].on(date(2027, 9, 7)) is None


def test_places_are_thinned_evenly():
    points = [Point(place=str(i), lat_deg=0.0, lon_deg=0.0, elevation_m=0.0) for i in range(100)]
    chosen = thinned(points, 10)
    assert len(chosen) == 10
    assert (chosen[0], chosen[-1]) == (points[0], points[-1])
    assert thinned(points[:5], 10) == tuple(points[:5])
