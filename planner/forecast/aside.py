"""Work that a child process does while this one does something else, so that two processors are busy.

The child is a copy of this process, made where that is safe, and hands back what it made through a pipe. It writes no
files, prints nothing, and ends with this process however that ends. Where no child can be made, or it fails, the work
is done here: the outcome is the same.
"""

import ctypes
import gc
import os
import pickle
import signal
import sys
import threading
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, Generic, TypeVar

from planner.forecast.room import spare_bytes
from thermal.compiled import switched_off
from thermal.kernel import is_compiled
from thermal.sharing import threads

T = TypeVar("T")
_MOST_SHARED = 4096  # as many bytes as any pipe takes at once
Progress = Callable[[str], None]
_LEAST_BYTES = 400_000_000  # twice what a child takes for itself on the longest example
_PR_SET_PDEATHSIG = 1  # Linux, sys/prctl.h
_SIZE_BYTES = 8


class Aside(Generic[T]):
    """The work, and what has been heard of the child that does it; without a child it is done when it is asked for."""

    def __init__(self, work: Callable[[Progress], T], progress: Progress) -> None:
        self.work, self.progress = work, progress
        self.child, self.pipe, self.said, self.froze = 0, -1, 0, False
        self.heard, self.made = bytearray(), list[T]()

    def meanwhile(self, pieces: Iterable[object]) -> None:
        """Take one piece after another, what the pieces do being of use later, until the child is done."""
        ahead = iter(pieces)
        while self.child and not self.made and _taken(ahead):
            self._listen(wait=False)

    def result(self) -> T:
        """What the work returns; an error of the child comes up here as the work is done again."""
        self._listen(wait=True)
        if not self.made:
            self.made.append(self.work(self._say))
        return self.made[0]

    def begin(self) -> None:
        """Make the child where that is safe."""
        if not _is_safe():
            return
        pipe, write = os.pipe()
        parent, held = os.getpid(), signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
        try:
            self.froze = not gc.get_freeze_count()
            gc.freeze()  # what both share stays as it is, so that neither needs a copy of its own
            self.pipe = pipe
            self.child = os.fork()
            if not self.child:
                _be_child(self.work, write, parent)
        except OSError:  # no more processes allowed, no memory
            self.end()
        finally:  # not before it is known whom to stop
            os.close(write)
            signal.pthread_sigmask(signal.SIG_SETMASK, held)

    def end(self) -> None:
        """Stop the child, if any, and wait for its end."""
        child, pipe, self.child, self.pipe = self.child, self.pipe, 0, -1
        if child:
            with suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
            with suppress(ChildProcessError):
                os.waitpid(child, 0)
        if pipe >= 0:
            os.close(pipe)
        if self.froze:
            gc.unfreeze()
            self.froze = False

    def _say(self, words: str) -> None:
        """Report progress that the child has not reported already."""
        self.said -= 1
        if self.said < 0:
            self.progress(words)

    def _listen(self, *, wait: bool) -> None:
        """Take what the child has written: report its progress, keep what it made."""
        while self.child and not self.made:
            os.set_blocking(self.pipe, wait)
            try:
                part = os.read(self.pipe, 1 << 16)
            except BlockingIOError:
                return
            if not part:  # it ended before it was done
                self.end()
            self.heard += part
            while len(self.heard) >= (size := _SIZE_BYTES + int.from_bytes(self.heard[:_SIZE_BYTES], "big")):
                done, value = pickle.loads(self.heard[_SIZE_BYTES:size])  # from our own child
                del self.heard[:size]
                if done:
                    self.made.append(value)
                else:
                    self.said += 1
                    self.progress(value)


@contextmanager
def aside(work: Callable[[Progress], T], progress: Progress) -> Iterator[Aside[T]]:
    """Have work done by a child process; it receives a function that reports progress, and its result is pickled."""
    held = Aside(work, progress)
    try:
        held.begin()
        yield held
    finally:
        held.end()


def in_two(count: int, one: Callable[[int], T]) -> Generator[T, None, None]:
    """What `one` makes of the numbers below `count`, in order, as far as two processes get: the rest is the caller's.

    This process works from the first number on, a child from the last backwards, until they meet. Without a child
    nothing is done; where it fails, nothing of what it had taken is.
    """
    read, write = os.pipe()
    shared = min(count, _MOST_SHARED)
    os.write(write, bytes(shared))
    os.close(write)

    def claimed() -> Iterator[int]:
        """Count from 0 on while a byte is left: each byte is read by one process alone."""
        taken = 0
        while os.read(read, 1):
            yield taken
            taken += 1

    try:
        with aside(lambda _: [one(shared - 1 - taken) for taken in claimed()], lambda _: None) as other:
            if other.child:
                yield from map(one, claimed())
                yield from reversed(other.result())
    finally:
        os.close(read)


def _taken(pieces: Iterator[object]) -> bool:
    """Whether there was another piece; an error in it comes up again where what it makes is wanted."""
    with suppress(Exception):
        next(pieces)
        return True
    return False


def _is_safe() -> bool:
    """Whether a copy of this process can work: Linux, two processors, no threads, the model compiled, memory free."""
    return (
        sys.platform == "linux"
        and min(len(os.sched_getaffinity(0)), threads()) > 1
        and threading.current_thread() is threading.main_thread()
        and len(os.listdir("/proc/self/task")) == 1  # those of libraries too: a copy has none of them
        and signal.getsignal(signal.SIGCHLD) is signal.SIG_DFL
        and not switched_off()
        and is_compiled()
        and spare_bytes() > _LEAST_BYTES
    )


def _be_child(work: Callable[[Progress], Any], pipe: int, parent: int) -> None:
    """Do the work, and end without anything that this process would do at its end."""
    try:
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        if os.getppid() != parent:  # it ended before that
            return
        for number in (signal.SIGTERM, signal.SIGHUP):
            if signal.getsignal(number) is not signal.SIG_IGN:  # nohup
                signal.signal(number, signal.SIG_DFL)
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # a terminal sends it to both: the parent decides
        signal.pthread_sigmask(signal.SIG_UNBLOCK, signal.valid_signals())
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in range(3):
            os.dup2(nowhere, stream)
        _send(pipe, (True, work(lambda words: _send(pipe, (False, words)))))
    finally:
        os._exit(0)


def _send(pipe: int, what: tuple[bool, Any]) -> None:
    """Write one thing whole."""
    data = pickle.dumps(what, pickle.HIGHEST_PROTOCOL)
    left = memoryview(len(data).to_bytes(_SIZE_BYTES, "big") + data)
    while left:
        left = left[os.write(pipe, left) :]
