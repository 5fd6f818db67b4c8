"""A log as model input: a drive with grades, air and engine, and its readings."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.files.channels import CHANNELS, FLUID_CHANNELS
from planner.files.logs import Log, driven_m, level_m
from planner.logs.map_match import Match, PlannedDay, match_log
from planner.model.errors import PlannerError
from planner.model.trip import Leg, Trip
from planner.route.road import Road, cut_road
from thermal.drive import Drive
from thermal.errors import ThermalError
from thermal.fluids import N_BODY, fluid_of
from thermal.log_drive import Readings, drive_from_log, start_from_readings
from thermal.vehicle import Vehicle

Floats = npt.NDArray[np.float64]
_READ_S = 15.0
_OLDEST_S = 20.0
_IDLE_S = 300.0  # ASSUMED: on longer stops the engine is off; traffic jams creep
# ASSUMED: above 5 m/s no clutch slips; tyres and speeds are off by 3 to 10 %; an open converter slips up to a quarter.
_GEARED_M_PER_S, _GEAR_FITS, _OPEN_CONVERTER = 5.0, 0.08, 1.25
_SMOOTH_M = 400.0  # GPS elevation drifts by metres; over this length a grade of 1 % is 4 m
_AIR_K = (223.15, 328.15)  # the hottest air measured is 54 degC, 56.7 disputed (WMO archive of extremes, from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class Driven:
    """A log as the model takes it."""

    log: Log
    drive: Drive
    readings: Readings
    distance_m: Floats  # shape (n_segment,): along the route at segments' ends; from the log's start if not matched
    match: Match | None  # None if the log has elevations or its mapping says the road was level
    notes: tuple[str, ...]  # assumptions made

    @property
    def fluids(self) -> tuple[str, ...]:
        """Fluids that have readings."""
        return tuple(
            name for name in FLUID_CHANNELS if np.any(np.isfinite(self.readings.temp_k[:, CHANNELS[name].node or 0]))
        )


class _Height(NamedTuple):
    """Elevations at the times of the speed, distances along the route, and the source."""

    elevation_m: float | Floats
    distance_m: Floats
    match: Match | None
    note: str


def drive_of(
    trip: Trip,
    legs: Sequence[Leg],
    log: Log,
    vehicle: Vehicle,
    *,
    days: Sequence[PlannedDay] = (),
    air_k: float | None = None,
) -> Driven:
    """Convert a log to a drive with grades and gears, and its readings."""
    speed = log.channels.get("speed")
    if speed is None or len(speed.time_s) < 10:
        message = f"{log.name}: has no speed; the model needs it to compute engine heat"
        raise PlannerError(message)
    notes: list[str] = []
    height = _heights(trip, legs, log, days)
    notes += [height.note] if height.note else []
    air, said = _air(log, speed.time_s, air_k)
    running, cooled = _running(log, speed.time_s), trip.air_conditioning and float(np.median(air)) > 293.15
    notes += [*said, *_unsaid(log, running, cooled)]
    try:
        drive = drive_from_log(
            speed.time_s,
            speed.value,
            air,
            elevation_m=height.elevation_m,
            engine_on=running,
            ac_on=float(cooled),
        )
        held = gears_held(vehicle, drive, log)
        drive = replace(drive, highest_gear=held, held_gear=held)
        readings = _readings(log, drive, float(speed.time_s[0]))
    except ThermalError as exc:
        message = f"{log.name}: {exc}"
        raise PlannerError(message) from exc
    edge_s = float(speed.time_s[0]) + np.cumsum(drive.duration_s)
    return Driven(
        log=log,
        drive=drive,
        readings=readings,
        distance_m=np.interp(edge_s, speed.time_s, height.distance_m),
        match=height.match,
        notes=tuple(notes),
    )


def _heights(trip: Trip, legs: Sequence[Leg], log: Log, days: Sequence[PlannedDay]) -> _Height:
    """Elevations from the mapping, the log, or the road."""
    speed = log.channels["speed"]
    driven = driven_m(speed)
    level = level_m(log)
    if level is not None:
        return _Height(level, driven, None, f"{log.name}: treated as level at {level:.0f} m, as its mapping says")
    own = log.channels.get("elevation")
    if own is not None and len(own.value) > 10 and not (log.mapping.start or log.mapping.finish):
        return _Height(smoothed(np.interp(speed.time_s, own.time_s, own.value), driven), driven, None, "")
    match = match_log(trip, legs, log, days=days)
    road = cut_road(trip, legs)
    at = _start_m(legs, match) + driven * match.stretch
    return _Height(_road_height(road, at), at, match, match.words)


def _start_m(legs: Sequence[Leg], match: Match) -> float:
    """Distance along the route at the start of the matched legs. [m]."""
    return float(sum(leg.distance_m for leg in legs[: match.first]))


def _road_height(road: Road, at_m: Floats) -> Floats:
    """Height of the road at distances along it."""
    first = float(road.end_elevation_m[0] - road.grade[0] * road.length_m[0])
    return np.asarray(
        np.interp(at_m, np.concatenate(([0.0], road.end_m)), np.concatenate(([first], road.end_elevation_m)))
    )


def smoothed(height_m: Floats, driven_m: Floats) -> Floats:
    """Mean height over a few hundred metres of road."""
    grid = np.arange(0.0, float(driven_m[-1]) + 50.0, 50.0)
    even = np.interp(grid, driven_m, height_m)
    half = round(0.5 * _SMOOTH_M / 50.0)
    window = np.ones(2 * half + 1) / (2 * half + 1)
    return np.asarray(np.interp(driven_m, grid, np.convolve(np.pad(even, half, mode="edge"), window, mode="valid")))


def require_air(air_k: float) -> None:
    """Refuse an implausible outside air temperature, e.g. degC instead of degF."""
    if not _AIR_K[0] <= air_k <= _AIR_K[1]:
        celsius = air_k - 273.15
        meant = (celsius - 32.0) / 1.8
        hint = f", or was {celsius:.0f} degF meant?" if -40.0 <= meant <= 50.0 else ""
        message = f"--ambient: {celsius:.0f} degC is implausible for outside air; allowed is -50 to 55 degC{hint}"
        raise PlannerError(message)


def _air(log: Log, time_s: Floats, air_k: float | None) -> tuple[Floats, list[str]]:
    """Outside air at the speed's times."""
    if air_k is not None:
        require_air(air_k)
    own = log.channels.get("ambient")
    if own is not None and len(own.value):
        unused = f"{log.name}: has outside air of its own; --ambient is not used for it"
        return np.asarray(np.interp(time_s, own.time_s, own.value)), [unused] if air_k is not None else []
    if air_k is None:
        message = f'{log.name}: has no outside air temperature; give it with --ambient, e.g. --ambient "25 degC"'
        raise PlannerError(message)
    return np.full(len(time_s), air_k), [f"{log.name}: outside air {air_k - 273.15:.0f} °C throughout, as given"]


