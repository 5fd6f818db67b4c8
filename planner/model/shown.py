"""Formatting table values in the unit of their column."""

from planner.model.display import units_of
from planner.model.trip import Trip
from thermal.errors import UnitError
from thermal.units import convert

_SI = {"elevation": "m", "distance": "m", "speed": "m/s", "high": "K", "low": "K"}


def as_written(trip: Trip, column: str, si_value: float) -> str:
    """Format a value of `elevation`, `distance`, `speed`, `high` or `low` in its column's unit."""
    unit = trip.written.units.get(column, "")
    if unit:
        try:
            return f"{_digits(convert(si_value, _SI[column], unit))} {unit}"
        except UnitError:
            pass
    u = units_of(trip.units)
    value, name = {
        "elevation": (u.height(si_value), u.elevation),
        "distance": (u.dist(si_value), u.distance),
        "speed": (u.pace(si_value), u.speed),
        "high": (u.temp(si_value), u.temperature),
        "low": (u.temp(si_value), u.temperature),
    }[column]
    return f"{_digits(value)} {name}"


def _digits(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 100.0 else f"{value:.1f}"
