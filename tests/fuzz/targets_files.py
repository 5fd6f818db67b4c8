"""Every reader of files and texts that a person writes, as a function of bytes, with examples to begin from."""

import gzip
import math
import shutil
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from functools import cache
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from xml.sax.saxutils import escape

import numpy as np
from archives import packed
from contract import ROOT, Target, top

from planner.analysis.whatif import _own
from planner.files.folder import read_trip
from planner.files.logmap import LogMapping, Source, map_text, read_map
from planner.files.logpropose import describe_log, describe_read
from planner.files.logs import level_m, read_log
from planner.files.reading import Problems
from planner.files.readings import read_readings
from planner.files.rows import read_weather_file
from planner.files.sessionfile import read_session
from planner.files.tracks import parse_gpx
from planner.files.vehicles import read_vehicle, write_fitted
from planner.model.errors import PlannerError, TripError
from planner.model.paths import data_folder
from planner.model.trip import Trip
from planner.newtrip.fill import fill_places
from planner.newtrip.make import new_from_track
from planner.output.changes import last_plan
from planner.output.icsbefore import last_calendar, sequence_of, time_of
from planner.replan.position import locate
from planner.replan.request import read_request
from thermal.errors import ThermalError
from thermal.posterior import NOTHING
from thermal.units import convert, same_kind, to_delta_k, to_si
from thermal.vehicle_file import VehicleFile

EXAMPLES = ROOT / "data" / "examples"
CLASSES = data_folder() / "vehicles"
_LONGEST = 2000  # of a sentence, so that a terminal can show it


# --- where cases are written ---


@cache
def _folder(example: str, purpose: str) -> Path:
    """A copy of an example, of which one file is written anew for every case."""
    folder = top() / f"{example}-{purpose}"
    shutil.copytree(EXAMPLES / example, folder)
    return folder


@cache
def _empty(purpose: str) -> Path:
    folder = top() / purpose
    folder.mkdir()
    return folder


@cache
def _trip(example: str) -> Trip:
    return read_trip(EXAMPLES / example)


@cache
def _car() -> VehicleFile:
    return read_vehicle(EXAMPLES / "minimal" / "vehicle.toml", CLASSES)


@contextmanager
def told(*names: str) -> Iterator[None]:
    """Let the project's errors pass whose every sentence names one of the files, and can be shown."""
    try:
        yield
    except (PlannerError, ThermalError) as exc:
        for sentence in str(exc).split("\n"):
            assert any(name in sentence for name in names) or sentence.startswith("... and "), sentence[:300]
            assert len(sentence) <= _LONGEST, sentence[:300]
            assert sentence.isprintable(), ascii(sentence[:300])


# --- trip folders ---

_TRIP_FILES = ("trip.toml", "places.csv", "legs.csv", "trip.xlsx", "profiles/", "way.")


def trip_file(name: str) -> Callable[[bytes], None]:
    """One file of the smallest example."""

    def read(data: bytes) -> None:
        folder = _folder("minimal", name)
        (folder / name).write_bytes(data)
        with told(*_TRIP_FILES):
            read_trip(folder)

    return read


def legs_csv(data: bytes) -> None:
    folder = _folder("minimal", "legs")
    (folder / "profile.csv").write_text("distance [mi],elevation [ft]\n0,495\n30,2000\n61,3335\n")
    (folder / "legs.csv").write_bytes(data)
    with told(*_TRIP_FILES):
        read_trip(folder)


def leg_gpx(data: bytes) -> None:
    """A track of the leg of the smallest example."""
    _profile("way.gpx", data)


def profile_csv(data: bytes) -> None:
    """A table of its heights."""
    _profile("way.csv", data)


def _profile(name: str, data: bytes) -> None:
    folder = _folder("minimal", name)
    (folder / "legs.csv").write_text(f"from,to,distance [mi],speed [mph],profile\nneedles,kingman,61,62,{name}\n")
    (folder / name).write_bytes(data)
    with told(*_TRIP_FILES):
        read_trip(folder)


