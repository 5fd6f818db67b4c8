"""Full, read-only and vanished disks, streams that end, and surroundings that lack everything."""

import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest
import warm

from planner.files.wholefile import is_part
from planner.weather.store import save_json

NOBODY = 65534
PROGRAM = [sys.executable, "-m", "planner"]


def lines(ran: warm.Ran) -> list[str]:
    assert "Traceback" not in ran.err
    return [line for line in ran.err.splitlines() if line.startswith("grademargin:")]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 256 kB: less than a page takes."""
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", place], capture_output=True)
    if done.returncode != 0:
        pytest.skip("no right to mount a small disk here")
    yield place
    subprocess.run(["umount", "-l", place], check=True)


def as_nobody(folder: Path) -> Callable[[], None]:
    """For `prepare`: go on as a user to whom modes apply."""
    if os.geteuid() != 0:
        return lambda: None  # they apply already
    for path in (folder, *folder.parents):
        if path.stat().st_uid == 0 and path != Path("/") and "pytest" in str(path):
            path.chmod(path.stat().st_mode | 0o055)
    return lambda: (os.setgroups([]), os.setgid(NOBODY), os.setuid(NOBODY)) and None


# --- full ---


def test_a_full_disk_keeps_the_old_plan(trip: Path, small_disk: Path) -> None:
    out = small_disk / "out"
    out.mkdir()
    for name in ("trip.html", "plan.json"):
        (out / name).write_text(f"old {name}")
    before = warm.state(small_disk)
    ran = warm.run("plan", trip, "--out", out)  # room for the trial and for five of six files
    assert ran.code == 3
    assert lines(ran) == [
        f"grademargin: {out}: cannot be written (No space left on device); free disk space, allow writing, or use "
        "--out DIR"
    ]
    assert warm.state(small_disk) == before


def test_a_disk_with_no_room_at_all_is_found_before_the_work(trip: Path, small_disk: Path) -> None:
    (small_disk / "fill").write_bytes(b"\0" * 256 * 1024)
    ran = warm.run("plan", trip, "--out", small_disk / "out")
    assert ran.code == 3
    assert "No space left" in lines(ran)[0]
    assert "forecasting" not in ran.err
    assert [path.name for path in small_disk.iterdir()] == ["fill"]


def test_new_on_a_full_disk_leaves_nothing(small_disk: Path) -> None:
    (small_disk / "fill").write_bytes(b"\0" * 200 * 1024)
    for more in ((), ("--spreadsheet",)):
        ran = warm.run("new", small_disk / "deep" / "july", "--example", "alps", *more)
        assert ran.code == 3
        assert "No space left" in lines(ran)[0]
        assert not any(is_part(path.name) for path in small_disk.rglob("*"))
        assert not (small_disk / "deep" / "july").exists()


def test_kept_weather_on_a_full_disk(small_disk: Path) -> None:
    kept = small_disk / "weather.json"
    save_json(kept, {"fetched": [1, 2]})
    before = kept.read_bytes()
    (small_disk / "fill").write_bytes(b"\0" * 240 * 1024)
    with pytest.raises(Exception, match=r"weather.json: cannot be written \(No space left on device\)"):
        save_json(kept, {"fetched": list(range(100_000))})
    assert kept.read_bytes() == before
    assert {path.name for path in small_disk.iterdir()} == {"weather.json", "fill"}


def test_weather_with_a_full_cache(trip: Path, small_disk: Path) -> None:
    """A full disk is no damage: the cache stays where it is."""
    places = {name: str(small_disk) for name in ("XDG_CACHE_HOME", "XDG_DATA_HOME")}
    argv, prepare = ("weather", trip, "--offline"), lambda: os.environ.update(places)
    first = warm.run(*argv, prepare=prepare)
    (small_disk / "fill").touch()
    with suppress(OSError), (small_disk / "fill").open("wb", buffering=0) as file:
        while True:
            file.write(b"\0" * 4096)
    before = set(warm.state(small_disk))
    ran = warm.run(*argv, prepare=prepare)
    assert (ran.code, ran.out) == (first.code, first.out)
    assert "damaged" not in ran.err
    assert "cannot be used (" in ran.err
    assert set(warm.state(small_disk)) <= before | {"grademargin/http.sqlite-wal", "grademargin/http.sqlite-shm"}


def test_the_model_is_compiled_where_nothing_can_be_kept(small_disk: Path) -> None:
    """A full disk for the compiler's results: it says that nothing was kept, and leaves no part of a file."""
    code = "from thermal.kernel import _march; print(_march.keep(bytes(200_000)), _march.is_kept())"
    env = {**os.environ, "NUMBA_CACHE_DIR": str(small_disk)}
    (small_disk / "fill").write_bytes(b"\0" * (small_disk_bytes(small_disk) - 65536))
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]
    assert {path.name for path in small_disk.iterdir()} == {"fill"}
    (small_disk / "fill").unlink()
    subprocess.run(["mount", "-o", "remount,size=4m", small_disk], check=True)
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "True"]


