"""How far a fluid's level is off, and how early or late it warms: two sizes from one set of residuals.

Where a temperature moves fast a residual is mostly timing, where it is steady it is all level. Taken together, warm-ups
make the level's error too large: after one log of a car of another build, twice as large on coolant.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from thermal.ranges import FloatArray

_ROUNDS = 40


class Stretch(NamedTuple):
    """Residuals of one stretch of a log by body, each shape (n, 6), NaN without a reading; `worth` has shape (6,)."""

    left_k: FloatArray
    share: FloatArray  # of its error that a fluid can have there, see `thermal.discrepancy.grown_in`
    rate_k_per_s: FloatArray  # how fast the temperature changes
    worth: FloatArray  # independent errors that the stretch shows


class Sizes(NamedTuple):
    """Sizes by body, shape (6,): of the level's error, and of how early or late a temperature is."""

    level_k: FloatArray
    timing_s: FloatArray


def level_and_timing(seen: Sequence[Stretch], first: Sizes, worth: Sizes) -> Sizes:
    """Tell apart the two sizes; few independent errors move the sizes assumed `first` little.

    `worth` says how many independent errors each of those is worth. A residual's variance is level² share² + timing²
    rate²; each size is the mean square of what the other leaves of it, by its part of that variance, until neither
    changes (expectation and maximisation: Dempster, Laird and Rubin, J. R. Statist. Soc. B 39, 1977; from memory).

    >>> both = Sizes(np.full(1, 2.0), np.full(1, 60.0)), Sizes(np.full(1, 1.0), np.full(1, 1.0))
    >>> steady = Stretch(np.array([[4.0], [-4.0]]), np.ones((2, 1)), np.zeros((2, 1)), np.array([9.0]))
    >>> [round(float(size[0]), 1) for size in level_and_timing([steady], *both)]
    [3.8, 60.0]
    """
    start, held = np.array(first) ** 2, np.array(worth)
    both = start.copy()
    for _ in range(_ROUNDS):
        total, count = held * start, held.copy()
        for one in seen:
            there = np.isfinite(one.left_k)
            level, late = both[0] * one.share**2, both[1] * one.rate_k_per_s**2
            misfit = np.where(there, one.left_k, 0.0) ** 2 / (level + late)
            weight = there * one.worth / np.maximum(there.sum(axis=0), 1)
            for k, own in enumerate((level / (level + late), late / (level + late))):
                total[k] += (weight * own * (own * misfit + 1.0 - own)).sum(axis=0) * both[k]
                count[k] += (weight * own).sum(axis=0)
        both = total / count
    return Sizes(*np.sqrt(both))
