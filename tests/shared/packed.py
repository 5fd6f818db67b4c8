"""Columns of a map page's data, read back."""

import math


def unpacked(column: dict) -> list[float]:
    """Undo the packing of `maps.chart`, as the page's script does; NaN for a gap."""
    total, values = 0, []
    for step in column["steps"]:
        total += step or 0
        values.append(math.nan if step is None else total / 10.0 ** column.get("digits", 0))
    return values
