"""Columns of a map page's data, read back."""

import math
import re

from maps.chart import SIGNS


def unpacked(column: dict) -> list[float]:
    """Undo the packing of `maps.chart`, as the page's script does; NaN for a gap."""
    total, values = 0, []
    scale = 10.0 ** column.get("digits", 0)
    for step in column["steps"] if "steps" in column else _steps_of(column["signs"]):
        total += step if isinstance(step, int) else 0
        values += (
            [total / scale] * int(step) if isinstance(step, str) else [math.nan if step is None else total / scale]
        )
    return values


def _steps_of(signs: str) -> list[int | str]:
    """Differences written as signs."""
    found: list[int | str] = []
    for run, large, small in re.findall(r"~(.)|\|(-?\d+)\||(.)", signs):
        place = SIGNS.index(run or small or SIGNS[0])
        found.append(str(place) if run else int(large) if large else -(place + 1) // 2 if place % 2 else place // 2)
    return found
