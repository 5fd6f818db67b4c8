"""Faults nobody foresaw, made to happen for real: an exit code of their own, one sentence, old files whole."""

import os
import resource
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
import warm

from planner.cli.crash import CRASHED
from planner.files.logmap import read_map
from planner.model.paths import data_folder


def fails_at(count: int, folder: Path) -> Callable[[], object]:
    """For `prepare`: the count-th step on files in a folder meets an error of no foreseen kind."""
    inside, seen = os.fsencode(folder), [0]

    def watch(event: str, args: tuple[object, ...]) -> None:
        if event in warm.EVENTS and any(isinstance(a, str | bytes | Path) and inside in os.fsencode(a) for a in args):
            seen[0] += 1
            if seen[0] == count:
                message = "not foreseen"
                raise RuntimeError(message)

    return lambda: sys.addaudithook(watch)


def details(said: str) -> str:
    """The file that the sentence names."""
    path = Path(said.rsplit("report it and attach ", 1)[1].strip())
    text = path.read_text(encoding="utf-8")
    assert path.stat().st_mode & 0o077 == 0
    path.unlink()
    return text


@pytest.mark.parametrize("command", ["check", "plan", "forecast"])
def test_a_crash_has_its_own_code_and_leaves_the_old_plan(trip: Path, command: str) -> None:
    before, step, codes = warm.state(trip), 0, []
    while step < 80:
        step += 1 + 2 * (step > 9)
        ran = warm.run(command, trip, prepare=fails_at(step, trip))
        codes.append(ran.code)
        assert "Traceback" not in ran.err
        found = warm.sound(trip)
        assert before.items() <= found.items()
        assert set(found) - set(before) <= {"out/check.html"}  # whole, of a run that failed behind it
        if ran.code == 0:
            break
        assert ran.code == CRASHED
        assert not ran.out or command == "check"
        assert ran.err.count("grademargin: ") == 1
        told = details(ran.err)
        assert "RuntimeError: not foreseen" in told
        assert command in told
    assert codes.count(CRASHED) > 3
    assert codes[-1] == 0


def only(more_bytes: int) -> Callable[[], None]:
    """For `prepare`: no more address space than in use, and so much."""

    def limit() -> None:
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        most = pages * resource.getpagesize() + more_bytes
        resource.setrlimit(resource.RLIMIT_AS, (most, most))

    return limit


@pytest.mark.parametrize("more_bytes", [1_000_000, 60_000_000, 140_000_000, 300_000_000])
def test_memory_that_runs_out(tmp_path: Path, more_bytes: int) -> None:
    trip = Path(shutil.copytree(data_folder() / "examples" / "wilmington-astoria", tmp_path / "trip"))
    before = warm.state(trip)
    ran = warm.run("plan", trip, prepare=only(more_bytes))
    assert ran.code == CRASHED
    assert "out of memory" in ran.err
    assert "MemoryError" in details(ran.err)
    assert warm.sound(trip) == before


def test_without_room_for_details(trip: Path, tmp_path: Path) -> None:
    def nowhere() -> None:
        tempfile.tempdir = str(tmp_path / "absent")
        fails_at(2, trip)()

    ran = warm.run("plan", trip, prepare=nowhere)
    assert ran.code == CRASHED
    assert "line " in ran.err
    assert "the details could not be saved" in ran.err


def test_a_log_with_a_name_in_no_code(trip: Path, tmp_path: Path) -> None:
    log = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9\x1b[2J.csv"))
    rows = [f"{n},{90 + n % 3}" for n in range(400)]
    log.write_text("Time [s],Coolant temperature [degC]\n" + "\n".join(rows) + "\n")
    ran = warm.run("log", log, "--describe", "--write")
    assert ran.code == 0, ran.err
    (written,) = tmp_path.glob("*.map.toml")
    assert "\x1b" not in written.read_text(encoding="utf-8")
    assert "\x1b" not in ran.err + ran.out
    assert read_map(written).channels
    assert warm.run("log", log).code == 0
