"""The shipped outlines: right places, cut at the box, small."""

import json
import math
import re
from pathlib import Path

import airportsdata
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from maps.basemap import clip_ring, frame, load, pieces_in, read_lakes, read_outlines
from maps.errors import MapError
from maps.thinning import line_indices
from maps.track import unrolled

OUTLINES = Path(__file__).parents[2] / "data" / "basemap"
ROCKIES = (36.0, -109.0, 41.0, -102.0)
# Of the sphere with the ellipsoid's area (R2): Moritz, Geodetic Reference System 1980, Table 3.
EARTH_RADIUS_KM = 6371.0072


def area_deg2(ring):
    x, y = ring[:, 0], ring[:, 1]
    return abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2


def inside(ring, lon, lat):
    start, end = ring, np.roll(ring, -1, axis=0)
    spans = (start[:, 1] > lat) != (end[:, 1] > lat)
    at = start[spans, 0] + (lat - start[spans, 1]) * (end - start)[spans, 0] / (end - start)[spans, 1]
    return np.count_nonzero(at > lon) % 2 == 1


def rings_of(outlines):
    lines = outlines["lines"]
    for area in outlines["areas"]:
        parts = [[lines[i] if i >= 0 else lines[~i][::-1] for i in ring] for ring in area["rings"]]
        yield area["name"], [np.concatenate([part[:-1] for part in arcs]) for arcs in parts]


@pytest.fixture(scope="module")
def states():
    return dict(rings_of(read_outlines(OUTLINES / "states.json")))


@pytest.fixture(scope="module")
def rockies():
    return load(OUTLINES, ROCKIES)


def test_airports_lie_in_the_state_their_register_names(states):
    # airportsdata (an independent register) gives each airport's state; a few lie on islands left out or on a border.
    airports = [a for a in airportsdata.load("IATA").values() if a["country"] == "US" and a["subd"] in states]
    found = [any(inside(ring, a["lon"], a["lat"]) for ring in states[a["subd"]]) for a in airports]
    assert len(airports) > 1000
    # Islands left out and river borders cost some; outlines a degree off would lose far more than 4 %.
    assert np.mean(found) > 0.96


@pytest.fixture(scope="module")
def lakes():
    held = read_lakes(OUTLINES / "lakes.json")["lakes"]
    return {name: [one["ring"] for one in held if one["name"] == name] for name in {one["name"] for one in held}}


@pytest.mark.parametrize(
    ("kind", "name", "area_km2", "within"),
    [
        # Total areas, US Census Bureau, State Area Measurements (2010), rounded; from memory, hence 1 %.
        *(("states", *row, 0.01) for row in (("Colorado", 269_601), ("Wyoming", 253_335), ("Utah", 219_882))),
        # US Army Corps of Engineers and Canada, Great Lakes physical features; from memory, hence 5 %, and outlines at
        # 1:10 million without islands.
        *(("lakes", f"Lake {name}", area, 0.05) for name, area in (("Superior", 82_100), ("Erie", 25_700))),
        ("lakes", "Lake Ontario", 18_960, 0.05),
    ],
)
def test_states_and_lakes_have_their_published_area(request, kind, name, area_km2, within):
    (ring,) = request.getfixturevalue(kind)[name]
    lon, sine = np.radians(ring[:, 0]), np.sin(np.radians(ring[:, 1]))
    equal_area = np.column_stack([lon, sine]) * EARTH_RADIUS_KM
    assert area_deg2(equal_area) == pytest.approx(area_km2, rel=within)


def test_outlines_stay_in_their_box(rockies):
    south, west, north, east = rockies.box
    for ring in rockies.land:
        assert ring.min(axis=0) == pytest.approx(np.maximum(ring.min(axis=0), [west, south]))
        assert ring.max(axis=0) == pytest.approx(np.minimum(ring.max(axis=0), [east, north]))
    for one in (spot for label in rockies.labels for spot in label.spots):
        assert south <= one[0] <= north
        assert west <= one[1] <= east
    for ring in rockies.lakes:
        assert ring[:, 0].min() >= west - 1e-9
        assert ring[:, 0].max() <= east + 1e-9


def test_inland_box_is_all_land(rockies):
    # The box reaches from Chihuahua to Montana and from Nevada to Kansas: no sea, only the Gulf of California.
    south, west, north, east = rockies.box
    whole = (north - south) * (east - west)
    assert sum(area_deg2(ring) for ring in rockies.land) == pytest.approx(whole, rel=0.02)


def test_a_box_within_one_country_is_filled():
    # Kansas and around: no border of the country comes near, yet the ground is land.
    basemap = load(OUTLINES, (38.4, -98.6, 38.5, -98.5))
    south, west, north, east = basemap.box
    assert sum(area_deg2(ring) for ring in basemap.land) == pytest.approx((north - south) * (east - west), rel=1e-6)


def test_the_rockies_have_their_names_and_borders(rockies):
    assert {"Colorado", "Utah", "Wyoming", "New Mexico"} <= {one.text for one in rockies.labels}
    assert {"United States", "Great Salt Lake"} <= {one.text for one in rockies.labels}
    assert rockies.states
    assert rockies.borders


def test_the_alps_have_countries_but_no_states():
    alps = load(OUTLINES, (45.5, 6.5, 47.5, 12.5))
    assert {"Switzerland", "Austria", "Italy"} <= {one.text for one in alps.labels}
    assert not alps.states
    assert alps.coasts


