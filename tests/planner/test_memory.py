"""Memory that a whole plan of the worked example holds at most, in a process of its own."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from thermal.kernel import is_compiled

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "data" / "examples" / "wilmington-astoria"
CEILING_BYTES = 487_000_000  # 442 million were reached, 236 of them libraries; 490 before threads shared one heap
CODE = """
import json, pathlib, re
from planner.__main__ import entry
try:
    entry()
except SystemExit as done:
    code = done.code
status = pathlib.Path("/proc/self/status").read_text(encoding="utf-8")
print("\\n" + json.dumps([code, int(re.search(r"VmHWM:\\s*(\\d+) kB", status)[1]) * 1024]))
"""


def held(command, trip):
    """Most memory of a command that succeeds; two processors, as more have more draws under way."""
    done = subprocess.run(
        [sys.executable, "-c", CODE, command, str(trip)],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"NUMBA_NUM_THREADS": "2", "PYTHONPATH": str(ROOT)},
    )
    code, most = json.loads(done.stdout.splitlines()[-1])
    assert not code, done.stderr[-2000:]
    return most


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the system does not tell it")
def test_a_plan_of_the_worked_example_stays_below_its_ceiling(tmp_path):
    trip = tmp_path / "trip"
    shutil.copytree(EXAMPLE, trip, ignore=shutil.ignore_patterns("out"))
    if not is_compiled():
        held("alarms", trip)  # the compiler takes memory of its own, once
    assert held("plan", trip) < CEILING_BYTES
    assert (trip / "out" / "trip.html").stat().st_size > 100_000
