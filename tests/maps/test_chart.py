"""Thinning keeps every line within its bound; packing and unpacking give the numbers back."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from packed import unpacked

from maps.chart import kept_indices, pack, rising_distance, signs_of
from maps.scene import Advice, Ahead, Day, Grade, Milestone, Series, Stretch, Track, Way
from maps.thinning import curve_indices, line_indices

COUNT = 6000
DAY = Day(title="One of three")
heights = st.lists(st.floats(-500, 500), min_size=2, max_size=120)
gappy = st.lists(st.one_of(st.floats(-500, 500), st.just(math.nan)), min_size=2, max_size=120)


@pytest.fixture(scope="module")
def long_track():
    """Noise with short sharp peaks, a halt of 40 points and a gap: what thinning could get wrong."""
    random = np.random.default_rng(11)
    step = np.ones(COUNT)
    step[3000:3040] = 0.0
    walk = np.cumsum(random.normal(0, 0.15, COUNT)) + 200
    peaks = walk.copy()
    peaks[random.integers(0, COUNT, 30)] += random.uniform(20, 90, 30)
    peaks[3000:3040] += np.sin(np.linspace(0, math.pi, 40)) * 25
    gap = walk - 30
    gap[1000:1200] = math.nan
    heading = np.cumsum(random.normal(0, 0.02, COUNT))
    columns = {
        "lat": tuple(36 + np.cumsum(np.sin(heading)) * 0.001),
        "lon": tuple(-106 + np.cumsum(np.cos(heading)) * 0.001),
        "distance": tuple(np.cumsum(step) * 0.05),
        "elevation": tuple(6000 + np.cumsum(random.normal(0, 8, COUNT))),
        "clock": tuple(f"{i // 60:02d}:{i % 60:02d}" for i in range(COUNT)),
        "group": tuple(i // 500 for i in range(COUNT)),
        "day": tuple(i // 2000 for i in range(COUNT)),
        "group_labels": (),
        "series": (
            Series(label="Peaks", values=tuple(peaks), unit="°F", limit=tuple(260 - walk / 10)),
            Series(label="Gap", values=tuple(gap), unit="°F", low=tuple(gap - 5), high=tuple(gap + 5), bound=0.5),
        ),
    }
    return Track(**columns)


def strayed(x, values, kept):
    """Largest distance of a column from the straight lines between its kept points, gaps aside."""
    column = np.asarray(values)
    known = np.isfinite(column)
    return float(np.abs(np.interp(x, x[kept], np.where(known, column, 0.0)[kept]) - column)[known].max())


def test_every_column_stays_within_its_bound(long_track):
    kept, x = kept_indices(long_track), rising_distance(long_track)
    assert len(kept) < COUNT * 0.9
    assert strayed(x, long_track.elevation, kept) <= long_track.elevation_bound
    for series in long_track.series:
        for _, values in series.columns():
            assert strayed(x, values, kept) <= series.bound


def test_every_column_keeps_its_extremes(long_track):
    kept = kept_indices(long_track)
    columns = [long_track.elevation, *(values for one in long_track.series for _, values in one.columns())]
    for values in map(np.asarray, columns):
        assert np.nanmax(values[kept]) == np.nanmax(values)
        assert np.nanmin(values[kept]) == np.nanmin(values)


def test_gaps_days_and_legs_keep_their_ends(long_track):
    kept = set(kept_indices(long_track).tolist())
    assert {0, COUNT - 1, 999, 1000, 1199, 1200, 1999, 2000, 499, 500} <= kept


def test_the_line_on_the_map_stays_within_its_bound(long_track):
    kept = kept_indices(long_track)
    shrink = math.cos(math.radians((min(long_track.lat) + max(long_track.lat)) / 2))
    points = np.column_stack([np.asarray(long_track.lon) * shrink, long_track.lat])
    worst = 0.0
    for first, last in pairwise(kept):
        offset, chord = points[first : last + 1] - points[first], points[last] - points[first]
        along = np.clip(offset @ chord / (chord @ chord), 0, 1) if np.any(chord) else np.zeros(len(offset))
        worst = max(worst, float(np.hypot(*(offset - along[:, None] * chord).T).max()))
    assert 0.0 < worst <= long_track.line_bound_deg


def test_stretches_are_renumbered_to_the_same_points(make_scene, make_track):
    flat = make_track(lat=tuple(37.0 + 0.05 * i for i in range(40)))
    packed = pack(make_scene(track=flat, stretches=(Stretch(start=7, end=33, level="ample"),)))
    lats = unpacked(packed["track"]["lat"])
    (one,) = packed["stretches"]
    assert lats[one["start"]] == pytest.approx(37.35, abs=1e-5)
    assert lats[one["end"]] == pytest.approx(38.65, abs=1e-5)


def test_clock_texts_come_back(make_scene):
    scene = make_scene()
    clock = pack(scene)["track"]["clock"]
    texts = [
        clock["words"][int(number)].replace("{}", f"{int(minute) // 60:02}:{int(minute) % 60:02}")
        for number, minute in zip(unpacked(clock["numbers"]), unpacked(clock["minutes"]), strict=True)
    ]
    assert texts[0] == scene.track.clock[0]
    assert texts[-1] == scene.track.clock[-1]
    assert set(texts) <= set(scene.track.clock)


@given(values=gappy, digits=st.integers(0, 5))
def test_encoding_gives_the_numbers_back(values, digits):
    back = unpacked({"signs": signs_of(values, digits), "digits": digits})
    # Half a step, and a little for binary fractions.
    assert back == pytest.approx(values, abs=0.5 * 10.0**-digits + 1e-9, nan_ok=True)


@given(values=st.lists(st.floats(-2000.0, 2000.0), max_size=300).map(lambda some: [*some, *[0.0] * 200]))
def test_signs_give_the_numbers_back(values):
    signs = signs_of(values, 1)
    assert unpacked({"signs": signs, "digits": 1}) == pytest.approx(values, abs=0.05 + 1e-9)
    assert not set(signs) & set("\"\\<>&'")  # what a page's JSON would write in several letters


@given(values=gappy, bound=st.floats(0.01, 100))
def test_a_thinned_curve_stays_within_the_bound(values, bound):
    x, y = np.arange(float(len(values))), np.array(values)
    kept = curve_indices(x, y, bound)
    if np.isfinite(y).any():
        assert strayed(x, y, kept) <= bound + 1e-9
        assert np.nanmax(y[kept]) == np.nanmax(y)
    assert np.all(np.diff(kept) > 0)
    assert (kept[0], kept[-1]) == (0, len(values) - 1)


@given(heights=heights)
def test_a_line_thinned_to_nothing_keeps_its_corners(heights):
    points = np.column_stack([np.arange(float(len(heights))), heights])
    kept = line_indices(points, 0.0)
    bends = np.abs(np.diff(heights, 2)) > 1e-6
    assert set(np.flatnonzero(bends) + 1) <= set(kept.tolist())


@settings(deadline=None)
@given(shift=st.integers(1, 100))
def test_a_single_sharp_peak_is_never_lost(shift):
    y = np.full(102, 200.0)
    y[shift] = 205.0
    assert shift in curve_indices(np.arange(102.0), y, 1.0)


def test_milestones_keep_their_points_through_thinning(make_scene, long_track):
    points = (0, 17, 1234, 2999, 4321, COUNT - 1)
    marks = tuple(Milestone(point=point, title=str(point)) for point in points)
    ahead = (Ahead(heading="Next fuel", milestones=marks[1:4], behind="Last"),)
    scene = make_scene(track=long_track, days=(DAY,) * 3, stretches=(), markers=(), places=marks, ahead=ahead)
    packed = pack(scene)
    distance = unpacked(packed["track"]["distance"])
    assert len(distance) < COUNT
    for one in packed["places"]:
        assert distance[one["point"]] == pytest.approx(long_track.distance[int(one["title"])], abs=0.005)
    assert [one["title"] for one in packed["ahead"][0]["milestones"]] == ["17", "1234", "2999"]
    assert packed["ahead"][0]["behind"] == "Last"


def test_a_leg_belongs_to_the_day_on_which_it_is_driven(make_scene):
    # Point 19 is the last of day 0: the first leg of day 1 starts there.
    scene = make_scene(stretches=(Stretch(start=0, end=19, level="ample"), Stretch(start=19, end=30, level="thin")))
    assert [one["day"] for one in pack(scene)["stretches"]] == [0, 1]


def test_grades_days_and_advice_keep_their_points_through_thinning(make_scene, long_track):
    grade = Grade(start=333, end=777, title="Pass", text="up 900 ft", level="thin")
    day = Day(
        title="One",
        headings=("at", "place", "mi", "margin", "then"),
        way=(Way(point=555, cells=("1", "2", "3", "4", "5")),),
        advice=(Advice(text="Slow down.", until=801), Advice(text="Drink water.")),
        closest=(1, 0),
    )
    packed = pack(
        make_scene(track=long_track, days=(day, DAY, DAY), stretches=(), markers=(), grades=(grade,), places=())
    )
    distance = unpacked(packed["track"]["distance"])
    (one,) = packed["grades"]
    found = [distance[at] for at in (one["start"], one["end"], packed["days"][0]["way"][0])]
    assert found == pytest.approx([long_track.distance[at] for at in (333, 777, 555)], abs=0.005)
    until = [line["until"] for line in packed["days"][0]["advice"]]
    assert distance[until[0]] == pytest.approx(long_track.distance[801], abs=0.005)
    assert until[1] == -1


def test_a_route_over_the_180th_meridian_does_not_jump(make_scene, make_track):
    lon = tuple((170.0 + 0.5 * i + 180.0) % 360.0 - 180.0 for i in range(40))
    packed = pack(make_scene(track=make_track(lon=lon), markers=()))
    back = unpacked(packed["track"]["lon"])
    assert (back[0], back[-1]) == (170.0, 189.5)
    assert max(b - a for a, b in pairwise(back)) < 5.0


def test_time_is_packed_only_when_given(make_scene, make_track):
    assert "minutes" not in pack(make_scene())["track"]
    timed = make_scene(track=make_track(minutes=tuple(6.0 * i for i in range(40))))
    packed = pack(timed)["track"]["minutes"]
    assert unpacked(packed)[-1] == pytest.approx(234.0)
