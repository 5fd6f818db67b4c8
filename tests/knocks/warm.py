"""Runs of the program that cost next to nothing: a process that has everything loaded forks, and the child is the run.

The child runs the program's own `entry` on real files, real streams and real signals; nothing of it is replaced.
"""

import os
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable, Sequence
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple

from planner.__main__ import entry
from planner.cli import streams
from planner.cli.main import main
from planner.files.wholefile import is_part

EVENTS = frozenset(("open", "os.rename", "os.link", "os.remove", "os.mkdir", "os.rmdir"))
"""Steps of a run on files, as Python announces them just before they are done."""
_HELD = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class Ran(NamedTuple):
    """How a run ended: exit code, negative for a signal, and what it said."""

    code: int
    out: str
    err: str


def load(folder: Path) -> None:
    """Make a trip and plan it once, so that every module and the compiled model are in memory."""
    with Path(os.devnull).open("w") as nowhere:
        for argv in (["new", str(folder)], ["plan", str(folder)]):
            assert main(argv, nowhere, nowhere) == 0, argv


def start(
    argv: Sequence[object],
    *,
    out: str | Path | int = os.devnull,
    err: str | Path = os.devnull,
    prepare: Callable[[], object] = lambda: None,
    call: Callable[[], object] = entry,
) -> int:
    """Begin a run and return its process number; `prepare` is done in the child, just before."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # fork with threads about; they are idle
        signal.pthread_sigmask(signal.SIG_BLOCK, _HELD)  # until the child is the program
        pid = os.fork()
    if pid:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _HELD)
        return pid
    code, begun = 70, False
    try:
        for number, path in ((1, out), (2, err)):
            os.dup2(path if isinstance(path, int) else os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), number)
        sys.stdout, sys.stderr = (open(number, "w", closefd=False, encoding="utf-8") for number in (1, 2))
        sys.__stdout__, sys.__stderr__ = sys.stdout, sys.stderr
        sys.argv = ["grademargin", *map(str, argv)]
        signal.signal(signal.SIGINT, signal.default_int_handler)
        prepare()
        if call is entry:
            streams.guard()  # what comes while Python itself starts is none of ours
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _HELD)
        begun = True
        call()
        code = 0
    except SystemExit as exc:
        code = int(exc.code or 0)
    except BaseException:
        if begun:
            traceback.print_exc()
        code = 70 if begun else 0
    finally:
        try:
            sys.stdout.flush()
            sys.stderr.flush()
        finally:
            os._exit(code)
    return pid


def end(pid: int) -> int:
    """Wait for a run."""
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def run(*argv: object, prepare: Callable[[], object] = lambda: None, call: Callable[[], object] = entry) -> Ran:
    """Run once and hear what it says."""
    with tempfile.TemporaryDirectory() as held:
        out, err = Path(held) / "out", Path(held) / "err"
        Path(held).chmod(0o777)
        code = end(start(argv, out=out, err=err, prepare=prepare, call=call))
        return Ran(code, *(path.read_text(encoding="utf-8", errors="replace") for path in (out, err)))


def knock(
    argv: Sequence[object],
    number: int,
    *,
    after_s: float,
    err: str | Path = os.devnull,
    call: Callable[[], object] = entry,
) -> int:
    """Start a run and send it a signal after some time; its exit code."""
    pid = start(argv, err=err, call=call)
    time.sleep(after_s)
    os.kill(pid, number)
    return end(pid)


def at_step(count: int, number: int, folder: Path) -> Callable[[], object]:
    """For `prepare`: the run gets a signal just before its count-th step on files in a folder."""
    inside, seen = os.fsencode(folder), [0]

    def watch(event: str, args: tuple[object, ...]) -> None:
        if event in EVENTS and any(isinstance(a, str | bytes | Path) and inside in os.fsencode(a) for a in args):
            seen[0] += 1
            if seen[0] == count:
                signal.raise_signal(number)

    return lambda: sys.addaudithook(watch)


def state(folder: Path) -> dict[str, str]:
    """Every file below a folder by its hash."""
    return {
        str(path.relative_to(folder)): sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def sound(folder: Path) -> dict[str, str]:
    """The same without what a killed run left unfinished."""
    return {name: held for name, held in state(folder).items() if not is_part(Path(name).name)}


def parts(folder: Path) -> list[str]:
    """What a killed run left unfinished."""
    return [path.name for path in folder.rglob("*") if is_part(path.name)]
