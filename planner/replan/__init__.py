"""Replanning the rest of a trip from the car's position."""
