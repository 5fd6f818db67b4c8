"""Start of the program; reports errors and signals while modules are loading."""

import ctypes
import gc
import os
import sys
from contextlib import suppress

from planner.cli import crash, streams

_ARENAS = -8  # glibc, malloc.h: M_ARENA_MAX


def entry() -> None:
    """Start the program."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # for small matrices threads cost more than they save
    gc.set_threshold(300_000, 10, 10)  # most of what is made stays: looking for what does not takes 4 % of a forecast
    _share_heap()
    try:
        streams.guard()
        from planner.cli.main import main

        code = main()
        streams.calm()
    except KeyboardInterrupt:
        code = _stopped(2)
    except streams.Stopped as exc:
        code = _stopped(exc.number)
    except Exception as exc:  # a module cannot be loaded
        code = crash.CRASHED
        _say(crash.crash_text(exc))
    gc.freeze()  # what is left goes with the process: looking through it once more takes 0.2 s after a plan
    sys.exit(code)


def _share_heap() -> None:
    """Let all threads share one heap where the C library is glibc: each keeps what it freed, a tenth of the memory."""
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).mallopt(_ARENAS, 1)


def _stopped(number: int) -> int:
    """Report the interruption; return the shell's exit code for it."""
    _say(crash.STOPPED)
    return 128 + number


def _say(text: str) -> None:
    with suppress(OSError, AttributeError):  # stderr may be closed
        sys.stderr.write(f"grademargin: {text}\n")


if __name__ == "__main__":
    entry()
