"""Formatting table values in the unit of their column."""

from contextlib import suppress

from planner.model.display import units_of
from planner.model.trip import Trip
from thermal.errors import UnitError
from thermal.units import convert

# SI unit, and in `Units` the conversion and the unit's name.
_TEMPERATURE = ("K", "temp", "temperature")
_COLUMNS = {
    "elevation": ("m", "height", "elevation"),
    "distance": ("m", "dist", "distance"),
    "speed": ("m/s", "pace", "speed"),
    "high": _TEMPERATURE,
    "low": _TEMPERATURE,
}


def as_written(trip: Trip, column: str, si_value: float) -> str:
    """Format a value of `elevation`, `distance`, `speed`, `high` or `low` in its column's unit."""
    unit, (si, convert_to, name) = trip.written.units.get(column, ""), _COLUMNS[column]
    if unit:
        with suppress(UnitError):
            return f"{_digits(convert(si_value, si, unit))} {unit}"
    units = units_of(trip.units)
    return f"{_digits(getattr(units, convert_to)(si_value))} {getattr(units, name)}"


def _digits(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 100.0 else f"{value:.1f}"
