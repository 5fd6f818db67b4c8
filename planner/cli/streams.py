"""Output streams that handle closed pipes, full disks and missing streams."""

import os
import signal
import sys
from collections.abc import Iterable
from contextlib import suppress
from io import StringIO, TextIOWrapper
from typing import Any, TextIO

from maps.direction import isolated
from planner.model.errors import OutputError
from planner.model.plaintext import printable

_TABLE_WIDTH, _LEAST_WIDTH = 80, 20


class Stopped(BaseException):
    """The program received a termination signal, `number`."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(number)


class Streams:
    """Output for results and progress; either stream may be closed.

    If the reader closes the pipe, as `head` does, the rest of the output is dropped.
    """

    def __init__(self, out: TextIO | None, err: TextIO | None) -> None:
        self.out, self.err = StringIO() if out is None else out, StringIO() if err is None else err
        for stream in (self.out, self.err):  # a character that the terminal cannot show becomes a question mark
            if isinstance(stream, TextIOWrapper):
                stream.reconfigure(errors="replace")

    def write(self, text: str) -> None:
        """Write a result unchanged."""
        try:
            self.out.write(text)
            self.out.flush()
        except BrokenPipeError:
            self.drop()
        except OSError as exc:
            self.drop()
            message = f"cannot write to stdout ({exc.strerror or exc}); free disk space"
            raise OutputError(message) from exc

    def data(self, text: str) -> None:
        """Write a result for programs, always in UTF-8."""
        if isinstance(self.out, TextIOWrapper):
            self.out.reconfigure(encoding="utf-8", errors="strict")
        self.write(text)

    def json(self, value: object) -> None:
        """Write plain data for programs as JSON."""
        from planner.output.write import to_json

        self.data(to_json(value))

    def result(self, value: object, lines: Iterable[str], *, as_json: bool) -> None:
        """Write a result as JSON, or as lines for people."""
        if as_json:
            self.json(value)
        else:
            for line in lines:
                self.say(line)

    def say(self, text: str = "") -> None:
        """Print a result."""
        self.write(f"{isolated(printable(text))}\n")

    def progress(self, text: str) -> None:
        """Print progress."""
        self.complain(f"  {text}")

    def complain(self, text: str) -> None:
        """Print a message to stderr; failures are ignored."""
        try:
            self.err.write(f"{isolated(printable(text))}\n")
            self.err.flush()
        except (OSError, ValueError):
            _close(self.err)
            self.err = StringIO()

    def show(self, *things: Any) -> None:
        """Print rich tables and text without interpreting markup; tables are never narrowed to the terminal."""
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
        """Stop writing to stdout, including the final flush."""
        _close(self.out)
        self.out = StringIO()


def _close(stream: TextIO) -> None:
    """Discard a process stream's remaining buffer."""
    with suppress(OSError, ValueError):
        if stream in (sys.stdout, sys.stderr):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, stream.fileno())
            os.close(nowhere)


def guard() -> None:
    """Prepare the process: reserve the descriptors of closed streams, and exit cleanly on SIGTERM."""
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
    """Ignore signals after the work is done."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)


def _stop(number: int, _: object) -> None:
    raise Stopped(number)
