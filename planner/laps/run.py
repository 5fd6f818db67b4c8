"""Sessions: laps until a margin is thin, and cooling times, by hour of the day."""

from dataclasses import dataclass
from datetime import datetime, time, timedelta

import numpy as np

from planner.analysis.alarm_marks import FluidAlarm
from planner.forecast.assemble import Progress, quiet
from planner.laps.alarms import gauge_alarms
from planner.laps.stints import Case, Layout, Piece
from planner.model.levels import level_of, severity
from thermal.driveline import power_shortfall_w
from thermal.engine import full_torque_nm
from thermal.fluids import BODY_KEYS
from thermal.loads import extras_w, inertia_kg, road_force_n
from thermal.ranges import FloatArray as Floats
from thermal.simulate import Result

_MOST_MINUTES = 180
_FULL_LOAD = 0.97  # share of the available power that counts as full load
_SHORT = 0.03  # excess demand above this share is not drivable


@dataclass(frozen=True, slots=True, kw_only=True)
class Hour:
    """Results for a session that starts at a given hour, the car warm from the road."""

    at: time
    air_k: float
    laps: dict[str, int | None]  # completed before each part is thin; None if not within the laps tried
    least: int | None  # the fewest of them, and the part
    part: str
    driven: int  # laps before the pit
    cool_off_min: int | None  # until as many can be driven again, engine off; None if not within three hours
    cool_idle_min: int | None
    soak_k: float  # the coolant's margin in the pit, engine off


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One session as planned; margins at the confidence and peaks of the car as described, by part."""

    begin: time
    air_k: float
    margin_k: dict[str, float]
    peak_k: dict[str, float]
    part: str
    level: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionOutcome:
    """Result of a session; `full_load` and `short` are shares of a lap's time: at full load, and beyond it."""

    case: Case
    tried: int
    hours: tuple[Hour, ...]
    planned: tuple[Planned, ...]
    alarms: tuple[FluidAlarm, ...]  # of the gauges, over all planned sessions
    full_load: float
    short: float
    distance_m: float


def laps_until_thin(case: Case, at: time) -> dict[str, int | None]:
    """Count the laps completed before each part is thin, the car warm from the road."""
    drive, result = case.run(Layout(case, at).from_road(case.tried_laps))
    worst = np.minimum.accumulate(case.margins_k(drive, result), axis=1)
    thin = case.kept_k(worst) < case.bands_k
    return {
        part: max(int(np.argmax(thin[:, i])) - 1, 0) if thin[:, i].any() else None for i, part in enumerate(case.parts)
    }


def state_after(case: Case, at: time, driven: int) -> Floats:
    """Temperatures on coming into the pit after so many laps."""
    lay = Layout(case, at)
    _, result = case.run([*lay.from_road(driven), *lay.in_lap(driven + 1)])
    return result.temps_k[:, -1]


def minutes_to_cool(case: Case, at: time, driven: int, *, engine_on: bool) -> tuple[int | None, float]:
    """Find the cooling time before as many laps can be driven again."""
    lay, begin = Layout(case, at), state_after(case, at, driven)
    stand, result = case.run(lay.pit(0, duration_s=60.0 * _MOST_MINUTES, engine_on=engine_on), begin)
    states = np.concatenate((begin[:, None], result.temps_k), axis=1)
    soak = float(case.kept_k(case.margins_k(stand, result))[0, 0])

    def enough(minutes: int) -> bool:
        gate = [*lay.pit(0, duration_s=1.0, engine_on=True), *lay.out_lap(0)]
        drive, again = case.run([*gate, *lay.laps(range(1, driven + 1))], states[:, minutes])
        return bool(np.all(case.kept_k(case.margins_k(drive, again).min(axis=1)) >= case.again_k))

    if enough(0):
        return 0, soak
    low, high = 0, _MOST_MINUTES
    if not enough(high):
        return None, soak
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high, soak


def at_hour(case: Case, at: time) -> Hour:
    """Results for one start hour."""
    found = laps_until_thin(case, at)
    ends = {part: n for part, n in found.items() if n is not None}
    part = min(ends, key=lambda name: ends[name]) if ends else ""
    least = ends[part] if part else None
    driven = case.setup.laps if least is None else min(case.setup.laps, least)
    off, soak = minutes_to_cool(case, at, driven, engine_on=False) if driven else (None, float("nan"))
    idle, _ = minutes_to_cool(case, at, driven, engine_on=True) if driven else (None, float("nan"))
    return Hour(
        at=at,
        air_k=case.site.air_k(at),
        laps=found,
        least=least,
        part=part,
        driven=driven,
        cool_off_min=off,
        cool_idle_min=idle,
        soak_k=soak,
    )


