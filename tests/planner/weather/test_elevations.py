"""Entered elevations against the services' over loopback: who is asked what, and what is called far off."""

import pytest

from planner.weather.heights import FAR_M, OpenMeteoHeights, UsgsHeights, check_heights
from planner.weather.record import Point


def point(place: str, elevation_m: float, lat_deg: float = 39.75) -> Point:
    return Point(place=place, lat_deg=lat_deg, lon_deg=-105.2, elevation_m=elevation_m)


def asked_of(services, path: str) -> int:
    return sum(path in asked for asked in map(str, services.asked))


def check(services, web, *points: Point):
    return check_heights(
        points, web=web(), first=OpenMeteoHeights(url=services.url), second=UsgsHeights(url=services.url)
    )


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


def test_no_answer_is_no_verdict(services, web):
    services.faults["/v1/"] = "500"
    (found,) = check(services, web, point("silent", 100.0))
    assert (found.first_m, found.second_m, found.off) == (None, None, False)
