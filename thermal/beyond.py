"""Readings that stay outside what the model allows: a fluid well beyond its own 90 % interval, for a good while."""

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from thermal.cause_list import NAMES, USUAL
from thermal.log_drive import Readings
from thermal.ranges import BoolArray, FloatArray
from thermal.verdict import Verdict

# How far beyond, as a share of the interval's width and at least, and how long in a row: chosen on the sound days of
# cars 0 to 23 of docs/learning.md, where a quarter and five minutes took in four of forty.
_SHARE, _LEAST_K, _LASTS_S = 0.3, 3.0, 360.0
_RETURN_S = 90.0  # ASSUMED: a fan that cycles, a halt (60 to 120 s)


class Beyond(NamedTuple):
    """One fluid's longest stay beyond its interval."""

    node: int
    most_k: float  # furthest beyond the interval meanwhile; below zero under it
    lasted_s: float


def beyond_in(readings: Readings, band_k: FloatArray) -> tuple[Beyond, ...]:
    """Find fluids that read beyond their interval, by three tenths of its width for six minutes in a row.

    `band_k`, shape (2, n, 6), has the interval's ends at the readings' times. Readings that are missing neither end a
    stay nor lengthen it.
    """
    out = []
    for node in NAMES:
        seen = np.isfinite(readings.temp_k[:, node])
        read, time_s = readings.temp_k[seen, node], readings.time_s[seen]
        for sign, bound_k in ((1.0, band_k[1, seen, node]), (-1.0, band_k[0, seen, node])):
            off_k = sign * (read - bound_k)
            far_k = np.maximum(_SHARE * (band_k[1] - band_k[0])[seen, node], _LEAST_K)
            first, last = _longest(off_k >= far_k, time_s)
            if last > first and time_s[last] - time_s[first] >= _LASTS_S:
                most_k = sign * float(off_k[first : last + 1].max())
                out.append(Beyond(node, most_k, float(time_s[last] - time_s[first])))
    return tuple(out)


def _longest(there: BoolArray, time_s: FloatArray) -> tuple[int, int]:
    """First and last row of the longest stay, which a short return does not end; the same where there is none."""
    rows = np.flatnonzero(there)
    if not len(rows):
        return 0, 0
    stays = np.split(rows, np.flatnonzero(np.diff(time_s[rows]) > _RETURN_S) + 1)
    return max(((int(stay[0]), int(stay[-1])) for stay in stays), key=lambda stay: time_s[stay[1]] - time_s[stay[0]])


def with_beyond(verdicts: Sequence[Verdict], beyond: Sequence[Beyond]) -> tuple[Verdict, ...]:
    """Put into "usual" the other causes that move a fluid to where it stays, so that it is not the sole answer.

    Of each fluid: the likeliest, and those at least a third as likely.
    """
    beside: list[str] = []
    for one in beyond:
        fit = [v for v in verdicts if v.name != USUAL and _moves(v, one)]
        beside += [v.name for v in fit if 3.0 * v.probability >= fit[0].probability]
    return tuple(replace(v, beside=tuple(dict.fromkeys(beside))) if v.name == USUAL else v for v in verdicts)


def _moves(verdict: Verdict, one: Beyond) -> bool:
    """Whether a cause moves a fluid to the side on which it stays; one without a model: whether it is about it."""
    if not verdict.change_k:
        return verdict.name.endswith(f"_{one.node}")
    return verdict.change_k[one.node] * one.most_k > 0.0
