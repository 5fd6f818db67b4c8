"""Output of `weather`: state of every forecast, and elevations far from those of the services."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from planner.model.display import counted, units_of
from planner.model.trip import Trip
from planner.weather.command import WeatherReport
from planner.weather.elevations import CREDITS, ElevationCheck


def weather_lines(report: WeatherReport) -> list[str]:
    """State, age and source of every place's forecast."""
    said = []
    for row in report.rows:
        age = f"{row.source}, fetched {row.fetched} ago, issued {row.made} ago, to {row.last}" if row.source else ""
        said.append(f"{row.state:8}{row.name}: {'; '.join(text for text in (age, row.note) if text)}")
    return [*said, *report.notes, *report.attribution]


def weather_dict(report: WeatherReport) -> dict[str, Any]:
    """Return the same as plain data."""
    return asdict(report)


def elevation_lines(checks: Sequence[ElevationCheck], trip: Trip) -> list[str]:
    """Report entered elevations far from the ground."""
    u = units_of(trip.units)
    off = [check for check in checks if check.off]
    said = [
        f"{trip.places[check.place].name}: {u.height(check.entered_m):,.0f} {u.elevation} entered, but the ground "
        "there is "
        f"at {' and '.join(f'{u.height(found):,.0f}' for found in check.found_m)}; check elevation and position"
        for check in off
    ]
    told = sum(check.first_m is not None for check in checks)
    return [*said, f"{told} of {counted(len(checks), 'place')} checked, {len(off)} far off. {' '.join(CREDITS)}"]


def elevation_dict(checks: Sequence[ElevationCheck]) -> dict[str, Any]:
    """Return the same as plain data."""
    return {"places": [asdict(check) | {"off": check.off} for check in checks], "attribution": CREDITS}
