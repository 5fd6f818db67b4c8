"""Killed, interrupted, asked to end, at every step on files: old or new, never half; what is left is cleaned."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import warm

from planner.cli.streams import guard
from planner.files import wholefile
from planner.model.paths import data_folder

LOGS = data_folder() / "examples" / "wilmington-astoria" / "logs"


def unnumbered(folder: Path) -> dict[str, str]:
    """Hashes, less the calendar's: it carries what the plans before it held, so that a replan cancels their events."""
    return {name: digest for name, digest in warm.state(folder).items() if name != "trip.ics"}


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_stopped_at_any_step_of_writing_a_set(tmp_path: Path, number: int) -> None:
    old, new = ({"a.html": word * 50_000, "b.csv": word, "c.json": word * 9} for word in ("old ", "new "))
    wholefile.replace_files(tmp_path, old)
    (tmp_path / "mine.txt").write_text("mine")
    before, mixed, step = warm.state(tmp_path), 0, 0
    wholefile.replace_files(tmp_path, new)
    after = warm.state(tmp_path)
    while True:
        wholefile.replace_files(tmp_path, old)
        step += 1
        watch = warm.at_step(step, number, tmp_path)
        ran = warm.run(
            prepare=lambda watch=watch: (guard(), watch()), call=lambda: wholefile.replace_files(tmp_path, new)
        )
        found = warm.sound(tmp_path)
        if ran.code == 0:
            break
        assert set(found) == set(before)
        assert all(held in (before[name], after[name]) for name, held in found.items())
        mixed += found not in (before, after)
        assert number == signal.SIGKILL or not warm.parts(tmp_path)
    assert step > 8
    assert found == after
    assert not warm.parts(tmp_path)
    # between the first name and the last nothing but a kill that cannot be heard, or the power, leaves two plans mixed
    assert mixed == (2 if number == signal.SIGKILL else 0)


@pytest.mark.parametrize("there", [False, True], ids=["no folder", "empty folder"])
def test_new_killed_at_any_step(tmp_path: Path, there: bool) -> None:
    folder, step = tmp_path / "july", 0
    assert warm.run("new", tmp_path / "whole").code == 0
    whole = warm.state(tmp_path / "whole")
    while True:
        if there:
            folder.mkdir()
        step += 1
        ran = warm.run("new", folder, prepare=warm.at_step(step, signal.SIGKILL, tmp_path))
        if ran.code == 0:
            break
        left = warm.sound(folder) if folder.exists() else {}
        assert left in ({}, whole) or there
        if not left:
            again = warm.run("new", folder)
            assert again.code == 0, again.err
            assert warm.state(folder) == whole
            assert not warm.parts(tmp_path)
        subprocess.run(["rm", "-r", folder], check=True)
    assert step > 8


def test_log_write_killed_at_any_step(tmp_path: Path) -> None:
    log, step = tmp_path / "day1.csv", 0
    whole = next(path for path in sorted(LOGS.iterdir()) if path.suffix == ".csv").read_bytes()
    log.write_bytes(b"\n".join(whole.split(b"\n")[:400]) + b"\n")
    argv = ("log", log, "--describe", "--write")
    assert warm.run(*argv).code == 0
    whole = warm.state(tmp_path)
    while True:
        (tmp_path / "day1.map.toml").unlink()
        step += 1
        ran = warm.run(*argv, prepare=warm.at_step(step, signal.SIGKILL, tmp_path))
        if ran.code == 0:
            break
        if warm.sound(tmp_path) != whole:
            assert warm.sound(tmp_path) == {"day1.csv": whole["day1.csv"]}
            assert warm.run(*argv).code == 0
        else:  # the name was given; what is left is cleaned by the next that writes here
            wholefile.replace_files(tmp_path, {})
        assert warm.state(tmp_path) == whole
    assert step > 6


@pytest.fixture
def listening(number: int) -> Iterator[None]:
    """Start children that do not ignore the signal, whatever these tests were started by (nohup, a script's `&`)."""
    before = signal.getsignal(number)
    if before is signal.SIG_IGN:
        signal.signal(number, signal.SIG_DFL)
    yield
    signal.signal(number, before)


@pytest.mark.usefixtures("listening")
@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 129)])
def test_one_line_and_no_trace_when_asked_to_end(trip: Path, tmp_path: Path, number: int, code: int) -> None:
    before, heard = warm.state(trip), set()
    for tenth in range(8):
        err = tmp_path / "err"
        found = warm.knock(["plan", trip], number, after_s=0.1 * tenth + 0.02, err=err)
        heard.add(found)
        said = err.read_text(encoding="utf-8")
        assert found in (code, 0), said
        assert "Traceback" not in said
        assert "Exception" not in said
        assert found == 0 or said.splitlines()[-1] == "grademargin: interrupted; no file was left incomplete"
        assert warm.state(trip) == before  # the same trip: the same plan, byte for byte
    assert code in heard


def test_an_ignored_hangup_stays_ignored(trip: Path) -> None:
    def ignore() -> None:
        signal.signal(signal.SIGHUP, signal.SIG_IGN)

    pid = warm.start(["plan", trip], prepare=ignore)
    time.sleep(0.3)
    os.kill(pid, signal.SIGHUP)
    assert warm.end(pid) == 0


def test_what_another_program_calls_its_own_stays(tmp_path: Path) -> None:
    theirs = (".grademargin-1.part", ".x.part", ".grademargin-0123456789ab.part.txt", "grademargin-0123456789ab.part")
    for name in (*theirs, ".grademargin-0123456789ab.part"):
        (tmp_path / name).write_text("x")
    wholefile.replace_files(tmp_path, {"a": "b"})
    assert {path.name for path in tmp_path.iterdir()} == {*theirs, "a"}


def test_two_runs_at_once(trip: Path, tmp_path: Path) -> None:
    """Plan and plan, plan and weather, weather and weather: all end well, files whole, one plan wins as a set."""
    text = (trip / "trip.toml").read_text(encoding="utf-8")
    sets = [unnumbered(trip / "out")]
    (trip / "trip.toml").write_text(text.replace("14:00", "06:00"), encoding="utf-8")
    other = tmp_path / "other"
    assert warm.run("plan", trip, "--out", other).code == 0
    sets.append(unnumbered(other))
    for round_ in range(4):
        pids = []
        for departure in ("14:00", "06:00"):
            (trip / "trip.toml").write_text(text.replace("14:00", departure), encoding="utf-8")
            pids.append(warm.start(["plan", trip], err=tmp_path / f"err{len(pids)}"))
            time.sleep(0.25)  # until it has read the file
        pids.append(warm.start(["weather", trip, "--offline"]))
        assert [warm.end(pid) for pid in pids[:2]] == [0, 0], (tmp_path / "err0").read_text()
        assert warm.end(pids[2]) in (0, 3)
        assert unnumbered(trip / "out") in sets, round_


def test_writers_take_turns(tmp_path: Path) -> None:
    """Sixteen processes write the same three files at once; they are of one writer at the end."""
    sets = [{name: f"{writer} {name}" * 5_000 for name in "abc"} for writer in range(16)]
    pids = [warm.start([], call=lambda files=files: wholefile.replace_files(tmp_path, files)) for files in sets]
    assert [warm.end(pid) for pid in pids] == [0] * 16
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} in sets


def test_entry_is_what_the_command_starts() -> None:
    done = subprocess.run([sys.executable, "-m", "planner", "--version"], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
