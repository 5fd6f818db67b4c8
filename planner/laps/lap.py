"""A lap as a speed trace: from measured points, or computed from summary numbers and the car's power."""

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from planner.files.sessionfile import LapNumbers, LapTable
from planner.model.errors import PlannerError
from thermal import air, engine
from thermal.drive import steady_drive
from thermal.loads import full_wheel_w, inertia_kg, road_force_n
from thermal.ranges import FloatArray as Floats
from thermal.roadload import G_M_PER_S2
from thermal.vehicle import Vehicle

LONGEST_S, WIDEST_M_PER_S = 5.0, 6.0  # longest piece of a lap, largest change of speed within one
_STEADY_M_PER_S = 0.3
# ASSUMED: mean deceleration of a quick driver on road tyres, 0.5 to 0.9 g; grip of the driven wheels, 0.4 to 0.6 g.
BRAKING_G, GRIP_G = 0.6, 0.5
_SLOWEST_M_PER_S, _GRID = 4.0, 240
_MOST_CORNERS, _SHORTEST_PULL_S = 60, 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One lap in pieces of constant acceleration, shape (n,)."""

    duration_s: Floats  # time spent
    speed_m_per_s: Floats  # mean
    end_m_per_s: Floats
    grade: Floats
    begin_m_per_s: float  # at the start of the lap

    @property
    def length_m(self) -> float:
        """Length of the lap. [m]."""
        return float(np.sum(self.duration_s * self.speed_m_per_s))

    @property
    def time_s(self) -> float:
        """Time of the lap. [s]."""
        return float(np.sum(self.duration_s))

    @property
    def rises_m(self) -> Floats:
        """Rise of every piece. [m]."""
        return self.duration_s * self.speed_m_per_s * self.grade / np.sqrt(1.0 + self.grade**2)

    def at_share(self, share: float) -> "Trace":
        """Return the same lap at a fraction of its speed."""
        speeds = {name: getattr(self, name) * share for name in ("speed_m_per_s", "end_m_per_s", "begin_m_per_s")}
        return replace(self, duration_s=self.duration_s / share, **speeds)

    def back(self, speed_m_per_s: float) -> "Trace":
        """Return the reverse drive at constant speed, to a stop."""
        length = (self.duration_s * self.speed_m_per_s)[::-1]
        count = np.maximum(np.ceil(length / speed_m_per_s / LONGEST_S).astype(int), 1)
        duration = np.repeat(length / speed_m_per_s / count, count)
        return Trace(
            duration_s=duration,
            speed_m_per_s=np.full(len(duration), speed_m_per_s),
            end_m_per_s=np.append(np.full(len(duration) - 1, speed_m_per_s), 0.0),
            grade=-np.repeat(self.grade[::-1], count),
            begin_m_per_s=speed_m_per_s,
        )


def trace_of_table(table: LapTable) -> Trace:
    """Cut a lap given by points into pieces of about five seconds.

    Between two points the acceleration is constant: the squared speed is linear in distance.

    >>> table = LapTable(distance_m=(0.0, 100.0, 200.0), speed_m_per_s=(10.0, 30.0, 10.0), grade=(0.0, 0.0, 0.0))
    >>> lap = trace_of_table(table)
    >>> round(lap.length_m, 6), lap.time_s, float(lap.end_m_per_s.max())
    (200.0, 10.0, 30.0)
    """
    ends = np.asarray(table.speed_m_per_s)
    step = np.diff(table.distance_m)
    time_s = 2.0 * step / (ends[1:] + ends[:-1])
    change = np.diff(ends)
    count = np.ceil(np.maximum(time_s / LONGEST_S, np.abs(change) / WIDEST_M_PER_S) * (1.0 - 1e-9)).astype(int)
    count = np.maximum(count, 1)
    owner = np.repeat(np.arange(len(count)), count)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count) + 1
    end = ends[owner] + change[owner] * nth / count[owner]
    begin = ends[owner] + change[owner] * (nth - 1) / count[owner]
    duration = time_s[owner] / count[owner]
    grade = np.asarray(table.grade[:-1])[owner]
    return _merged(duration, begin, end, grade)


def _merged(duration: Floats, begin: Floats, end: Floats, grade: Floats) -> Trace:
    """Merge short neighbouring pieces of one kind: accelerating, braking or steady."""
    kind = np.sign(np.where(np.abs(end - begin) < _STEADY_M_PER_S, 0.0, end - begin))
    starts, at = [0], 0
    for i in range(1, len(duration)):
        longer = duration[at : i + 1].sum() > LONGEST_S * (1.0 + 1e-9)
        wider = abs(end[i] - begin[at]) > WIDEST_M_PER_S * (1.0 + 1e-9)
        if kind[i] != kind[at] or longer or wider:
            starts.append(i)
            at = i
    length = duration * 0.5 * (begin + end)
    time_s, run = np.add.reduceat(duration, starts), np.add.reduceat(length, starts)
    sine = np.add.reduceat(length * grade / np.sqrt(1.0 + grade**2), starts) / run
    lasts = np.append(np.asarray(starts[1:]) - 1, len(duration) - 1)
    return Trace(
        duration_s=time_s,
        speed_m_per_s=run / time_s,
        end_m_per_s=end[lasts.astype(int)],
        grade=sine / np.sqrt(1.0 - sine**2),
        begin_m_per_s=float(begin[0]),
    )


# --- from a few numbers ---


@dataclass(frozen=True, slots=True, kw_only=True)
class FullPower:
    """Speed, time and distance of full-load acceleration from walking speed to top speed."""

    speed_m_per_s: Floats
    time_s: Floats
    way_m: Floats

    def after(self, begin_m_per_s: float, pull_s: float) -> tuple[float, float]:
        """State after accelerating for a time."""
        until = float(np.interp(begin_m_per_s, self.speed_m_per_s, self.time_s)) + pull_s
        steady = max(until - float(self.time_s[-1]), 0.0)
        speed = float(np.interp(until, self.time_s, self.speed_m_per_s))
        way = float(
            np.interp(until, self.time_s, self.way_m) - np.interp(begin_m_per_s, self.speed_m_per_s, self.way_m)
        )
        return speed, way + steady * speed


def full_power(vehicle: Vehicle, *, grade: float, elevation_m: float, air_k: float) -> FullPower:
    """Compute full-load acceleration.

    The force is bounded by the grip of the driven wheels, 0.5 of the weight: ASSUMED.
    """
    speed = np.linspace(_SLOWEST_M_PER_S, 90.0, _GRID)
    at = steady_drive(minutes=_GRID / 6.0, speed_m_per_s=0.0, grade=grade, air_k=air_k, elevation_m=elevation_m)
    at = replace(at, speed_m_per_s=speed, dew_k=at.air_k - 10.0)
    total = air.pressure_pa(at.elevation_m)
    vapour = air.vapour_pressure_pa(at.dew_k)
    share = engine.power_share(
        vehicle.engine, dry_pressure_pa=total - vapour, temp_k=at.air_k, elevation_m=at.elevation_m
    )
    pull = np.minimum(full_wheel_w(vehicle, at, share) / speed, GRIP_G * G_M_PER_S2 * vehicle.body.mass_kg)
    gain = (pull - road_force_n(vehicle, at)) / inertia_kg(vehicle)
    weak = np.flatnonzero(gain < 0.02)
    count = int(weak[0]) if len(weak) else _GRID
    if count < 2:
        message = f"{vehicle.name} cannot start on a grade of {grade:.0%}; check 'climb' and 'length' of the lap"
        raise PlannerError(message)
    v, a = speed[:count], gain[:count]
    step = np.diff(v)
    time_s = np.concatenate(([0.0], np.cumsum(step * 0.5 * (1.0 / a[1:] + 1.0 / a[:-1]))))
    way_m = np.concatenate(([0.0], np.cumsum(step * 0.5 * (v[1:] / a[1:] + v[:-1] / a[:-1]))))
    return FullPower(speed_m_per_s=v, time_s=time_s, way_m=way_m)


def trace_of_numbers(numbers: LapNumbers, vehicle: Vehicle, *, elevation_m: float, air_k: float) -> Trace:
    """Construct a lap of equal straights and corners with the given length, time and full-load share.

    With n corners, acceleration takes full_load T / n each; the corner speed then follows from the length. The n with
    the corner speed nearest the given one is used: length, time and share are exact, the corner speed is approximate.
    """
    sine = min(max(numbers.climb_m / numbers.length_m, -0.25), 0.25)
    grade = float(sine / np.sqrt(1.0 - sine**2))
    power = full_power(vehicle, grade=grade, elevation_m=elevation_m, air_k=air_k)
    most = int(np.clip(numbers.full_load * numbers.time_s / _SHORTEST_PULL_S, 1, _MOST_CORNERS))
    found, reach = [], []
    for n in range(1, most + 1):
        corner, covered = _corner_speed(numbers, power, n)
        reach += covered
        if corner is not None:
            found.append((abs(corner - numbers.corner_m_per_s), n, corner))
    if not found:
        could = f"{min(reach):,.0f} to {max(reach):,.0f} m" if reach else "no length"
        message = (
            f"session.toml [lap]: at full load for {numbers.full_load:.0%} of {numbers.time_s:.0f} s {vehicle.name} "
            f"covers {could}, not {numbers.length_m:,.0f} m; check length, time and full_load"
        )
        raise PlannerError(message)
    _, n, corner = min(found)
    return _corners(numbers, power, n, corner, grade)


class _Corner(NamedTuple):
    """Accelerating out of one corner, braking for the next, constant speed in it."""

    pull_s: float
    pull_m: float
    top_m_per_s: float
    brake_s: float
    hold_s: float


def _corner(numbers: LapNumbers, power: FullPower, n: int, corner: float) -> _Corner:
    """Time budget of one of `n` corners at a given speed; the remaining time at constant speed may be negative."""
    pull_s = numbers.full_load * numbers.time_s / n
    top, way = power.after(corner, pull_s)
    brake_s = (top - corner) / (BRAKING_G * G_M_PER_S2)
    return _Corner(pull_s, way, top, brake_s, numbers.time_s / n - pull_s - brake_s)


def _lap_length_m(numbers: LapNumbers, power: FullPower, n: int, corner: float) -> float | None:
    """Length of a lap of `n` corners at a given speed; None if there is no time to brake. [m]."""
    one = _corner(numbers, power, n, corner)
    if one.hold_s < 0.0:
        return None
    return n * (one.pull_m + 0.5 * (one.top_m_per_s + corner) * one.brake_s + corner * one.hold_s)


def _corner_speed(numbers: LapNumbers, power: FullPower, n: int) -> tuple[float | None, list[float]]:
    """Corner speed for a lap of `n` corners with the given length, if possible; and the range of lengths."""
    grid = np.linspace(_SLOWEST_M_PER_S, float(power.speed_m_per_s[-1]), 60)
    pairs = [(v, length) for v in grid if (length := _lap_length_m(numbers, power, n, float(v))) is not None]
    if not pairs:
        return None, []
    speeds, lengths = np.array(pairs).T
    if not lengths[0] <= numbers.length_m <= lengths[-1]:
        return None, [float(lengths[0]), float(lengths[-1])]
    after = max(int(np.searchsorted(lengths, numbers.length_m)), 1)
    low, high = float(speeds[after - 1]), float(speeds[after])
    for _ in range(40):
        middle = 0.5 * (low + high)
        length = _lap_length_m(numbers, power, n, middle)
        low, high = (middle, high) if length is None or length < numbers.length_m else (low, middle)
    return 0.5 * (low + high), [float(lengths[0]), float(lengths[-1])]


def _corners(numbers: LapNumbers, power: FullPower, n: int, corner: float, grade: float) -> Trace:
    """Lay out the pieces of one corner, and repeat them."""
    pull_s, _, top, brake_s, hold_s = _corner(numbers, power, n, corner)
    pieces = max(1, int(np.ceil(max(pull_s / LONGEST_S, (top - corner) / WIDEST_M_PER_S))))
    stops = [power.after(corner, pull_s * k / pieces) for k in range(pieces + 1)]
    rows = [(pull_s / pieces, b[1] - a[1], b[0]) for a, b in pairwise(stops)]
    slowing = max(1, int(np.ceil((top - corner) / WIDEST_M_PER_S)))
    speeds = np.linspace(top, corner, slowing + 1)
    rows += [
        (brake_s / slowing, 0.5 * (a + b) * brake_s / slowing, float(b)) for a, b in pairwise(speeds) if brake_s > 0.0
    ]
    holding = int(np.ceil(hold_s / LONGEST_S)) if hold_s > 1e-6 else 0
    rows += [(hold_s / holding, corner * hold_s / holding, corner)] * holding
    duration, way, end = (np.tile(column, n) for column in np.array(rows).T)
    return Trace(
        duration_s=duration,
        speed_m_per_s=way / duration,
        end_m_per_s=end,
        grade=np.full(len(duration), grade),
        begin_m_per_s=corner,
    )
