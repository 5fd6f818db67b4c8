"""The command line as its users meet it: help, exit codes, where words go, and what a tired owner mistypes."""

import io
import json
import os
import random
import re
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest
from editing import edit

from planner.cli.main import cli
from planner.files.folder import open_folder

README = Path(__file__).parents[3] / "README.md"
COMMANDS = sorted(cli.commands)
MAIN = [sys.executable, "-c", "import sys; from planner.cli.main import main; sys.exit(main(sys.argv[1:]))"]
OUT = {"trip.html", "forecast.csv", "plan.json", "trip.gpx", "trip.ics", "trip.geojson"}

# A drive up to a pass and down again, every column in use, and a place off the road.
PLACES = """place,name,lat,lon,elevation [ft],kind,services,high [degF],low [degF],note
trinidad,Trinidad,37.170,-104.500,6025,town,fuel lodging,89,57,
raton-pass,Raton Pass,36.990,-104.487,7834,pass,parking,81,52,border
raton,Raton,36.900,-104.440,6680,town,fuel lodging food,88,56,
overlook,Overlook,37.000,-104.480,7900,viewpoint,parking,80,52,not on the way
"""
LEGS = """from,to,distance [mi],speed [mph],road,two_way,open,profile,note
trinidad,raton-pass,14,55,I-25,yes,yes,,
raton-pass,raton,8,55,I-25,yes,yes,,
raton-pass,overlook,1,25,track,yes,yes,,
"""
TRIP = 'name = "Raton"\nstart = "trinidad"\nfinish = "raton"\ndeparture = "2027-07-11 07:30"\n'
VEHICLE = 'base = "estate-1990s-six"\n'
FILES = {"places.csv": PLACES, "legs.csv": LEGS, "trip.toml": TRIP, "vehicle.toml": VEHICLE}


@pytest.fixture
def raton(tmp_path):
    folder = tmp_path / "raton"
    folder.mkdir()
    for name, text in FILES.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def tree(folder: Path) -> dict[str, bytes | None]:
    """Everything below a folder, for comparing."""
    return {str(p.relative_to(folder)): p.read_bytes() if p.is_file() else None for p in sorted(folder.rglob("*"))}


# --- help ---


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(run, command):
    done = run(command, "--help")
    assert done.code == 0
    shown = click_help(command)
    assert "Example: grademargin " + command in shown
    assert "--json" in shown
    for option in cli.commands[command].params:
        assert getattr(option, "help", None) or option.param_type_name == "argument", option.name


def click_help(command: str) -> str:
    from click.testing import CliRunner

    done = CliRunner().invoke(cli, [command, "-h"])
    assert done.exit_code == 0, done.output
    return done.output


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_readme(command):
    assert re.search(rf"^grademargin {command} ", README.read_text(encoding="utf-8"), re.MULTILINE)


def test_every_option_is_short_and_lower_case():
    for command in cli.commands.values():
        for option in command.params:
            for name in option.opts:
                assert re.fullmatch(r"(--)?[a-z_]+(-[a-z]+)*", name)


# --- exit codes and streams ---


@pytest.mark.parametrize(
    ("argv", "said"),
    [
        (("plann", "x"), "No such command 'plann'"),
        (("plan",), "Missing argument"),
        (("plan", "x", "--fast"), "No such option"),
        (("forecast", "x", "--json", "--csv"), "cannot be given together"),
        (("new", "x", "--example", "moon"), "example 'moon' does not exist; available:"),
    ],
)
def test_wrong_words_are_bad_input(run, monkeypatch, tmp_path, argv, said):
    monkeypatch.chdir(tmp_path)
    done = run(*argv)
    assert (done.code, done.out) == (2, "")
    assert said in done.err
    assert list(tmp_path.iterdir()) == []


def test_results_go_to_stdout_and_progress_to_stderr(run, raton):
    done = run("plan", raton)
    assert done.code == 0
    assert "forecasting" in done.err
    assert "forecasting" not in done.out
    assert "Before you drive" in done.out
    assert "outranks the model" in done.out
    assert {p.name for p in (raton / "out").iterdir()} == OUT


def test_lines_fit_a_terminal(run, raton):
    for command in (("plan",), ("forecast",), ("check",), ("check", "--rank")):
        done = run(*command, raton)
        assert ("Measure these first" in done.out) == ("--rank" in command)
        wide = [line for line in done.out.splitlines() if len(line) > 80 and str(raton) not in line]
        assert all("assumed:" in line or "check:" in line or "No problems" in line for line in wide), wide


