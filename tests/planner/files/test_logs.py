"""Logs of every shape a logger writes: what is proposed, what is refused, what is read.

The shapes are those met in public logs and loggers' exports: junk before the heading, units in headings, a mis-decoded
degree sign, one reading a row, decimal commas, clocks that pass midnight, numbers that mean no data.
"""

import gzip
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from planner.files import logmap as logmapfile
from planner.files.logpropose import describe_log, proposed
from planner.files.logs import Log, open_log, read_log
from planner.files.logtext import cut
from planner.files.logtime import parse_times, propose_kind
from planner.model.errors import OutputError, PlannerError, TripError

ROOT = Path(__file__).parents[3]
LOGS = Path(__file__).parents[4] / "shared" / "data" / "logs"
measured_logs = pytest.mark.skipif(not LOGS.is_dir(), reason=f"the measured drives are not at {LOGS}")
C0 = 273.15


def write(folder: Path, text: str | bytes, name: str = "drive.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def logged(folder: Path, head: str, lines: Iterable[str]) -> Log:
    """A log of these columns beside time and speed, read as proposed."""
    path = write(folder, f"time [s],speed [km/h],{head}\n" + "\n".join(lines))
    return read_log(path, describe_log(path).mapping)


def rows(head: str, line: str, n: int = 40) -> str:
    """A log of `n` lines; {i} counts seconds."""
    return head + "\n" + "\n".join(line.format(i=i, t=20 + i % 7) for i in range(n)) + "\n"


@pytest.mark.parametrize(
    ("cells", "kind", "step_s"),
    [
        (["23:59:58.500", "23:59:59.500", "00:00:00.500"], "clock", 1.0),
        (["1783320000000", "1783320000500", "1783320001000"], "epoch ms", 0.5),
        (["2027-07-06 10:00:00,25", "2027-07-06 10:00:01,25", "2027-07-06 10:00:02,25"], "iso", 1.0),
        (["23.07.2027 10:00:00", "23.07.2027 10:00:01", "23.07.2027 10:00:02"], "day first", 1.0),
        (["7/23/2027 1:59:59 PM", "7/23/2027 2:00:00 PM", "7/23/2027 2:00:01 PM"], "month first", 1.0),
    ],
)
def test_times(tmp_path: Path, cells: list[str], kind: str, step_s: float) -> None:
    path = write(tmp_path, "timestamp;speed [km/h];coolant [C]\n" + "\n".join(f"{c};50;80" for c in cells))
    mapping = describe_log(path).mapping
    assert (mapping.kind, mapping.unsure) == (kind, ())
    log = read_log(path, mapping)
    assert np.diff(log.channels["speed"].time_s) == pytest.approx(step_s)
    assert (log.epoch_s is not None) == (kind.startswith("epoch") or "Z" in cells[0])


def test_doubts_must_be_settled_in_the_file(tmp_path: Path) -> None:
    """No unit, and two columns that may be the speed: nothing is read until the owner has said which."""
    path = write(tmp_path, rows("time [s],coolant,GPS speed [km/h],vehicle speed [km/h]", "{i},8{t},50,51"))
    found = describe_log(path)
    assert "no unit" in found.mapping.channels["coolant"].unsure
    assert "both match; keep" in found.mapping.channels["speed"].unsure
    with pytest.raises(PlannerError, match="not confirmed"):
        open_log(path)
    where = logmapfile.map_path(path)
    logmapfile.write_map(where, found.mapping, path.name)
    with pytest.raises(TripError, match="correct the entry and delete this line"):
        open_log(path)
    kept = [line for line in where.read_text().splitlines() if not line.startswith("unsure")]
    where.write_text("\n".join(kept))
    assert set(open_log(path).channels) == {"coolant", "speed"}
    with pytest.raises(OutputError, match="already exists"):
        logmapfile.write_map(where, found.mapping, path.name)


def test_columns_whose_names_say_nothing_can_be_named_by_hand(tmp_path: Path) -> None:
    """The total time is that of the rows; a sample in the mapping shows how to name a column."""
    path = write(tmp_path, rows("Zeit [s];CH1;CH2;Oil temp [degF]", "{i};8{t};9{t};n/a"))
    found = describe_log(path)
    assert found.sentences[1:3] == (
        "Time: 'Zeit [s]', seconds from the start, 1 min in total.",
        "Missing: speed, ambient, coolant, engine_oil, transmission, differential.",
    )
    assert found.sentences[3:] == (
        "Not used: 'CH1', 'CH2': the names do not say what they read. Name each in the mapping file, "
        "e.g. [channels.coolant] with column = 'CH1'.",
        "Not used: 'Oil temp [degF]': no numbers.",
    )
    where = logmapfile.map_path(path)
    logmapfile.write_map(where, found.mapping, path.name)
    with pytest.raises(
        PlannerError, match=r"drive\.csv: its mapping names no channel; .* e\.g\. \[channels\.coolant\]"
    ):
        open_log(path)
    text = where.read_text()
    where.write_text(text.replace("# [channels", "[channels").replace("# column", "column").replace("# unit", "unit"))
    log = open_log(path)
    assert (log.mapping.channels["coolant"].column, log.duration_s) == ("CH1", 39.0)


@pytest.mark.parametrize(
    ("head", "cell", "doubt"),
    [
        (
            "Time",
            "7/6/2027 2:00:{i:02d} PM",
            "'7/6/2027 2:00:00 PM' may have day or month first; set kind to",
        ),
        ("Zeit", "{i}.5", "no unit; steps of 1 suggest seconds"),
        ("Date,Time", "7/6/2027,14:00:{i:02d}", "'7/6/2027' may have day or month first"),
    ],
)
def test_a_doubt_about_the_time_is_told(tmp_path: Path, head: str, cell: str, doubt: str) -> None:
    found = describe_log(write(tmp_path, rows(f"{head},speed [km/h]", cell + ",50")))
    assert found.mapping.unsure == (found.sentences[2].removeprefix("Not sure: ").removesuffix("."),)
    assert found.sentences[2].startswith(f"Not sure: time: {doubt}")


def test_two_columns_of_water_are_asked_about(tmp_path: Path) -> None:
    path = write(tmp_path, rows("time [s],Water [degF],Water 2 [degF]", "{i},1{t},1{t}"))
    mapping = describe_log(path).mapping
    assert mapping.channels["coolant"].unsure.startswith("columns 'Water [degF]' and 'Water 2 [degF]' both match")
    assert describe_log(write(tmp_path, rows("time [s],Water flow", "{i},1{t}"))).mapping.channels == {}


@pytest.mark.parametrize(
    "head",
    [
        *("Ignition coil temp [C]", "Power steering oil [C]", "Hydrauliköltemperatur [C]", "Achsöltemperatur [C]"),
        *("Turbo oil return [C]", "Oil temp warning [C]", "Oil temp sensor error [C]", "Coolant target [C]"),
        *("Battery coolant [C]", "Radiator outlet coolant [C]", "Temp diff [C]", "Diff F", "Air temp [C]"),
        *("Ambient x10 [C]", "Trans cooler out [C]", "Transmission target [C]", "Oil temp ADC [C]"),
        *(
            "Vertical speed [m/s]",
            "Average speed [m/s]",
            "Speed accuracy [m/s]",
            "Cruise speed [m/s]",
            "Air speed [m/s]",
        ),
        *("Lüfterdrehzahl [1/min]", "Raddrehzahl [1/min]", "Output rpm", "Target idle rpm", "RPM [Hz]", "RPM [x1000]"),
        *("Height of geoid [m]", "Altitude accuracy [m]", "Height above ground [m]", "Altitude gain [m]"),
        *(
            "Lat G [g]",
            "G Long",
            "LatAcc [m/s2]",
            "Longitude accuracy [m]",
            "Oil pressure [MPa]",
            "Oil pressure setpoint [kPa]",
        ),
        *(
            "Gearbox oil pressure [kPa]",
            "Throttle",
            "TPS [V]",
            "Engine load [g/rev]",
            "Alternator load [%]",
            "CPU load [%]",
        ),
    ],
)
def test_a_heading_that_may_mean_something_else_is_asked_about_or_not_used(tmp_path: Path, head: str) -> None:
    path = write(tmp_path, rows(f"time [s],{head}", "{i},{t}.5"))
    assert all(source.unsure for source in describe_log(path).mapping.channels.values())


@pytest.mark.parametrize(
    ("head", "channel"),
    [
        ("Engine Coolant Temp (°F)", "coolant"),
        ("ECT_C", "coolant"),
        ("Oil sump temp [C]", "engine_oil"),
        ("Motoröltemperatur [C]", "engine_oil"),
        ("Automatic transmission fluid temp [F]", "transmission"),
        ("Rear Diff Oil Temp [F]", "differential"),
        ("Hinterachse Öltemperatur [C]", "differential"),
        ("Outside Air Temp (°C)", "ambient"),
        ("Umgebungstemperatur [C]", "ambient"),
        ("Speed (GPS)(km/h)", "speed"),
        ("Fahrzeuggeschwindigkeit [km/h]", "speed"),
        ("Absolute throttle position [%]", "load"),
        ("Drosselklappe [%]", "load"),
        ("Engine oil pressure [kPa]", "oil_pressure"),
        ("Height above sea level [m]", "elevation"),
        ("GPS Latitude", "latitude"),
        ("Längengrad", "longitude"),
    ],
)
def test_a_usual_heading_is_taken_at_its_word(tmp_path: Path, head: str, channel: str) -> None:
    found = describe_log(write(tmp_path, rows(f"time [s],{head}", "{i},{t}.5"))).mapping
    assert set(found.channels) == {channel}
    assert not found.unsure


@pytest.mark.parametrize(
    ("heads", "cells"),
    [
        ("Latitude,Longitude", "34.1N,77.9W"),
        ("Latitude,N/S,Longitude,E/W", "34.1,N,77.9,W"),
        ("Latitude,Longitude", "34.1,\u221277.9"),
    ],
)
def test_west_is_negative_or_asked_about(tmp_path: Path, heads: str, cells: str) -> None:
    path = write(tmp_path, rows(f"time [s],{heads}", f"{{i}},{cells}"))
    found = describe_log(path).mapping
    if "E/W" in heads:
        assert (
            found.channels["longitude"].unsure
            == "'E/W' says W, but 'Longitude' has no sign; write it before the degrees"
        )
    else:
        assert set(read_log(path, found).channels["longitude"].value) == {-77.9}


def test_points_of_thousands_do_not_hide_decimal_commas(tmp_path: Path) -> None:
    lines = "".join(
        f"{i};5{i % 10},5;{'950' if i < 20 else '1.200'};{'800' if i < 20 else '2.950'}\n" for i in range(40)
    )
    path = write(tmp_path, "time [s];speed [km/h];altitude [m];rpm\n" + lines)
    log = read_log(path, describe_log(path).mapping)
    found = {name: set(np.round(log.channels[name].value, 6)) for name in ("elevation", "rpm")}
    assert found == {"elevation": {950.0, 1200.0}, "rpm": {round(v * np.pi / 30, 6) for v in (800, 2950)}}


def test_a_t_before_a_letter_is_no_time(tmp_path: Path) -> None:
    assert describe_log(write(tmp_path, rows("T_W,T_O,t [s]", "80,90,{i}"))).mapping.time == "t [s]"


def test_a_name_of_two_lines_stays_in_its_line(tmp_path: Path) -> None:
    text = cut(rows("time [s],speed [km/h]", "{i},50"), file="d.csv")
    path = tmp_path / "d.map.toml"
    logmapfile.write_map(path, proposed(text)[0], "a\x1b[31m\nb.csv")
    assert logmapfile.read_map(path).channels
    assert path.read_text(encoding="utf-8").splitlines()[1] == 'log = "a\ufffd[31m b.csv"'


def test_a_mapping_survives_its_file(tmp_path: Path) -> None:
    text = cut(rows('time [s],speed [km/h],coolant "2" [C],lat,lon', "{i},50,{t},48.1,9.2"), file="d-2027-07-06.csv")
    mapping = replace(proposed(text)[0], start="a", finish="b", elevation="115 m", ignored=())
    path = tmp_path / "d.map.toml"
    logmapfile.write_map(path, mapping, "d.csv")
    assert logmapfile.read_map(path) == mapping
    assert mapping.day == date(2027, 7, 6)


def test_a_bad_mapping_tells_everything_at_once(tmp_path: Path) -> None:
    path = tmp_path / "d.map.toml"
    path.write_text(
        'dat = 1\n[time]\ncolumn="t"\nkind="clok"\n[channels.coolnt]\n[channels.speed]\ncolumn="v"\nunit="furlong"\n'
    )
    with pytest.raises(TripError) as caught:
        logmapfile.read_map(path)
    told = "\n".join(caught.value.problems)
    assert [word for word in ("'date'", "'clock'", "'coolant'", "'furlong'") if word not in told] == []


def test_a_real_forty_below_is_kept(tmp_path: Path) -> None:
    log = logged(tmp_path, "ambient [C]", (f"{i},50,{-39 - i // 10 % 3}" for i in range(90)))
    assert set(log.channels["ambient"].value - C0) == {-39, -40, -41}


@pytest.mark.parametrize("code", [-40, 0, 127])
def test_a_column_that_reads_one_such_number_all_along_is_asked_about(tmp_path: Path, code: int) -> None:
    path = write(tmp_path, rows("time [s],speed [km/h],coolant [C]", f"{{i}},50,{code}"))
    assert describe_log(path).mapping.channels["coolant"].unsure == f"'coolant [C]' reads {code} in every row"


def test_backward_and_leaping_times_and_gaps(tmp_path: Path) -> None:
    times = [*range(50), 20, 21, 50, 51, 9999, *range(52, 100), *range(400, 450)]
    log = logged(tmp_path, "coolant [C]", (f"{t},50,80" for t in times))
    assert log.duration_s == 449.0
    assert np.all(np.diff(log.channels["speed"].time_s) > 0.0)
    assert any("3 rows out of time order" in f for f in log.faults)
    assert any("1 gap longer than a minute" in f for f in log.faults)


def test_a_stuck_sensor_is_told(tmp_path: Path) -> None:
    lines = (f"{i * 10},90,{85 + i % 3},{min(20 + i, 70)}" for i in range(400))
    faults = logged(tmp_path, "coolant [C],oil temp [C]", lines).faults
    assert any(f.startswith("engine_oil: reads the same for 58 min") for f in faults)
    assert not any(f.startswith("coolant") for f in faults)


def test_mixed_rates_keep_their_own_times(tmp_path: Path) -> None:
    log = logged(tmp_path, "coolant [C]", (f"{i * 0.1:.1f},50,{80 if i % 50 == 0 else ''}" for i in range(500)))
    assert (len(log.channels["speed"].value), len(log.channels["coolant"].value)) == (500, 10)
    seen = log.channels["coolant"].at(np.array([0.0, 4.9, 5.0]), oldest_s=2.0)
    assert np.isnan(seen).tolist() == [False, True, False]


@measured_logs
def test_the_four_measured_logs_need_no_hand_work() -> None:
    """KIT Automotive OBD-II Dataset, DOI 10.35097/1130: mis-decoded headings, one signal refreshed a row, gaps.

    Start and plateau as the data set's own statistics say: start -1 to 90, highest 64 to 103 degC; ambient -12 to 33.
    """
    files = sorted(LOGS.glob("*.csv.gz"))
    assert len(files) == 4
    for path in files:
        found = describe_log(path)
        assert found.mapping.unsure == ()
        assert set(found.mapping.channels) == {"coolant", "rpm", "speed", "load", "ambient"}
        log = read_log(path, found.mapping)
        coolant = log.channels["coolant"].value - C0
        assert -1 <= coolant[0] <= 90
        assert 64 <= coolant.max() <= 103
        assert -12 <= np.median(log.channels["ambient"].value) - C0 <= 33
        assert log.day is not None
        assert path.name[4:14] == log.day.isoformat()
        assert 14.0 <= 3.6 * log.distance_m / log.duration_s <= 90.0  # means of the 77 drives


def test_a_damaged_pack_is_refused(tmp_path: Path) -> None:
    data = gzip.compress(rows("time [s],speed [km/h]", "{i},50").encode())
    path = write(tmp_path, data[:20] + b"\xff" * 20 + data[40:], "a.csv.gz")
    with pytest.raises(PlannerError, match=r"a.csv.gz: the compressed file is damaged \(.*\); copy it from the logger"):
        describe_log(path)


def test_headings_that_stand_twice_or_not_at_all() -> None:
    text = 'time,oil,oil,,speed,,\n0,1,2,,"3",,\n1,"2,3,4,,,\n2,3,4,5,6,,\n'
    found = cut(text, file="a.csv")
    assert found.headings == ("time", "oil", "oil #2", "column 4", "speed")
    assert len(found.rows) == 3  # a stray quotation mark does not swallow the file


def test_times_with_a_zone_and_times_that_are_none() -> None:
    """The instant is the same by any clock; 1 second after 1970 in two zones."""
    cells = ["1970-01-01T00:00:01Z", "1970-01-01 02:00:01+02:00", "1969-12-31 18:30:01 -0530", "1970-13-45 10:00", "x"]
    assert parse_times(cells, "iso", decimal_comma=False) == pytest.approx([1.0, 1.0, 1.0, np.nan, np.nan], nan_ok=True)
    assert propose_kind([], unit=None, decimal_comma=False) == ("", "the column is empty")


def hundred_a_second(path: Path, n: int) -> None:
    with path.open("w") as file:
        file.write("time [s],speed [km/h],coolant [C],oil temp [C],rpm\n")
        for i in range(n):
            coolant = "" if i % 7 else f"{80 + i / 1e5:.2f}"  # one reading in seven rows
            oil = 0 if i % 1000 == 999 else round(90 + i / 1e5, 2)
            file.write(f"{i / 100:.2f},{50 + i % 3},{coolant},{oil},{1500 + i % 10}\n")


def test_a_hundred_rows_a_second_are_thinned_to_ten_readings(tmp_path: Path) -> None:
    hundred_a_second(tmp_path / "fast.csv", 30_000)
    found = describe_log(tmp_path / "fast.csv").mapping
    assert found.unsure == ()
    assert found.channels["engine_oil"].no_data == (0.0,)
    log = read_log(tmp_path / "fast.csv", found)
    for name, start_c in (("coolant", 80.0), ("engine_oil", 90.0)):
        series = log.channels[name]
        assert 2990 <= len(series.value) <= 3030
        assert np.all(np.diff(series.time_s) > 0.0)
        assert series.value - C0 == pytest.approx(start_c + series.time_s / 1e3, abs=0.006)


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the system does not tell peaks of memory")
def test_a_long_log_needs_little_memory(tmp_path: Path) -> None:
    """33 minutes at 100 rows a second; of 200,000 rows as texts alone would need 60 MB more."""
    hundred_a_second(tmp_path / "fast.csv", 200_000)
    code = (
        "from pathlib import Path\nfrom planner.files.logpropose import describe_log\n"
        "from planner.files.logs import read_log\n"
        f"path = Path({str(tmp_path / 'fast.csv')!r})\n"
        "log = read_log(path, describe_log(path).mapping)\n"
        "state = Path('/proc/self/status').read_text().partition('VmHWM:')[2]\n"
        "print(len(log.channels['speed'].value), int(state.split()[0]) // 1000)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    count, peak_mb = map(int, done.stdout.split())
    assert count == pytest.approx(20_000, abs=50)
    assert peak_mb < 130