def _running(log: Log, time_s: Floats) -> npt.NDArray[np.bool_] | None:
    """Whether the engine was running, if the log has its speed."""
    rpm, speed = log.channels.get("rpm"), log.channels["speed"].value
    if rpm is None or len(rpm.value) < 10:
        return moving_lately(time_s, speed)
    held = rpm.at(time_s, oldest_s=30.0)
    return np.where(np.isfinite(held), held, 100.0) > 20.0


def gears_held(vehicle: Vehicle, drive: Drive, log: Log) -> Floats:
    """Gear of every segment from engine speed over road speed, 1 is the first; 0 if none fits, or without rpm.

    The model uses no higher gear, and downhill no lower one. An open converter raises the engine speed, so an automatic
    gets the gear with the next lower ratio.
    """
    rpm, speed = log.channels.get("rpm"), log.channels["speed"]
    out = np.zeros(len(drive.duration_s))
    if rpm is None or len(rpm.value) < 10:
        return out
    held, steady = rpm.at(speed.time_s, oldest_s=5.0), speed.value > _GEARED_M_PER_S
    ratio = np.where(steady, held / np.where(steady, speed.value, 1.0), np.nan)
    geared = np.asarray(vehicle.gearbox.ratios) * vehicle.axle.ratio / vehicle.body.tyre_radius_m
    most = _OPEN_CONVERTER if vehicle.gearbox.kind == "automatic" else 1.0 + _GEAR_FITS
    at = np.searchsorted(float(speed.time_s[0]) + np.cumsum(drive.duration_s), speed.time_s)
    for i in range(len(out)):
        here = ratio[at == i]
        here = here[np.isfinite(here)]
        times = float(np.median(here)) / geared if len(here) else np.zeros(1)
        fits = np.flatnonzero((times > 1.0 - _GEAR_FITS) & (times < most))
        out[i] = 1.0 + fits[np.argmin(times[fits])] if len(fits) else 0.0
    return out


def moving_lately(time_s: Floats, speed_m_per_s: Floats) -> npt.NDArray[np.bool_]:
    """Assume the engine off in stops of more than a few minutes."""
    running = np.ones(len(time_s), dtype=np.bool_)
    edge = np.flatnonzero(np.diff(np.concatenate(([False], speed_m_per_s <= 0.0, [False])).astype(np.int8)))
    for a, b in zip(edge[::2], edge[1::2], strict=True):
        if time_s[b - 1] - time_s[a] > _IDLE_S:
            running[a:b] = False
    return running


def _unsaid(log: Log, running: npt.NDArray[np.bool_] | None, ac_on: bool) -> list[str]:
    """Report assumptions for missing channels."""
    out = []
    if running is not None and "rpm" not in log.channels and not running.all():
        out.append(f"{log.name}: has no rpm; engine assumed off during stops longer than {_IDLE_S / 60.0:.0f} min")
    out.append(f"{log.name}: air conditioning assumed {'on' if ac_on else 'off'}; not logged")
    return out


def _readings(log: Log, drive: Drive, begin_s: float) -> Readings:
    """Thin the fluid readings to one every few seconds, in the drive's time."""
    at_s = np.arange(0.0, float(drive.duration_s.sum()), _READ_S)
    temp = np.full((len(at_s), N_BODY), np.nan)
    for name in FLUID_CHANNELS:
        series = log.channels.get(name)
        if series is not None and len(series.value):
            temp[:, CHANNELS[name].node or 0] = series.at(at_s + begin_s, oldest_s=_OLDEST_S)
    first = np.array(
        [
            column[np.flatnonzero(np.isfinite(column))[:1]].sum() if np.any(np.isfinite(column[:20])) else np.nan
            for column in temp.T
        ]
    )
    air = float(drive.air_k[0])
    coolant = fluid_of("coolant").node
    if not np.isfinite(first[coolant]):
        known = first[np.isfinite(first)]
        first[coolant] = float(known[0]) if len(known) else air
    return Readings(time_s=at_s, temp_k=temp, start_k=start_from_readings(first, air))
