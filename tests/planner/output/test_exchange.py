"""Files for other programs, read back by readers that are not ours: gpxpy and an XML parser, icalendar, geojson."""

import json
import math
import re
import xml.etree.ElementTree as ET
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import geojson
import gpxpy
import icalendar
import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from rules import with_trip

import planner
from planner.forecast.assemble import make_forecast, read_inputs
from planner.forecast.run import span_of
from planner.model import clock
from planner.model.plaintext import printable
from planner.output.export import exchange_files
from planner.output.gpx import leg_lines, trip_gpx
from planner.output.ics import trip_ics
from planner.output.icsbefore import read_calendar
from planner.output.mapscene import make_scene
from planner.output.marks import KINDS, hot_spots, hot_words, marks
from planner.output.outcome import margin_words
from planner.output.report import make_report, sentence

GPX = "{http://www.topografix.com/GPX/1/1}"
# Order of children in the GPX 1.1 schema, topografix.com/GPX/1/1/gpx.xsd, those written here. From memory.
WPT = ["ele", "time", "name", "desc", "type"]
TOP = ["metadata", "wpt", "rte", "trk"]
HOSTILE = "A<b>&\"'\x00\x1b;,\\ \u202e]]>\nend " + "é東" * 60
EXAMPLES = ["minimal", "alps", "big"]


@pytest.fixture(scope="module")
def thin(minimal):
    """The minimal trip, heavily laden, with so wide a band of thin margins that there is something to remedy."""
    inputs = read_inputs(minimal.outlook.trip.folder).changed(
        {"trailer.drag_area": "0.9 m**2", "trailer.mass": "1500 kg"}
    )
    outlook = with_trip(make_forecast(inputs), thin_band_k=60.0)
    return make_report(outlook)


@pytest.fixture(scope="module")
def hostile(thin):
    """The same with names that mean something to XML, to calendars and to JSON."""
    trip = thin.outlook.trip
    places = {key: replace(place, name=HOSTILE) for key, place in trip.places.items()}
    outlook = replace(thin.outlook, route=replace(thin.outlook.route, trip=replace(trip, name=HOSTILE, places=places)))
    return make_report(outlook)


# --- marks ---


@pytest.mark.parametrize("name", EXAMPLES)
def test_marks_come_in_order_of_time_and_lie_on_the_track(request, name):
    report = request.getfixturevalue(name)
    line, found = report.outlook.timeline, marks(report)
    assert found[0].kind == "start"
    assert found[-1].kind == "finish"
    assert all(a.begin.astimezone(UTC) <= b.begin.astimezone(UTC) for a, b in pairwise(found))
    assert {mark.kind for mark in found} <= set(KINDS)
    for mark in found:
        assert mark.end.astimezone(UTC) >= mark.begin.astimezone(UTC)
        assert mark.begin.utcoffset() is not None
        if mark.point:
            at = mark.point - 1
            away = Geodesic.WGS84.Inverse(mark.lat_deg, mark.lon_deg, line.lat_deg[at], line.lon_deg[at])["s12"]
            assert away < 1.0
            assert int(line.drive.day[at]) == mark.day


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_pause_fuel_stop_and_hot_spot_has_its_mark(request, name):
    report = request.getfixturevalue(name)
    kinds = [mark.kind for mark in marks(report)]
    for kind in ("break", "halt", "event", "night"):
        assert kinds.count(kind) == sum(span.kind == kind for span in report.outlook.timeline.spans)
    assert kinds.count("fuel") == len(report.fuel.stops)
    hot = [mark.leg for mark in marks(report) if mark.kind == "hot"]
    assert sorted(hot) == [margin.leg for margin in report.notable()]
    unknown = [mark for mark in marks(report) if mark.kind == "unknown"]
    assert sorted(mark.leg for mark in unknown) == [margin.leg for margin in report.unknown()]
    assert all("margin not known" in mark.title for mark in unknown)


