"""Validity ranges as code, and the array types used everywhere."""

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
