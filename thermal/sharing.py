"""Work shared among threads, as many as there are processors; a thread that is one of several does its part alone."""

import os
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor

_own = threading.local()


def threads() -> int:
    """Threads to share work among: as many as there are processors, or what NUMBA_NUM_THREADS says."""
    told = os.environ.get("NUMBA_NUM_THREADS", "")
    if told.isdecimal() and int(told) > 0:
        return int(told)
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def one_of_several() -> None:
    """Mark the calling thread, at its start, as one of several that keep all processors busy: it shares nothing out."""
    _own.alone = True


def share_out(work: Callable[[int], object], starts: Iterable[int]) -> None:
    """Do pieces of `work`, each known by one of `starts`, in no order; an error of one is raised."""
    pieces = list(starts)
    workers = min(threads(), len(pieces))
    if workers < 2 or getattr(_own, "alone", False):
        for start in pieces:
            work(start)
        return
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(work, pieces))
