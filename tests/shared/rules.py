"""Forecasts of trips and cars made in memory; one under other rules: the same drive and temperatures, other limits."""

from dataclasses import replace
from typing import Any

from planner.forecast.run import Forecast, forecast
from planner.model.trip import Trip
from thermal.vehicle import Vehicle
from thermal.vehicle_file import VehicleFile


def outlook_of(trip: Trip, vehicle: Vehicle) -> Forecast:
    """The forecast of a trip by a car of which no value is assumed."""
    return forecast(trip, VehicleFile(vehicle=vehicle, base="", entries=(), overridden=frozenset()))


def with_trip(outlook: Forecast, **changes: Any) -> Forecast:
    """Change settings of the trip that no temperature depends on: names, limits of confidence, bands, service."""
    return replace(outlook, route=replace(outlook.route, trip=replace(outlook.trip, **changes)))
