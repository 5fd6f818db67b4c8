"""From a track to a trip: cuts, names, heights, temperatures, files of three formats, and what cannot be read."""

import json
import math
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from planner.files.folder import open_folder
from planner.files.gpx import Points
from planner.files.tracks import GpxTrack, Stretches, track_of
from planner.model.errors import PlannerError, TripError
from planner.model.geo import climb_m
from planner.newtrip.cuts import bends_of, cuts_of
from planner.newtrip.draft import draft_of
from planner.newtrip.make import new_from_track, read_road
from planner.newtrip.speeds import OPEN_M_PER_S, SPEEDS_UP_M_PER_S2, speed_m_per_s

GPX = Path(__file__).parents[4] / "shared" / "data" / "gpx"
START = datetime(2027, 7, 16, 7, 0)

# US 160 over Wolf Creek Pass: South Fork, foot of the pass, top, foot, Pagosa Springs; positions to a hundredth of a
# degree and published heights (South Fork 8,209 ft, the pass 10,857 ft, Pagosa Springs 7,126 ft: US Geological Survey
# names and the state's pass table, from memory), distances in km of road.
WOLF_CREEK = (
    (37.670, -106.640, 2502.0, 0.0),
    (37.560, -106.770, 2680.0, 18.0),
    (37.483, -106.802, 3309.0, 31.0),
    (37.445, -106.877, 2484.0, 45.0),
    (37.269, -107.010, 2172.0, 69.0),
)


def road_points(spacing_m=40.0, knots=WOLF_CREEK, sigma_m=0.0):
    """Points along the knots, winding so that the road is as long as said."""
    rows = []
    rng = np.random.default_rng(4)
    for (lat1, lon1, height1, km1), (lat2, lon2, height2, km2) in pairwise(knots):
        share = np.linspace(0.0, 1.0, max(3, round((km2 - km1) * 1e3 / spacing_m)))
        narrow = math.cos(math.radians(lat1))
        north, east = (lat2 - lat1) * 111_195.0, (lon2 - lon1) * 111_195.0 * narrow
        straight = math.hypot(north, east)
        wide, waves = winding(straight, (km2 - km1) * 1e3, share), 2.0 * np.pi * 3.0 * share
        aside = wide * np.sin(waves)
        lat = lat1 + (share * north + aside * east / straight) / 111_195.0
        lon = lon1 + (share * east - aside * north / straight) / (111_195.0 * narrow)
        height = height1 + share * (height2 - height1) + rng.normal(0.0, sigma_m, share.size)
        rows += list(zip(lat.tolist(), lon.tolist(), height.tolist(), strict=True))
    return rows


def winding(straight_m, length_m, share):
    low, high = 0.0, length_m
    for _ in range(40):
        middle = 0.5 * (low + high)
        aside = middle * np.sin(2.0 * np.pi * 3.0 * share)
        long = np.hypot(np.diff(share) * straight_m, np.diff(aside)).sum()
        low, high = (middle, high) if long < length_m else (low, middle)
    return low


def gpx_text(rows, names=(), heights=True):
    def ele(height):
        return f"<ele>{height:.2f}</ele>" if heights and height is not None else ""

    wpt = "".join(f'<wpt lat="{lat}" lon="{lon}"><name>{name}</name></wpt>' for name, lat, lon in names)
    trk = "".join(f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}">{ele(height)}</trkpt>' for lat, lon, height in rows)
    return f'<gpx version="1.1" creator="a test">{wpt}<trk><trkseg>{trk}</trkseg></trk></gpx>'


def written(folder, text, name="route.gpx"):
    (folder / name).write_text(text, encoding="utf-8")
    return folder / name


@pytest.fixture(scope="module")
def pass_road(tmp_path_factory):
    return read_road([written(tmp_path_factory.mktemp("road"), gpx_text(road_points(sigma_m=3.0)))])


