"""Simulated temperatures of a car in standard driving states, for comparison with common-practice bands.

A state is a drive that any mechanic would recognise: an hour's cruise, a long grade, half an hour at idle in the heat.
`measure` simulates a vehicle in one; `compare` compares the temperatures with the bands.
"""

import re
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields, replace
from functools import partial
from pathlib import Path

import numpy as np

from thermal.drive import Drive, steady_drive
from thermal.errors import ParameterError
from thermal.loads import full_wheel_w, held_speed_m_per_s, inertia_kg, road_force_n
from thermal.ranges import FloatArray
from thermal.roadload import G_M_PER_S2
from thermal.simulate import simulate
from thermal.vehicle import Vehicle

MPH, C0 = 0.44704, 273.15
_F70, _F100, _F105, _F20 = 294.26, 310.93, 313.71, 266.48  # 70, 100, 105 and 20 degF
_FOOT_M = 300.0  # elevation of the foot of a grade
_COOLANT, _OIL, _BOX, _AXLE = 1, 2, 3, 4
PLACES = {"coolant": _COOLANT, "engine_oil": _OIL, "transmission": _BOX, "differential": _AXLE}
# SAE J2807's frontal area of the test trailer by its weight rating (from memory): 12, 20, 30, 40 and 60 sq ft. A box
# behind a car adds less than its own drag: 0.45 of its front. ASSUMED, 0.35 to 0.6.
_TRAILER_FRONT_M2 = ((680.0, 1.11), (1588.0, 1.86), (2268.0, 2.79), (5216.0, 3.72), (np.inf, 5.57))
_TRAILER_DRAG = 0.45
_BRAKING_G, _CORNER_M_PER_S, _CORNER_S, _PULL_S, _TOP_M_PER_S = 0.6, 20.0, 6.0, 12.0, 50.0
_GIVE_UP_MIN = 120.0
_NOT_FOR_LAPS = ("pickup", "van", "camper", "four-by-four", "crossover")


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """What the trade expects of one fluid in one state."""

    state: str  # of `STATES`
    fluid: str  # of `PLACES`
    # `value`; `over thermostat`, `over coolant`: differences; `rise`, `rise time`: after the engine stops; `minutes`
    # to the temperature `reach_c`
    kind: str
    low: float  # degC, K or min by `kind`
    high: float
    box: str = ""  # `automatic` or `manual` where the band is that gearbox's only
    only: str = ""  # `pickup`, `car` (all others), `old` (classes before 1980), `new` (later), or all
    reach_c: float = 0.0
    sure: str = "M"  # how sure the band is: H or M


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One band compared with one car."""

    band: Band
    found: float

    @property
    def inside(self) -> bool:
        """Whether the car is within the band."""
        return self.band.low <= self.found <= self.band.high


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Temperatures of a car through a state, shape (n, n_body), when, and the row where the engine stops."""

    temps_k: FloatArray
    time_s: FloatArray
    stopped: int


def read_bands(path: Path) -> tuple[Band, ...]:
    """Read the bands shipped with the program, in the order of the file."""
    return tuple(Band(**row) for row in tomllib.loads(path.read_text(encoding="utf-8"))["band"])


def rated_trailer(vehicle: Vehicle) -> Vehicle:
    """Hitch the heaviest trailer that the vehicle's file allows, with the frontal area of SAE J2807's table.

    Raises `ParameterError` if the car has no tow rating.
    """
    rating = vehicle.body.tow_rating_kg
    if not rating > 0.0:
        message = f"{vehicle.name}: body.tow_rating is 0 kg; it has no tow rating"
        raise ParameterError(message)
    front = next(area for most, area in _TRAILER_FRONT_M2 if rating <= most)
    return replace(vehicle, trailer=replace(vehicle.trailer, mass_kg=rating, drag_area_m2=_TRAILER_DRAG * front))


def _join(*parts: Drive) -> Drive:
    return Drive(**{item.name: np.concatenate([getattr(part, item.name) for part in parts]) for item in fields(Drive)})


def _alone(vehicle: Vehicle) -> Vehicle:
    """The car without its file's trailer."""
    return replace(vehicle, trailer=replace(vehicle.trailer, mass_kg=0.0, drag_area_m2=0.0))


def _run(vehicle: Vehicle, *parts: Drive, stopped: int = 0) -> Course:
    """Simulate drives in sequence; the course is that of the last."""
    whole, duration_s = _join(*parts), parts[-1].duration_s
    result = simulate(replace(whole, day=np.zeros(len(whole.duration_s))), vehicle)
    return Course(temps_k=result.temps_k[0, -len(duration_s) :], time_s=np.cumsum(duration_s), stopped=stopped)


def _held(vehicle: Vehicle, drive: Drive) -> Drive:
    speed = held_speed_m_per_s(vehicle, drive)
    ratio = drive.speed_m_per_s / np.maximum(speed, 0.1)
    return replace(drive, speed_m_per_s=speed, end_speed_m_per_s=speed, duration_s=drive.duration_s * ratio)


