"""Both services through a loopback server: shapes, gaps, refusals, fallback from one to the other, what is kept."""

import time
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from loopback import BRIG

from planner.weather.nws import NationalWeatherService
from planner.weather.openmeteo import OpenMeteo, each
from planner.weather.records import BadReply, NoAnswer, PlaceForecast, Point
from planner.weather.services import fetch_forecasts, points_on
from planner.weather.store import load_forecasts, store_folder

KANSAS = Point(place="linn", lat_deg=39.74561, lon_deg=-97.08922, elevation_m=440.0)
WINDSOR = Point(place="windsor", lat_deg=49.2, lon_deg=-97.0, elevation_m=240.0)  # inside the rough box, yet not the US


@pytest.fixture
def today():
    return datetime.now(UTC).date()


@pytest.fixture
def trip(make_trip, road, tmp_path, user_folders):
    places = {
        "linn": {"lat_deg": 39.74561, "lon_deg": -97.08922, "elevation_m": 440.0},
        "windsor": {"lat_deg": 49.2, "lon_deg": -97.0, "elevation_m": 240.0},
    }
    return make_trip([road("linn", "windsor", 60.0)], places=places, folder=tmp_path / "trip")


def fetched(trip, services, web, dates, **more):
    client = more.pop("client", None) or web()
    plain = {"client": client, "services": services.both()}
    return fetch_forecasts(trip, points_on(trip, trip.legs), dates, **plain | more)


# --- the National Weather Service ---


def test_two_steps_and_hours_in_si(services, web, today):
    (one,) = NationalWeatherService(url=services.url).fetch([KANSAS], client=web())
    assert services.asked == ["/points/39.7456,-97.0892", "/gridpoints/TOP/97,40"]
    assert all(h["Accept"] == "application/geo+json" for h in services.headers)
    hour = one.epoch_s[30] % 86400.0 / 3600.0
    assert one.air_k[30] == pytest.approx(293.15 + hour, abs=1.0)  # a run of two hours keeps its first value
    assert np.diff(one.epoch_s) == pytest.approx(3600.0)
    assert len(one.epoch_s) == 180
    assert (one.dew_k[5], one.wind_m_per_s[5], one.wind_from_deg[5]) == pytest.approx((285.15, 10.0, 270.0))
    assert one.elevation_m == 406.6
    assert one.issued_s == pytest.approx(services.issued_s)


def test_point_that_is_not_canonical_is_followed(services, web):
    answer = web().get(f"{services.url}/points/39.7000,-97.1", accept="application/geo+json")
    assert answer.data["properties"]["gridId"] == "TOP"
    assert services.asked == ["/points/39.7000,-97.1", "/points/39.7,-97.1"]


def test_outside_the_united_states(services, web, today):
    found = NationalWeatherService(url=services.url).fetch([BRIG, WINDSOR], client=web())
    assert [one.why for one in found] == [
        "covers the United States only",
        "returned HTTP 404: Unable to provide data for requested point 49.2,-97",
    ]
    assert len(services.asked) == 1  # Brig is not even asked


def test_redrawn_grid_is_asked_for_again(services, web, today, grow_old):
    """The old cell answers 404, with its forecast in the cache and without."""
    nws = NationalWeatherService(url=services.url)
    client = web()
    nws.fetch([KANSAS], client=client)
    grow_old(client, "/gridpoints/")
    services.grid_shift, services.asked = 200, []
    (one,) = nws.fetch([KANSAS], client=client)
    wanted = ["/gridpoints/TOP/97,40", "/points/39.7456,-97.0892", "/gridpoints/TOP/297,40"]
    assert services.asked == wanted
    assert time.time() - one.fetched_s < 1.0

    client = web(client._path.parent.with_name("second"))
    services.grid_shift = 0
    client.get(f"{services.url}/points/39.7456,-97.0892", accept="application/geo+json")
    services.grid_shift, services.asked = 200, []
    (one,) = nws.fetch([KANSAS], client=client)
    assert services.asked == wanted
    assert isinstance(one, PlaceForecast)


def test_refused_hours_are_not_looked_for_elsewhere(services, web, today):
    services.faults["/gridpoints/"] = "403"
    (one,) = NationalWeatherService(url=services.url).fetch([KANSAS], client=web())
    assert one == NoAnswer(place="linn", why="returned HTTP 403: no reason given")
    assert len(services.asked) == 2


