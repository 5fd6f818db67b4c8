"""Usual highs and lows from the shipped stations, for places without other data."""

import functools
from collections.abc import Sequence
from datetime import date

from planner.ground.usual import PERIOD, Usual, usual_highs_lows
from planner.weather.normals import UsualHighLow
from thermal.ranges import FloatArray as Floats


class ShippedStations:
    """Normals of stations in North America, with an error that depends on distance, elevation and the coast."""

    @property
    def words(self) -> str:
        """Description, as the rest of a sentence."""
        return f"normals of weather stations {PERIOD}, shipped with the program"

    def at(self, where: Floats, *, day: date) -> list[UsualHighLow | None]:
        """Usual highs and lows of points (latitude, longitude, elevation; shape (n, 3)); None far from any station."""
        return [
            None
            if found is None
            else UsualHighLow(high_k=found.high_k, low_k=found.low_k, error_k=max(found.high_sd_k, found.low_sd_k))
            for found in usual_on(where, day=day)
        ]


def usual_on(where: Floats, *, day: date) -> Sequence[Usual | None]:
    """The same, with the main station and the standard deviations."""
    return [_usual(*map(float, place), _same(day)) for place in where]


def _same(day: date) -> date:
    """Round a day to the table's resolution, for caching."""
    return day.replace(day=1 + 3 * ((day.day - 1) // 3))


@functools.lru_cache(maxsize=4096)
def _usual(lat_deg: float, lon_deg: float, elevation_m: float, day: date) -> Usual | None:
    (found,) = usual_highs_lows([(lat_deg, lon_deg, elevation_m)], day=day)
    return found