def test_a_pass_road_is_cut_at_its_towns_top_and_feet(pass_road):
    draft = draft_of(pass_road, name="wolf creek", departure=START)
    names = [place.name for place in draft.places]
    assert names[0] == "Start near Del Norte, CO"
    assert names[-1] == "Pagosa Springs, CO"
    (top,) = [place for place in draft.places if place.kind == "pass"]
    assert top.elevation_m == pytest.approx(3309.0, abs=12.0)
    assert top.name == f"Pass {top.elevation_m / 0.3048:,.0f} ft, mi 19"
    assert top.key.startswith("pass-108")
    feet = [place.elevation_m for place in draft.places if place.name.startswith(("Foot", "Grade"))]
    assert any(abs(height - 2680.0) < 40.0 for height in feet)
    assert any(abs(height - 2484.0) < 40.0 for height in feet)
    assert sum(leg.distance_m for leg in draft.legs) == pytest.approx(pass_road.length_m, rel=1e-9)
    assert draft.units == "us"
    steep = max(draft.legs, key=lambda leg: abs(leg.rise_m) / leg.distance_m)
    assert steep.note.startswith("down 2,") or steep.note.startswith("up 2,")


def test_usual_temperatures_fall_with_height(pass_road):
    places = draft_of(pass_road, name="x", departure=START).places
    top = max(places, key=lambda place: place.elevation_m)
    assert all(place.high_k is not None for place in places)
    assert 6.0 < places[-1].high_k - top.high_k < 12.0  # 1,137 m; 5 to 10 K/km from place to place in July


def test_the_folder_is_read_back_as_it_was_drafted(pass_road, tmp_path):
    files, draft = new_from_track(tmp_path / "trip", [written(tmp_path, gpx_text(road_points()))], driving="6h")
    assert files == ("legs.csv", "places.csv", "route.gpx", "trip.toml", "vehicle.toml")
    trip, _ = open_folder(tmp_path / "trip")
    assert trip.route == draft.route
    assert trip.day.driving_s == 6 * 3600.0
    assert [leg.distance_m for leg in trip.legs] == pytest.approx([leg.distance_m for leg in draft.legs], abs=10.0)
    assert all(leg.profile is not None for leg in trip.legs)
    climb = sum(climb_m(leg.profile.elevation_m) for leg in trip.legs)
    assert climb == pytest.approx(3309.0 - 2502.0, rel=0.02)
    assert not [text for text in trip.assumptions if text.startswith("Track ")]
    assert any(text.startswith("Speeds assumed") for text in trip.assumptions)


def test_one_slip_in_a_place_is_one_problem(pass_road, tmp_path):
    path = written(tmp_path, gpx_text(road_points(40.0)))
    new_from_track(tmp_path / "trip", [path])
    places = tmp_path / "trip" / "places.csv"
    rows = places.read_text(encoding="utf-8").splitlines()
    cells = rows[2].split(",")
    rows[2] = rows[2].replace(next(cell for cell in cells if cell.startswith("37.")), "north")
    places.write_text("\n".join(rows), encoding="utf-8")
    with pytest.raises(TripError) as caught:
        open_folder(tmp_path / "trip")
    assert len(caught.value.problems) == 1
    assert "column 'lat': read 'north'" in caught.value.problems[0]


def test_one_line_changes_every_speed(tmp_path):
    new_from_track(tmp_path / "trip", [written(tmp_path, gpx_text(road_points()))])
    before = open_folder(tmp_path / "trip")[0].legs
    text = (tmp_path / "trip" / "trip.toml").read_text(encoding="utf-8")
    (tmp_path / "trip" / "trip.toml").write_text(text.replace("speeds = 1.0", "speeds = 0.8"), encoding="utf-8")
    after = open_folder(tmp_path / "trip")[0].legs
    assert [leg.speed_m_per_s for leg in after] == pytest.approx([0.8 * leg.speed_m_per_s for leg in before])


def test_named_points_give_their_names(tmp_path):
    names = [("Wolf Creek Pass", 37.4835, -106.8021), ("Far away", 39.0, -105.0), ("Lake", 37.66, -106.652)]
    road = read_road([written(tmp_path, gpx_text(road_points(), names))])
    found = [place.name for place in draft_of(road, name="x", departure=START).places]
    assert "Wolf Creek Pass" in found
    assert "Far away" not in found
    assert not [name for name in found if name.startswith("Pass ")]


