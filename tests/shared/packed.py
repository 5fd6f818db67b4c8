"""Columns of a map page's data, read back."""

import math


def unpacked(column: dict) -> list[float]:
    """Undo the packing of `maps.chart`, as the page's script does; NaN for a gap."""
    total, values = 0, []
    scale = 10.0 ** column.get("digits", 0)
    for step in column["steps"]:
        total += step if isinstance(step, int) else 0
        values += (
            [total / scale] * int(step) if isinstance(step, str) else [math.nan if step is None else total / scale]
        )
    return values