def test_pauses_last_as_long_as_the_plan_says(big):
    nights = [mark for mark in marks(big) if mark.kind == "night"]
    line = big.outlook.timeline
    spans = [span for span in line.spans if span.kind == "night"]
    for mark, span in zip(nights, spans, strict=True):
        assert mark.begin.timestamp() == pytest.approx(line.begin_s[span.first], abs=1e-3)
        assert mark.end.timestamp() == pytest.approx(line.end_s[span.last], abs=1e-3)


def test_neighbouring_hot_legs_become_one_spot(big):
    spots = hot_spots(big)
    assert len(spots) <= len(big.notable())
    assert min(m.margin_k for m in spots) == min(m.margin_k for m in big.notable())
    assert not any(b.leg == a.leg + 1 and (a.near, a.fluid) == (b.near, b.fluid) for a, b in pairwise(spots))


@pytest.fixture(scope="module")
def all_thin(alps):
    """The alpine trip with every leg thin, so that some on end share their place and fluid."""
    outlook = with_trip(alps.outlook, thin_band_k=300.0)
    return make_report(outlook, remedies=False)


def test_every_leg_that_is_not_ample_is_marked_and_told_ahead(all_thin):
    legs = [margin.leg for margin in all_thin.notable()]
    assert legs == list(range(len(all_thin.outlook.legs)))
    assert len(hot_spots(all_thin)) < len(legs)
    assert sorted(mark.leg for mark in marks(all_thin) if mark.kind == "hot") == legs
    scene = make_scene(all_thin)
    ahead = next(group for group in scene.ahead if group.heading == "Next hot place").milestones
    starts = [span_of(all_thin.outlook, leg).first for leg in legs]
    assert all(start < one.point for start, one in zip(starts, ahead, strict=True))  # still ahead where the leg begins


def test_a_button_leads_to_its_leg_and_names_those_that_it_stands_for(all_thin):
    scene, said = make_scene(all_thin), 0
    for margin in hot_spots(all_thin):
        words = hot_words(all_thin, margin)
        said += 1 + words.count("; next leg thin") + words.count("; leg before thin")
    assert said == len(all_thin.notable())
    shown = sorted(hot_spots(all_thin), key=lambda margin: margin.margin_k)[: len(scene.spots)]
    for spot, margin in zip(scene.spots, shown, strict=True):
        assert spot.text.startswith(hot_words(all_thin, margin))
        assert scene.markers[spot.marker].text.startswith(sentence(all_thin, margin))
    assert any("the map shows all" in fact for fact in scene.facts) == (len(hot_spots(all_thin)) > len(scene.spots))


def test_expected_upper_and_limit_stand_side_by_side(thin):
    margin = replace(thin.notable()[0], fluid="differential", peak_k=390.93, limit_k=408.15, margin_k=-5.56)
    assert margin.upper_k == pytest.approx(413.71)
    said = margin_words(thin, replace(margin, level="exceeded"))
    assert said == "differential 244 °F expected, up to 285 at 90 %, limit 275: exceeded"


# --- GPX ---


@pytest.mark.parametrize("name", EXAMPLES)
def test_gpxpy_reads_the_trip_back(request, name):
    report = request.getfixturevalue(name)
    outlook = report.outlook
    back = gpxpy.parse(trip_gpx(report))
    assert back.version == "1.1"
    assert back.name == outlook.trip.name
    assert [point.name for point in back.waypoints] == [mark.title for mark in marks(report)]
    assert len(back.routes[0].points) == len(outlook.legs) + 1
    assert len(back.tracks) == len(outlook.timeline.days)
    points = [point for track in back.tracks for segment in track.segments for point in segment.points]
    assert all(math.isfinite(point.elevation) for point in points)
    top = max(float(outlook.timeline.end_elevation_m.max()), outlook.trip.places[outlook.legs[0].start].elevation_m)
    assert max(point.elevation for point in points) == pytest.approx(top, abs=0.06)
    for day, track in zip(outlook.timeline.days, back.tracks, strict=True):
        first, last = track.segments[0].points[0], track.segments[0].points[-1]
        start = outlook.trip.places[outlook.legs[day.first].start]
        finish = outlook.trip.places[outlook.legs[day.last].finish]
        assert (first.latitude, first.longitude) == pytest.approx((start.lat_deg, start.lon_deg), abs=1e-5)
        assert (last.latitude, last.longitude) == pytest.approx((finish.lat_deg, finish.lon_deg), abs=1e-5)
        assert first.elevation == pytest.approx(start.elevation_m, abs=0.06)


