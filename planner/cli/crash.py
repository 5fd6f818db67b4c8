"""What nobody foresaw: one sentence for the user, the details in a file, an exit code of its own."""

import os
import platform
import sys
import tempfile
import traceback

CRASHED = 70
"""Exit code: an internal software error, EX_SOFTWARE of sysexits.h (4.3BSD)."""

_NO_THREAD = "can't start new thread"  # Python's words where there is no room for a thread's stack


def crash_text(exc: BaseException) -> str:
    """Put a fault of the program into one sentence, and its details into a new file that the sentence names."""
    if isinstance(exc, MemoryError) or str(exc) == _NO_THREAD:
        what = "memory ran out; close other programs, or split the trip"
    else:
        what = f"the program failed and the fault is its own ({type(exc).__name__})"
    return f"{what}; no file is half written; {_kept(exc)}"


def _kept(exc: BaseException) -> str:
    """Write what a developer needs; without a place for it, say where it happened."""
    try:
        about = f"{' '.join(sys.argv)}\nPython {platform.python_version()}, {platform.platform()}\n\n"
        number, path = tempfile.mkstemp(prefix="grademargin-fault-", suffix=".txt")
        with os.fdopen(number, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(about)
            file.writelines(traceback.format_exception(exc))
    except (OSError, MemoryError):
        frames = traceback.extract_tb(exc.__traceback__)
        where = f" in {frames[-1].filename}, line {frames[-1].lineno}" if frames else ""
        return f"it happened{where}, and there is no room for more details"
    return f"report it with {path}, which holds the details"
