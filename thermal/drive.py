"""A timed drive: what the road, the clock and the weather ask of the car, segment by segment."""

from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt

from thermal.errors import ParameterError
from thermal.ranges import FloatArray


def _nowhere() -> FloatArray:
    """Stand-in for a switch that is off everywhere, until the length is known."""
    return np.zeros(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """Arrays of shape (n_segment,) in driving order; parked time is a segment of speed zero.

    Attributes
    ----------
    duration_s : ndarray
        Time spent, > 0. [s]
    speed_m_per_s, end_speed_m_per_s : ndarray
        Speed while moving, and the speed at the segment's end. [m/s]
    grade : ndarray
        Rise over run. [-]
    elevation_m : ndarray
        Height at the middle. [m]
    air_k, dew_k : ndarray
        Air temperature (screen) and dew point. [K]
    road_rise_k : ndarray
        Air at grille height warmer than the screen, sun on the road. [K]
    headwind_m_per_s : ndarray
        Wind against the motion. [m/s]
    idle_share : ndarray
        Share of the time spent standing with the engine idling. [-]
    engine_on, ac_on : ndarray of float
        1 or 0. [-]
    group, day : ndarray of int
        Leg and day the segment belongs to. [-]
    heater_on, low_gear : ndarray of float, optional
        1 where the cabin heater runs at full, and where the driver holds one gear lower; zero by default. [-]
    highest_gear : ndarray of float, optional
        Highest gear the driver allows, 1 the first; 0, and when not given, any; -1 overdrive off. [-]
    """

    duration_s: FloatArray
    speed_m_per_s: FloatArray
    end_speed_m_per_s: FloatArray
    grade: FloatArray
    elevation_m: FloatArray
    air_k: FloatArray
    dew_k: FloatArray
    road_rise_k: FloatArray
    headwind_m_per_s: FloatArray
    idle_share: FloatArray
    engine_on: FloatArray
    ac_on: FloatArray
    group: FloatArray
    day: FloatArray
    heater_on: FloatArray = field(default_factory=_nowhere)
    low_gear: FloatArray = field(default_factory=_nowhere)
    highest_gear: FloatArray = field(default_factory=_nowhere)

    def __post_init__(self) -> None:
        """Check shapes and that every number is one."""
        n = len(self.duration_s)
        for name in ("heater_on", "low_gear", "highest_gear"):
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
        """Pick segments.

        Parameters
        ----------
        part : slice or ndarray of int
            Which segments. [-]

        Returns
        -------
        Drive
            The part.
        """
        return Drive(**{item.name: getattr(self, item.name)[part] for item in fields(self)})


def steady_drive(
    *, minutes: float, speed_m_per_s: float, grade: float, air_k: float, elevation_m: float = 0.0, ac_on: bool = False
) -> Drive:
    """Make a drive at constant speed and grade, for benchmarks and examples.

    Parameters
    ----------
    minutes : float
        Length of the drive. [min]
    speed_m_per_s : float
        Speed; 0 idles. [m/s]
    grade : float
        Rise over run. [-]
    air_k : float
        Air temperature. [K]
    elevation_m : float
        Height at the start; follows the grade. [m]

    Returns
    -------
    Drive
        Ten-second segments.

    Examples
    --------
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