def gpx(data: bytes) -> None:
    """A track: sound, or with a sentence."""
    problems = Problems()
    track = parse_gpx(data, file="a.gpx", problems=problems)
    assert (track is None) == (len(problems) > 0)
    if track is None:
        with told("a.gpx"):
            raise TripError(problems.found())
        return
    rows = (track.distance_m, track.elevation_m, track.lat_deg, track.lon_deg)
    assert len({len(row) for row in rows}) == 1
    assert all(math.isfinite(value) for row in (rows[0], *rows[2:]) for value in row)
    assert track.unknown or all(map(math.isfinite, track.elevation_m))
    assert track.distance_m[0] == 0.0
    assert all(a < b for a, b in pairwise(track.distance_m))


def drawn_road(ending: str) -> Callable[[bytes], None]:
    """A road of one of the formats: a whole folder drafted from it and read back, or a sentence."""

    def read(data: bytes) -> None:
        folder = _empty(f"road{ending}")
        shutil.rmtree(folder / "trip", ignore_errors=True)
        (folder / f"road{ending}").write_bytes(data)
        with told(f"road{ending}"):
            new_from_track(folder / "trip", [folder / f"road{ending}"])
            read_trip(folder / "trip")

    return read


def names_only(data: bytes) -> None:
    """A table of places to be filled."""
    folder = _empty("names")
    (folder / "places.csv").write_bytes(data)
    with told("places.csv"):
        fill_places(folder)


def weather_csv(data: bytes) -> None:
    folder = _empty("weather")
    (folder / "weather.csv").write_bytes(data)
    with told("weather.csv"):
        read_weather_file(folder, _trip("alps").places)


def readings_csv(data: bytes) -> None:
    folder = _empty("readings")
    (folder / "readings.csv").write_bytes(data)
    with told("readings.csv"):
        read_readings(folder, _trip("alps"))


def session_toml(data: bytes) -> None:
    folder = _folder("alps", "session")
    (folder / "session.toml").write_bytes(data)
    with told("session.toml", "laps/"):
        read_session(folder, _trip("alps"))


def lap_csv(data: bytes) -> None:
    folder = _folder("alps", "lap")
    (folder / "laps" / "sorello.csv").write_bytes(data)
    with told("session.toml", "laps/sorello.csv"):
        read_session(folder, _trip("alps"))


def plan_json(data: bytes) -> None:
    (_empty("plan") / "plan.json").write_bytes(data)
    last_plan(_empty("plan"))


# --- the spreadsheet ---


def calendar(data: bytes) -> None:
    (_empty("calendar") / "trip.ics").write_bytes(data)
    found = last_calendar(_empty("calendar"))
    assert all(time_of(event["DTSTART"]) and sequence_of(event) >= 0 for event in found.events.values())


def workbook_bytes(data: bytes) -> None:
    folder = _empty("workbook")
    shutil.copyfile(EXAMPLES / "minimal" / "trip.toml", folder / "trip.toml")
    (folder / "trip.xlsx").write_bytes(data)
    with told(*_TRIP_FILES):
        read_trip(folder)


def workbook_parts(data: bytes) -> None:
    """Parts of the archive as one text, each under a line `@@ name`."""
    parts: dict[str, list[bytes]] = {}
    name = "stray.xml"
    for line in data.split(b"\n"):
        if line.startswith(b"@@ "):
            name = line[3:].decode("utf-8", "replace")[:200] or "x"
            continue
        parts.setdefault(name, []).append(line)
    workbook_bytes(packed({name: b"\n".join(lines) for name, lines in parts.items()}, zipfile.ZIP_STORED))


