"""Where the program starts: what stops it while its parts are being loaded gets its sentence too."""

import os
import sys
from contextlib import suppress

from planner.cli import streams


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
    sys.exit(code)


def _stopped(number: int) -> int:
    """Say so; the exit code is the one a shell gives."""
    with suppress(OSError, AttributeError):  # stderr may be closed
        sys.stderr.write("grademargin: stopped; no file is half written\n")
    return 128 + number


if __name__ == "__main__":
    entry()
