"""Columns of a map page's data, read back."""

import math
import re

from maps.chart import SIGNS


def unpacked(column: dict) -> list[float]:
    """Undo the packing of `maps.chart`, as the page's script does; NaN for a gap."""
    total, values = 0, []
    scale = 10.0 ** column.get("digits", 0)
    for step in _steps_of(column["signs"]):
        total += step if isinstance(step, int) else 0
        values += (
            [total / scale] * int(step) if isinstance(step, str) else [math.nan if step is None else total / scale]
        )
    return values


def _steps_of(signs: str) -> list[int | str | None]:
    """Differences written as signs."""
    found: list[int | str | None] = []
    for run, large, high, low, one in re.findall(r"~(.)|\|(-?\d+)\||`(.)(.)|(.)", signs):
        place = SIGNS.index(run or low or one.strip() or SIGNS[0]) + (len(SIGNS) * SIGNS.index(high) if high else 0)
        step = int(large) if large else -(place + 1) // 2 if place % 2 else place // 2
        found.append(None if one == " " else str(place) if run else step)
    return found