def test_silent_service_is_given_up_after_two_places(services, web, today):
    services.faults["/points/"] = "html"
    points = [Point(place=f"p{i}", lat_deg=39.0 + i, lon_deg=-97.0, elevation_m=0.0) for i in range(5)]
    found = NationalWeatherService(url=services.url).fetch(points, client=web())
    assert len(services.asked) == 2
    assert all(isinstance(one, NoAnswer) for one in found)
    assert found[4].why == f"not asked: it {found[0].why}"
    assert "send JSON" in found[4].why


# --- Open-Meteo ---


def test_one_place_comes_bare_and_many_in_batches_of_a_hundred(services, web, today):
    points = [Point(place=f"p{i}", lat_deg=40.0 + i / 50, lon_deg=7.0, elevation_m=i) for i in range(201)]
    found = OpenMeteo(url=services.url).fetch(points, client=web())
    assert [one.place for one in found] == [p.place for p in points]
    assert len(services.asked) == 3
    assert all(isinstance(one, PlaceForecast) for one in found)
    assert found[104].elevation_m == 100.0  # asked for to 10 m
    assert found[0].air_k[0] == pytest.approx(283.15)
    assert (found[0].wind_m_per_s[0], found[0].dew_k[0]) == pytest.approx((5.0, 281.15))
    assert found[0].issued_s is None


def test_silent_service_is_given_up_after_one_batch(services, web, today):
    services.faults["/v1/forecast"] = "html"
    points = [Point(place=f"p{i}", lat_deg=40.0 + i / 50, lon_deg=7.0, elevation_m=i) for i in range(101)]
    told = []
    found = OpenMeteo(url=services.url).fetch(points, client=web(progress=told.append))
    assert told == ["Open-Meteo: 100 places from p0"]
    assert len(services.asked) == 1
    assert found[100].why == f"not asked: it {found[0].why}"


def test_one_odd_reply_leaves_the_others(services, web, today):
    sound = services.forecast
    services.forecast = lambda query, lat, *where: sound(query, lat, *where) | ({"hourly": []} if lat > 47.0 else {})
    found = OpenMeteo(url=services.url).fetch([BRIG, WINDSOR], client=web())
    assert isinstance(found[0], PlaceForecast)
    assert found[1] == NoAnswer(place="windsor", why="sent a reply without 'hourly'; its format may have changed")


def test_nothing_is_sent_but_rounded_places_and_what_is_wanted(services, web, today):
    OpenMeteo(url=services.url).fetch([BRIG], client=web())
    (asked,) = services.asked
    assert "latitude=46.32&longitude=7.99&elevation=680" in asked
    assert "46.3159" not in asked
    assert str(today.year) not in asked  # the same question every day: found again offline
    assert "brig" not in asked.lower()


def test_wrong_forms_wrong_count_and_refusal_are_told(services, web, today):
    source = OpenMeteo(url=services.url)
    services.faults["/v1/forecast"] = "array"
    found = source.fetch([BRIG, KANSAS], client=web())
    assert {one.why for one in found} == {"sent JSON in an unexpected format"}
    with pytest.raises(BadReply, match="sent 3 replies for 2 places"):
        each([{}, {}, {}], 2)
    services.faults["/v1/forecast"] = "429"
    found = source.fetch([WINDSOR], client=web())
    assert "Minutely" in found[0].why


# --- an answer belongs to its place and its ground ---


def test_ground_of_another_mountain_is_refused_and_the_next_service_asked(trip, services, web, today, tmp_path):
    """The air of a cell at 8,999 m, brought down to Needles, would be 99 degC."""
    services.ground_m[services.cell(39.7456, -97.0892)] = 8999.0
    weather = fetched(trip, services, web, [today])
    assert [one.source for one in weather.by_place["linn"]] == ["open-meteo"]
    services.faults["/v1/"] = "429"
    weather = fetched(trip, services, web, [today], client=web(tmp_path / "new"))
    assert "is for ground at 8999 m, the place at 440 m" in weather.missing[0].why