def small_disk_bytes(disk: Path) -> int:
    """Size of a disk."""
    held = os.statvfs(disk)
    return held.f_frsize * held.f_blocks


def test_a_command_runs_where_nothing_can_be_kept(trip: Path) -> None:
    """The compiler then has no cache at all."""
    env = {**os.environ, "NUMBA_CACHE_DIR": "/dev/null/x"}
    ran = subprocess.run([*PROGRAM, "forecast", trip], env=env, capture_output=True, text=True)
    assert (ran.returncode, "Traceback" in ran.stderr) == (0, False), ran.stderr
    assert "ample" in ran.stdout


def test_a_file_that_may_not_grow(trip: Path) -> None:
    before = warm.state(trip)

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    ran = warm.run("plan", trip, prepare=limit)
    assert ran.code == 3
    assert "cannot be written (File too large)" in lines(ran)[0]
    assert warm.state(trip) == before


@pytest.mark.parametrize("command", [("plan",), ("forecast", "--json"), ("forecast",), ("check",), ("alarms",)])
def test_results_to_a_full_disk(trip: Path, command: tuple[str, ...], tmp_path: Path) -> None:
    err = tmp_path / "err"
    assert warm.end(warm.start([command[0], trip, *command[1:]], out="/dev/full", err=err)) == 3
    assert err.read_text().splitlines()[-1] == (
        "grademargin: cannot write to stdout (No space left on device); free disk space"
    )


# --- read-only, taken, gone ---


@pytest.mark.parametrize("fault", ["file", "folder of a file's name", "read-only", "dangling link", "trip folder"])
def test_plan_finds_out_first_that_out_cannot_be_written(trip: Path, fault: str) -> None:
    out, prepare, more = trip / "out", lambda: None, ()
    shutil.rmtree(out)
    if fault == "file":
        out.write_text("mine")
    elif fault == "folder of a file's name":
        (out / "trip.html" / "mine").mkdir(parents=True)
    elif fault == "read-only":
        out.mkdir()
        out.chmod(0o555)
        prepare = as_nobody(trip)
    elif fault == "dangling link":
        out.symlink_to(trip / "nowhere" / "out")
    else:
        more = ("--out", trip)
    before, began_s = warm.state(trip), time.monotonic()
    ran = warm.run("plan", trip, *more, prepare=prepare)
    assert ran.code == 3
    assert len(lines(ran)) == 1
    assert "--out DIR" in lines(ran)[0]
    assert "forecasting" not in ran.err, time.monotonic() - began_s
    assert warm.state(trip) == before


def test_a_read_only_trip_folder_is_planned_elsewhere(trip: Path, tmp_path: Path) -> None:
    shutil.rmtree(trip / "out")
    other = tmp_path / "other"
    other.mkdir()
    other.chmod(0o777)
    trip.chmod(0o555)
    as_nobody(other)
    prepare = as_nobody(trip)
    ran = warm.run("plan", trip, prepare=prepare)
    assert ran.code == 3
    assert "Permission denied" in lines(ran)[0]
    assert "forecasting" not in ran.err
    closed = tmp_path / "closed"
    (closed / "inner").mkdir(parents=True)
    closed.chmod(0o700)
    ran = warm.run("plan", trip, "--out", closed / "inner", prepare=prepare)
    assert ran.code == 3 or os.geteuid() != 0
    assert "forecasting" not in ran.err or os.geteuid() != 0
    assert warm.run("plan", trip, "--out", other, prepare=prepare).code == 0
    assert len(list(other.iterdir())) == 6
    trip.chmod(0o755)