def workbook_cells(data: bytes) -> None:
    """Cells parted by tabs; a line `@@` begins the next sheet; a cell may begin with its type and its place."""
    sheets = data.decode("utf-8", "replace").split("\n@@\n")[:3]
    parts = dict(_PARTS)
    for number, text in enumerate(sheets, start=1):
        rows = "".join(f"<row>{''.join(map(_cell, line.split(chr(9))))}</row>" for line in text.split("\n"))
        parts[f"xl/worksheets/sheet{number}.xml"] = _SHEET.format(rows).encode("utf-8", "replace")
    workbook_bytes(packed(parts, zipfile.ZIP_STORED))


def _cell(text: str) -> str:
    """'n|5' a number, 'd|45000' a date, 'f|1+1' a formula, 'b|1' a yes or no, 'e|#REF!' an error, else a text."""
    kind, bar, rest = text.partition("|")
    inner = escape("".join(char for char in (rest if bar else text) if char.isprintable()))
    if bar and kind in ("n", "b", "e", "str", "d"):
        return f'<c t="{kind}"><v>{inner}</v></c>'
    if bar and kind == "s":
        return f'<c s="1"><v>{inner}</v></c>'
    if bar and kind == "f":
        return f"<c><f>{inner}</f></c>"
    return f'<c t="inlineStr"><is><t>{inner}</t></is></c>' if inner else "<c/>"


_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_TYPES = "application/vnd.openxmlformats-officedocument.spreadsheetml"
_SHEET = f'<worksheet xmlns="{_MAIN}"><sheetData>{{}}</sheetData></worksheet>'
_PARTS = {
    "[Content_Types].xml": (
        '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Default Extension="xml" ContentType="application/xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{_TYPES}.sheet.main+xml"/></Types>'
    ).encode(),
    "_rels/.rels": (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f'<Relationship Id="r1" Type="{_OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>'
    ).encode(),
    "xl/workbook.xml": (
        f'<workbook xmlns="{_MAIN}" xmlns:r="{_OFFICE}"><sheets><sheet name="places" sheetId="1" r:id="r1"/>'
        '<sheet name="legs" sheetId="2" r:id="r2"/><sheet name="notes" sheetId="3" r:id="r3"/></sheets></workbook>'
    ).encode(),
    "xl/_rels/workbook.xml.rels": (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        + "".join(
            f'<Relationship Id="r{n}" Type="{_OFFICE}/worksheet" Target="worksheets/sheet{n}.xml"/>' for n in (1, 2, 3)
        )
        + f'<Relationship Id="r4" Type="{_OFFICE}/styles" Target="styles.xml"/></Relationships>'
    ).encode(),
    "xl/styles.xml": (
        f'<styleSheet xmlns="{_MAIN}"><cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="14"/></cellXfs></styleSheet>'
    ).encode(),
    "xl/worksheets/sheet3.xml": _SHEET.format("").encode(),
}
_CELL_SEED = (
    b"place\tname\tlat\tlon\televation [ft]\nneedles\tNeedles\tn|34.8481\tn|-114.6141\tn|495\n"
    b"kingman\tKingman\tn|35.1894\tn|-114.0530\tn|3335\n@@\n"
    b"from\tto\tdistance [mi]\tspeed [mph]\tnote\nneedles\tkingman\tn|61\tn|62\ts|45000.5\n"
)
_PART_SEED = b"\n".join(
    b"@@ " + name.encode() + b"\n" + part.replace(b">", b">\n")
    for name, part in (
        *_PARTS.items(),
        (
            "xl/worksheets/sheet1.xml",
            f'<worksheet xmlns="{_MAIN}"><sheetData><row r="1"><c r="A1" t="str"><v>place</v></c><c r="B1" t="str">'
            '<v>name</v></c></row><row r="2"><c r="A2"><f>1+1</f><v>2</v></c></row></sheetData><mergeCells count="1">'
            '<mergeCell ref="A3:B4"/></mergeCells><hyperlinks><hyperlink ref="A1"/></hyperlinks></worksheet>'.encode(),
        ),
        ("xl/worksheets/sheet2.xml", _SHEET.format('<row r="9"><c r="C9"><v>1</v></c></row>').encode()),
    )
)


# --- logs ---


