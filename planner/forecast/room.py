"""Whether there is memory for a forecast: found out before it, because libraries that find none end the process."""

import ctypes
import mmap
from pathlib import Path

COMPILING_BYTES, THREADS_BYTES = 700_000_000, 150_000_000
"""Address space that the compiler asks for, and that threads and their buffers do: measured on Linux."""
COPIES = 5
"""Arrays as large as all drawn temperatures, at most, that a forecast and what is made of it hold at once."""


def require_room(*, rows: int, draws: int, bodies: int, compiled: bool) -> None:
    """Fail with MemoryError where a forecast of so many rows and draws finds no room; nothing is kept."""
    needed = THREADS_BYTES + COPIES * 8 * rows * draws * bodies + (0 if compiled else COMPILING_BYTES)
    try:
        mmap.mmap(-1, needed).close()
    except (OSError, ValueError, OverflowError) as exc:
        message = f"no room for {needed / 1e6:,.0f} MB"
        raise MemoryError(message) from exc


def spare_bytes(group: Path = Path("/sys/fs/cgroup")) -> int:
    """Memory that the system, and the control group of a container, can still hand out; 0 where Linux does not say."""
    try:
        said = _numbers(Path("/proc/meminfo"), ":")
        spare = 1024 * said["MemAvailable"]
    except (OSError, ValueError, KeyError):
        return 0
    try:
        limit, used = (int((group / name).read_text(encoding="ascii")) for name in ("memory.max", "memory.current"))
        cached = _numbers(group / "memory.stat", " ")  # what files have left in memory gives way
        return min(spare, limit - used + cached["inactive_file"] + cached["active_file"])
    except (OSError, ValueError, KeyError):  # no group, or no limit
        return spare


def _numbers(path: Path, after: str) -> dict[str, int]:
    """Names of a system's file and the numbers after them."""
    pairs = (line.split(after, 1) for line in path.read_text(encoding="ascii").splitlines())
    return {name: int(value.split()[0]) for name, value in pairs}


def give_back() -> None:
    """Hand freed memory back to the system where the C library can: it keeps what its threads no longer need."""
    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (AttributeError, OSError, TypeError):  # another C library, another system
        return
