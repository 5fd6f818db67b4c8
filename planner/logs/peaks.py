"""One fluid where it read highest, and the steps from its forecast to that reading."""

from typing import NamedTuple


class Peak(NamedTuple):
    """One fluid where it read highest: forecast, then the day's weather, then its speeds and stops too, then read. [K]

    The first two are None where the log could not be placed on the planned road.
    """

    fluid: str
    minute: float
    planned_k: float | None
    weather_k: float | None
    driven_k: float
    read_k: float
