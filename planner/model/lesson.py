"""What gauges read by hand taught: the air of their days, every number beside what was expected, sentences."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from planner.model.trip import Leg


class Seen(NamedTuple):
    """One number of readings.csv: its row there, where on the drive, what was read, expected, and whether believed."""

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
    """What the readings of a folder taught, and in words.

    Attributes
    ----------
    air : mapping of date to tuple of float
        Shift of the air of that day alone, and its standard deviation. [K]
    seen : tuple of Seen
        Every number that has its place on the drive.
    last : tuple of str, or None
        Ends of the leg on which the last of them was read; what lies after it is ahead.
    sentences : tuple of str
        What was learnt, what was not believed, what could not be used.
    """

    air: Mapping[date, tuple[float, float]]
    seen: tuple[Seen, ...]
    last: tuple[str, str] | None
    sentences: tuple[str, ...]

    def ahead_of(self, legs: Sequence[Leg]) -> int:
        """First of some legs that lies ahead of the last reading."""
        found = [i for i, leg in enumerate(legs) if (leg.start, leg.finish) == self.last]
        return found[-1] + 1 if found else 0