def test_answers_for_another_place_are_refused(services, web, today):
    sound = services.forecast
    services.forecast = lambda query, lat, lon, height: sound(query, lat, lon + 44.0, height)
    (one,) = OpenMeteo(url=services.url).fetch([BRIG], client=web())
    assert one.why.startswith("sent values for a point 33")  # 44 degrees of longitude are 3,340 km at 46.3 N
    services.grid = lambda path: (
        200,
        {"geometry": {"type": "Polygon", "coordinates": [[[-53.0, 39.7], [-52.9, 39.8]]]}, "properties": {}},
        {},
    )
    (one,) = NationalWeatherService(url=services.url).fetch([KANSAS], client=web())
    assert one.why.startswith("sent values for a point 37")


@pytest.mark.parametrize(
    "geometry", [{}, [], 3, {"coordinates": []}, {"coordinates": [[["a", 1]]]}, {"coordinates": [[]]}]
)
def test_outlines_of_another_form_are_refused(grid, geometry):
    with pytest.raises(BadReply, match=r"outline|not a valid number"):
        grid(geometry=geometry)


# --- both together, and what is kept ---


def test_second_service_takes_what_the_first_cannot_and_the_days_beyond_it(trip, services, web, today):
    weather = fetched(trip, services, web, [today, today + timedelta(days=1)])
    sources = {key: [one.source for one in held] for key, held in weather.by_place.items()}
    assert sources == {"linn": ["nws"], "windsor": ["open-meteo"]}
    assert weather.missing == ()
    first, second = fetched(trip, services, web, [today + timedelta(days=i) for i in range(12)]).by_place["linn"]
    assert (first.source, second.source) == ("nws", "open-meteo")
    assert second.epoch_s[-1] > first.epoch_s[-1] + 4 * 86400.0
    assert [one.source for one in load_forecasts(trip)["linn"]] == ["nws", "open-meteo"]


@pytest.mark.parametrize(("off", "told"), [(17, "forecasts cover 16 days"), (-9, "the trip is over")])
def test_days_out_of_reach_are_not_asked_for(trip, services, web, today, off, told):
    weather = fetched(trip, services, web, [today + timedelta(days=off)])
    assert services.asked == []
    assert told in weather.notes[0]


def test_kept_weather_outlives_the_cache_and_the_network(trip, services, web, today, tmp_path):
    first = fetched(trip, services, web, [today])
    kept = load_forecasts(trip)
    assert kept.keys() == first.by_place.keys()
    assert kept["linn"][0].air_k == pytest.approx(first.by_place["linn"][0].air_k, abs=0.0051)
    services.asked.clear()
    late = datetime.now(UTC) + timedelta(hours=9)
    again = fetched(trip, services, web, [today], client=web(tmp_path / "purged", offline=True, now=late))
    assert services.asked == []
    assert again.by_place["linn"][0].fetched_s == pytest.approx(first.by_place["linn"][0].fetched_s, abs=0.001)
    assert not again.by_place["linn"][0].is_fresh(late.timestamp())
    assert "not been fetched" in again.missing[0].why
    assert not (tmp_path / "trip").exists()  # nothing is written among the user's files


def test_forecast_made_long_ago_is_not_fresh_however_new_the_reply(trip, services, web, today):
    services.issued_s = time.time() - 88 * 3600.0  # seen on a delivery network's node
    one = fetched(trip, services, web, [today]).by_place["linn"][0]
    assert time.time() - one.fetched_s < 60.0
    assert not one.is_fresh(time.time())


def test_failure_keeps_what_was_fetched_before(trip, services, web, today, tmp_path):
    before = fetched(trip, services, web, [today])
    services.faults = {"/points/": "html", "/gridpoints/": "html", "/v1/": "html"}
    after = fetched(trip, services, web, [today], client=web(tmp_path / "other"))
    assert after.by_place.keys() == before.by_place.keys()
    assert len(after.missing) == 2


def test_no_kept_file_is_nothing_to_tell(trip):
    told = []
    assert load_forecasts(trip, progress=told.append) == {}
    assert told == []


def test_kept_folder_that_cannot_be_made(trip, services, web, today, user_folders):
    (user_folders / "xdg_data_home").write_text("a file in the way")
    told = []
    weather = fetched(trip, services, web, [today], client=web(progress=told.append))
    assert weather.by_place
    assert any("is not saved" in text for text in told)


def test_other_route_or_folder_keeps_its_own(trip, make_trip, road, tmp_path):
    other = make_trip([road("linn", "windsor", 60.0)], folder=tmp_path / "else")
    turned = make_trip([road("windsor", "linn", 60.0)], folder=trip.folder)
    assert len({store_folder(one) for one in (trip, other, turned)}) == 3