@pytest.mark.parametrize("command", ["check", "forecast", "plan"])
def test_json_is_all_there_is_on_stdout(run, raton, command):
    done = run(command, raton, "--json")
    assert done.code == 0
    found = json.loads(done.out)
    assert found["trip"] == "Raton"
    if command == "plan":
        assert (raton / "out" / "plan.json").read_text(encoding="utf-8") == done.out


def test_forecast_as_csv(run, raton):
    done = run("forecast", raton, "--csv")
    frame = pd.read_csv(io.StringIO(done.out))
    assert list(frame["to"]) == ["Raton Pass", "Raton"]
    assert not (raton / "out").exists()


def test_an_exceeded_margin_is_told_by_the_exit_code(run, raton):
    # Coolant that may not pass 85 degC: the thermostat only begins to open there, so both legs pass it.
    own = '[coolant_limit]\nlimit = {value = "85 degC", source = "to make it fail"}\n'
    own += 'caution = {value = "80 degC", source = "to make it fail"}\n'
    (raton / "vehicle.toml").write_text(VEHICLE + own, encoding="utf-8")
    done = run("plan", raton)
    assert done.code == 1
    assert "limit 185: exceeded" in " ".join(done.out.split())
    assert "Margins of 2 legs at 90 % confidence: 2 exceeded." in done.out
    assert {p.name for p in (raton / "out").iterdir()} == OUT
    assert run("forecast", raton).code == 1


def test_check_lists_what_is_assumed(run, raton):
    done = run("check", raton)
    assert done.code == 0
    assert "no profile" in done.out
    assert "Air conditioning assumed on" in done.out
    car = open_folder(raton)[1]
    assumed = [f"{entry.key.partition('.')[2]} {entry.text}" for entry in car.entries if entry.assumed]
    assert len(assumed) > 50
    assert [text for text in assumed if text not in " ".join(done.out.split())] == []
    assert [path.name for path in (raton / "out").iterdir()] == ["check.html"]


def test_check_answers_at_once(raton):
    """No model, table or sun is loaded to read a trip; `import` of them takes seconds."""
    code = MAIN[2].replace("sys.exit(main", "main").replace("[1:]))", "[1:]); print(*sys.modules)")
    done = subprocess.run([MAIN[0], "-c", code, "check", str(raton)], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.splitlines()[-1].split())
    assert "planner.files.folder" in loaded
    slow = {
        "numba",
        "scipy.signal",
        "scipy.spatial",
        "pandas",
        "astral",
        "timezonefinder",
        "openpyxl",
        "rich",
        "folium",
        "pint",
        "requests",
    }
    assert not loaded & slow


def test_a_table_of_the_forecast_needs_no_map_frame_or_calendar():
    code = "import sys, planner.output.terminal; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "planner.forecast.run" in loaded
    assert not loaded & {"folium", "pandas", "pint", "icalendar", "gpxpy", "requests", "scipy.stats", "scipy.optimize"}


def test_what_cannot_be_written_is_exit_code_3(run, raton):
    (raton / "out").write_text("mine", encoding="utf-8")
    done = run("plan", raton)
    assert done.code == 3
    assert (raton / "out").read_text(encoding="utf-8") == "mine"
    last = done.err.splitlines()[-1]
    assert last.startswith("grademargin: ")
    assert "use --out DIR" in last


def test_out_may_lie_elsewhere_and_the_trip_is_left_alone(run, raton, tmp_path):
    before = tree(raton)
    for path in (*raton.iterdir(), raton):
        path.chmod(0o555 if path.is_dir() else 0o444)
    done = run("plan", raton, "--out", tmp_path / "elsewhere")
    raton.chmod(0o755)
    assert done.code == 0
    assert {p.name for p in (tmp_path / "elsewhere").iterdir()} == OUT
    assert tree(raton) == before


def test_out_is_never_among_the_files_of_another_trip(run, raton, copy_example, tmp_path):
    other = copy_example("minimal", tmp_path / "other")
    before = tree(other)
    done = run("plan", raton, "--out", other)
    assert done.code == 3
    assert done.err.endswith(
        f"{other}: is the folder of another trip, which contains your own files; name another folder with --out DIR\n"
    )
    assert tree(other) == before


