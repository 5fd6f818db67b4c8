"""A phone's track and a few notes, of a car of another structure: read, learnt from, and no worse on another road."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from other_car import C0, draw_car, gauge_readings, run_seconds, seen_places
from other_car import cold_state as cold
from other_logs import Day, make_log

import planner
from planner.files.gpx import read_gpx
from planner.files.reading import Problems
from planner.files.vehicles import read_vehicle
from planner.model.errors import PlannerError, TripError
from planner.model.paths import data_folder
from thermal.residuals import modelled_k
from thermal.spread import medians

START = datetime(2027, 6, 20, 16, 0, tzinfo=UTC)  # 09:00 in Arizona and, by the rule of the zone, in California
LAT, LON = 34.8481, -114.6141
HEAD = "when,coolant [degC],oil [degC],transmission [degC],differential [degC],air [degC]\n"


def drive_home(vehicle, number: int, minutes: int = 75):
    """A cruise, a long hill, a stop with the engine on: by the second, as that car does it, and what its gauges say."""
    n = 60 * minutes
    t = np.arange(n)
    speed = np.where((t > 3000) & (t < 3200), 0.0, np.where(t < 120, 0.2 * t, 24.0))
    grade = np.where((t > 1800) & (t < 2700), 0.05, 0.0)
    height = 200.0 + np.cumsum(grade * speed)
    air = np.full(n, C0 + 24.0)
    one = draw_car(vehicle, number)
    rows = np.zeros((n, 11))
    rows[:, 0], rows[:, 1], rows[:, 2] = speed, np.gradient(speed), grade
    rows[:, 3], rows[:, 4], rows[:, 8] = np.exp(-height / 8400.0), air, 1.0
    states, _ = run_seconds(one.car, rows, cold(C0 + 24.0))
    shown = gauge_readings(one, seen_places(one, states), np.random.default_rng(number))
    return speed, height, shown


def gpx_of(speed, height, rng) -> str:
    """What a phone writes: a point a second, off by metres, heights by more."""
    north = np.cumsum(speed) / 111_195.0
    points = [
        f'<trkpt lat="{LAT + a + rng.normal(0, 1e-5):.6f}" lon="{LON + rng.normal(0, 1e-5):.6f}">'
        f"<ele>{h + rng.normal(0, 2.0):.1f}</ele><time>{START + timedelta(seconds=i):%Y-%m-%dT%H:%M:%SZ}</time></trkpt>"
        for i, (a, h) in enumerate(zip(north, height, strict=True))
    ]
    return f'<gpx version="1.1" creator="a phone"><trk><trkseg>{"".join(points)}</trkseg></trk></gpx>'


def notes_of(shown, minutes) -> str:
    """Gauges read at some minutes, in whole degrees."""
    rows = []
    for minute in minutes:
        local = START.replace(tzinfo=None) - timedelta(hours=7) + timedelta(minutes=minute)
        rows.append(f"{local:%Y-%m-%d %H:%M}," + ",".join(f"{v - C0:.0f}" for v in shown[60 * minute]) + ",24")
    return HEAD + "\n".join(rows) + "\n"


@pytest.fixture
def home(copy_example, tmp_path):
    """A trip, a track and notes of a car that its class describes."""
    trip = copy_example("minimal", tmp_path / "trip")
    vehicle = planner.read(trip).car.vehicle
    speed, height, shown = drive_home(vehicle, 7)
    track, notes = tmp_path / "drive.gpx", tmp_path / "notes.csv"
    track.write_text(gpx_of(speed, height, np.random.default_rng(1)), encoding="utf-8")
    notes.write_text(notes_of(shown, (28, 44, 52, 70)), encoding="utf-8")
    return trip, track, notes


def test_times_of_points_are_read():
    text = '<gpx><trk><trkseg><trkpt lat="1" lon="2"><ele>3</ele><time>2027-06-20T16:00:00.5Z</time></trkpt>'
    text += '<trkpt lat="1" lon="2"><time>yesterday</time></trkpt></trkseg></trk></gpx>'
    points = read_gpx(text.encode(), "a.gpx", Problems())
    assert points.time_s[0] == START.timestamp() + 0.5
    assert np.isnan(points.time_s[1])
    assert points.elevation_m[0] == 3.0


def test_four_notes_bring_the_model_nearer_another_drive(home):
    """Held out: a pass, two hours, another day's air; the mean over twelve cars of another structure."""
    trip, track, notes = home
    car = planner.read(trip).car
    before, after = [], []
    for number in range(12):
        speed, height, shown = drive_home(car.vehicle, number)
        track.write_text(gpx_of(speed, height, np.random.default_rng(number)), encoding="utf-8")
        notes.write_text(notes_of(shown, (28, 44, 52, 70)), encoding="utf-8")
        found = planner.fit_drive(trip, track, notes)
        log = make_log(draw_car(car.vehicle, number), Day(road="pass", hours=1.5, air_c=31.0), seed=number)
        late = log.readings.time_s > 1800.0
        for spread, off in ((car.spread, before), (found.learned.posterior, after)):
            model = modelled_k(car.vehicle, log.drive, log.readings, medians(spread))[0]
            off.append(np.sqrt(np.mean((model - log.truth_k)[late, 1:5] ** 2, axis=0)))
    was, now = np.mean(before, axis=0), np.mean(after, axis=0)
    assert now.mean() < 0.9 * was.mean()
    assert np.all(now < was + 0.5)  # no fluid pays for another


