"""A leg with a GPX track is drawn and driven along it, not straight between its places.

The track is a quarter circle on the ground, so that where a share of its length lies is known; `geographiclib` puts its
points there. Real file: open data in <repository>/../shared/data/gpx (Apache-2.0); skipped where absent.
"""

from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from planner.files.reading import Problems
from planner.files.tracks import parse_gpx
from planner.model.trip import Profile
from planner.replan.position import UNDER_WAY
from planner.replan.remaining import replan
from planner.route.graph import choose_route
from planner.route.road import cut_road

RADIUS_M = 20_000.0
LENGTH_M = 0.5 * np.pi * RADIUS_M
GPX = Path(__file__).parents[4] / "shared" / "data" / "gpx"


def on_arc(share, lat, lon):
    """Point of the quarter circle around a centre, from due north to due east of it."""
    there = Geodesic.WGS84.Direct(lat, lon, 90.0 * float(share), RADIUS_M)
    return there["lat2"], there["lon2"]


def arc_trip(make_trip, road, lat=45.0, lon=7.0):
    share = np.linspace(0.0, 1.0, 400)
    points = [on_arc(one, lat, lon) for one in share]
    track = Profile(
        distance_m=tuple(share * LENGTH_M),
        elevation_m=tuple(200.0 + 0.0 * share),
        lat_deg=tuple(p[0] for p in points),
        lon_deg=tuple(p[1] for p in points),
    )
    ends = {key: {"lat_deg": p[0], "lon_deg": p[1]} for key, p in (("a", points[0]), ("b", points[-1]))}
    return make_trip([road("a", "b", LENGTH_M / 1500.0, profile=track)], places=ends)


def from_centre_m(lat_deg, lon_deg, lat, lon):
    return np.array([Geodesic.WGS84.Inverse(lat, lon, y, x)["s12"] for y, x in zip(lat_deg, lon_deg, strict=True)])


@pytest.mark.parametrize("lon", [7.0, 179.9])  # the second bends across the 180th meridian
@pytest.mark.parametrize("back", [False, True])
def test_segments_lie_on_the_track(make_trip, road, lon, back):
    trip = arc_trip(make_trip, road, lon=lon)
    leg = trip.legs[0].reverse() if back else trip.legs[0]
    cut = cut_road(trip, (leg,))
    np.testing.assert_allclose(from_centre_m(cut.lat_deg, cut.lon_deg, 45.0, lon), RADIUS_M, atol=2.0)
    share = cut.end_m / LENGTH_M
    want = np.array([on_arc(1.0 - one if back else one, 45.0, lon) for one in share])
    np.testing.assert_allclose(cut.lat_deg, want[:, 0], atol=2e-5)
    np.testing.assert_allclose((cut.lon_deg - want[:, 1] + 180.0) % 360.0 - 180.0, 0.0, atol=2e-5)
    assert np.all(np.abs(cut.lon_deg) <= 180.0)


def test_a_point_along_the_leg_lies_on_the_track_and_cuts_it(make_trip, road):
    trip = arc_trip(make_trip, road)
    rest = replan(trip, choose_route(trip), start_at=("a", "b", LENGTH_M / 3.0), at=datetime(2027, 7, 6, 9))
    here = rest.places[UNDER_WAY]
    assert (here.lat_deg, here.lon_deg) == pytest.approx(on_arc(1.0 / 3.0, 45.0, 7.0), abs=2e-5)
    cut = cut_road(rest, choose_route(rest))
    np.testing.assert_allclose(from_centre_m(cut.lat_deg, cut.lon_deg, 45.0, 7.0), RADIUS_M, atol=2.0)
    assert cut.end_m[-1] == pytest.approx(LENGTH_M * 2.0 / 3.0)


def test_a_real_drive_is_followed(make_trip, road):
    path = GPX / "around-visnjan-with-car.gpx"
    if not path.is_file():
        pytest.skip(f"{path} is not here; see data/SOURCES.md beside it")
    track = parse_gpx(path.read_bytes(), file=path.name, problems=Problems())
    ends = {
        key: {"lat_deg": track.lat_deg[i], "lon_deg": track.lon_deg[i], "elevation_m": track.elevation_m[i]}
        for key, i in (("a", 0), ("b", -1))
    }
    trip = make_trip([road("a", "b", track.length_m / 1500.0, profile=track.profile())], places=ends)
    cut = cut_road(trip, trip.legs)
    for lat, lon in zip(cut.lat_deg, cut.lon_deg, strict=True):
        near = min(range(len(track.lat_deg)), key=lambda i: abs(track.lat_deg[i] - lat) + abs(track.lon_deg[i] - lon))
        apart = Geodesic.WGS84.Inverse(lat, lon, track.lat_deg[near], track.lon_deg[near])["s12"]
        assert apart < 60.0  # points of the file are up to 100 m apart
