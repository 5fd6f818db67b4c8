"""Roads without heights: what the ground between allows, against passes whose heights are published."""

from dataclasses import replace

import numpy as np
import pytest
from passes import LEVEL, PASSES

from planner.model import geo
from planner.model.trip import Profile
from planner.route.gaps import SPARSE_M, STEEP, find_gaps, hardest_legs


@pytest.fixture
def between(make_trip, road):
    """Make a trip of one leg, 25 m/s, between two places (latitude, longitude, height)."""

    def make(start, finish, length_m, profile=None):
        ends = {
            name: dict(zip(("lat_deg", "lon_deg", "elevation_m"), at, strict=True))
            for name, at in (("a", start), ("b", finish))
        }
        leg = replace(road("a", "b", 10.0), distance_m=length_m, profile=profile)
        return make_trip([leg], places=ends)

    return make


@pytest.mark.parametrize("name", PASSES)
def test_the_hardest_road_climbs_no_less_than_the_real_one(name, between):
    # tops: see tests/shared/passes.py
    start, finish, length_m, top_m = PASSES[name]
    for a, b in ((start, finish), (finish, start)):
        trip = between(a, b, length_m)
        (gap,) = find_gaps(trip, trip.legs)
        (hard,) = hardest_legs(trip, trip.legs, (gap,))
        height = np.array(hard.profile.elevation_m)
        rise = height - np.minimum.accumulate(height)
        assert rise.max() > top_m - a[2] - 15.0
        cut = geo.segments(hard.profile, length_m)
        assert cut.grade.max() == pytest.approx(STEEP, abs=0.002)
        assert (cut.elevation_m[0], cut.elevation_m[-1]) == pytest.approx((a[2], b[2]))


@pytest.mark.parametrize("name", LEVEL)
def test_level_ground_leaves_no_gap(name, between):
    trip = between(*LEVEL[name])
    assert find_gaps(trip, trip.legs) == ()


def test_a_profile_of_two_points_says_nothing_and_one_of_many_all(between):
    start, finish, length_m, top_m = PASSES["Wolf Creek Pass"]
    two = Profile(distance_m=(0.0, length_m), elevation_m=(start[2], finish[2]))
    trip = between(start, finish, length_m, two)
    (gap,) = find_gaps(trip, trip.legs)
    assert (gap.begin_m, gap.end_m) == (0.0, length_m)
    assert length_m > SPARSE_M
    along = np.linspace(0.0, length_m, 20)
    heights = np.interp(along, [0.0, length_m / 2, length_m], [start[2], top_m, finish[2]])
    known = between(start, finish, length_m, Profile(distance_m=tuple(along), elevation_m=tuple(heights)))
    assert find_gaps(known, known.legs) == ()


def test_a_stretch_shorter_than_its_climb_holds_a_part_of_it(between):
    start, finish, _, _ = PASSES["Red Mountain Pass"]
    trip = between(start, finish, 24.5e3)
    (gap,) = find_gaps(trip, trip.legs)
    (hard,) = hardest_legs(trip, trip.legs, (gap,))
    cut = geo.segments(hard.profile, 24.5e3)
    assert np.abs(cut.grade).max() < STEEP + 0.002