def test_fit_and_whatif_find_out_first(trip: Path, tmp_path: Path) -> None:
    (trip / "vehicle-fitted.toml").write_text("mine")
    ran = warm.run("fit", trip, tmp_path / "none.csv", "--out", trip / "vehicle-fitted.toml")
    assert ran.code == 3
    assert "already exists and was not overwritten" in lines(ran)[0]
    before = warm.state(trip)
    ran = warm.run("whatif", trip, "--svg", trip / "legs.csv")
    assert ran.code == 2
    assert "end in .svg" in lines(ran)[0]
    ran = warm.run("whatif", trip, "--svg", trip / "none" / "deep" / "x.svg", prepare=lambda: None)
    assert ran.code == 0
    shutil.rmtree(trip / "none")
    assert warm.state(trip) == before


def test_the_folder_vanishes_while_the_plan_is_made(trip: Path, tmp_path: Path) -> None:
    pid = warm.start(["plan", trip], err=tmp_path / "err")
    time.sleep(0.25)
    trip.rename(tmp_path / "gone")
    code, said = warm.end(pid), (tmp_path / "err").read_text()
    assert code in (0, 2, 3)
    assert "Traceback" not in said
    assert {name for name in warm.state(tmp_path / "gone") if "/" not in name} >= {"trip.toml", "legs.csv"}


def test_a_disk_taken_away_while_the_plan_is_made(trip: Path, small_disk: Path, tmp_path: Path) -> None:
    subprocess.run(["mount", "-o", "remount,size=4m", small_disk], check=True)
    pid, err = warm.start(["plan", trip, "--out", small_disk / "out"], err=tmp_path / "err"), tmp_path / "err"
    until_s = time.monotonic() + 20.0
    while "choosing the road" not in (err.read_text() if err.exists() else "") and time.monotonic() < until_s:
        time.sleep(0.01)
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    assert warm.end(pid) == 3
    assert "Traceback" not in (tmp_path / "err").read_text()
    assert "Read-only file system" in (tmp_path / "err").read_text()


def test_read_only_generated_files_are_replaced_and_modes_follow_the_user(trip: Path) -> None:
    for path in (trip / "out").iterdir():
        path.chmod(0o444)
    assert warm.run("plan", trip, prepare=lambda: os.umask(0o077) and None).code == 0
    assert {path.stat().st_mode & 0o777 for path in (trip / "out").iterdir()} == {0o600}


# --- streams and surroundings ---


@pytest.mark.parametrize("command", [("plan",), ("plan", "--json"), ("check",), ("--help",)])
def test_a_reader_who_has_seen_enough(trip: Path, command: tuple[str, ...], tmp_path: Path) -> None:
    before = warm.state(trip / "out")
    there, here = os.pipe()
    os.close(there)
    argv = [command[0], *([] if command == ("--help",) else [trip]), *command[1:]]
    pid = warm.start(argv, out=here, err=tmp_path / "err")
    os.close(here)
    assert warm.end(pid) == 0
    assert "Traceback" not in (tmp_path / "err").read_text()
    assert "BrokenPipe" not in (tmp_path / "err").read_text()
    after = warm.state(trip / "out")
    if command == ("check",):
        assert after.pop("check.html")
        before.pop("check.html", None)
    assert after == before


def test_closed_streams(trip: Path) -> None:
    """Progress does not stray into the results, and no file gets the number of a stream."""
    for number, closing in enumerate(("2>&-", "<&- >&- 2>&-")):
        done = subprocess.run(
            ["sh", "-c", f'"$@" {closing}', "sh", *PROGRAM, "new", trip.parent / f"n{number}", "--json"],
            capture_output=True,
            text=True,
        )
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout.startswith("{" if number == 0 else "")


def test_progress_stays_out_of_json_without_stderr(trip: Path, tmp_path: Path) -> None:
    import json

    def no_stderr() -> None:
        sys.stderr = None

    out = tmp_path / "out"
    assert warm.end(warm.start(["plan", trip, "--json"], out=out, prepare=no_stderr)) == 0
    assert json.loads(out.read_text(encoding="utf-8"))["schema"].startswith("grademargin-plan/")