def test_the_gpx_keeps_the_order_of_its_schema(big):
    root = ET.fromstring(trip_gpx(big))
    assert root.tag == f"{GPX}gpx"
    assert root.attrib["version"] == "1.1"
    order = [TOP.index(child.tag.removeprefix(GPX)) for child in root]
    assert order == sorted(order)
    for point in (*root.iter(f"{GPX}wpt"), *root.iter(f"{GPX}rtept"), *root.iter(f"{GPX}trkpt")):
        tags = [WPT.index(child.tag.removeprefix(GPX)) for child in point]
        assert tags == sorted(set(tags))
        assert -90.0 <= float(point.attrib["lat"]) <= 90.0
        assert -180.0 <= float(point.attrib["lon"]) < 180.0
    for time in root.iter(f"{GPX}time"):
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", time.text or "")


@pytest.mark.parametrize("name", ["alps", "big"])
def test_thinned_legs_keep_the_height_of_the_road(request, name):
    report = request.getfixturevalue(name)
    line = report.outlook.timeline
    for leg in range(len(report.outlook.legs)):
        thinned, span = leg_lines(report)[leg], span_of(report.outlook, leg)
        heights = line.end_elevation_m[span.first : span.last + 1]
        assert thinned[:, 2].max() >= heights.max() - 0.06
        length = np.cumsum(line.drive.length_m[span.first : span.last + 1])
        # Positions run evenly along the leg, so the share of latitude and longitude is the share of distance.
        start, end = thinned[0, :2], thinned[-1, :2]
        across = int(np.argmax(np.abs(end - start)))
        share = (thinned[:, across] - start[across]) / (end[across] - start[across])
        count = np.arange(1, len(heights) + 1) / len(heights)
        drawn = np.interp(count, share, thinned[:, 2])
        assert np.abs(drawn - heights).max() < 12.0, (leg, length[-1])


# --- iCalendar ---


@pytest.mark.parametrize("name", EXAMPLES)
def test_icalendar_reads_the_trip_back(request, name):
    report = request.getfixturevalue(name)
    calendar = icalendar.Calendar.from_ical(trip_ics(report))
    assert calendar["version"] == "2.0"
    assert calendar["prodid"]
    events = list(calendar.walk("VEVENT"))
    found = [mark for mark in marks(report) if mark.kind not in ("start", "finish", "cool", "unknown")]
    assert len(events) == len(report.outlook.timeline.days) + len(found)
    for event in events:
        begin = event.decoded("dtstart")
        assert begin.utcoffset() == timedelta(0)
        if "dtend" in event:
            assert event.decoded("dtend") > begin
    for event, mark in zip(events[len(report.outlook.timeline.days) :], found, strict=True):
        assert str(event["summary"]) == mark.title
        assert abs(event.decoded("dtstart") - mark.begin.astimezone(UTC)) < timedelta(minutes=1)
        assert event["geo"].latitude == pytest.approx(mark.lat_deg, abs=1e-5)
    assert len({str(event["uid"]) for event in events}) == len(events)