def run_session(case: Case, *, progress: Progress = quiet) -> SessionOutcome:
    """Run all simulations of a session."""
    hours = []
    for at in whole_hours(case.setup.first, case.setup.last):
        progress(f"laps and cooling at {at:%H:%M}")
        hours.append(at_hour(case, at))
    full, short = load_shares(case)
    planned, alarms = planned_sessions(case)
    return SessionOutcome(
        case=case,
        tried=case.tried_laps,
        hours=tuple(hours),
        planned=planned,
        alarms=alarms,
        full_load=full,
        short=short,
        distance_m=distance_m(case),
    )


def whole_hours(first: time, last: time) -> tuple[time, ...]:
    """List the start hours, the first one as given.

    >>> [f"{at:%H:%M}" for at in whole_hours(time(9, 30), time(12))]
    ['09:30', '10:30', '11:30']
    """
    day, found = datetime(2000, 1, 1), []
    now = datetime.combine(day, first)
    while now <= datetime.combine(day, last):
        found.append(now.time())
        now += timedelta(hours=1)
        if now.day != day.day:
            break
    return tuple(found)


def planned_sessions(case: Case) -> tuple[tuple[Planned, ...], tuple[FluidAlarm, ...]]:
    """Simulate the planned sessions in sequence, with pauses; place the alarms of their gauges."""
    setup, day = case.setup, datetime(2000, 1, 1)
    now, until = datetime.combine(day, setup.first), datetime.combine(day, setup.last)
    pieces: list[Piece] = Layout(case, setup.first).warm_up()
    begins: list[time] = []
    while now <= until and len(begins) < setup.sessions:
        lay, group = Layout(case, now.time()), len(begins) + 1
        held = [*lay.out_lap(group), *lay.laps([group] * setup.laps), *lay.in_lap(group)]
        held += lay.pit(group, duration_s=setup.pit_s, engine_on=setup.pit_idle)
        pieces += held
        begins.append(lay.at)
        now += timedelta(seconds=float(sum(piece["duration_s"].sum() for piece in held)))
    drive, result = case.run(pieces)
    kept = case.kept_k(case.margins_k(drive, result))
    found = tuple(
        _planned(case, at, kept[n], result.temps_k[0, drive.group == n].max(axis=0)) for n, at in enumerate(begins, 1)
    )
    return found, gauge_alarms(case, drive, result)


def _planned(case: Case, at: time, kept: Floats, peak_k: Floats) -> Planned:
    """Collect the results of one session; `peak_k` has one value per body.

    Parts are ranked by level, then by margin beyond their own band, which is wide for rotors.
    """
    levels = [level_of(float(margin), float(band)) for margin, band in zip(kept, case.bands_k, strict=True)]
    tight = max(range(len(levels)), key=lambda part: (severity(levels[part]), case.bands_k[part] - kept[part]))
    nodes = {part: BODY_KEYS.index(part) for part in case.parts}
    return Planned(
        begin=at,
        air_k=case.site.air_k(at),
        margin_k=dict(zip(case.parts, map(float, kept), strict=True)),
        peak_k={part: float(peak_k[node]) for part, node in nodes.items()},
        part=case.parts[tight],
        level=levels[tight],
    )


def distance_m(case: Case) -> float:
    """Distance of the sessions as planned."""
    more = 2 if case.setup.back_m_per_s is None else case.setup.laps
    return case.setup.sessions * (case.setup.laps + more) * case.lap.length_m


def load_shares(case: Case) -> tuple[float, float]:
    """Shares of a lap at full load, and above the available power."""
    drive, result = case.run(Layout(case, case.setup.first).laps([0, 1]))
    n = len(case.lap.duration_s)
    second = int(np.flatnonzero(drive.group == 1)[0])
    rows = slice(second, second + n)
    part, lap = drive.take(rows), case.lap
    before = np.concatenate(([drive.end_speed_m_per_s[second - 1]], lap.end_m_per_s[:-1]))
    inertia_n = inertia_kg(case.vehicle) * (lap.end_m_per_s**2 - before**2) / (2.0 * part.length_m)
    force = road_force_n(case.vehicle, part) + inertia_n
    available = np.maximum(result.work.available_w[rows], 1.0)
    missing = power_shortfall_w(
        case.vehicle,
        wheel_w=force * part.speed_m_per_s,
        speed_m_per_s=part.speed_m_per_s,
        other_w=extras_w(case.vehicle, part),
        power_share=available / np.maximum(_rated_w(case, result, rows), 1.0),
        steady=False,
    )
    full = result.work.crank_w[rows] >= _FULL_LOAD * available
    weights = lap.duration_s / lap.duration_s.sum()
    return float(np.sum(weights * full)), float(np.sum(weights * (missing > _SHORT * available)))


def _rated_w(case: Case, result: Result, rows: slice) -> Floats:
    """Full-load power at the engine's speed in rated air. [W]"""
    speed = result.work.engine_rad_per_s[rows]
    return np.asarray(full_torque_nm(case.vehicle.engine, speed) * speed)