@pytest.mark.parametrize("columns", ["20", "1", "0", "-5", "x"])
def test_a_narrow_terminal_hides_no_column(trip: Path, columns: str) -> None:
    ran = warm.run("forecast", trip, prepare=lambda: os.environ.update(COLUMNS=columns))
    assert ran.code == 0
    assert "191 (54)" in ran.out or "(" in ran.out.splitlines()[2]
    assert "level" in ran.out
    assert "Margins" in warm.run("plan", trip, prepare=lambda: os.environ.update(COLUMNS=columns)).out


@pytest.mark.parametrize(
    "surroundings",
    [
        {"HOME": "/nonexistent"},
        {"HOME": "/dev/null", "XDG_CACHE_HOME": "/dev/null/x", "XDG_DATA_HOME": "/dev/null/x"},
        {"TMPDIR": "/nonexistent", "TERM": "dumb", "NO_COLOR": "1"},
        {"TZ": "Nowhere/Foo"},
        {"TZ": "UTC+99"},
        {"LANG": "xx_YY", "LC_ALL": "C"},
    ],
    ids=str,
)
def test_surroundings_change_nothing(trip: Path, surroundings: dict[str, str]) -> None:
    before = warm.state(trip)

    def change() -> None:
        os.environ.update(surroundings)
        time.tzset()

    ran = warm.run("plan", trip, prepare=change)
    assert ran.code == 0, ran.err
    assert "cannot" not in ran.err
    assert warm.state(trip) == before


def test_a_folder_deleted_under_ones_feet(trip: Path, tmp_path: Path) -> None:
    here = tmp_path / "here"

    def stand() -> None:
        here.mkdir()
        os.chdir(here)
        here.rmdir()

    assert warm.run("plan", trip, prepare=stand).code == 0
    for argv in (("plan", "trip"), ("plan", "."), ("new", "july"), ("plan", trip, "--out", "out")):
        ran = warm.run(*argv, prepare=stand)
        assert ran.code in (2, 3)
        assert lines(ran)


def test_data_keeps_every_letter_where_words_cannot(trip: Path) -> None:
    places = (trip / "places.csv").read_text(encoding="utf-8").replace("Kingman, Arizona", "Кингман é 東京")
    (trip / "places.csv").write_text(places, encoding="utf-8")

    def ascii_only() -> None:
        sys.stdout.reconfigure(encoding="ascii")

    assert "Кингман é 東京" in warm.run("forecast", trip, "--csv", prepare=ascii_only).out
    assert "Кингман é 東京" in warm.run("plan", trip, "--json", prepare=ascii_only).out
    plain = warm.run("plan", trip, prepare=ascii_only)
    assert plain.code == 0
    assert "??????? ? ??" in plain.out


FAKE_CLOCK = next(iter(sorted(Path("/usr/lib").glob("**/faketime/libfaketime.so.1"))), None)


@pytest.mark.skipif(FAKE_CLOCK is None, reason="no libfaketime")
@pytest.mark.parametrize("now", ["1970-01-01 00:00:05", "2100-06-01 12:00:00"])
def test_a_wrong_clock_changes_no_plan(trip: Path, now: str) -> None:
    before = warm.state(trip)
    env = {**os.environ, "LD_PRELOAD": str(FAKE_CLOCK), "FAKETIME": f"@{now}"}
    done = subprocess.run([*PROGRAM, "plan", trip], env=env, capture_output=True, text=True)
    assert (done.returncode, "Traceback" in done.stderr) == (0, False), done.stderr
    assert warm.state(trip) == before


@pytest.mark.parametrize("departure", ["2027-03-14 02:30", "2027-11-07 01:30", "2027-03-13 23:50"])
def test_setting_off_while_the_clocks_change(trip: Path, departure: str) -> None:
    """Needles keeps Pacific time: 02:30 does not exist on 14 March, 01:30 comes twice on 7 November."""
    text = (trip / "trip.toml").read_text(encoding="utf-8")
    text = text.replace("2027-07-10 14:00", departure) + "\n[day]\ndaylight = false\n"
    (trip / "trip.toml").write_text(text, encoding="utf-8")
    ran = warm.run("plan", trip)
    assert ran.code == 0 or (ran.code == 2 and len(lines(ran)) == 1), ran.err
    assert departure[:8] in (trip / "out" / "plan.json").read_text(encoding="utf-8") or ran.code == 2
