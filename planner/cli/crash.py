"""Internal errors: one sentence for the user, details in a file, a separate exit code."""

import os
import platform
import sys
import tempfile
import traceback

CRASHED = 70
"""Exit code: an internal software error, EX_SOFTWARE of sysexits.h (4.3BSD)."""

STOPPED = "interrupted; no file was left incomplete"
_NO_THREAD = "can't start new thread"  # Python's message if memory for a thread is missing


def crash_text(exc: BaseException) -> str:
    """Describe an internal error in one sentence, and save its details to a file."""
    if isinstance(exc, MemoryError) or str(exc) == _NO_THREAD:
        what = "out of memory; close other programs, or split the trip"
    else:
        what = f"internal error ({type(exc).__name__})"
    return f"{what}; no file was left incomplete; {_kept(exc)}"


def _kept(exc: BaseException) -> str:
    """Save the details; if that fails, say where the error occurred."""
    try:
        about = f"{' '.join(sys.argv)}\nPython {platform.python_version()}, {platform.platform()}\n\n"
        number, path = tempfile.mkstemp(prefix="grademargin-fault-", suffix=".txt")
        with os.fdopen(number, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(about)
            file.writelines(traceback.format_exception(exc))
    except (OSError, MemoryError):
        frames = traceback.extract_tb(exc.__traceback__)
        where = f" in {frames[-1].filename}, line {frames[-1].lineno}" if frames else ""
        return f"it happened{where}, and the details could not be saved"
    return f"report it and attach {path}"
