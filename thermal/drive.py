"""A timed drive: road, clock and weather, segment by segment."""

from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt

from thermal.errors import ParameterError
from thermal.ranges import FloatArray


def _nowhere() -> FloatArray:
    """Default of a switch that is off everywhere, until the length is known."""
    return np.zeros(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """Arrays of shape (n_segment,) in driving order; parked time is a segment of speed zero."""

    duration_s: FloatArray  # > 0
    speed_m_per_s: FloatArray  # while moving
    end_speed_m_per_s: FloatArray
    grade: FloatArray  # rise over run
    elevation_m: FloatArray  # at the middle
    air_k: FloatArray  # in a screen
    dew_k: FloatArray
    road_rise_k: FloatArray  # air at grille height warmer than in a screen, sun on the road
    headwind_m_per_s: FloatArray
    idle_share: FloatArray  # of the time, standing with the engine idling
    engine_on: FloatArray  # 1 or 0
    ac_on: FloatArray  # 1 or 0
    group: FloatArray  # leg, a whole number
    day: FloatArray  # a whole number
    heater_on: FloatArray = field(default_factory=_nowhere)  # 1: cabin heater at full
    low_gear: FloatArray = field(default_factory=_nowhere)  # 1: the driver holds one gear lower
    highest_gear: FloatArray = field(default_factory=_nowhere)  # allowed, 1 the first; 0: any; -1: overdrive off
    held_gear: FloatArray = field(default_factory=_nowhere)  # known from a log, 1 the first; 0: not known

    def __post_init__(self) -> None:
        """Check shapes and that every number is one."""
        n = len(self.duration_s)
        for name in ("heater_on", "low_gear", "highest_gear", "held_gear"):
            if getattr(self, name).size == 0:
                object.__setattr__(self, name, np.zeros(n))
        for item in fields(self):
            held = getattr(self, item.name)
            if held.shape != (n,) or not np.all(np.isfinite(held)):
                message = f"drive.{item.name} must be {n} finite numbers; got shape {held.shape}"
                raise ParameterError(message)
        if n == 0 or not np.all(self.duration_s > 0.0):
            message = "a drive needs at least one segment and every duration above zero"
            raise ParameterError(message)

    @property
    def length_m(self) -> FloatArray:
        """Length of every segment; the speed is that while moving. [m]."""
        return self.speed_m_per_s * self.duration_s * (1.0 - self.idle_share)

    def take(self, part: slice | npt.NDArray[np.int64]) -> "Drive":
        """Pick the segments `part`."""
        return Drive(**{item.name: getattr(self, item.name)[part] for item in fields(self)})


def steady_drive(
    *, minutes: float, speed_m_per_s: float, grade: float, air_k: float, elevation_m: float = 0.0, ac_on: bool = False
) -> Drive:
    """Make a drive at constant speed and grade in ten-second segments, for benchmarks and examples.

    `minutes` is its length [min], `grade` rise over run [-]; the elevation follows the grade from `elevation_m` at the
    start.

    >>> len(steady_drive(minutes=10, speed_m_per_s=25.0, grade=0.0, air_k=300.0).duration_s)
    60
    """
    n = max(1, round(minutes * 6.0))
    flat = np.ones(n)
    rise = grade / np.sqrt(1.0 + grade**2) * speed_m_per_s * 10.0
    return Drive(
        duration_s=10.0 * flat,
        speed_m_per_s=speed_m_per_s * flat,
        end_speed_m_per_s=speed_m_per_s * flat,
        grade=grade * flat,
        elevation_m=elevation_m + rise * (np.arange(n) + 0.5),
        air_k=air_k * flat,
        dew_k=(air_k - 12.0) * flat,
        road_rise_k=0.0 * flat,
        headwind_m_per_s=0.0 * flat,
        idle_share=0.0 * flat,
        engine_on=flat,
        ac_on=float(ac_on) * flat,
        group=np.zeros(n),
        day=np.zeros(n),
    )