def _ac(vehicle: Vehicle) -> bool:
    return vehicle.cooling.condenser_heat_w > 0.0


def _hot(minutes: float, mph: float, *, grade: float = 0.0, ac_on: bool = False, elevation_m: float = 0.0) -> Drive:
    """A steady drive in 100 degF."""
    return steady_drive(
        minutes=minutes, speed_m_per_s=mph * MPH, grade=grade, air_k=_F100, elevation_m=elevation_m, ac_on=ac_on
    )


def _cruise(vehicle: Vehicle, air_k: float, *, ac_on: bool) -> Course:
    """Two and a half hours at 60 mph on the level, or at what the car holds."""
    drive = steady_drive(minutes=150, speed_m_per_s=60 * MPH, grade=0.0, air_k=air_k, ac_on=ac_on)
    return _run(vehicle, _held(vehicle, drive))


def _climb(vehicle: Vehicle, mph: float, *, ac_on: bool) -> Course:
    """Fifteen miles of 5 % from an hour's cruise, the air at 100 degF all the way up."""
    flat = _hot(60, 55, elevation_m=_FOOT_M, ac_on=ac_on)
    grade = _hot(60 * 15 / mph, mph, grade=0.05, elevation_m=_FOOT_M, ac_on=ac_on)
    return _run(vehicle, _held(vehicle, flat), _held(vehicle, grade))


def _idle(vehicle: Vehicle) -> Course:
    """Half an hour at idle in 100 degF, after half an hour's driving."""
    ac_on = _ac(vehicle)
    return _run(vehicle, _held(vehicle, _hot(30, 40, ac_on=ac_on)), _hot(30, 0, ac_on=ac_on))


def _stop_and_go(vehicle: Vehicle) -> Course:
    """An hour of town traffic in 100 degF: away to 30 mph, 15 s of it, brake, 25 s at a standstill."""
    ends = np.array([5.0, 9.0, 12.0, 13.4, 13.4, 13.4, 6.0, 0.0, 0.0, 0.0])
    speed = 0.5 * (np.concatenate(([0.0], ends[:-1])) + ends)
    time = np.array([3.0, 3.0, 3.0, 2.0, 7.5, 7.5, 4.0, 4.0, 12.5, 12.5])
    one = _hot(len(time) / 6.0, 1.0, ac_on=_ac(vehicle))
    one = replace(one, duration_s=time, speed_m_per_s=speed, end_speed_m_per_s=ends, elevation_m=0.0 * speed)
    before = _held(vehicle, _hot(30, 40, ac_on=_ac(vehicle)))
    return _run(vehicle, before, _join(*[one] * round(3600.0 / float(time.sum()))))


def _warm_up(vehicle: Vehicle, air_k: float) -> Course:
    drive = steady_drive(minutes=_GIVE_UP_MIN, speed_m_per_s=45 * MPH, grade=0.0, air_k=air_k)
    return _run(vehicle, _held(vehicle, drive))


def _soak(vehicle: Vehicle) -> Course:
    """A quarter of an hour of 6 % in 100 degF, then the engine stops for half an hour."""
    climb = _held(vehicle, _hot(15, 50, grade=0.06, elevation_m=_FOOT_M))
    stand = _hot(30, 0, elevation_m=_FOOT_M + 1000.0)
    stand = replace(stand, engine_on=np.zeros(len(stand.duration_s)))
    return _run(vehicle, _join(climb, stand), stopped=len(climb.duration_s) - 1)


def _lap(vehicle: Vehicle, air_k: float) -> Drive:
    """A lap of one corner and one straight: full power for 12 s, hard braking, 6 s of corner at 45 mph."""
    grid = np.linspace(_CORNER_M_PER_S, _TOP_M_PER_S, 31)
    at = steady_drive(minutes=len(grid) / 6.0, speed_m_per_s=1.0, grade=0.0, air_k=air_k)
    at = replace(at, speed_m_per_s=grid, elevation_m=0.0 * grid)
    full_w = full_wheel_w(vehicle, at, np.ones(len(grid)))
    pull = np.maximum(full_w / grid - road_force_n(vehicle, at), 0.0) / inertia_kg(vehicle)
    ends = [_CORNER_M_PER_S]
    for _ in range(int(_PULL_S / 2.0)):
        ends.append(min(ends[-1] + 2.0 * float(np.interp(ends[-1] + 1.0, grid, pull)), _TOP_M_PER_S))
    times = [2.0] * (len(ends) - 1)
    while ends[-1] > _CORNER_M_PER_S + 0.01:
        ends.append(max(ends[-1] - _BRAKING_G * G_M_PER_S2, _CORNER_M_PER_S))
        times.append((ends[-2] - ends[-1]) / (_BRAKING_G * G_M_PER_S2))
    ends.append(_CORNER_M_PER_S)
    times.append(_CORNER_S)
    end = np.array(ends)
    n = len(times)
    one = steady_drive(minutes=n / 6.0, speed_m_per_s=1.0, grade=0.0, air_k=air_k)
    return replace(
        one,
        duration_s=np.maximum(np.array(times), 0.05),
        speed_m_per_s=0.5 * (end[1:] + end[:-1]),
        end_speed_m_per_s=end[1:],
        elevation_m=np.zeros(n),
        low_gear=np.ones(n),
    )