# --- new ---


@pytest.mark.parametrize("example", ["minimal", "alps", "wilmington-astoria"])
def test_new_makes_a_trip_that_has_no_problems(run, tmp_path, example):
    folder = tmp_path / "a" / "trip"
    done = run("new", folder, "--example", example)
    assert done.code == 0
    assert f"grademargin plan {folder}" in done.out
    checked = run("check", folder)
    assert checked.code == 0, checked.err
    assert "No problems." in checked.out


def test_new_never_overwrites(run, tmp_path):
    (tmp_path / "trip").mkdir()
    (tmp_path / "trip" / "places.csv").write_text("mine", encoding="utf-8")
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    before = tree(tmp_path)
    for name in ("trip", "file"):
        done = run("new", tmp_path / name)
        assert done.code == 2
        assert "already contains files; name a new folder" in done.err
    assert tree(tmp_path) == before


def test_new_fills_an_empty_folder(run, tmp_path):
    (tmp_path / "trip").mkdir()
    assert run("new", tmp_path / "trip").code == 0
    assert run("new", tmp_path / "trip").code == 2


# --- what a tired owner types ---

SLIPS = {
    "lost minus of a longitude": (
        "places.csv",
        "-104.480",
        "104.480",
        "lon of 'overlook' the wrong sign (west is negative)?",
    ),
    "degC in a degF column": ("places.csv", "parking,81,52", "parking,27,10", "is it in degC?"),
    "metres in a feet column": ("places.csv", "7900", "2408", "'overlook' typed in metres (places.csv row 5)?"),
    "a leg left out": (
        "legs.csv",
        "raton-pass,raton,8,55,I-25,yes,yes,,\n",
        "",
        "add a leg from 'raton-pass' to 'raton'",
    ),
    "a comma in a text": (
        "legs.csv",
        "raton,8,55,I-25,yes,yes,,",
        "raton,8,55,I-25,yes,yes,,,old",
        "without a heading",
    ),
    "a profile outside": ("legs.csv", "yes,yes,,\nraton", "yes,yes,../up.csv,\nraton", "inside the trip folder"),
    "closed to traffic": ("legs.csv", "8,55,I-25,yes,yes", "8,55,I-25,yes,no", "is closed ('no' under open)"),
    "a quotation mark lost": ("trip.toml", '"Raton"', '"Raton', "cannot be read as TOML"),
    "an unknown key": ("trip.toml", "name", "confidance = 0.9\nname", "did you mean 'confidence'?"),
    "a base unknown": ("vehicle.toml", "estate-1990s-six", "estate-1990-six", "did you mean 'estate-1990s-six'?"),
    "vehicle broken": ("vehicle.toml", '"\n', "\n", "cannot be read as TOML"),
    "a part without a source": (
        "vehicle.toml",
        "\n",
        '\n[body]\nmass = "1900 kg"\n',
        "with source saying how you know",
    ),
}


def refused(done, folder: Path) -> list[str]:
    """The sentences a command was refused with."""
    assert (done.code, done.out) == (2, ""), done.err
    lines = done.err.splitlines()
    assert lines
    assert all(line.startswith("grademargin: ") for line in lines), done.err
    assert not (folder / "out").exists()
    return lines


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_one_clear_sentence(run, raton, slip):
    file, old, new, said = SLIPS[slip]
    edit(raton, file, old, new)
    before = tree(raton)
    sentences = refused(run("plan", raton), raton)
    # A temperature slip may sit in two cells; nothing else is said twice, and nothing that only follows from the slip.
    assert len(sentences) == (2 if slip == "degC in a degF column" else 1), sentences
    assert all(said in sentence for sentence in sentences), sentences
    assert tree(raton) == before


@pytest.mark.parametrize("file", [*FILES])
def test_a_file_missing_or_empty(run, raton, file):
    (raton / file).write_bytes(b"")
    assert all(f"grademargin: {file}" in sentence for sentence in refused(run("plan", raton), raton))
    (raton / file).unlink()
    if file != "trip.toml":
        (sentence,) = refused(run("plan", raton), raton)
        assert sentence.startswith(f"grademargin: {file}: is missing")


def test_places_legs_and_a_car_are_enough(run, raton):
    (raton / "trip.toml").unlink()
    done = run("check", raton)
    assert done.code == 0
    assert "No trip.toml: assumed route from the first place, " in done.out


