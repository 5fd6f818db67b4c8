"""What every reader owes to any bytes: a value or the project's own error, soon, in little memory."""

import atexit
import resource
import shutil
import signal
import tempfile
import traceback
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import FrameType

ROOT = Path(__file__).parents[2]
SECONDS = 2.0
MOST_MB = 300.0  # several arrays of the most points, rows or parts that any reader takes
Target = tuple[Callable[[bytes], None], list[bytes]]


@cache
def top() -> Path:
    """Where cases are written; gone when the process ends."""
    memory = Path("/dev/shm")
    made = Path(tempfile.mkdtemp(prefix="cases-", dir=memory if memory.is_dir() else None))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


class TooSlow(BaseException):
    """Raised by the alarm; no reader may catch it."""


@dataclass(frozen=True)
class Fault:
    """What a case broke; `name` is the same for all cases that break it at the same place."""

    name: str
    text: str


def _too_slow(_: int, frame: FrameType | None) -> None:
    raise TooSlow


def peak_mb() -> float:
    """Most memory this process has held. [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def fault_of(run: Callable[[bytes], None], data: bytes, *, seconds: float = SECONDS) -> Fault | None:
    """Run one case; the seconds are the processor's, so that a busy machine breaks nothing."""
    before_mb = peak_mb()
    old = signal.signal(signal.SIGPROF, _too_slow)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            run(data)
    except (Exception, TooSlow) as exc:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        return Fault(_name(exc), "".join(traceback.format_exception(exc))[-3000:])
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, old)
    grown_mb = peak_mb() - before_mb
    return Fault("memory", f"{grown_mb:.0f} MB more than before") if grown_mb > MOST_MB else None


def _name(exc: BaseException) -> str:
    """Kind of exception, and the deepest place in the project's packages that it passed."""
    ours = [
        frame
        for frame in traceback.extract_tb(exc.__traceback__)
        if any(f"{ROOT}/{package}/" in frame.filename for package in ("planner", "thermal", "tests"))
        and not frame.filename.endswith("contract.py")
    ]
    where = f"{Path(ours[-1].filename).stem}-{ours[-1].name.strip('_<>')}" if ours else "outside"
    return f"{type(exc).__name__}-{where}"
