"""Whether there is memory for a forecast: found out before it, because libraries that find none end the process."""

import ctypes
import mmap

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


def spare_bytes() -> int:
    """Memory that the system can still hand out; 0 where it does not say."""
    try:
        with open("/proc/meminfo", encoding="ascii") as file:
            said = dict(line.split(":", 1) for line in file)
        return 1024 * int(said["MemAvailable"].split()[0])
    except (OSError, ValueError, KeyError):
        return 0


def give_back() -> None:
    """Hand freed memory back to the system where the C library can: it keeps what its threads no longer need."""
    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (AttributeError, OSError, TypeError):  # another C library, another system
        return
