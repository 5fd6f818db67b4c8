"""A trip folder that points outside itself: nothing out there is read, nothing is written over, nothing hangs."""

import os
import sys
from pathlib import Path

import pytest

from planner.files.folder import open_folder
from planner.files.logtext import read_log_text
from planner.files.reading import whole
from planner.model.errors import OutputError, PlannerError, TripError
from planner.model.paths import results_folder
from planner.output.changes import last_plan
from planner.output.write import write_files

LEG = "from,to,distance [mi],speed [mph],profile\n"
SECRET = "root:x:0:0:secret"

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links and pipes as POSIX has them")


@pytest.fixture
def trip(tmp_path, copy_example):
    copy_example("minimal", tmp_path / "trip")
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "secret.csv").write_text(SECRET)
    return tmp_path / "trip"


def refused(trip, file, row=0, column="", code="file-access", why=""):
    """The folder is refused for one thing, and nothing of what it led to is said."""
    with pytest.raises(TripError) as caught:
        open_folder(trip)
    (one,) = caught.value.found
    assert (one.file, one.row, one.column, one.code) == (file, row, column, code)
    assert why in one.text
    assert SECRET not in one.text


INSIDE, SLASH, OUT = "the path must lead to a file inside", "write the path with /", "is outside the trip folder"


@pytest.mark.parametrize(
    ("name", "why"),
    [
        *((name, INSIDE) for name in ("../elsewhere/secret.csv", "/etc/passwd.csv", "C:/x.csv", "c:x.csv")),
        *((name, INSIDE) for name in ("//host/share/x.csv", "a/../../elsewhere/secret.csv", "/dev/stdin.gpx")),
        *((name, "no such file") for name in ("~/x.csv", "file:///etc/x.csv")),
        (r"..\\elsewhere\\secret.csv", SLASH),
        *((name, OUT) for name in ("profiles/secret.csv", "one.csv", "zero.gpx")),
        *((name, "is not a file") for name in ("pipe.csv", "folder.csv")),
        *((name, "cannot be opened") for name in ("self.csv", "x" * 300 + ".csv")),
    ],
)
def test_a_profile_outside_is_not_read(trip, name, why):
    (trip / "profiles").symlink_to(trip.parent / "elsewhere")
    (trip / "one.csv").symlink_to(trip.parent / "elsewhere" / "secret.csv")
    (trip / "self.csv").symlink_to("self.csv")
    (trip / "zero.gpx").symlink_to("/dev/zero")
    (trip / "folder.csv").mkdir()
    os.mkfifo(trip / "pipe.csv")
    (trip / "legs.csv").write_text(f"{LEG}needles,kingman,61,62,{name}\n")
    refused(trip, "legs.csv", 2, "profile", why=why)


@pytest.mark.parametrize(
    "file", ["trip.toml", "vehicle.toml", "places.csv", "legs.csv", "weather.csv", "readings.csv", "trip.xlsx"]
)
@pytest.mark.parametrize("how", ["link", "device", "pipe", "folder", "loop", "huge"])
def test_a_file_that_is_none_is_refused_at_once(trip, file, how):
    path = trip / file
    for name in ("places.csv", "legs.csv") if file == "trip.xlsx" else (file,):
        (trip / name).unlink(missing_ok=True)
    if how == "pipe":
        os.mkfifo(path)
    elif how == "folder":
        path.mkdir()
    elif how == "huge":
        with path.open("wb") as held:
            held.truncate(5_000_000_000)
    else:
        target = {"link": trip.parent / "elsewhere" / "secret.csv", "device": Path("/dev/zero"), "loop": path}[how]
        path.symlink_to(target)
    refused(trip, file)


@pytest.mark.parametrize(
    "line", ['base = "../../elsewhere/secret"', 'base = "/etc/passwd"', 'base = ["x"]', "base = 1"]
)
def test_a_class_of_car_is_a_name_not_a_path(trip, line):
    (trip / "vehicle.toml").write_text(line + "\n")
    refused(trip, "", code="vehicle")


def test_tables_of_usual_weather_lie_inside(trip, run):
    with (trip / "trip.toml").open("a") as file:
        file.write('[weather]\nnormals = "../elsewhere/secret.csv"\n')
    ran = run("forecast", trip)
    assert ran.code == 2
    assert "is outside the trip folder" in ran.err
    assert SECRET not in ran.err


def test_a_file_exchanged_after_the_check_does_not_hang(tmp_path):
    os.mkfifo(tmp_path / "places.csv")
    with pytest.raises(OSError, match="not a regular file"):
        whole(tmp_path / "places.csv", max_bytes=99)


def test_logs_that_are_pipes_or_huge_are_refused(tmp_path):
    os.mkfifo(tmp_path / "a.csv")
    with (tmp_path / "b.csv").open("wb") as file:
        file.truncate(5_000_000_000)
    for name in ("a.csv", "b.csv"):
        with pytest.raises(PlannerError, match=r"cannot be opened \((not a regular file|larger than 250 MB)\)"):
            read_log_text(tmp_path / name)


# --- writing ---


def test_results_do_not_leave_the_folder(trip, run):
    elsewhere = trip.parent / "elsewhere"
    (elsewhere / "trip.html").write_text("mine")
    (trip / "out").symlink_to(elsewhere)
    ran = run("plan", trip)
    assert ran.code == 3
    assert "is a link to outside the trip folder" in ran.err
    assert (elsewhere / "trip.html").read_text() == "mine"
    assert sorted(path.name for path in elsewhere.iterdir()) == ["secret.csv", "trip.html"]


@pytest.mark.parametrize("target", ["/", "..", "../elsewhere", "out", "/nonexistent/x"])
def test_out_may_not_be_a_way_out(trip, target):
    (trip / "out").symlink_to(target)
    with pytest.raises(OutputError, match="is a link to outside the trip folder"):
        results_folder(trip)


def test_out_may_be_missing_plain_or_a_link_inside(trip):
    assert results_folder(trip) == trip / "out"
    (trip / "results").mkdir()
    (trip / "out").symlink_to("results")
    assert results_folder(trip) == trip / "out"


def test_a_link_among_the_results_is_replaced_not_followed(tmp_path):
    mine, out = tmp_path / "mine.txt", tmp_path / "out"
    out.mkdir()
    mine.write_text("mine")
    (out / "trip.html").symlink_to(mine)
    os.link(mine, out / "plan.json")
    write_files(out, {"trip.html": "page", "plan.json": "{}"})
    assert mine.read_text() == "mine"
    assert not (out / "trip.html").is_symlink()
    assert (out / "trip.html").read_text() == "page"


def test_the_last_plan_is_not_read_from_elsewhere(trip):
    (trip / "out").mkdir()
    assert last_plan(trip / "out") is None
    (trip.parent / "elsewhere" / "other.json").write_text('{"legs": []}')
    (trip / "out" / "plan.json").symlink_to(trip.parent / "elsewhere" / "other.json")
    assert last_plan(trip / "out") == {}
