"""Entered elevations against the services' over loopback: who is asked what, and what is called far off."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from loopback import BRIG

from planner.output.weather import elevation_lines
from planner.weather.elevations import (
    FAR_M,
    ElevationCheck,
    OpenMeteoElevations,
    UsgsElevations,
    check_elevations,
    check_places,
)
from planner.weather.records import Point


def point(place: str, elevation_m: float, lat_deg: float = 39.75) -> Point:
    return Point(place=place, lat_deg=lat_deg, lon_deg=-105.2, elevation_m=elevation_m)


def asked_of(services, path: str) -> int:
    return sum(path in asked for asked in map(str, services.asked))


def check(services, web, *points: Point):
    return check_elevations(
        points, client=web(), first=OpenMeteoElevations(url=services.url), second=UsgsElevations(url=services.url)
    )


def test_heights_as_each_service_tells_them(services, web):
    points = [point("kansas", 440.0), replace(point("sea", 0.0), lon_deg=-124.5), point("far", 678.0, 46.3)]
    first, second = OpenMeteoElevations(url=services.url), UsgsElevations(url=services.url)
    assert first.elevations_m(points, client=web()) == (1755.0, 1756.0, 1757.0)
    assert second.elevations_m([points[0], points[1], BRIG], client=web()) == (296.606, None, None)
    assert "x=-105.2&y=39.75" in services.asked[1]  # x is the longitude
    assert len(services.asked) == 3  # outside the United States the second is not asked


def test_only_doubtful_places_need_a_second_opinion(services, web):
    """The loopback service tells 1755 m, then a metre more a point."""
    checks = check(services, web, point("good", 1755.0), point("near", 1756.0 + FAR_M - 1.0, 39.8))
    assert [c.off for c in checks] == [False, False]
    assert [c.second_m for c in checks] == [None, None]
    assert asked_of(services, "/v1/json") == 0


def test_an_elevation_in_feet_is_far_off(services, web):
    """5,758 typed without a unit change: both services are asked and both disagree."""
    (found,) = check(services, web, point("feet", 5758.0))
    assert found.first_m == pytest.approx(1755.0)
    assert asked_of(services, "/v1/json") == 1
    assert found.off


def test_one_service_that_agrees_is_enough():
    assert not ElevationCheck(place="cutting", entered_m=100.0, first_m=200.0, second_m=101.0).off
    assert ElevationCheck(place="feet", entered_m=328.0, first_m=100.0, second_m=101.0).off


def test_no_answer_is_no_verdict(services, web):
    services.faults["/v1/"] = "500"
    (found,) = check(services, web, point("silent", 100.0))
    assert (found.first_m, found.second_m, found.off) == (None, None, False)
    second, told = UsgsElevations(url=services.url), []
    assert second.elevations_m([point("silent", 100.0)], client=web(progress=told.append)) == (None,)
    assert len(told) == 1


def test_words_name_what_is_far_off_in_the_trips_units(make_trip, road):
    trip = make_trip([road("linn", "york", 60.0)])
    feet = ElevationCheck(place="linn", entered_m=3048.0, first_m=304.8, second_m=None)
    silent = ElevationCheck(place="york", entered_m=100.0, first_m=None, second_m=None)
    *lines, last = elevation_lines([feet, silent], replace(trip, units="us"))
    assert lines == [
        f"{trip.places['linn'].name}: 10,000 ft entered, but the ground there is at 1,000; check elevation and position"
    ]
    assert last.startswith("1 of 2 places checked, 1 far off. Elevation: Copernicus DEM GLO-90.")
    assert elevation_lines([silent], trip)[0].startswith("0 of 1 place checked, 0 far off.")


def test_places_of_a_trip_offline(make_trip, road, user_folders):
    told = []
    trip = make_trip([road("linn", "york", 60.0)])
    checks = check_places(trip, offline=True, now=datetime.now(UTC), progress=told.append)
    assert [(check.place, check.entered_m) for check in checks] == [
        (p.key, p.elevation_m) for p in trip.places.values()
    ]
    assert told == ["Open-Meteo elevation has not been fetched before; run again without --offline"]