def log(data: bytes) -> None:
    """Any log: described, then read by what was proposed for it."""
    path = _empty("log") / "day1.csv"
    path.write_bytes(data)
    with told("day1.csv"):
        mapping = describe_log(path).mapping
        settled = {name: replace(source, unsure="") for name, source in mapping.channels.items()}
        _read_log(path, replace(mapping, time_unsure="", channels=settled))
        map_file = path.with_name("day1.map.toml")
        map_file.write_text(map_text(replace(mapping, time_unsure="", channels=settled), path.name), encoding="utf-8")
        assert read_map(map_file).channels == settled


def _read_log(path: Path, mapping: LogMapping) -> None:
    found = read_log(path, mapping)
    describe_read(found)
    assert all(np.isfinite(one.value).all() and (np.diff(one.time_s) > 0.0).all() for one in found.channels.values())
    assert found.distance_m >= 0.0 or "speed" not in mapping.channels or len(found.channels["speed"].value) < 2


def log_packed(data: bytes) -> None:
    log(gzip.compress(data, compresslevel=1))


_KINDS = ("s", "ms", "min", "clock", "epoch s", "epoch ms", "iso", "day first", "month first")
_COLUMNS = {"speed": ("v", "km/h"), "coolant": ("c", "degF"), "load": ("l", "percent"), "elevation": ("e", "ft")}


def log_mapped(data: bytes) -> None:
    """Cells of a log whose headings and mapping are sound; the first byte chooses the kind of its times."""
    path = _empty("mapped") / "day1.csv"
    path.write_bytes(b"time;v;c;l;e\n" + data[1:])
    kind = _KINDS[data[0] % len(_KINDS)] if data else "s"
    channels = {name: Source(column=c, unit=u, no_data=(-40.0, 9999.0)) for name, (c, u) in _COLUMNS.items()}
    with told("day1.csv"):
        _read_log(path, LogMapping(time="time", kind=kind, channels=channels, day=date(2027, 7, 6), elevation="115 m"))


_LOG_NAME = "synthetic-2027-07-06"


def log_map(data: bytes) -> None:
    """A mapping file, and the example's log read by it."""
    path = _empty("map") / f"{_LOG_NAME}.csv"
    if not path.exists():
        whole = (EXAMPLES / "wilmington-astoria" / "logs" / path.name).read_text(encoding="utf-8")
        path.write_text("\n".join(whole.split("\n")[:40]), encoding="utf-8")
    map_file = path.with_name(f"{_LOG_NAME}.map.toml")
    map_file.write_bytes(data)
    with told(_LOG_NAME):
        mapping = read_map(map_file)
        level_m(read_log(path, mapping))


# --- cars ---


def vehicle_toml(data: bytes) -> None:
    path = _empty("car") / "vehicle.toml"
    path.write_bytes(data)
    with told("vehicle.toml"):
        read_vehicle(path, CLASSES)


def fitted_vehicle(data: bytes) -> None:
    """A car that logs have taught, and its file written anew."""
    path, new = _empty("fitted") / "vehicle.toml", _empty("fitted") / "vehicle-new.toml"
    path.write_bytes(data)
    new.unlink(missing_ok=True)
    with told("vehicle.toml", "vehicle-new.toml"):
        car = read_vehicle(path, CLASSES)
        changed = {"cooling": {"airflow_share": {"value": 0.8, "source": "a test"}}}
        write_fitted(
            new, owner=path, classes=CLASSES, changes=changed, posterior=car.spread or NOTHING, head="By a test."
        )
        again = read_vehicle(new, CLASSES)
        assert again.vehicle.cooling.airflow_share == 0.8
        assert again.vehicle.name == car.vehicle.name


# --- texts typed at the command line ---


def _typed(data: bytes) -> str:
    """As the system hands over an argument."""
    return data.replace(b"\x00", b"").decode("utf-8", "surrogateescape")


def setting(data: bytes) -> None:
    with told("--set"):
        _own(SimpleNamespace(car=_car(), trip=None), _typed(data))