def test_there_and_back_is_one_road_and_a_loop_ends_where_it_began(tmp_path):
    rows = road_points()
    path = written(tmp_path, gpx_text([*rows, *rows[::-1]], [("Wolf Creek Pass", 37.4835, -106.8021)]))
    _, draft = new_from_track(tmp_path / "trip", [path])
    assert draft.route[0] == draft.route[-1]
    assert draft.route.count("wolf-creek-pass") == 2
    trip, _ = open_folder(tmp_path / "trip")
    assert all(leg.profile is not None for leg in trip.legs)
    assert sum(leg.distance_m for leg in draft.legs) <= 2.01 * 69e3


def test_files_are_joined_in_the_order_given(tmp_path):
    rows = road_points()
    half = len(rows) // 2
    paths = [written(tmp_path, gpx_text(part), f"{n}.gpx") for n, part in enumerate((rows[:half], rows[half:]))]
    assert read_road(paths).length_m == pytest.approx(read_road([written(tmp_path, gpx_text(rows))]).length_m, rel=1e-3)


def test_heights_missing_over_a_pass_leave_its_leg_unknown(tmp_path):
    rows = [(lat, lon, None if 37.46 < lat < 37.52 else height) for lat, lon, height in road_points()]
    _, draft = new_from_track(tmp_path / "trip", [written(tmp_path, gpx_text(rows))])
    unknown = [leg for leg in draft.legs if not leg.known]
    assert unknown
    assert sum(leg.distance_m for leg in unknown) < 30e3
    assert draft.assumed[0].startswith("Elevations are not known on ")
    trip, _ = open_folder(tmp_path / "trip")
    assert sum(leg.profile is None for leg in trip.legs) == len(unknown)


def test_a_track_without_heights_is_a_trip_without_profiles(tmp_path):
    _, draft = new_from_track(tmp_path / "trip", [written(tmp_path, gpx_text(road_points(), heights=False))])
    assert not any(leg.known for leg in draft.legs)
    assert draft.places[-1].elevation_m == pytest.approx(2172.0, abs=20.0)  # Pagosa Springs, from the table of towns
    trip, _ = open_folder(tmp_path / "trip")
    assert all(leg.profile is None for leg in trip.legs)


def test_the_tables_can_be_sheets(tmp_path):
    path = written(tmp_path, gpx_text(road_points()))
    files, draft = new_from_track(tmp_path / "trip", [path], spreadsheet=True)
    assert files == ("route.gpx", "trip.xlsx")
    new_from_track(tmp_path / "toml", [path])
    (trip, car), (same, _) = open_folder(tmp_path / "trip"), open_folder(tmp_path / "toml")
    assert len(trip.legs) == len(draft.legs)
    assert [said.replace("trip.xlsx [legs]", "legs.csv") for said in trip.assumptions] == list(same.assumptions)
    assert car.base


def test_kml_and_geojson_hold_the_same_road(tmp_path):
    rows = road_points()
    points = " ".join(f"{lon:.7f},{lat:.7f},{height:.2f}" for lat, lon, height in rows)
    kml = (
        '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>Wolf Creek Pass'
        "</name><Point><coordinates>-106.8021,37.4835,0</coordinates></Point></Placemark><Placemark><LineString>"
        f"<coordinates>\n{points}\n</coordinates></LineString></Placemark></Document></kml>"
    )
    line = {"type": "LineString", "coordinates": [[lon, lat, height] for lat, lon, height in rows]}
    mark = {"type": "Point", "coordinates": [-106.8021, 37.4835]}
    features = [
        {"type": "Feature", "properties": {}, "geometry": line},
        {"type": "Feature", "properties": {"name": "Wolf Creek Pass"}, "geometry": mark},
    ]
    geojson = json.dumps({"type": "FeatureCollection", "features": features})
    wanted = read_road([written(tmp_path, gpx_text(rows))])
    for name, text in (("road.kml", kml), ("road.geojson", geojson)):
        road = read_road([written(tmp_path, text, name)])
        assert road.length_m == pytest.approx(wanted.length_m, rel=1e-6)
        assert road.elevation_m == pytest.approx(wanted.elevation_m, abs=0.1)
        assert [one.name for one in road.named] == ["Wolf Creek Pass"]