def _laps(vehicle: Vehicle) -> Course:
    """Twenty minutes of laps in 77 degF, warm from the road."""
    air_k = 298.15
    before = steady_drive(minutes=40, speed_m_per_s=50 * MPH, grade=0.0, air_k=air_k)
    lap = _lap(vehicle, air_k)
    rounds = max(1, round(1200.0 / float(lap.duration_s.sum())))
    return _run(vehicle, _held(vehicle, before), _join(*[lap] * rounds))


STATES: dict[str, tuple[str, Callable[[Vehicle], Course]]] = {
    "cruise 70F": ("60 mph on the level, 70 degF", partial(_cruise, air_k=_F70, ac_on=False)),
    "cruise 105F": (
        "60 mph on the level, 105 degF, A/C where fitted",
        lambda vehicle: _cruise(vehicle, _F105, ac_on=_ac(vehicle)),
    ),
    "climb alone": (
        "15 miles of 5 % at 55 mph or what it holds, 100 degF, no trailer",
        partial(_climb, mph=55.0, ac_on=False),
    ),
    "climb towing": (
        "15 miles of 5 % at 45 mph or what it holds, 100 degF, A/C, its rated trailer",
        lambda vehicle: _climb(rated_trailer(vehicle), 45.0, ac_on=_ac(vehicle)),
    ),
    "idle": ("30 min at idle, 100 degF, A/C, an automatic in gear", _idle),
    "stop-and-go": ("1 h of town traffic, 100 degF, A/C", _stop_and_go),
    "warm-up 70F": ("45 mph from cold, 70 degF", partial(_warm_up, air_k=_F70)),
    "warm-up 20F": ("45 mph from cold, 20 degF", partial(_warm_up, air_k=_F20)),
    "soak": ("engine stopped after 15 min of 6 % in 100 degF", _soak),
    "laps": ("20 min of laps, 77 degF, A/C off", _laps),
}


def measure(vehicle: Vehicle, state: str) -> Course:
    """Drive a car without its own trailer through a state; the course excludes the warm-up before it.

    Raises `ParameterError` if the state needs the rated trailer and the car has no tow rating.
    """
    return STATES[state][1](_alone(vehicle))


def applies(band: Band, vehicle: Vehicle, *, base: str) -> bool:
    """Whether a car has the part of a band: no axle of its own, no tow rating, or laps in a van rule a band out."""
    decade = re.search(r"-(\d{4})s\b", base)
    old = decade is not None and int(decade[1]) < 1980
    pickup = base.startswith("pickup")
    part = {
        "differential": vehicle.axle.kind != "transaxle",
        "transmission": band.box in ("", vehicle.gearbox.kind),
    }.get(band.fluid, True)
    state = {
        "climb towing": vehicle.body.tow_rating_kg > 0.0,
        "laps": not base.startswith(_NOT_FOR_LAPS),
    }.get(band.state, True)
    return part and state and {"": True, "pickup": pickup, "car": not pickup, "old": old, "new": not old}[band.only]


def compare(vehicle: Vehicle, bands: Iterable[Band], *, base: str) -> tuple[Cell, ...]:
    """Compare a car with every band that applies to it, in the order of the bands."""
    wanted = [band for band in bands if applies(band, vehicle, base=base)]
    courses = {state: measure(vehicle, state) for state in dict.fromkeys(band.state for band in wanted)}
    return tuple(Cell(band=band, found=_found(band, courses[band.state], vehicle)) for band in wanted)


def _found(band: Band, course: Course, vehicle: Vehicle) -> float:
    """Value that a band describes, from the temperatures of its state."""
    temps = course.temps_k[:, PLACES[band.fluid]]
    if band.kind == "minutes":
        warm = temps >= band.reach_c + C0
        return float(course.time_s[np.argmax(warm)]) / 60.0 if warm.any() else np.inf
    if band.kind in ("rise", "rise time"):
        after, before = temps[course.stopped :], float(temps[course.stopped])
        if band.kind == "rise":
            return float(after.max()) - before
        return float(course.time_s[course.stopped + int(np.argmax(after))] - course.time_s[course.stopped]) / 60.0
    settled = _settled(band.state, course)
    value = float(settled[PLACES[band.fluid]])
    if band.kind == "over thermostat":
        return value - vehicle.cooling.thermostat_open_k
    if band.kind == "over coolant":
        return value - float(settled[_COOLANT])
    return value - C0


def _settled(state: str, course: Course) -> FloatArray:
    """Mean of the last minutes, to average over a switching fan or a red light."""
    minutes = {"climb alone": 1.0, "climb towing": 1.0, "laps": 2.0}.get(state, 10.0)
    late = course.time_s > course.time_s[-1] - 60.0 * minutes
    return np.asarray(course.temps_k[late].mean(axis=0))
