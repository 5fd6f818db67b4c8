"""Shared types: the trip, clock, geometry, display units, errors."""