REFUSED = {
    "KML that is GPX": ("a.kml", "<gpx/>", "file-type", 1),
    "KML cut short": ("a.kml", "<kml>", "unreadable", 1),
    "KML without a line": ("a.kml", "<kml><Document/></kml>", "track", 0),
    "KML with an entity": ("a.kml", '<!DOCTYPE kml [<!ENTITY a "b">]><kml>&a;</kml>', "unsafe-xml", 0),
    "KML off the globe": (
        "a.kml",
        "<kml><LineString><coordinates>7,95,0 8,95,0</coordinates></LineString></kml>",
        "invalid-point",
        1,
    ),
    "KML nested deep": ("a.kml", "<kml>" + "<a>" * 100 + "</a>" * 100 + "</kml>", "too-large", 1),
    "JSON that is none": ("a.geojson", "{", "unreadable", 1),
    "JSON nested deep": ("a.geojson", "[" * 100_000, "too-large", 0),
    "GeoJSON that is a list": ("a.geojson", "[]", "unreadable", 0),
    "GeoJSON without a line": ("a.geojson", '{"type": "Point", "coordinates": [1, 2]}', "track", 0),
    "GeoJSON with a word": ("a.geojson", '{"type": "LineString", "coordinates": [[1, 2], ["x", 3]]}', "unreadable", 0),
    "GeoJSON at infinity": (
        "a.geojson",
        '{"type": "LineString", "coordinates": [[1, 2], [1e999, 3]]}',
        "unreadable",
        0,
    ),
    "a web page as KML": ("a.kml", "<html></html>", "file-type", 0),
    "a web page as GPX": ("a.gpx", "\n<!DOCTYPE html><p>", "file-type", 0),
    "KML with only a link": ("a.kml", "<kml><NetworkLink><Link/></NetworkLink></kml>", "track", 0),
    "a text": ("a.txt", "x", "file-type", 0),
    "a zip archive as GPX": ("a.gpx", "PK\x03\x04", "file-type", 0),
    "a packed KML": ("a.kmz", "PK\x03\x04", "file-type", 0),
    "GPX without a track": ("a.gpx", "<gpx/>", "track", 0),
}


@pytest.mark.parametrize(("name", "text", "code", "row"), REFUSED.values(), ids=REFUSED)
def test_what_cannot_be_read_is_told(name, text, code, row, tmp_path):
    with pytest.raises(TripError) as caught:
        new_from_track(tmp_path / "trip", [written(tmp_path, text, name)])
    assert [(one.file, one.code, one.row) for one in caught.value.found] == [(name, code, row)]
    assert not (tmp_path / "trip").exists()