@pytest.mark.parametrize("file", [*FILES])
@pytest.mark.parametrize("data", [b"\x00\x01\x02", "Müstair".encode("latin-1"), b"PK\x03\x04\x14\x00"])
def test_a_file_that_is_not_text(run, raton, file, data):
    (raton / file).write_bytes(data)
    (sentence,) = refused(run("plan", raton), raton)
    assert sentence.startswith(f"grademargin: {file}")


@pytest.mark.parametrize("command", ["check", "forecast", "plan"])
def test_a_folder_that_is_not_there(run, tmp_path, command):
    (sentence,) = refused(run(command, tmp_path / "nowhere"), tmp_path / "nowhere")
    assert "does not exist; 'grademargin new DIR' creates one" in sentence
    assert not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize("command", ["check", "forecast", "plan"])
def test_a_folder_that_is_a_file(run, tmp_path, command):
    (tmp_path / "trip.toml").write_text(TRIP, encoding="utf-8")
    (sentence,) = refused(run(command, tmp_path / "trip.toml"), tmp_path)
    assert "is a file, not a folder" in sentence


def test_an_empty_folder_says_all_that_is_missing(run, tmp_path):
    said = refused(run("plan", tmp_path), tmp_path)
    assert sorted(line.split(":")[1].strip() for line in said) == sorted(FILES)


def test_slips_of_several_files_come_together(run, raton):
    edit(raton, "places.csv", "7834", "high")
    edit(raton, "legs.csv", "raton,8,", "raton,-8,")
    edit(raton, "trip.toml", "07:30", "7.30")
    edit(raton, "vehicle.toml", "estate", "state")
    done = run("plan", raton)
    assert done.code == 2
    said = done.err.splitlines()
    assert len(said) == 4
    assert {re.match(r"grademargin: (\S+?):? ", line)[1].rstrip(":") for line in said} == set(FILES)


def test_a_stretch_too_long_for_a_day_is_bad_input(run, raton):
    (raton / "trip.toml").write_text(TRIP + '[day]\ndriving = "10 min"\n', encoding="utf-8")
    assert "no place to stay between" in run("plan", raton).err.splitlines()[-1]
    assert not (raton / "out").exists()


@pytest.mark.parametrize("name", ["x" * 300, "with\nnewline", "a" * 200 + "/" + "b" * 300])
def test_odd_folder_names_are_bad_input(run, tmp_path, name):
    for command in ("plan", "check", "forecast"):
        assert len(refused(run(command, tmp_path / name), tmp_path)) == 1


def test_a_folder_named_in_another_encoding_and_a_terminal_that_knows_ascii_only(raton, tmp_path):
    # A memory stick from an old machine: the name is Latin-1, not UTF-8, and the trip has no name of its own.
    edit(raton, "trip.toml", 'name = "Raton"\n', "")
    odd = tmp_path / os.fsdecode(b"M\xfcnster")
    try:
        raton.rename(odd)
    except OSError:
        odd = raton  # this file system takes UTF-8 names only
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run([*MAIN, "plan", str(odd)], capture_output=True, env=environment)
    assert done.returncode == 0, done.stderr[-400:]


# --- what must work ---


def spreadsheet(text: str) -> str:
    """As a spreadsheet of a country with decimal commas writes it."""
    return "\N{BYTE ORDER MARK}" + text.replace(",", ";").replace(".", ",").replace("\n", "\r\n")


def test_a_spreadsheet_s_csv_gives_the_same_forecast(run, raton):
    plain = run("forecast", raton, "--csv")
    assert plain.code == 0
    for file in ("places.csv", "legs.csv"):
        (raton / file).write_bytes(spreadsheet(FILES[file]).encode())
    for file in ("trip.toml", "vehicle.toml"):
        (raton / file).write_bytes(("\N{BYTE ORDER MARK}" + FILES[file].replace("\n", "\r\n")).encode())
    assert run("forecast", raton, "--csv").out == plain.out


def test_metric_headings_give_the_same_forecast(run, raton):
    plain = json.loads(run("forecast", raton, "--json").out)
    edit(raton, "legs.csv", "distance [mi],speed [mph]", "distance [km],speed [km/h]")
    edit(raton, "legs.csv", "raton-pass,14,55", "raton-pass,22.530816,88.51392")
    edit(raton, "legs.csv", "raton,8,55", "raton,12.874752,88.51392")
    metric = json.loads(run("forecast", raton, "--json").out)
    for one, other in zip(plain["legs"], metric["legs"], strict=True):
        assert other["distance_m"] == pytest.approx(one["distance_m"])
        for a, b in zip(one["fluids"], other["fluids"], strict=True):
            assert b["peak_k"] == pytest.approx(a["peak_k"], abs=2e-3)