def on_the_way(data: bytes) -> None:
    """Lines: where, when, a gauge."""
    where, when, gauge = (*_typed(data).split("\n"), "", "", "")[:3]
    trip = _trip("alps")
    with told("--along", "--at", "--now", "--from", "place", "leg", "reading of"):
        along = {"from_place": None, "along": where} if ">" in where else {"from_place": where, "along": None}
        asked = read_request(**along, at=when, readings=[gauge] if gauge else [])
        if asked is not None:
            locate(trip, trip.legs, asked.start_at, asked.at)


def quantity(data: bytes) -> None:
    text = data.decode("utf-8", "surrogateescape")
    for unit in ("m", "K", "Pa", "kg/s", "m**2", "dimensionless", "W/K"):
        with told(""):
            assert isinstance(to_si(text, unit), float)
    with told(""):
        to_delta_k(text)
    with told(""):
        convert(1.0, text, "m")
    same_kind(text, "m")


# --- examples to begin from ---


def _all(pattern: str, most: int = 12, longest: int = 12_000) -> list[bytes]:
    """Files of the examples, the short ones first."""
    found = sorted((path.read_bytes() for path in EXAMPLES.glob(pattern)), key=lambda data: (len(data), data))
    return [data for data in found if len(data) <= longest][:most]


def _whole_trip() -> bytes:
    """Every key of trip.toml."""
    return (
        b'name = "x"\nunits = "metric"\nstart = "needles"\nfinish = "kingman"\nvia = []\n'
        b'departure = "2027-07-10 14:00"\n'
        b'confidence = 0.9\nthin = "8 K"\nair_conditioning = true\nnights = []\nrest = ["kingman"]\nrisk = 0.05\n'
        b'finish_by = 2027-07-20T12:00:00\nprefer = {time = 1.0, cool = 0.5}\n[day]\ndriving = "6 h"\nstart = "07:30"\n'
        b'earliest = 06:00:00\nlodging_only = false\nbreak_every = "2 h"\nbreak = "15 min"\nbefore_sunset = "30 min"\n'
        b'daylight = true\navoid_heat = true\n[weather]\nnormals = "n.csv"\n[[halt]]\nplace = "needles"\n'
        b'duration = "20 min"\nengine = "idle"\n[[event]]\nplace = "kingman"\non = 2027-07-11\narrive_by = "18:00"\n'
        b'stay = "1 h"\n[[morning]]\non = "2027-07-11"\nat = "06:30"\n[[service]]\nitem = "oil"\nevery = "3000 mi"\n'
        b'since = "100 mi"\nmonths = 6\nsince_months = 1.5\nfluid = "engine_oil"\n'
    )


def _track(points: int = 60) -> bytes:
    rows = "\n".join(
        f'<trkpt lat="{34.8481 + 0.3413 * n / points:.5f}" lon="{-114.6141 + 0.5611 * n / points:.5f}">'
        f"<ele>{151 + 865 * n / points:.1f}</ele><time>2027-07-10T14:00:00Z</time></trkpt>"
        for n in range(points + 1)
    )
    return (
        f'<?xml version="1.0"?>\n<gpx version="1.1"><trk><name>x</name><trkseg>\n{rows}\n</trkseg></trk></gpx>'.encode()
    )


def _dense() -> bytes:
    rows = "\n".join(f'<rtept lat="{46 + n / 5000:.5f}" lon="8.5"><ele>{900 + n % 7}</ele></rtept>' for n in range(90))
    return f"<gpx><rte>\n{rows}\n</rte></gpx>".encode()


