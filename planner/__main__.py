"""Where the program starts: what stops it while its parts are being loaded gets its sentence too."""

import os
import sys
from contextlib import suppress

from planner.cli import crash, streams


def entry() -> None:
    """Start the program."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices: its threads cost more than they save
    try:
        streams.guard()
        from planner.cli.main import main

        code = main()
        streams.calm()
    except KeyboardInterrupt:
        code = _stopped(2)
    except streams.Stopped as exc:
        code = _stopped(exc.number)
    except Exception as exc:  # a part of the program, or of what it needs, cannot be loaded
        code = crash.CRASHED
        _say(crash.crash_text(exc))
    sys.exit(code)


def _stopped(number: int) -> int:
    """Say so; the exit code is the one a shell gives."""
    _say("stopped; no file is half written")
    return 128 + number


def _say(text: str) -> None:
    with suppress(OSError, AttributeError):  # stderr may be closed
        sys.stderr.write(f"grademargin: {text}\n")


if __name__ == "__main__":
    entry()
