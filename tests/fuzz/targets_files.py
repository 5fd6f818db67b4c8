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
import seeds_files as seeds
from archives import packed
from contract import Target, top
from seeds_files import EXAMPLES, LOG_NAME, PARTS, SHEET

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
from planner.output.icsbefore import last_calendar, sequence_of, time_of
from planner.replan.position import locate
from planner.replan.request import read_request
from thermal.errors import ThermalError
from thermal.posterior import NOTHING
from thermal.units import convert, same_kind, to_delta_k, to_si
from thermal.vehicle_file import VehicleFile

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


def file_of(example: str, name: str, read: Callable[[Path], object], *names: str) -> Callable[[bytes], None]:
    """One file of an example, or of an empty folder, read by one function; sentences name it, or one of `names`."""

    def run(data: bytes) -> None:
        purpose = f"one {Path(name).name}"
        folder = _folder(example, purpose) if example else _empty(purpose)
        (folder / name).write_bytes(data)
        with told(name, *names):
            read(folder)

    return run


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
    parts = dict(PARTS)
    for number, text in enumerate(sheets, start=1):
        rows = "".join(f"<row>{''.join(map(_cell, line.split(chr(9))))}</row>" for line in text.split("\n"))
        parts[f"xl/worksheets/sheet{number}.xml"] = SHEET.format(rows).encode("utf-8", "replace")
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


def log_map(data: bytes) -> None:
    """A mapping file, and the example's log read by it."""
    path = _empty("map") / f"{LOG_NAME}.csv"
    if not path.exists():
        whole = (EXAMPLES / "wilmington-astoria" / "logs" / path.name).read_text(encoding="utf-8")
        path.write_text("\n".join(whole.split("\n")[:40]), encoding="utf-8")
    map_file = path.with_name(f"{LOG_NAME}.map.toml")
    map_file.write_bytes(data)
    with told(LOG_NAME):
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
        if car.spread is not None:
            assert np.all((car.spread.medians >= 0.1) & (car.spread.medians <= 5.0)), car.spread.medians
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


def _session(folder: Path) -> None:
    read_session(folder, _trip("alps"))


TARGETS: dict[str, Target] = {
    "trip.toml": (trip_file("trip.toml"), [*seeds.examples("*/trip.toml"), seeds.whole_trip()]),
    "places.csv": (trip_file("places.csv"), [*seeds.examples("minimal/places.csv"), seeds.PLACES]),
    "legs.csv": (legs_csv, [*seeds.examples("minimal/legs.csv"), seeds.LEGS]),
    "profile.csv": (profile_csv, seeds.examples("*/profiles/*.csv")),
    "track.gpx": (gpx, [seeds.track(), seeds.dense()]),
    "track-of-a-leg.gpx": (leg_gpx, [seeds.track(), seeds.dense()]),
    "road.gpx": (drawn_road(".gpx"), [seeds.track(), seeds.dense()]),
    "road.kml": (drawn_road(".kml"), [seeds.KML]),
    "road.geojson": (drawn_road(".geojson"), [seeds.GEOJSON]),
    "names.csv": (
        file_of("", "places.csv", fill_places),
        [b'name,note\nRaton,\n"Needles, CA",x\nKingman,\n'],
    ),
    "weather.csv": (
        file_of("", "weather.csv", lambda folder: read_weather_file(folder, _trip("alps").places)),
        [
            b"place,date,high [degC],low [degC],humidity [%],wind [km/h],wind_from [deg]\n"
            b"brig,2027-07-09,31,13,35,20,270\n"
        ],
    ),
    "readings.csv": (
        file_of("", "readings.csv", lambda folder: read_readings(folder, _trip("alps"))),
        [
            b"when,place,along,coolant [degC],oil [degF],air [degC],oil_pressure [bar],rpm,note\n"
            b"2027-07-09 14:20,brig,,92,221,31,3.1,2600,top\n,,brig>simplon: 3 km,95,,,,,\n"
        ],
    ),
    "trip.xlsx bytes": (workbook_bytes, [packed({**PARTS, "xl/worksheets/sheet1.xml": b"<a/>"})]),
    "trip.xlsx parts": (workbook_parts, [seeds.PARTS_TEXT]),
    "trip.xlsx cells": (workbook_cells, [seeds.CELLS]),
    "session.toml": (
        file_of("alps", "session.toml", _session, "laps/"),
        [
            *seeds.examples("*/session.toml"),
            b'elevation = "300 m"\n[air]\n"09:00" = "25 degC"\n[lap]\nlength = "4 km"\ntime = "150 s"\n'
            b'full_load = 0.5\ncorner_speed = "60 km/h"\nclimb = "100 m"\nback = "30 km/h"\n',
        ],
    ),
    "lap.csv": (
        file_of("alps", "laps/sorello.csv", _session, "session.toml"),
        seeds.examples("*/laps/*.csv"),
    ),
    "trip.ics": (
        calendar,
        [
            b"BEGIN:VEVENT\r\nUID:day-20270711-0123456789abcdef@grademargin.invalid\r\nDTSTART:20270711T133000Z\r\n"
            b"SEQUENCE:3\r\nSUMMARY:Day 6\\, by\r\n  way\r\nSTATUS:CANCELLED\r\nEND:VEVENT\r\n"
        ],
    ),
    "log": (log, seeds.logs()),
    "log packed": (log_packed, seeds.logs()),
    "log by a mapping": (log_mapped, seeds.mapped()),
    "log mapping": (
        log_map,
        [*seeds.examples("*/logs/*.map.toml"), b'[time]\ncolumn = "Time [s]"\nkind = "ms"\n[long]\nname = "n"\n'],
    ),
    "vehicle.toml": (vehicle_toml, [*seeds.examples("*/vehicle.toml"), seeds.FITTED]),
    "fitted vehicle": (fitted_vehicle, [seeds.FITTED]),
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