def test_options_that_cannot_be(tmp_path):
    path = written(tmp_path, gpx_text(road_points(400.0)))
    for asked, said in (
        ({"start": "tomorrow"}, "--start 'tomorrow': write the local date and time"),
        ({"driving": "a lot"}, "--nights 'a lot': write the longest driving time per day, up to 24 hours, e.g. 6h"),
        (
            {"driving": "3"},
            "--nights '3': write 3h for at most 3 hours of driving a day; for 3 nights, set days = 4 in trip",
        ),
        ({"driving": "30h"}, "--nights '30h': write the longest driving time per day, up to 24 hours, e.g. 6h"),
        ({"base": "estate-1990-six"}, "--base 'estate-1990-six': did you mean 'estate-1990s-six'?"),
        ({"base": "wagon-1990s-six"}, "--base 'wagon-1990s-six': did you mean 'estate-1990s-six'?"),
    ):
        with pytest.raises(PlannerError, match=said.replace("?", r"\?")):
            new_from_track(tmp_path / "trip", [path], **asked)
    for tracks, said in (
        ([tmp_path / "no.gpx"], "; write the whole path, or run the command there"),
        ([tmp_path], "is a folder; name a file in it"),
        ([tmp_path / "road"], "road: has no ending; track files are .gpx"),
        ([Path("https://example.org/maps/Trinidad")], "is a web address; download the track, then name the file"),
        ([Path("HTTP://example.org/a.gpx")], "is a web address"),
        ([written(tmp_path, "PK\x03\x04", "b.gpx")], "is a zip archive; unpack it, then name the track inside"),
        ([written(tmp_path, "PK\x03\x04", "b.kmz")], "is a zip archive"),
        (
            [written(tmp_path, "<kml><NetworkLink><Link/></NetworkLink></kml>", "b.kml")],
            "contains only a link to a file elsewhere; open the link, and save the line itself as KML",
        ),
    ):
        with pytest.raises(TripError) as caught:
            new_from_track(tmp_path / "trip", tracks)
        assert said in caught.value.problems[0]
    (tmp_path / "trip").mkdir()
    (tmp_path / "trip" / "mine.txt").write_text("x", encoding="utf-8")
    with pytest.raises(PlannerError, match="already contains files"):
        new_from_track(tmp_path / "trip", [path])


def test_what_nobody_said_is_assumed_and_told(tmp_path):
    path = written(tmp_path, gpx_text(road_points(400.0)))
    _, draft = new_from_track(tmp_path / "a", [path], driving="6 hours")
    assert draft.assumed[0].startswith("Departure on 2027-07-15 at 08:00: none was given.")
    assert 'driving = "6 h"' in (tmp_path / "a" / "trip.toml").read_text(encoding="utf-8")
    _, draft = new_from_track(tmp_path / "b", [path], start="2027-08-06")
    assert draft.departure == datetime(2027, 8, 6, 8, 0)  # a date alone is no midnight
    assert not any("Departure" in one for one in draft.assumed)


def test_elevations_in_feet_are_refused(tmp_path):
    rows = [(lat, lon, height / 0.3048) for lat, lon, height in road_points(40.0)]
    with pytest.raises(TripError) as caught:
        new_from_track(tmp_path / "trip", [written(tmp_path, gpx_text(rows))], steep=True)
    assert "has elevations from 7,126 to 10,856; a track holds metres, at most 6,500" in caught.value.problems[0]
    level = [(38.5 + 0.001 * n, -99.0, 1970.0 + 0.1 * n) for n in range(60)]  # Kansas, 600 m
    with pytest.raises(TripError) as caught:
        new_from_track(tmp_path / "trip", [written(tmp_path, gpx_text(level))])
    assert caught.value.problems[0].endswith("Or are lat and lon in the wrong order?")


def test_elevations_far_from_the_ground_are_told(tmp_path):
    rows = [(27.3 + 0.001 * n, -81.2, 1500.0 + 0.1 * n) for n in range(60)]  # Florida
    _, draft = new_from_track(tmp_path / "trip", [written(tmp_path, gpx_text(rows))])
    assert any(one.startswith("Half of the track's elevations are over 1,4") for one in draft.assumed)
    _, draft = new_from_track(tmp_path / "right", [written(tmp_path, gpx_text(road_points(40.0)))])
    assert not any("from the ground" in one for one in draft.assumed)


def test_stretches_without_points_are_told(tmp_path, run):
    rows = road_points(40.0)
    path = written(tmp_path, gpx_text([*rows[:200], *rows[300:]]))
    _, draft = new_from_track(tmp_path / "trip", [path])
    assert any(one.startswith("Straight lines without points over 2 mi (mi 5 to 7); the road") for one in draft.assumed)
    bare = written(tmp_path, gpx_text(rows, heights=False), "bare.gpx")
    assert "climb not known" in run("new", tmp_path / "bare", "--track", bare).out
    half = [(lat, lon, None if 600 < n < 900 else height) for n, (lat, lon, height) in enumerate(rows)]
    part = written(tmp_path, gpx_text(half), "part.gpx")
    assert "ft where elevations are known" in run("new", tmp_path / "part", "--track", part).out


