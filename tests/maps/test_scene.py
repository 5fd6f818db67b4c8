"""A scene that cannot be drawn is refused, and the message says what to change."""

import math

import pytest

from maps.errors import MapError
from maps.scene import Advice, Ahead, Day, Grade, Marker, Milestone, Road, Series, Spot, Stretch, Table, Way

NAN, INF = math.nan, math.inf
DAY = Day(title="1")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"lat": (1.0,)}, "1 points given, at least 2"),
        ({"lon": (1.0, 2.0)}, "lon: 2 entries, 40 are needed"),
        ({"lat": (NAN,) + (37.0,) * 39}, "lat, point 0: nan must be within -90 to 90"),
        ({"lon": (-105.0,) * 39 + (181.0,)}, "lon, point 39"),
        ({"elevation": (INF,) * 40}, "must be a finite number"),
        ({"distance": (0.0, 2.0, 1.0) + (3.0,) * 37}, "distance, point 2: 1.0 falls below 2.0"),
        ({"day": (1,) + (0,) * 39}, "day, point 1"),
        ({"day": (-1,) + (0,) * 39}, "count from 0"),
        ({"minutes": (0.0,) * 39}, "minutes: 39 entries, 40 are needed"),
        ({"minutes": (5.0,) + (4.0,) * 39}, "minutes, point 1: 4.0 falls below 5.0"),
        ({"group": (5,) * 40}, "only 2 group_labels"),
        ({"series": (Series(label="Oil", values=(1.0,), unit="°F"),)}, "series 'Oil': 1 entries, 40"),
    ],
)
def test_track_refuses(make_track, changes, words):
    with pytest.raises(MapError, match=r"track|series") as caught:
        make_track(**changes)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"values": (1.0, INF)}, "use NaN where nothing is known"),
        ({"limit": (1.0,)}, "limit: 1 entries, 2 are needed"),
        ({"low": (1.0, 2.0)}, "needs both low and high"),
        ({"dash": "7 4;x"}, "numbers of pixels"),
        ({"bound": 0.0}, "must be above 0"),
        ({"bound": NAN}, "must be above 0"),
    ],
)
def test_series_refuses(changes, words):
    with pytest.raises(MapError, match="series 'Oil'") as caught:
        Series(**({"label": "Oil", "values": (1.0, 2.0), "unit": "°F"} | changes))
    assert words in str(caught.value)


REFUSED = [
    (lambda: Stretch(start=0, end=1, level="exceded"), "did you mean 'exceeded'"),
    (lambda: Marker(lat=0.0, lon=0.0, label="x", kind="nigth"), "did you mean 'night'"),
    *((lambda s=s: Stretch(start=s, end=3, level="ample"), "needs 0 <= start < end") for s in (3, 4, -1)),
    (lambda: Grade(start=4, end=4, title="Pass"), "grade 'Pass': runs from point 4 to 4"),
    (
        lambda: Day(title="One", headings=("a", "b", "c"), way=(Way(point=0, cells=("1", "2")),)),
        "day 'One', timetable, line 1: 2 entries, 3 are needed",
    ),
    (lambda: Road(name="US 1", lat=(1.0, 2.0), lon=(3.0,)), "road 'US 1', lon: 1 entries, 2 are needed"),
    (
        lambda: Table(title="Legs", headings=("a", "b"), rows=(("1", "2"), ("3",))),
        "table 'Legs', row 2: 1 entries, 2 are needed",
    ),
    (
        lambda: Ahead(heading="Fuel", milestones=(Milestone(point=9, title="A"), Milestone(point=3, title="B"))),
        "ahead 'Fuel', milestones, point 1: 3 falls below 9",
    ),
]


@pytest.mark.parametrize(("make", "words"), REFUSED, ids=[words for _, words in REFUSED])
def test_parts_refuse(make, words):
    with pytest.raises(MapError) as caught:
        make()
    assert words in str(caught.value)


def test_bounds_take_in_markers_off_the_track(make_scene):
    south, west, north, east = make_scene(markers=(Marker(lat=10.0, lon=20.0, label="x"),)).bounds()
    assert (south, east) == (10.0, 20.0)
    assert west == pytest.approx(-105.0 - 0.04 * 39)
    assert north == pytest.approx(37.0 + 0.05 * 39)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"spots": (Spot(text="Hot", marker=1),)}, "spot 'Hot': marker 1 is not in the scene, which has 1"),
        ({"spots": (Spot(text="Hot", marker=0, point=40),)}, "spot 'Hot': point 40 is not on the track"),
        ({"grades": (Grade(start=3, end=40, title="Pass"),)}, "grade 'Pass': point 40 is not on the track"),
        ({"days": (DAY, Day(title="2", advice=(Advice(text="Go", until=99),)))}, "advice 'Go': point 99 is not"),
        ({"days": (DAY, Day(title="2", closest=(1,)))}, "closest (1,) must number the track's 1 series"),
        ({"places": (Milestone(point=40, title="Far"),)}, "milestone 'Far': point 40 is not on the track"),
        ({"ahead": (Ahead(heading="Fuel", milestones=(Milestone(point=-1, title="X"),)),)}, "point -1 is not on"),
        ({"stretches": (Stretch(start=0, end=40, level="ample"),)}, "point 40 is not on the track, which ends at 39"),
        *(({"markers": (Marker(lat=0.0, lon=0.0, label="x", day=n),)}, "not in the scene") for n in (2, -1)),
        *(({"language": text}, "language") for text in ("", '" onload="alert(1)', "en us", "{{7*7}}")),
    ],
)
def test_scene_refuses(make_scene, changes, words):
    with pytest.raises(MapError) as caught:
        make_scene(**changes)
    assert words in str(caught.value)