@pytest.mark.parametrize("name", ["minimal", "big", "hostile"])
def test_the_calendar_obeys_the_standard_octet_by_octet(request, name):
    # RFC 5545: 3.1 lines of at most 75 octets ended by CRLF, 3.3.5 UTC, 3.6.1 UID and DTSTAMP in every event.
    report = request.getfixturevalue(name)
    data = trip_ics(report).encode("utf-8")
    assert data.endswith(b"END:VCALENDAR\r\n")
    assert data.count(b"\n") == data.count(b"\r") == data.count(b"\r\n")
    for line in data.split(b"\r\n"):
        assert len(line) <= 75
        line.decode("utf-8")  # no character is cut in two
    unfolded = data.replace(b"\r\n ", b"").decode("utf-8").split("\r\n")
    assert all(re.match(r"[A-Z-]+[:;]", line) for line in unfolded if line)
    assert sum(line == "BEGIN:VEVENT" for line in unfolded) == sum(line.startswith("UID:") for line in unfolded)
    stamps = {line for line in unfolded if line.startswith("DTSTAMP")}
    departure = datetime.fromtimestamp(report.outlook.timeline.begin_s[0], tz=UTC)
    assert stamps == {f"DTSTAMP:{departure:%Y%m%dT%H%M%SZ}"}
    for line in unfolded:
        if line.startswith(("DTSTART", "DTEND")):
            assert re.fullmatch(r"DT(START|END):\d{8}T\d{6}Z", line)


def later(report, minutes):
    """The same plan, every leg arriving later."""
    line = replace(report.outlook.timeline, end_s=report.outlook.timeline.end_s + 60.0 * minutes)
    return make_report(replace(report.outlook, route=replace(report.outlook.route, timeline=line)), remedies=False)


def by_uid(text):
    return {str(event["uid"]): event for event in icalendar.Calendar.from_ical(text).walk("VEVENT")}


def test_an_event_keeps_its_identity_when_the_plan_moves(minimal):
    renamed = make_report(with_trip(minimal.outlook, name="Another"), remedies=False)
    for other in (later(minimal, 30), renamed):
        assert by_uid(trip_ics(minimal)).keys() == by_uid(trip_ics(other)).keys()


def test_a_changed_event_is_a_later_version_and_an_unchanged_one_the_same(big):
    first = trip_ics(big)
    assert {int(event["sequence"]) for event in by_uid(first).values()} == {0}
    assert trip_ics(big, read_calendar(first)) == first
    moved = later(big, 30)
    second = trip_ics(moved, read_calendar(first))
    before, after = by_uid(first), by_uid(second)
    assert before.keys() == after.keys()
    for uid, event in after.items():
        # RFC 5545, 3.8.7.4: raised by a change; 3.8.7.3: when it was last revised.
        same = all(event.get(name) == before[uid].get(name) for name in ("dtstart", "dtend", "summary", "description"))
        assert int(event["sequence"]) == (0 if same else 1)
        assert (event.decoded("last-modified") > before[uid].decoded("last-modified")) == (not same)
        assert event.decoded("dtstamp") == event.decoded("last-modified")
    assert any(int(event["sequence"]) for event in after.values())
    third = trip_ics(big, read_calendar(second))
    assert max(int(event["sequence"]) for event in by_uid(third).values()) == 2


def test_importing_what_is_left_of_a_trip_leaves_no_doubles(big):
    # A calendar keeps one event a UID and takes the version with the higher SEQUENCE (RFC 5546, 2.1.5).
    whole = trip_ics(big)
    trip = big.outlook.trip
    night = trip.places[big.outlook.legs[big.outlook.timeline.days[4].last].finish]
    start = big.outlook.timeline.days[5].start_s
    at = clock.local(start, night.lat_deg, night.lon_deg) + timedelta(minutes=45)
    rest = planner.plan(trip.folder, from_place=night.key, at=f"{at:%Y-%m-%d %H:%M}", remedies=False)
    left = trip_ics(rest.report, read_calendar(whole))
    held = by_uid(whole)
    for uid, event in by_uid(left).items():
        assert uid not in held or int(event["sequence"]) >= int(held[uid]["sequence"])
        held[uid] = event
    shown = [event for event in held.values() if event.get("status") != "CANCELLED"]
    days = [event for event in shown if str(event["uid"]).startswith("day-")]
    assert len(days) == len({event.decoded("dtstart").date() for event in days}) == len(big.outlook.timeline.days)
    told = [(str(event["summary"]), event.decoded("dtstart")) for event in shown]
    assert len(told) == len(set(told))
    places = Counter(
        (str(e["summary"]).split(",")[0], str(e.get("location"))) for e in shown if "fuel" in str(e["uid"])
    )
    assert max(places.values()) == 1


