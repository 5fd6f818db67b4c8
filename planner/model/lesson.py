"""Result of learning from gauge readings: shift of the air by day, readings with expected values, sentences."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from planner.model.trip import Leg


class Seen(NamedTuple):
    """One value of readings.csv: row, location, reading, expected value, and whether it is used."""

    row: int
    where: str
    day: int
    what: str
    read_k: float
    expected_k: float
    after_k: float
    sd_k: float
    believed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """Result of a folder's readings.

    `air` has the shift of each day's air and its standard deviation [K]; `seen` every value located on the drive;
    `last` the ends of the leg of the last reading; `sentences` say what was learnt, not used, or not usable. Of these,
    `warnings` may mean a fault of the car, `unused` name values that were not used.
    """

    air: Mapping[date, tuple[float, float]]
    seen: tuple[Seen, ...]
    last: tuple[str, str] | None
    sentences: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()

    def ahead_of(self, legs: Sequence[Leg]) -> int:
        """First of some legs that lies ahead of the last reading."""
        found = [i for i, leg in enumerate(legs) if (leg.start, leg.finish) == self.last]
        return found[-1] + 1 if found else 0