def _logs() -> list[bytes]:
    whole = (EXAMPLES / "wilmington-astoria" / "logs" / f"{_LOG_NAME}.csv").read_bytes()
    return [
        b"\n".join(whole.split(b"\n")[:30]),
        "logger v2\n\nZeit;Öl [°C];Geschwindigkeit [km/h];Drehzahl\n"
        "03.07.2027 10:00:00;80,5;50;2000\n03.07.2027 10:00:02;81,0;55;2100\n"
        "03.07.2027 10:00:04;81,5;60;2200\n".encode(),
        b"timestamp\tchannel\tvalue\tunit\n"
        + b"".join(
            f"2027-07-03T10:00:{n:02d}Z\t{name}\t{80 + n}\t{unit}\n".encode()
            for n in range(0, 20, 2)
            for name, unit in (("coolant", "C"), ("speed", "kph"), ("oil pressure", "psi"))
        ),
        b'"time","ECT (F)","VSS (mph)","Throttle (%)"\n'
        + b"".join(
            f'"{5 + n // 60:02d}:{n % 60:02d}:00 PM","{180 + n % 9}","{60 + n % 3}","{n % 100}"\n'.encode()
            for n in range(9)
        ),
        b"epoch,rpm,latitude,longitude,altitude [m],diff temp\n"
        + b"".join(f"{1814000000 + n},{1800 + n},46.1,8.{n},{500 + n},{60 + n}\n".encode() for n in range(9)),
    ]


def _mapped() -> list[bytes]:
    times = ("0", "1000", "0,5", "23:59:58", "1814000000", "1814000000000")
    dated = ("2027-07-03 10:00:0", "03.07.2027 10:00:0", "07/03/2027 10:00:0")
    seeds = [
        bytes([i]) + b"".join(f"{t[:-1]}{n};50;190;40;300\n".encode() for n in range(8)) for i, t in enumerate(times)
    ]
    return seeds + [
        bytes([6 + i]) + b"".join(f"{t}{n}Z;5;9;4;3\n".encode() for n in range(8)) for i, t in enumerate(dated)
    ]


_PLACES = b"""# Every column
place,name,lat,lon,elevation [m],kind,services,high [degC],low [degC],note
needles,"Needles, California",34.8481,-114.6141,151,town,fuel lodging food,42,27,start
kingman,Kingman,35.1894,-114.0530,1016,pass,,36,20,"hot, dry"
"""
_LEGS = b"""from;to;distance [km];speed [km/h];road;two_way;open;profile;note;air_conditioning;heater;low_gear;flow
needles;kingman;98,2;90;I-40;yes;05-28..10-15;profile.csv;x;no;no;yes;town
needles;kingman;120;50;66;no;yes;;;;;;free
"""
_FITTED = b"""base = "estate-1990s-six"
name = "taught"
[cooling]
airflow_share = {value = 0.9, source = "ASSUMED: insects"}
[gearbox]
ratios = {value = [3.5, 2.0, 1.4, 1.0], source = "plate"}
[fit]
airflow = {value = 0.9, sd = 0.05, source = "a log"}
radiator = {value = 1.1, sd = 0.1, source = "a log"}
oil_heat = {value = 1, sd = 0.2, source = "a log"}
[fit.correlation]
airflow = {radiator = -0.5, oil_heat = 0.2}
"""

_KML = (
    b'<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>Top</name><Point><coordinates>-104.487,'
    b"36.99</coordinates></Point></Placemark><Placemark><LineString><coordinates>-104.439,36.903,2036 -104.487,36.990,"
    b"2388 -104.495,37.012,2280 -104.501,37.169,1836</coordinates></LineString></Placemark></Document></kml>"
)
_GEOJSON = (
    b'{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {"name": "Top"}, "geometry": '
    b'{"type": "Point", "coordinates": [-104.487, 36.99]}}, {"type": "Feature", "properties": null, "geometry": '
    b'{"type": "LineString", "coordinates": [[-104.439, 36.9, 2036], [-104.487, 37, 2388], [-104.501, 37.1, 1836]]}}]}'
)

