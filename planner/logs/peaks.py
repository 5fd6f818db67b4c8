"""Highest reading of one fluid, and the steps from its forecast to it."""

from typing import NamedTuple


class Peak(NamedTuple):
    """Highest reading of one fluid, and its forecast step by step. [K]"""

    fluid: str
    minute: float
    planned_k: float | None  # None if the log does not match the planned road
    weather_k: float | None  # in the day's weather; None likewise
    driven_k: float  # with the log's speeds and stops
    read_k: float
