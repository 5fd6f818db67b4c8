"""Most memory that a command and the process beside it hold together."""

import os
import re
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

_EVERY_S = 0.02


def most_held(argv: Sequence[str], env: Mapping[str, str] = os.environ) -> tuple[int, str, int, int]:
    """Exit code, stderr, and the most bytes of one process and of all: what they share counts once.

    Looked at fifty times a second, on Linux.
    """
    one = together = 0
    with subprocess.Popen(
        [sys.executable, "-m", "planner", *argv], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=env
    ) as run:
        while run.poll() is None:
            each = [_held(pid) for pid in (run.pid, *_children(run.pid))]
            one = max(one, *(resident for resident, _ in each))
            together = max(together, each[0][0] + sum(own for _, own in each[1:]))
            time.sleep(_EVERY_S)
        assert run.stderr is not None
        return run.returncode, run.stderr.read(), one, together


def _held(pid: int) -> tuple[int, int]:
    """Bytes that a process holds, and those that it shares with none."""
    try:
        text = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="utf-8")
    except OSError:  # it has ended
        return 0, 0
    kilobytes = {name: int(size) for name, size in re.findall(r"(\w+): +(\d+) kB", text)}
    own = kilobytes.get("Private_Clean", 0) + kilobytes.get("Private_Dirty", 0)
    return 1024 * kilobytes.get("Rss", 0), 1024 * own


def _children(pid: int) -> list[int]:
    try:
        return [int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="utf-8").split()]
    except OSError:
        return []