def test_a_steep_road_keeps_its_grades_when_asked(tmp_path):
    along = np.arange(0.0, 4000.0, 25.0)
    height = 300.0 + np.interp(along, (0.0, 1000.0, 2500.0, 4000.0), (0.0, 50.0, 350.0, 400.0))  # 20 % in the middle
    path = written(tmp_path, gpx_text(list(zip(45.0 + along / 111_150.0, 0.0 * along + 6.4, height, strict=True))))
    with pytest.raises(TripError) as caught:
        new_from_track(tmp_path / "refused", [path])
    assert "too steep for a road" in caught.value.problems[0]
    assert caught.value.problems[0].endswith("If the road is that steep, add --steep")
    _, draft = new_from_track(tmp_path / "trip", [path], steep=True)
    assert climb_m(draft.track.elevation_m) == pytest.approx(397.5, abs=5.0)
    trip, _ = open_folder(tmp_path / "trip")  # and read from the files again
    steepest = max(
        np.max(np.diff(leg.profile.elevation_m) / np.diff(leg.profile.distance_m)) for leg in trip.legs if leg.profile
    )
    assert steepest == pytest.approx(0.20, abs=0.01)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--track", "a.gpx", "b.gpx"), "Write --track before every track: grademargin new july --track day1.gpx"),
        (("--start", "2027-08-06", "07:00"), "Put a date and its time in quotation marks: --start '2027-08-06 07:00'"),
    ],
)
def test_words_too_many_are_understood(words, said, run, tmp_path):
    found = run("new", tmp_path / "trip", *words)
    assert found.code == 2
    assert said in found.err


@pytest.mark.parametrize("name", ["korita-zbevnica", "cerknicko-jezero", "around-visnjan-with-car", "route"])
def test_tracks_of_other_hands_become_trips(name, tmp_path):
    path = GPX / f"{name}.gpx"
    if not path.is_file():
        pytest.skip(f"{path} is not here; see data/SOURCES.md beside it")
    _, draft = new_from_track(tmp_path / "trip", [path])
    trip, _ = open_folder(tmp_path / "trip")
    assert len(trip.legs) == len(draft.legs) >= 1
    assert draft.units == "metric"


def test_a_walk_is_refused(tmp_path):
    path = GPX / "Mojstrovka.gpx"
    if not path.is_file():
        pytest.skip(f"{path} is not here; see data/SOURCES.md beside it")
    with pytest.raises(TripError) as caught:
        new_from_track(tmp_path / "trip", [path])
    assert "too steep for a road" in caught.value.problems[0]


def test_speeds_follow_grade_bends_and_towns(pass_road):
    road = Stretches(pass_road)
    open_road, climb = road.part(2e3, 10e3), road.part(20e3, 30e3)
    assert speed_m_per_s(climb) < speed_m_per_s(open_road) <= OPEN_M_PER_S
    assert speed_m_per_s(open_road, ((4e3, 1000.0),)) < speed_m_per_s(open_road)
    assert speed_m_per_s(open_road, ((4e3, 1600.0),)) == speed_m_per_s(open_road)  # the road goes round the town


def straight_road(grade, length_m=10e3, wobble_m=0.0):
    along = np.arange(0.0, length_m + 1.0, 50.0)
    height = 500.0 + grade * along + wobble_m * (-1.0) ** np.arange(along.size)
    rows = (along, height, 40.0 + along / 111_195.0, np.full(along.size, -105.0))
    names = ("distance_m", "elevation_m", "lat_deg", "lon_deg")
    return GpxTrack(**{name: tuple(row.tolist()) for name, row in zip(names, rows, strict=True)})