def test_columns_may_stand_in_any_order(run, raton):
    plain = run("forecast", raton, "--csv")
    rows = [line.split(",") for line in LEGS.splitlines()]
    (raton / "legs.csv").write_text("\n".join(",".join(reversed(row)) for row in rows) + "\n", encoding="utf-8")
    assert run("forecast", raton, "--csv").out == plain.out


# --- interrupted ---


def test_killed_at_any_moment_leaves_only_whole_files(copy_example, tmp_path):
    folder = copy_example("minimal", tmp_path / "trip")
    out = folder / "out"
    began = time.monotonic()
    subprocess.run([*MAIN, "plan", str(folder)], check=True, capture_output=True)
    whole_s = time.monotonic() - began
    whole = {path.name: path.read_bytes() for path in out.iterdir()}
    assert set(whole) == OUT
    chance = random.Random(7)
    for attempt in range(3):
        for path in out.iterdir():
            path.unlink()
        out.rmdir()
        process = subprocess.Popen([*MAIN, "plan", str(folder)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        if attempt == 0:
            time.sleep(chance.uniform(0.3, 1.0) * whole_s)
        else:
            while not out.exists() and process.poll() is None:
                pass
            time.sleep(chance.uniform(0.0, 0.002))
        process.send_signal(signal.SIGKILL)
        process.wait()
        out.mkdir(exist_ok=True)
        for path in out.iterdir():
            if path.name.startswith(".") and path.suffix in (".part", ".lock"):
                continue
            assert path.read_bytes() == whole[path.name], path.name


def test_ctrl_c_says_so_and_leaves_nothing(copy_example, tmp_path):
    folder = copy_example("minimal", tmp_path / "trip")
    command = [*MAIN, "plan", str(folder)]
    held = signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored in what a script's shell runs with "&"
    try:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    finally:
        signal.signal(signal.SIGINT, held)
    assert "read Needles to Kingman" in process.stderr.readline()
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "interrupted; no file was left incomplete" in err
    assert "Traceback" not in err
    assert not (folder / "out").exists()


@pytest.mark.parametrize(
    "words",
    [
        ("plan", "TRIP", "--out", ""),
        ("plan", ""),
        ("fit", "TRIP", "a.csv", "--out", ""),
        ("fit", "TRIP", "a.csv", "--plots", ""),
        ("fit", "TRIP", ""),
        ("log", ""),
        ("log", "a.csv", "--map", ""),
        ("whatif", "TRIP", "--svg", ""),
    ],
)
def test_an_empty_name_is_refused(run, trip_folder, tmp_path, monkeypatch, words):
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.iterdir())
    done = run(*(trip_folder if word == "TRIP" else word for word in words))
    assert done.code == 2
    assert "is empty; name a file or folder" in done.err
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize(("air", "meant"), [("77 degC", ", or was 77 degF meant?"), ("200 degC", ""), ("-90 degC", "")])
def test_an_outside_air_that_is_none_is_refused(run, copy_example, tmp_path, air, meant):
    folder = copy_example("wilmington-astoria", tmp_path / "trip")
    log = next((folder / "logs").glob("*.csv"))
    mapping = log.with_suffix(".map.toml")
    said = mapping.read_text(encoding="utf-8")
    mapping.write_text(re.sub(r"\[channels.ambient\]\n.*\n.*\n", "", said), encoding="utf-8")
    for command in ("fit", "review"):
        done = run(command, folder, log, "--ambient", air)
        assert done.code == 2, done
        assert f"--ambient: {air.replace('degC', 'degC is implausible for outside air')}" in done.err
        assert meant in done.err


def test_a_reader_that_closes_early_is_no_error(raton):
    command = f"{shlex.join([*MAIN, 'forecast', str(raton), '--json'])} | head -c 10"
    done = subprocess.run(["bash", "-o", "pipefail", "-c", command], capture_output=True, text=True)
    assert "Traceback" not in done.stderr
    assert "BrokenPipe" not in done.stderr
