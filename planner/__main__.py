"""Where the program starts: what stops it while its parts are still being loaded gets a sentence too."""

import sys
from contextlib import suppress


def entry() -> None:
    """Start the program."""
    try:
        from planner.cli import entry as begin

        begin()
    except KeyboardInterrupt:
        with suppress(OSError, AttributeError):  # stderr may be closed
            sys.stderr.write("grademargin: stopped; no file is half written\n")
        sys.exit(130)


if __name__ == "__main__":
    entry()
