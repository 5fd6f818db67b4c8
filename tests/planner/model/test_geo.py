"""Geodesics against geographiclib, segments against arithmetic."""

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from planner.model.errors import PlannerError
from planner.model.geo import LONGEST_SEGMENT_M, climb_m, distance_m, distances_m, positions, segments
from planner.model.trip import Profile

MILE_M = 1609.344


@pytest.mark.parametrize(("lat", "lon"), [(90.5, 0.0), (-91.0, 0.0), (math.nan, 0.0), (0.0, math.inf)])
def test_impossible_position_is_refused(lat, lon):
    with pytest.raises(PlannerError, match="latitude must be -90 to 90"):
        distance_m(lat1_deg=lat, lon1_deg=lon, lat2_deg=0.0, lon2_deg=0.0)


# Reference: geographiclib's own points along the geodesic. Tolerance: the sphere's error, stated in the docstring.
@pytest.mark.parametrize(
    "ends", [(45, 7, 46, 7), (40, -105, 40, -104), (40, -105, 38, -101), (64, -150, 66, -140), (-1, 179, 1, -179)]
)
def test_positions_follow_the_geodesic(ends):
    lat1, lon1, lat2, lon2 = map(float, ends)
    line = Geodesic.WGS84.InverseLine(lat1, lon1, lat2, lon2)
    share = np.linspace(0.0, 1.0, 9)
    lat_deg, lon_deg = positions(lat1_deg=lat1, lon1_deg=lon1, lat2_deg=lat2, lon2_deg=lon2, fractions=share)
    for part, lat, lon in zip(share, lat_deg, lon_deg, strict=True):
        point = line.Position(part * line.s13)
        off_m = distance_m(lat1_deg=point["lat2"], lon1_deg=point["lon2"], lat2_deg=lat, lon2_deg=lon)
        assert off_m <= 1e-4 * line.s13
    assert (lat_deg[0], lon_deg[0], lat_deg[-1], lon_deg[-1]) == pytest.approx((lat1, lon1, lat2, lon2), abs=1e-12)


def test_positions_of_one_place_and_of_opposite_places():
    lat_deg, lon_deg = positions(lat1_deg=40.0, lon1_deg=-105.0, lat2_deg=40.0, lon2_deg=-105.0, fractions=[0.0, 0.5])
    assert lat_deg == pytest.approx([40.0, 40.0])
    assert lon_deg == pytest.approx([-105.0, -105.0])
    with pytest.raises(PlannerError, match="antipodal"):
        positions(lat1_deg=40.0, lon1_deg=-105.0, lat2_deg=-40.0, lon2_deg=75.0, fractions=[0.5])


def profile(along, height) -> Profile:
    return Profile(distance_m=tuple(along), elevation_m=tuple(height))


STEEP = r"legs.csv row 3: elevation changes by .* no road is steeper than 40%"


@pytest.mark.parametrize(
    ("ends", "length_m", "text"),
    [
        (profile([0.0, 1.0], [1.0]), 1000.0, "2 distances and 1 elevations"),
        (profile([], []), 1000.0, "0 distances"),
        (profile([0.0, 2.0, 1.0], [1.0, 1.0, 1.0]), 1000.0, "point 3: distance falls"),
        (profile([0.0, 1.0], [1.0, math.nan]), 1000.0, "point 2"),
        (profile([0.0, 0.0], [1.0, 1.0]), 100.0, "no length"),
        ((0.0, 0.0), 0.0, "must be above 0"),
        *((ends, 1600.0, STEEP) for ends in ((0.0, 900.0), (900.0, 0.0), (0.0, 2000.0), (0.0, math.nan))),
    ],
)
def test_unusable_legs_are_refused(ends, length_m, text):
    with pytest.raises(PlannerError, match=text):
        segments(ends, length_m, where="legs.csv row 3")


@given(st.floats(1.0, 2e5), st.floats(20.0, 5000.0), st.floats(-0.1, 0.1))
def test_segments_add_up(length, longest, slope):
    cut = segments((500.0, 500.0 + slope * length), length, longest_m=longest)
    assert math.fsum(cut.length_m) == pytest.approx(length, rel=1e-12)
    assert np.ptp(cut.length_m) == 0.0
    assert cut.length_m[0] <= longest * (1.0 + 1e-9)
    assert cut.length_m.size == 1 or length / (cut.length_m.size - 1) > longest * (1.0 - 1e-9)
    assert cut.elevation_m.size == cut.grade.size + 1 == cut.length_m.size + 1
    assert cut.grade == pytest.approx(np.tan(np.arcsin(slope)), abs=1e-6)  # the length is that of the road, not the map


def test_a_mile_is_four_segments():
    assert segments((0.0, 0.0), MILE_M).length_m == pytest.approx([LONGEST_SEGMENT_M] * 4)


def test_profile_is_stretched_to_the_leg_and_reverses():
    profile = Profile(distance_m=(0.0, 4000.0, 8000.0), elevation_m=(1000.0, 1240.0, 1100.0))
    there = segments(profile, 8200.0, longest_m=410.0)
    back = segments(profile.reverse(), 8200.0, longest_m=410.0)
    assert there.elevation_m.size == 21
    assert (there.elevation_m[0], there.elevation_m[10], there.elevation_m[-1]) == (1000.0, 1240.0, 1100.0)
    assert back.elevation_m == pytest.approx(there.elevation_m[::-1])
    assert back.grade == pytest.approx(-there.grade[::-1])
    assert climb_m(there.elevation_m) == pytest.approx(240.0)


def test_climb_of_little():
    assert climb_m([]) == climb_m([5.0]) == climb_m([5.0, 3.0]) == 0.0


@given(
    lat=st.floats(-90.0, 90.0), lon=st.floats(-180.0, 180.0), way=st.floats(0.0, 360.0), length_m=st.floats(0.0, 6e5)
)
def test_many_distances_are_those_of_geographiclib(lat, lon, way, length_m):
    """5 cm up to 500 km is what the docstring promises, 0.1 mm up to 100 km; beyond, the library itself is asked."""
    far = Geodesic.WGS84.Direct(lat, lon, way, length_m)
    (got,) = distances_m(lat1_deg=lat, lon1_deg=lon, lat2_deg=far["lat2"], lon2_deg=far["lon2"])
    assert got == pytest.approx(length_m, abs=1e-4 if length_m < 1e5 else 0.05)