def test_drivers_give_up_little_speed_on_a_straight_grade():
    # Fitzpatrick and others, FHWA-RD-99-171 (2000), 85th percentile with a large radius: 104.82 km/h on 0 to 4 %,
    # 96.61 km/h on upgrades of 4 to 9 % (from memory).
    ratio = speed_m_per_s(straight_road(0.065)) / speed_m_per_s(straight_road(0.01))
    assert ratio == pytest.approx(96.61 / 104.82, abs=0.01)
    assert speed_m_per_s(straight_road(0.10)) < speed_m_per_s(straight_road(0.08))


def test_noise_of_heights_is_no_steep_grade():
    assert speed_m_per_s(straight_road(0.02, wobble_m=3.0)) == pytest.approx(speed_m_per_s(straight_road(0.02)))


def test_between_bends_a_car_gains_only_some_speed():
    along = np.arange(0.0, 3000.0, 50.0)
    leg = np.floor(along / 300.0)
    lat = 46.5 + np.abs((along / 300.0 - leg) - (leg % 2)) * 300.0 / 111_195.0  # up and down, 300 m each way
    lon = 10.4 + leg * 20.0 / 76_000.0
    track = GpxTrack(
        distance_m=tuple(along.tolist()),
        elevation_m=(1500.0,) * along.size,
        lat_deg=tuple(lat.tolist()),
        lon_deg=tuple(lon.tolist()),
    )
    slow, halfway_m = 8.5, 150.0  # m/s that a hairpin between points 50 m apart allows at most; metres to the middle
    most = math.sqrt(slow**2 + 2.0 * SPEEDS_UP_M_PER_S2 * halfway_m)
    assert speed_m_per_s(track) < most < 0.7 * OPEN_M_PER_S


def test_cuts_never_pass_the_most_legs_of_a_drive():
    along = np.arange(0.0, 3000e3, 1000.0)
    heights = 500.0 + 300.0 * np.sin(along / 1500.0)
    lats, lons = 30.0 + 20.0 * along / 3000e3, -100.0 + 0.2 * np.sin(along / 40e3)
    rows = zip(lats.tolist(), lons.tolist(), heights.tolist(), strict=True)
    points = Points()
    for lat, lon, height in rows:
        points.lat_deg.append(lat)
        points.lon_deg.append(lon)
        points.elevation_m.append(height)
    track = track_of(points)
    assert not isinstance(track, str)
    cuts = cuts_of(Stretches(track))
    assert len(cuts) <= 301
    assert [cut.at_m for cut in cuts] == sorted(cut.at_m for cut in cuts)
    assert (cuts[0].at_m, cuts[-1].at_m) == (0.0, track.length_m)


def test_bends_stay_within_what_was_asked():
    along = np.linspace(0.0, 50e3, 2001)
    height = 100.0 * np.sin(along / 3e3) + 20.0 * np.sin(along / 500.0)
    kept = bends_of(along, height, 15.0)
    assert np.abs(np.interp(along, along[kept], height[kept]) - height).max() <= 15.0
    assert len(kept) < 300


def test_a_road_over_the_180th_meridian_is_as_long_as_any_other():
    def drafted(shift_deg):
        points, share = Points(), np.linspace(0.0, 1.0, 800)
        points.lat_deg.extend((-16.8 + 0.05 * np.sin(20.0 * share)).tolist())
        points.lon_deg.extend(((179.8 + shift_deg + 0.4 * share + 180.0) % 360.0 - 180.0).tolist())
        points.elevation_m.extend((50.0 + 300.0 * np.sin(np.pi * share) ** 2).tolist())
        return draft_of(track_of(points), name="x", departure=START)

    over, elsewhere = drafted(0.0), drafted(-40.0)
    assert over.places[0].lon_deg > 0.0 > over.places[-1].lon_deg
    assert sum(leg.distance_m for leg in over.legs) == pytest.approx(over.track.length_m, rel=1e-9)
    assert over.track.length_m == pytest.approx(elsewhere.track.length_m, rel=1e-6)
    for leg in over.legs:
        assert leg.known
        assert leg.distance_m < 0.7 * over.track.length_m
