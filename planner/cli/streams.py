"""Where results and progress go, whatever stands at the other end: a file, a pipe that closes, a full disk, nothing."""

import os
import signal
import sys
from contextlib import suppress
from io import StringIO, TextIOWrapper
from typing import Any, TextIO

from maps.direction import isolated
from planner.model.errors import OutputError
from planner.model.plaintext import printable

_TABLE_WIDTH, _LEAST_WIDTH = 80, 20


class Stopped(BaseException):
    """The system asked the program to end.

    Attributes
    ----------
    number : int
        The signal's number.
    """

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(number)


class Streams:
    """Where results and progress go; either may be closed.

    A reader who has seen enough, like `head`, does not end the work: the rest is dropped.
    """

    def __init__(self, out: TextIO | None, err: TextIO | None) -> None:
        self.out, self.err = StringIO() if out is None else out, StringIO() if err is None else err
        for stream in (self.out, self.err):  # a terminal that cannot show a sign gets a question mark, not an error
            if isinstance(stream, TextIOWrapper):
                stream.reconfigure(errors="replace")

    def write(self, text: str) -> None:
        """Write a result as it is."""
        try:
            self.out.write(text)
            self.out.flush()
        except BrokenPipeError:
            self.drop()
        except OSError as exc:
            self.drop()
            message = f"the result cannot be written where stdout goes ({exc.strerror or exc}); free the disk"
            raise OutputError(message) from exc

    def data(self, text: str) -> None:
        """Write a result for programs: always UTF-8, so that no character is lost."""
        if isinstance(self.out, TextIOWrapper):
            self.out.reconfigure(encoding="utf-8", errors="strict")
        self.write(text)

    def say(self, text: str = "") -> None:
        """Print a result."""
        self.write(f"{isolated(printable(text))}\n")

    def progress(self, text: str) -> None:
        """Print progress."""
        self.complain(f"  {text}")

    def complain(self, text: str) -> None:
        """Print a line for people beside the result; where that cannot be, the work goes on."""
        try:
            self.err.write(f"{isolated(printable(text))}\n")
            self.err.flush()
        except (OSError, ValueError):
            _close(self.err)
            self.err = StringIO()

    def show(self, *things: Any) -> None:
        """Print rich tables, at full width where the terminal is narrower, and text; nothing in them is markup."""
        from rich.table import Table

        from planner.cli.plainconsole import PlainConsole

        console = PlainConsole(file=self.out, highlight=False, markup=False, emoji=False)
        width = console.width
        for thing in things:
            console.width = max(width, _TABLE_WIDTH if isinstance(thing, Table) else _LEAST_WIDTH)
            with console.capture() as made:
                console.print(thing)
            self.write(isolated(made.get()))

    def drop(self) -> None:
        """Give up stdout; nothing more is written there, at the end of the program neither."""
        _close(self.out)
        self.out = StringIO()


def _close(stream: TextIO) -> None:
    """Let what a stream still holds go nowhere, when it is one of the process's own."""
    with suppress(OSError, ValueError):
        if stream in (sys.stdout, sys.stderr):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, stream.fileno())
            os.close(nowhere)


def guard() -> None:
    """Prepare the process: no file may get the number of a closed stream, and SIGTERM exits cleanly."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    for name in ("SIGTERM", "SIGHUP"):
        kind = getattr(signal, name, None)
        if kind is not None and signal.getsignal(kind) is not signal.SIG_IGN:  # nohup
            signal.signal(kind, _stop)


def calm() -> None:
    """The work is done; what asks to stop it now comes too late."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)


def _stop(number: int, _: object) -> None:
    raise Stopped(number)
