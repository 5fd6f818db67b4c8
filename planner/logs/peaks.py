"""Highest reading of one fluid, and the steps from its forecast to it."""

from typing import NamedTuple


class Peak(NamedTuple):
    """Highest reading of one fluid: forecast, with the day's weather, with its speeds and stops, reading. [K]

    The first two are None if the log could not be matched to the planned road.
    """

    fluid: str
    minute: float
    planned_k: float | None
    weather_k: float | None
    driven_k: float
    read_k: float
