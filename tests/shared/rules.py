"""A forecast under other rules of its trip: the same drive and temperatures, other limits."""

from dataclasses import replace
from typing import Any

from planner.forecast.run import Forecast


def with_trip(outlook: Forecast, **changes: Any) -> Forecast:
    """Change settings of the trip that no temperature depends on: names, limits of confidence, bands, service."""
    return replace(outlook, route=replace(outlook.route, trip=replace(outlook.trip, **changes)))
