"""The command line as its users meet it: help, exit codes, where words go, and what a tired owner mistypes."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from editing import edit

from planner.cli.main import cli
from planner.files.folder import open_folder

README = Path(__file__).parents[3] / "README.md"
COMMANDS = sorted(cli.commands)
OUT = {"trip.html", "forecast.csv", "plan.json", "trip.gpx", "trip.ics", "trip.geojson"}

FILES = {"places.csv", "legs.csv", "trip.toml", "vehicle.toml"}


# --- help ---


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(run, command):
    assert run(command, "--help").code == 0
    shown = CliRunner().invoke(cli, [command, "-h"]).output
    assert "Example: grademargin " + command in shown
    assert "--json" in shown
    for option in cli.commands[command].params:
        assert getattr(option, "help", None) or option.param_type_name == "argument", option.name


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


def test_results_go_to_stdout_and_progress_to_stderr(run, trip_folder):
    done = run("plan", trip_folder)
    assert done.code == 0
    assert "forecasting" in done.err
    assert "forecasting" not in done.out
    assert "Before you drive" in done.out
    assert "outranks the model" in done.out
    assert {p.name for p in (trip_folder / "out").iterdir()} == OUT


def test_lines_fit_a_terminal(run, trip_folder):
    for command in (("plan",), ("forecast",), ("check",), ("check", "--rank")):
        done = run(*command, trip_folder)
        assert ("Measure these first" in done.out) == ("--rank" in command)
        wide = [line for line in done.out.splitlines() if len(line) > 80 and str(trip_folder) not in line]
        assert all("assumed:" in line or "check:" in line or "No problems" in line for line in wide), wide


@pytest.mark.parametrize("command", ["check", "forecast", "plan"])
def test_json_is_all_there_is_on_stdout(run, trip_folder, command):
    done = run(command, trip_folder, "--json")
    assert done.code == 0
    found = json.loads(done.out)
    assert found["trip"] == "Needles to Kingman"
    if command == "plan":
        assert (trip_folder / "out" / "plan.json").read_text(encoding="utf-8") == done.out


def _make_it_fail(trip_folder):
    """Coolant that may not pass 85 degC: the thermostat only begins to open there, so the leg passes it."""
    own = '[coolant_limit]\nlimit = {value = "85 degC", source = "to make it fail"}\n'
    own += 'caution = {value = "80 degC", source = "to make it fail"}\n'
    edit(trip_folder, "vehicle.toml", "\n", f"\n{own}")


def test_an_exceeded_margin_is_told_by_the_exit_code(run, trip_folder):
    _make_it_fail(trip_folder)
    done = run("plan", trip_folder)
    assert done.code == 1
    assert "limit 185: exceeded" in " ".join(done.out.split())
    assert "Margins of 1 leg at 90 % confidence: 1 exceeded." in done.out
    assert {p.name for p in (trip_folder / "out").iterdir()} == OUT
    assert run("forecast", trip_folder).code == 1


def test_check_lists_what_is_assumed(run, trip_folder):
    done = run("check", trip_folder)
    assert done.code == 0
    assert "no profile" in done.out
    assert "Air conditioning assumed on" in done.out
    car = open_folder(trip_folder)[1]
    assumed = [f"{entry.key.partition('.')[2]} {entry.text}" for entry in car.entries if entry.assumed]
    assert len(assumed) > 50
    assert [text for text in assumed if text not in " ".join(done.out.split())] == []
    assert [path.name for path in (trip_folder / "out").iterdir()] == ["check.html"]
    (trip_folder / "trip.toml").unlink()  # places, legs and a car are enough
    assert "No trip.toml: assumed route from the first place, " in run("check", trip_folder).out


@pytest.mark.parametrize(
    ("code", "needed", "slow"),
    [
        (
            "from planner.cli.main import main; main(['check', sys.argv[1]])",
            "planner.files.folder",
            "numba scipy pandas astral timezonefinder openpyxl rich folium pint requests networkx tomlkit",
        ),
        (
            "import planner.output.terminal",
            "planner.forecast.run",
            "folium pandas pint icalendar gpxpy requests networkx scipy.stats scipy.optimize",
        ),
    ],
    ids=["check", "a table of the forecast"],
)
def test_nothing_slow_is_loaded_without_need(trip_folder, code, needed, slow):
    """`import` of models, maps, frames, calendars or the sun takes seconds."""
    argv = [sys.executable, "-c", f"import sys; {code}; print(); print(*sys.modules)", str(trip_folder)]
    done = subprocess.run(argv, capture_output=True, text=True, check=True)
    loaded = set(done.stdout.splitlines()[-1].split())
    assert needed in loaded
    assert not loaded & set(slow.split())


@pytest.mark.parametrize(
    ("command", "slow"),
    [("forecast", "numba pandas networkx folium requests scipy"), ("plan", "numba pandas scipy")],
)
def test_later_runs_load_no_compiler(trip_folder, command, slow):
    """Code that was compiled once, and the finder of time zones, do without it; so does the map without data frames."""
    _make_it_fail(trip_folder)  # so that a second process tries remedies while the page is made
    code = f"import sys; from planner.cli.main import main; main(['{command}', sys.argv[1]]); print(*sys.modules)"
    argv = [sys.executable, "-c", code, str(trip_folder)]
    first, later = (subprocess.run(argv, capture_output=True, text=True, check=True) for _ in range(2))
    *told, loaded = later.stdout.splitlines()
    assert told == first.stdout.splitlines()[:-1]
    assert "thermal.kernel" in loaded.split()
    assert not set(loaded.split()) & set(slow.split())


def test_out_is_never_among_the_files_of_another_trip(run, trip_folder, copy_example, tmp_path):
    other = copy_example("minimal", tmp_path / "other")
    before = sorted(other.rglob("*"))
    done = run("plan", trip_folder, "--out", other)
    assert done.code == 3
    assert f"{other}: is the folder of another trip, which contains your own files" in done.err
    assert sorted(other.rglob("*")) == before


# --- new ---


@pytest.mark.parametrize("example", ["minimal", "alps", "wilmington-astoria"])
def test_new_makes_a_trip_that_has_no_problems(run, tmp_path, example):
    folder = tmp_path / "a" / "trip"
    done = run("new", folder, "--example", example)
    assert done.code == 0
    assert f"grademargin plan {folder}" in done.out
    checked = run("check", folder)
    assert checked.code == 0, checked.err
    assert "No problems." in checked.out or re.search(r"No errors; \d+ things? to check\.", checked.out)


# --- what a tired owner types ---


def refused(done, folder: Path) -> list[str]:
    """The sentences a command was refused with."""
    assert (done.code, done.out) == (2, ""), done.err
    lines = done.err.splitlines()
    assert all(line.startswith("grademargin: ") for line in lines), done.err
    assert not (folder / "out").exists()
    return lines


@pytest.mark.parametrize("command", ["check", "forecast", "plan"])
def test_a_folder_that_is_not_there(run, tmp_path, command):
    (sentence,) = refused(run(command, tmp_path / "nowhere"), tmp_path / "nowhere")
    assert "does not exist; 'grademargin new DIR' creates one" in sentence
    assert not (tmp_path / "nowhere").exists()


def test_an_empty_folder_says_all_that_is_missing(run, tmp_path):
    said = refused(run("plan", tmp_path), tmp_path)
    assert sorted(line.split(":")[1].strip() for line in said) == sorted(FILES)


def test_slips_of_several_files_come_together(run, trip_folder):
    edit(trip_folder, "places.csv", "3335", "high")
    edit(trip_folder, "legs.csv", ",61,", ",-61,")
    edit(trip_folder, "trip.toml", "14:00", "14.0")
    edit(trip_folder, "vehicle.toml", "estate", "state")
    said = run("plan", trip_folder).err.splitlines()
    assert len(said) == 4
    assert {re.match(r"grademargin: (\S+?):? ", line)[1].rstrip(":") for line in said} == FILES


def test_a_stretch_too_long_for_a_day_is_bad_input(run, trip_folder):
    edit(trip_folder, "trip.toml", '14:00"\n', '14:00"\n[day]\ndriving = "10 min"\n')
    assert "split it with a place in between" in run("plan", trip_folder).err.splitlines()[-1]
    assert not (trip_folder / "out").exists()


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
