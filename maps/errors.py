"""The error of this package, and the checks that raise it."""

import difflib
import math
from collections.abc import Sequence

import numpy as np


class MapError(Exception):
    """A scene or a base map cannot be drawn; the text says where, what was found and what is allowed."""


def require_length(column: Sequence[object], count: int, where: str) -> None:
    """Raise MapError unless a column has `count` entries; `where` names it in the message."""
    if len(column) != count:
        message = f"{where}: {len(column)} entries, {count} are needed"
        raise MapError(message)


def require_within(column: Sequence[float], reach: float, where: str) -> None:
    """Raise MapError unless every value is a number from -`reach` to `reach`; infinity allows any finite value.

    `where` names the `column` in the message.
    """
    values = np.asarray(column, dtype=np.float64)
    wrong = np.flatnonzero(~(np.isfinite(values) & (np.abs(values) <= reach)))
    if wrong.size:
        allowed = "a finite number" if math.isinf(reach) else f"within -{reach:g} to {reach:g}"
        message = f"{where}, point {wrong[0]}: {column[wrong[0]]} must be {allowed}"
        raise MapError(message)


def require_rising(column: Sequence[float], where: str) -> None:
    """Raise MapError if the `column` ever falls; it may stay level. `where` names it in the message."""
    falls = np.flatnonzero(np.diff(np.asarray(column, dtype=np.float64)) < 0.0)
    if falls.size:
        number = int(falls[0]) + 1
        message = f"{where}, point {number}: {column[number]} falls below {column[number - 1]}; sort the points"
        raise MapError(message)


def require_choice(value: str, allowed: tuple[str, ...], where: str) -> None:
    """Raise MapError unless a word is one of those allowed; `where` names it in the message."""
    if value not in allowed:
        near = difflib.get_close_matches(value, allowed, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        message = f"{where}: {value!r} is not one of {', '.join(allowed)}{hint}"
        raise MapError(message)
