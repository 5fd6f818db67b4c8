"""Geodesics against geographiclib, smoothing against a known noise case, segments against arithmetic."""

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import savgol_filter

from planner.model.errors import PlannerError
from planner.model.geo import LONGEST_SEGMENT_M, climb_m, distance_m, positions, segments, smooth_elevation
from planner.model.trip import Profile

MILE_M = 1609.344


def noisy(true_m, sigma_m=3.0, seed=0):
    return true_m + sigma_m * np.random.default_rng(seed).standard_normal(true_m.size)


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
    with pytest.raises(PlannerError, match="opposite on the globe"):
        positions(lat1_deg=40.0, lon1_deg=-105.0, lat2_deg=-40.0, lon2_deg=75.0, fractions=[0.5])


# The case: 20 km at 5 %, posts 30 m apart, noise of 3 m, seed 0: true 999 m, raw 1,692 m, Savitzky-Golay(41, 2) 999.0 m
# (computed with scipy). 41 posts of 30 m are a window of 1,200 m; 2 % is what a margin can bear.
@pytest.mark.parametrize("window_m", [600.0, 1200.0])
def test_noise_does_not_climb(window_m):
    along = np.arange(0.0, 20_000.0, 30.0)
    true = 0.05 * along
    measured = noisy(true)
    assert climb_m(measured) == pytest.approx(1692.0, abs=1.0)
    smooth = smooth_elevation(along, measured, window_m=window_m)
    assert climb_m(smooth) == pytest.approx(climb_m(true), rel=0.02)
    if window_m == 1200.0:
        assert climb_m(smooth) == pytest.approx(999.0, abs=0.05)


@pytest.mark.parametrize("seed", range(5))
def test_noisy_pass_keeps_climb_and_uneven_points_are_allowed(seed):
    steps = np.random.default_rng(seed).uniform(0.0, 60.0, 700)
    along = np.concatenate([[0.0, 0.0], np.cumsum(steps)])
    true = 400.0 * np.sin(np.pi * along / along[-1]) ** 2
    smooth = smooth_elevation(along, noisy(true, seed=seed), window_m=1200.0)
    assert climb_m(smooth) == pytest.approx(400.0, rel=0.02)
    assert np.max(np.abs(smooth - true)) < 4.0  # three sigma of the end of a parabola fitted to 41 posts


@pytest.mark.parametrize("window_m", [400.0, 600.0, 1200.0, 5000.0])
def test_profile_entered_by_the_mile_is_kept(window_m):
    along = MILE_M * np.arange(13)
    height = np.array([1900, 1960, 2050, 2150, 2260, 2390, 2490, 2380, 2260, 2180, 2100, 2040, 2000], dtype=float)
    smooth = smooth_elevation(along, height, window_m=window_m)
    assert (smooth[0], smooth[-1]) == (height[0], height[-1])
    assert smooth.max() == pytest.approx(2490.0, abs=3.0)
    assert climb_m(smooth) == pytest.approx(590.0, rel=0.02)


@pytest.mark.parametrize(
    ("count", "window_m", "posts"), [(300, 600.0, 13), (13, 600.0, 13), (2000, 5000.0, 101), (40, 300.0, 7)]
)
def test_smoothing_is_savitzky_and_golays(count, window_m, posts):
    """Against scipy's filter, its ends on the outermost parabolas as well."""
    along = 50.0 * np.arange(count)
    height = noisy(1500.0 + 300.0 * np.sin(along / 4000.0))
    wanted = savgol_filter(height, posts, polyorder=2, mode="interp")
    assert smooth_elevation(along, height, window_m=window_m) == pytest.approx(wanted, abs=1e-9)


def test_smoothing_leaves_a_straight_grade_and_its_inputs_alone():
    along = np.arange(0.0, 5000.0, 25.0)
    height = 300.0 + 0.06 * along
    before = height.copy()
    assert smooth_elevation(along, height, window_m=800.0) == pytest.approx(height, abs=1e-9)
    assert np.array_equal(height, before)


@pytest.mark.parametrize(
    ("along", "height", "text"),
    [
        ([0.0, 1.0], [1.0], "2 distances and 1 elevations"),
        ([], [], "0 distances"),
        ([0.0, 2.0, 1.0], [1.0, 1.0, 1.0], "point 3: distance falls"),
        ([0.0, 1.0], [1.0, math.nan], "point 2"),
    ],
)
def test_unusable_profile_is_refused(along, height, text):
    with pytest.raises(PlannerError, match=text):
        smooth_elevation(along, height, window_m=600.0)


def test_window_must_be_positive():
    with pytest.raises(PlannerError, match="above 0"):
        smooth_elevation([0.0, 1.0], [0.0, 1.0], window_m=0.0)


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


@pytest.mark.parametrize("ends", [(0.0, 900.0), (900.0, 0.0), (0.0, 2000.0), (0.0, math.nan)])
def test_road_steeper_than_any_is_refused(ends):
    with pytest.raises(PlannerError, match=r"legs.csv row 3: elevation changes by .* no road is steeper than 40%"):
        segments(ends, 1600.0, where="legs.csv row 3")


def test_leg_without_length_is_refused():
    with pytest.raises(PlannerError, match="must be above 0"):
        segments((0.0, 0.0), 0.0)
    with pytest.raises(PlannerError, match="no length"):
        segments(Profile(distance_m=(0.0, 0.0), elevation_m=(1.0, 1.0)), 100.0)


def test_climb_of_little():
    assert climb_m([]) == climb_m([5.0]) == climb_m([5.0, 3.0]) == 0.0