@pytest.mark.parametrize("text", ["", "BEGIN:VEVENT", "BEGIN:VEVENT\nUID:x\nEND:VEVENT", "\0" * 99, "UID:" * 999])
def test_an_earlier_calendar_that_is_not_ours_counts_as_none(minimal, text):
    assert read_calendar(text).events == {}
    assert trip_ics(minimal, read_calendar(text)) == trip_ics(minimal)


# --- GeoJSON ---


def refuse(text):
    raise AssertionError(text)


@pytest.mark.parametrize("name", EXAMPLES)
def test_geojson_reads_the_trip_back(request, name):
    report = request.getfixturevalue(name)
    text = exchange_files(report)["trip.geojson"]
    json.loads(text, parse_constant=refuse)
    back = geojson.loads(text)
    assert back.is_valid
    assert "crs" not in back
    lines = [one for one in back["features"] if one["geometry"]["type"] == "LineString"]
    points = [one for one in back["features"] if one["geometry"]["type"] == "Point"]
    assert len(lines) == len(report.outlook.legs)
    assert len(points) == len(marks(report))
    for i, feature in enumerate(lines):
        leg, place = report.outlook.legs[i], report.outlook.trip.places[report.outlook.legs[i].start]
        lon, lat, height = feature["geometry"]["coordinates"][0]
        assert (lon, lat) == pytest.approx((place.lon_deg, place.lat_deg), abs=1e-5)
        assert height == pytest.approx(place.elevation_m, abs=0.06)
        assert feature["properties"]["level"] == report.worst(i).level
        assert feature["properties"]["margin_k"] == pytest.approx(report.worst(i).margin_k, abs=0.006)
        assert feature["properties"]["distance_m"] == pytest.approx(leg.distance_m, abs=0.06)
        assert datetime.fromisoformat(feature["properties"]["arrive"]).utcoffset() is not None
    for a, b in pairwise(lines):
        assert a["geometry"]["coordinates"][-1] == pytest.approx(b["geometry"]["coordinates"][0], abs=0.06)


# --- all of them ---


def test_hostile_names_survive_in_every_file(hostile):
    files = exchange_files(hostile)
    shown = printable(HOSTILE)
    back = gpxpy.parse(files["trip.gpx"])
    assert back.name == shown
    ET.fromstring(files["trip.gpx"])
    calendar = icalendar.Calendar.from_ical(files["trip.ics"])
    # NAME is text (RFC 7986, 5.1), which this reader leaves as it stands in the file.
    raw = str(calendar["name"])
    assert re.sub(r"\\(.)", lambda found: "\n" if found[1] == "n" else found[1], raw) == shown
    assert not [name for name in calendar if name.startswith("X-")]
    assert any(shown in str(event["summary"]) for event in calendar.walk("VEVENT"))
    assert json.loads(files["trip.geojson"])["name"] == HOSTILE


def test_what_is_thin_and_what_helps_reaches_every_file(thin):
    files = exchange_files(thin)
    title = next(mark.title for mark in marks(thin) if mark.kind == "hot")
    assert title in [point.name for point in gpxpy.parse(files["trip.gpx"]).waypoints]
    assert title in [str(event["summary"]) for event in icalendar.Calendar.from_ical(files["trip.ics"]).walk("VEVENT")]
    assert title in [one["properties"]["name"] for one in json.loads(files["trip.geojson"])["features"]]
    assert any(day.working for day in thin.remedies)
    help_words = thin.remedies[0].working[0].words
    day = next(iter(icalendar.Calendar.from_ical(files["trip.ics"]).walk("VEVENT")))
    assert help_words[1:] in str(day["description"])
