"""Readings that leap: a gauge changes between neighbouring readings by more than its fluid can, and stays there.

A fluid and its sender take tens of seconds to move by some kelvins. A sender, its wire or its ground takes none.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from thermal.cause_list import UNEXPLAINED, Cause
from thermal.fluids import N_BODY
from thermal.ranges import FloatArray

# ASSUMED: coolant and oil move 0.1 to 0.5 K a second, cold coolant behind a thermostat that opens up to 2; senders
# smooth that over 4 s and more. So many kelvins within so long are no fluid's (5 to 10 K, 2 to 6 s), where readings
# rest for half a minute before and after: what flows past a sender goes on, or comes back.
_LEAST_K, _WITHIN_S, _REST_S, _RESTS, _LEAST_READ = 6.0, 5.5, 30.0, 0.4, 4
# A logger that asks a gauge every minute or two, and repeats what it got, makes a step of every slow change; then the
# steps beside are as large.
_BESIDE_S = 120.0


class Leap(NamedTuple):
    """One leap of one gauge."""

    node: int  # place of its fluid among `fluids.BODIES`
    time_s: float  # of the first reading after it
    change_k: float


def leaps_in(node: int, time_s: FloatArray, temp_k: FloatArray) -> tuple[Leap, ...]:
    """Find leaps in one gauge's readings as logged, in time order; none in a log written or asked too seldom.

    `node` is the place of the gauge's fluid among `fluids.BODIES`, `temp_k` its readings, NaN if missing.

    >>> seconds = np.arange(0.0, 600.0)
    >>> rising = np.round(350.0 + 0.05 * seconds)
    >>> leaps_in(1, seconds, rising + np.where(seconds < 300.0, 0.0, 12.0))
    (Leap(node=1, time_s=300.0, change_k=12.0),)
    >>> leaps_in(1, seconds, rising + np.clip(0.5 * (seconds - 300.0), 0.0, 12.0))  # what a fluid can do
    ()
    """
    seen = np.isfinite(temp_k)
    at_s, read = time_s[seen], temp_k[seen]
    step, end_s = np.diff(read), at_s[1:]
    out = []
    for row in np.flatnonzero((np.abs(step) >= _LEAST_K) & (np.diff(at_s) <= _WITHIN_S)):
        before = read[(at_s >= at_s[row] - _REST_S) & (at_s <= at_s[row])]
        after = read[(at_s >= at_s[row + 1]) & (at_s <= at_s[row + 1] + _REST_S)]
        if min(len(before), len(after)) < _LEAST_READ:
            continue
        beside = step[(np.abs(end_s - end_s[row]) <= _BESIDE_S) & (end_s != end_s[row])]
        change = float(np.median(after[:_LEAST_READ]) - np.median(before[-_LEAST_READ:]))
        restless = max(np.ptp(before), np.ptp(after), np.max(np.abs(beside)))
        if abs(change) >= _LEAST_K and restless <= _RESTS * abs(change):
            out.append(Leap(node, float(at_s[row + 1]), change))
    return tuple(out)


def leaps_of(cause: Cause, leaps: Sequence[Leap]) -> tuple[Leap, ...]:
    """Choose the leaps that a cause accounts for: those of the gauge that is off."""
    own = cause.in_gauge and cause.name != UNEXPLAINED
    return tuple(leap for leap in leaps if own and leap.node == cause.node)


def shifts_k(leaps: Sequence[Leap], time_s: FloatArray) -> FloatArray:
    """How far a gauge is off if it is right before the first of its leaps, or after the last: shape (2, n, 6). [K]

    >>> shifts_k([Leap(1, 20.0, 12.0), Leap(1, 40.0, -5.0)], np.array([0.0, 30.0, 60.0]))[:, :, 1]
    array([[ 0., 12.,  7.],
           [-7.,  5.,  0.]])
    """
    out = np.zeros((2, len(time_s), N_BODY))
    for leap in leaps:
        out[0, time_s >= leap.time_s, leap.node] += leap.change_k
        out[1, time_s < leap.time_s, leap.node] -= leap.change_k
    return out