@given(
    radii=st.lists(st.floats(0.5, 9.0), min_size=4, max_size=30),
    cut_lon=st.floats(-8.0, 8.0),
    cut_lat=st.floats(-8.0, 8.0),
)
def test_four_quarters_make_the_whole(radii, cut_lon, cut_lat):
    angles = np.linspace(0, 2 * math.pi, len(radii), endpoint=False)
    ring = np.column_stack([np.cos(angles), np.sin(angles)]) * np.array(radii)[:, None]
    boxes = [(s, w, n, e) for s, n in ((-10, cut_lat), (cut_lat, 10)) for w, e in ((-10, cut_lon), (cut_lon, 10))]
    quarters = [clip_ring(ring, box) for box in boxes]
    assert sum(area_deg2(one) for one in quarters if len(one)) == pytest.approx(area_deg2(ring), abs=1e-9)


def test_pieces_reach_one_point_beyond_the_box():
    line = np.column_stack([np.arange(10.0), np.zeros(10)])
    (piece,) = pieces_in(line, (-1.0, 3.5, 1.0, 6.5))
    assert piece[:, 0].tolist() == [3.0, 4.0, 5.0, 6.0, 7.0]


def test_a_line_leaving_twice_gives_two_pieces():
    line = np.array([[0.0, 0.0], [5.0, 0.0], [9.0, 9.0], [8.5, 9.0], [8.0, 9.0], [5.0, 1.0]])
    assert [len(piece) for piece in pieces_in(line, (-1.0, -1.0, 6.0, 6.0))] == [3, 2]


@pytest.mark.parametrize("bounds", [(40.0, 0.0, 30.0, 1.0), (0.0, 5.0, 1.0, 4.0), (math.nan, 0.0, 1.0, 1.0)])
def test_bounds_that_are_no_box_are_refused(bounds):
    with pytest.raises(MapError, match="south, west, north, east"):
        frame(bounds)


@pytest.mark.parametrize(
    ("name", "read", "text"),
    [
        *(("countries.json", read_outlines, text) for text in ("", "[]", "{}", '{"arcs": [[1]], "areas": []}')),
        *(
            ("lakes.json", read_lakes, text)
            for text in ("", "[]", "{}", '{"digits": 3, "lakes": [{"ring": [1, 2, 3]}]}')
        ),
    ],
)
def test_a_broken_file_is_refused_with_its_name(tmp_path, name, read, text):
    (tmp_path / name).write_text(text)
    with pytest.raises(MapError, match=re.escape(name)):
        read(tmp_path / name)


def test_the_route_knows_its_states():
    # Real towns: Denver, Cheyenne, Salt Lake City, and Windsor in Ontario.
    route = np.array([[-104.99, 39.74], [-104.82, 41.14], [-111.89, 40.76], [-83.0, 42.3]])
    found = [name for name, *_ in load(OUTLINES, (39.0, -112.0, 43.0, -82.0), route).crossed]
    assert found == ["Colorado, United States", "Wyoming, United States", "Utah, United States", "Canada"]


def test_a_route_over_the_180th_meridian_has_land_on_both_sides():
    # From Anadyr in Chukotka to Nome in Alaska, some 30 degrees of longitude, not 330.
    lon = unrolled((177.5, -165.4))
    bering = load(OUTLINES, (64.5, lon[0], 66.0, lon[1]))
    assert bering.box[3] - bering.box[1] < 80.0
    sides = [ring[:, 0].mean() > 189.0 for ring in bering.land]
    assert any(sides)
    assert not all(sides)
    assert {"Russia", "Alaska"} <= {one.text for one in bering.labels}
    # No ring runs round the globe: each is as wide as its part of the box, at most.
    _, west, _, east = bering.box
    middle = [ring for ring in bering.land if np.ptp(ring[:, 0]) > 0.98 * (east - west)]
    assert middle == []
    # The meridian where the outlines are cut is no coast: the land there is Chukotka's middle.
    along = [line for line in bering.coasts if np.all(np.abs(line[:, 0] - 180.0) < 0.06)]
    assert along == []


def test_a_missing_folder_is_refused(tmp_path):
    with pytest.raises(MapError, match="cannot be read"):
        load(tmp_path, ROCKIES)


def test_shipped_outlines_are_small_and_name_their_source():
    paths = sorted(OUTLINES.glob("*.json"))
    assert [path.name for path in paths] == ["countries.json", "lakes.json", "states.json"]
    assert sum(path.stat().st_size for path in paths) < 1_500_000
    for path in paths:
        assert json.loads(path.read_text(encoding="utf-8"))["licence"] == "public domain"


# Reference: the outlines as Douglas and Peucker's method thins them, point by point.
@pytest.mark.parametrize("bound_deg", [0.005, 0.02, 0.2])
def test_outlines_are_thinned_in_the_file_as_the_map_would(bound_deg):
    outlines = read_outlines(OUTLINES / "states.json")
    for line, strays in zip(outlines["lines"], outlines["strays"], strict=True):
        shrunk = line * np.array([math.cos(math.radians(float(line[0, 1]))), 1.0])
        kept = set(np.flatnonzero(strays > bound_deg).tolist())
        assert set(line_indices(shrunk, bound_deg + 1e-5).tolist()) <= kept  # the file has whole steps of 1e-5 degree
        assert kept <= set(line_indices(shrunk, bound_deg).tolist())