def test_the_command_writes_a_file_that_reads(home, run):
    trip, track, notes = home
    done = run("fit", trip, "--drive", track, "--readings", notes, "--on", "2027-06-20")
    assert done.code == 0, done.err
    assert "Your differential runs" in done.out
    written = trip / "vehicle-fitted-2027-06-20.toml"
    spread = read_vehicle(written, data_folder() / "vehicles").spread
    assert spread.factors["axle_heat"].sd < 0.2
    assert "drive.gpx and notes.csv, 2027-06-20" in spread.factors["axle_heat"].source
    again = run("fit", trip, "--drive", track, "--readings", notes, "--out", trip / "b.toml", "--json")
    assert json.loads(again.out)["read"][0]["what"] == "coolant"


@pytest.mark.parametrize(
    ("args", "told"),
    [
        ("", "give one or more logs, or --drive TRACK.gpx and --readings NOTES.csv"),
        ("--drive drive.gpx", "give one or more logs, or --drive"),
        ("day.csv --drive drive.gpx --readings notes.csv", "either logs, or"),
    ],
)
def test_logs_or_a_track_with_notes(trip_folder, run, args, told):
    done = run("fit", trip_folder, *args.split())
    assert done.code == 2
    assert told in done.err


def test_what_cannot_be_used_is_told(home):
    trip, track, notes = home
    text = track.read_text(encoding="utf-8")
    for row, kind, said in (
        (HEAD + "2027-06-21 09:30,90,100,80,80,24\n", PlannerError, "no row is on the track"),
        ("place,coolant [degC]\nneedles,90\n", TripError, "has no time"),
        ("when,coolant [degC]\n2027-06-20 09:30,90\n", PlannerError, "no outside air temperature"),
    ):
        notes.write_text(row, encoding="utf-8")
        with pytest.raises(kind, match=said):
            planner.fit_drive(trip, track, notes)
    track.write_text(text.replace("<time>", "<when>").replace("</time>", "</when>"), encoding="utf-8")
    with pytest.raises(PlannerError, match="0 points with a time"):
        planner.fit_drive(trip, track, notes, ambient_k=297.0)
    with pytest.raises(PlannerError, match="is missing"):
        planner.fit_drive(trip, Path("nowhere.gpx"), notes)
