"""Validity ranges as code, and the array types used everywhere."""

from collections.abc import Callable
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from thermal.errors import RangeError

FloatArray: TypeAlias = npt.NDArray[np.float64]
BoolArray: TypeAlias = npt.NDArray[np.bool_]


def require_range(value: float, low: float, high: float, what: str) -> float:
    """Return `value` if it is between `low` and `high`, inclusive; `RangeError` if it is outside, or NaN.

    >>> require_range(0.5, 0.0, 1.0, "share [-]")
    0.5
    """
    if not low <= value <= high:
        message = f"{what} is {value:g}; allowed is {low:g} to {high:g}"
        raise RangeError(message)
    return value


def bisect(
    holds: Callable[[FloatArray], BoolArray], low: FloatArray, high: FloatArray, *, rounds: int
) -> tuple[FloatArray, FloatArray]:
    """Halve intervals `low` to `high` element by element: the upper half where `holds` is true at the middle.

    `rounds` is the number of halvings. [-]

    >>> low, high = bisect(lambda x: x * x < 2.0, np.array([1.0]), np.array([2.0]), rounds=20)
    >>> low
    array([1.41421])
    """
    for _ in range(rounds):
        middle = 0.5 * (low + high)
        upper = holds(middle)
        low, high = np.where(upper, middle, low), np.where(upper, high, middle)
    return low, high