TARGETS: dict[str, Target] = {
    "trip.toml": (trip_file("trip.toml"), [*_all("*/trip.toml"), _whole_trip()]),
    "places.csv": (trip_file("places.csv"), [*_all("minimal/places.csv"), _PLACES]),
    "legs.csv": (legs_csv, [*_all("minimal/legs.csv"), _LEGS]),
    "profile.csv": (profile_csv, _all("*/profiles/*.csv")),
    "track.gpx": (gpx, [_track(), _dense()]),
    "track-of-a-leg.gpx": (leg_gpx, [_track(), _dense()]),
    "road.gpx": (drawn_road(".gpx"), [_track(), _dense()]),
    "road.kml": (drawn_road(".kml"), [_KML]),
    "road.geojson": (drawn_road(".geojson"), [_GEOJSON]),
    "names.csv": (names_only, [b'name,note\nRaton,\n"Needles, CA",x\nKingman,\n']),
    "weather.csv": (
        weather_csv,
        [
            b"place,date,high [degC],low [degC],humidity [%],wind [km/h],wind_from [deg]\n"
            b"brig,2027-07-09,31,13,35,20,270\n"
        ],
    ),
    "readings.csv": (
        readings_csv,
        [
            b"when,place,along,coolant [degC],oil [degF],air [degC],oil_pressure [bar],rpm,note\n"
            b"2027-07-09 14:20,brig,,92,221,31,3.1,2600,top\n,,brig>simplon: 3 km,95,,,,,\n"
        ],
    ),
    "trip.xlsx bytes": (workbook_bytes, [packed({**_PARTS, "xl/worksheets/sheet1.xml": b"<a/>"})]),
    "trip.xlsx parts": (workbook_parts, [_PART_SEED]),
    "trip.xlsx cells": (workbook_cells, [_CELL_SEED]),
    "session.toml": (
        session_toml,
        [
            *_all("*/session.toml"),
            b'elevation = "300 m"\n[air]\n"09:00" = "25 degC"\n[lap]\nlength = "4 km"\ntime = "150 s"\n'
            b'full_load = 0.5\ncorner_speed = "60 km/h"\nclimb = "100 m"\nback = "30 km/h"\n',
        ],
    ),
    "lap.csv": (lap_csv, _all("*/laps/*.csv")),
    "plan.json": (plan_json, [b'{"days": [{"to": "x"}], "legs": [1.5, null, true]}']),
    "trip.ics": (
        calendar,
        [
            b"BEGIN:VEVENT\r\nUID:day-20270711-0123456789abcdef@grademargin.invalid\r\nDTSTART:20270711T133000Z\r\n"
            b"SEQUENCE:3\r\nSUMMARY:Day 6\\, by\r\n  way\r\nSTATUS:CANCELLED\r\nEND:VEVENT\r\n"
        ],
    ),
    "log": (log, _logs()),
    "log packed": (log_packed, _logs()),
    "log by a mapping": (log_mapped, _mapped()),
    "log mapping": (
        log_map,
        [*_all("*/logs/*.map.toml"), b'[time]\ncolumn = "Time [s]"\nkind = "ms"\n[long]\nname = "n"\n'],
    ),
    "vehicle.toml": (vehicle_toml, [*_all("*/vehicle.toml"), _FITTED]),
    "fitted vehicle": (fitted_vehicle, [_FITTED]),
    "a setting": (
        setting,
        b"cooling.cap_pressure=16 psi;body.mass=3000 lb;gearbox.ratios=3.5,2,1;oil_cooler.kind=air;"
        b"cooling.glycol_share=0.5;cooling.thermostat_open=180 degF".split(b";"),
    ),
    "on the way": (
        on_the_way,
        [
            b"brig>ulrichen:12.5 mi\n2027-07-09 10:00\ncoolant=195 degF",
            b"Brig\n2027-07-09 10:00",
            b"Furkapass\n0001-01-01 00:00",
        ],
    ),
    "quantity": (
        quantity,
        [b"21 kJ/K", b"-5 degC", b"1e3 m**2/s", b"m*km/(s*ft)", b"12 N*m", b"50 %", b"1 (m", b"0.5 1/min"],
    ),
}
