"""A child process for part of the work: the same outcome with and without it, and nothing of it that stays.

Each case is a program of its own, since a process with threads, as this one may be, makes no child.
"""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from desert import write

from planner.forecast.room import spare_bytes

ROOT = Path(__file__).parents[3]
BEGIN = """
import atexit, os, signal, sys, threading, time, warnings
warnings.simplefilter("error")
from planner.forecast.aside import aside, in_two
import planner.forecast.aside as module
module.is_compiled = lambda: True  # nothing here runs the model
parent, said = os.getpid(), []

def left():
    try:
        os.waitpid(-1, os.WNOHANG)
    except ChildProcessError:
        return "none"
    return "some"

def work(say):
    for number in range(3):
        say(f"step {number}")
    return os.getpid()
"""
NO_MORE = """
import encodings.ascii, resource
resource.setrlimit(resource.RLIMIT_NPROC, (0, 0))  # more processes than none are not allowed
os.getuid() or os.setuid(65534)
"""

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or len(os.sched_getaffinity(0)) < 2, reason="a child is made on Linux with two processors"
)


def outcome(code: str, **env: str) -> str:
    """What a program prints, which must succeed."""
    names = {"PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "2"}
    done = subprocess.run(
        [sys.executable, "-c", BEGIN + code], capture_output=True, text=True, check=False, env=os.environ | names | env
    )
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


def test_the_result_and_the_progress_of_a_child_arrive_in_order() -> None:
    code = """
with aside(work, said.append) as held:
    first = held.result()
print(first != parent, held.result() == first, said, left())
"""
    assert outcome(code) == "True True ['step 0', 'step 1', 'step 2'] none\n"


def test_the_child_neither_prints_nor_ends_as_its_parent_does() -> None:
    code = """
import tempfile
held_folder = tempfile.TemporaryDirectory()
atexit.register(print, "the end")
sys.stdout.write("once; ")  # not yet flushed: a copy has it too

def loud(say):
    print("from the child", flush=True)
    os.write(2, b"and to stderr")
    return [len(os.listdir("/proc/self/task"))] * 2_000_000

with aside(loud, said.append) as held:
    print(len(held.result()), os.path.isdir(held_folder.name))
held_folder.cleanup()
"""
    assert outcome(code) == "once; 2000000 True\nthe end\n"


def test_what_a_child_fails_in_is_done_again_and_fails_here() -> None:
    code = """
def failing(say):
    say("before")
    raise KeyError(os.getpid())

try:
    with aside(failing, said.append) as held:
        held.result()
except KeyError as exc:
    print(exc.args[0] == parent, said, left())
"""
    assert outcome(code) == "True ['before'] none\n"


@pytest.mark.parametrize("end", ["os.kill(os.getpid(), signal.SIGKILL)", "os._exit(0)", "say(lambda: 0)"])
def test_a_child_that_ends_half_way_loses_nothing(end: str) -> None:
    code = f"""
def dying(say):
    say("one")
    if os.getpid() != parent:
        {end}
    say("two")
    return os.getpid()

with aside(dying, said.append) as held:
    print(held.result() == parent, said, left())
"""
    assert outcome(code) == "True ['one', 'two'] none\n"


def test_an_error_while_it_works_ends_the_child_at_once() -> None:
    code = """
def slow(say):
    say(str(os.getpid()))
    time.sleep(60)

def stop(words):
    said.append(words)
    raise KeyboardInterrupt

begun = time.monotonic()
try:
    with aside(slow, stop) as held:
        held.result()
except KeyboardInterrupt:
    print(said[0] != str(parent), os.path.exists(f"/proc/{said[0]}"), left(), time.monotonic() - begun < 30)
"""
    assert outcome(code) == "True False none True\n"


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_the_child_does_not_outlive_its_parent(number: signal.Signals) -> None:
    code = """
def slow(say):
    say(str(os.getpid()))
    time.sleep(60)

with aside(slow, lambda words: print(words, flush=True)) as held:
    held.result()
"""
    names = {"PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "2"}
    parent = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import signal\nsignal.signal(signal.SIGINT, signal.default_int_handler)\n" + BEGIN + code,
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=os.environ | names,
    )
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    assert child != parent.pid
    parent.send_signal(number)
    assert parent.wait(timeout=20) != 0
    until = time.monotonic() + 20
    while Path(f"/proc/{child}").exists() and "Z" not in state_of(child) and time.monotonic() < until:
        time.sleep(0.02)
    assert not Path(f"/proc/{child}").exists() or "Z" in state_of(child)  # who takes it over has yet to wait for it
    parent.stdout.close()


def state_of(pid: int) -> str:
    """State letter of a process; Z: ended."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0]
    except OSError:
        return "Z"


@pytest.mark.parametrize(
    "why",
    [
        "threading.Thread(target=time.sleep, args=(5,), daemon=True).start()",
        "os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})",
        "module.spare_bytes = lambda: 100_000_000",
        "module.is_compiled = lambda: False",
        "os.environ['NUMBA_DISABLE_JIT'] = '1'",
        "signal.signal(signal.SIGCHLD, signal.SIG_IGN)",
        NO_MORE,
    ],
)
def test_without_a_child_the_work_is_done_here(why: str) -> None:
    code = f"""
{why}
taken = []
with aside(work, said.append) as held:
    held.meanwhile(taken.append(1) for _ in range(3))
    print(held.result() == parent, said, taken, left())
"""
    assert outcome(code) == "True ['step 0', 'step 1', 'step 2'] [] none\n"


def test_one_thread_for_the_model_means_one_process() -> None:
    assert outcome("with aside(work, said.append) as held: print(held.result() == parent)", NUMBA_NUM_THREADS="1") == (
        "True\n"
    )


def test_pieces_are_taken_until_the_child_is_done() -> None:
    code = """
def until_told(say):
    say("begun")
    time.sleep(0.5)
    return 7

def pieces():
    for number in range(1000):
        time.sleep(0.05)
        yield number
        taken.append(number)

taken = []
with aside(until_told, said.append) as held:
    held.meanwhile(pieces())
    print(said, 0 < len(taken) < 1000, held.child != 0, held.result(), left())
print(left())
"""
    assert outcome(code) in ("['begun'] True True 7 some\nnone\n", "['begun'] True True 7 none\nnone\n")


def test_a_piece_that_fails_is_no_loss_but_progress_that_fails_is() -> None:
    code = """
def pieces():
    yield
    raise ValueError("no basemap")

def told(say):
    time.sleep(0.3)
    say("told")
    time.sleep(60)

def refuse(words):
    raise LookupError(words)

with aside(work, said.append) as held:
    held.meanwhile(pieces())
    print(held.result() != parent, said)
try:
    with aside(told, refuse) as held:
        held.meanwhile(iter(lambda: time.sleep(0.01), 1))
except LookupError as exc:
    print(exc, left())
"""
    assert outcome(code) == "True ['step 0', 'step 1', 'step 2']\ntold none\n"


SHARED = """
from contextlib import closing

def one(number):
    time.sleep(0.02)
    return number, os.getpid()
"""


def test_a_row_shared_by_two_processes_comes_back_whole_and_in_order() -> None:
    code = """
found = list(in_two(40, one))
mine = [number for number, who in found if who == parent]
print([number for number, _ in found] == list(range(40)), mine == list(range(len(mine))), 0 < len(mine) < 40, left())
print(list(in_two(0, one)))
module._MOST_SHARED = 5
print([number for number, _ in in_two(7, one)], left())
"""
    assert outcome(SHARED + code) == "True True True none\n[]\n[0, 1, 2, 3, 4] none\n"


@pytest.mark.parametrize("end", ["os.kill(os.getpid(), signal.SIGKILL)", "raise KeyError(number)", "return lambda: 0"])
def test_what_a_child_that_ends_half_way_has_taken_is_left_to_the_caller(end: str) -> None:
    code = f"""
def some(number):
    time.sleep(0.05)
    if os.getpid() != parent and number < 16:
        {end}
    return number, os.getpid()

found = list(in_two(20, some))
print(found == [(number, parent) for number in range(len(found))], 0 < len(found) < 20, left())
"""
    assert outcome(SHARED + code) == "True True none\n"


def test_a_row_that_fails_or_is_given_up_here_ends_the_child() -> None:
    code = """
def failing(number):
    if os.getpid() == parent:
        raise LookupError(number)
    time.sleep(60)

begun = time.monotonic()
try:
    list(in_two(4, failing))
except LookupError as exc:
    print(exc, left())
with closing(in_two(4, lambda number: time.sleep(0.01 if os.getpid() == parent else 60))) as row:
    next(row)
print(left(), time.monotonic() - begun < 30)
"""
    assert outcome(SHARED + code) == "0 none\nnone True\n"


def test_without_a_child_a_row_is_left_to_the_caller() -> None:
    assert outcome(SHARED + "print(list(in_two(4, one)), left())", NUMBA_NUM_THREADS="1") == "[] none\n"


def test_the_system_tells_how_much_memory_is_free(tmp_path: Path) -> None:
    free = spare_bytes(tmp_path)
    assert 1_000_000 < free < 1 << 50
    (tmp_path / "memory.stat").write_text("anon 9\nfile 800\ninactive_file 500\nactive_file 200\n")
    (tmp_path / "memory.current").write_text("5000\n")
    (tmp_path / "memory.max").write_text("max\n")
    assert spare_bytes(tmp_path) == pytest.approx(free, rel=0.5)
    (tmp_path / "memory.max").write_text("12000\n")  # a container's limit
    assert spare_bytes(tmp_path) == 12000 - 5000 + 700


PLAN = """
import resource, sys
from planner.__main__ import entry
try:
    entry()
except SystemExit as done:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(done.code, used.ru_utime > 0.0)
"""


def test_a_plan_is_the_same_with_and_without_a_child(tmp_path: Path) -> None:
    found = []
    for threads in ("2", "1"):
        trip = write(tmp_path / threads / "trip")
        names = {"PYTHONPATH": str(ROOT), "NUMBA_NUM_THREADS": threads}
        runs = [
            subprocess.run(
                [sys.executable, "-c", PLAN, "plan", str(trip), "--full", "--out", "out"],
                capture_output=True,
                text=True,
                check=True,
                env=os.environ | names,
                cwd=tmp_path / threads,
            )
            for _ in range(2)  # the first may compile
        ]
        files = {path.name: path.read_bytes() for path in (tmp_path / threads / "out").iterdir()}
        said = runs[1].stdout.splitlines()
        found.append((said[:-1], runs[1].stderr, files.pop("trip.ics").count(b"BEGIN:VEVENT"), files))
        assert said[-1].split()[1] == str(threads == "2")
    assert "  trying remedies for day 2, differential\n  drawing the map\n" in found[0][1]
    assert found[0] == found[1]
