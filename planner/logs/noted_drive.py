"""Fit without a logger: a GPX track with times, and a few noted gauge readings."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.files import limits
from planner.files.gpx import Points, read_gpx
from planner.files.reading import Problems, file_fault, whole
from planner.files.readings import AIR, parse_readings
from planner.forecast.lessons import doubt_words, fluid_words, seen_of
from planner.logs.drives import moving_lately, require_air, smoothed
from planner.logs.fit import FluidMargin, trip_margins
from planner.model import clock, geo
from planner.model.display import counted
from planner.model.errors import PlannerError, TripError
from planner.model.lesson import Seen
from planner.model.trip import Reading, Trip
from planner.route.timeline import Route
from thermal.drive import Drive
from thermal.errors import ThermalError
from thermal.fluids import BODY_KEYS, N_BODY, fluids_in
from thermal.log_drive import drive_from_log, start_from_readings
from thermal.posterior import Posterior
from thermal.taught import Observation, teach
from thermal.vehicle_file import VehicleFile

Floats = npt.NDArray[np.float64]
_STEP_S, _OVER_S = 5.0, 15.0  # positions drift by metres: speed is averaged over a quarter of a minute
_STANDS_M_PER_S = 0.6
_FEWEST = 60
_TIMING_S = 60.0  # ASSUMED: error of a note's time; 30 to 120 s
_AIR_SD_K = 2.0  # ASSUMED: error of a car's thermometer or of a weather report for the air at the grille; 1 to 3 K
_FIRST_S = 600.0  # a note in the first ten minutes gives the start temperature


class Noted(NamedTuple):
    """A track as a drive, its start time [s since 1970] and start position."""

    drive: Drive
    begin_s: float
    lat_deg: float
    lon_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NotedFit:
    """Result of a noted drive: readings with expected values, factors, the trip's margins."""

    trip: Trip
    names: tuple[str, str]
    seen: tuple[Seen, ...]
    sentences: tuple[str, ...]
    posterior: Posterior
    before: tuple[FluidMargin, ...]
    after: tuple[FluidMargin, ...]


def read_notes(path: Path, trip: Trip) -> tuple[Reading, ...]:
    """Read the notes, a table like readings.csv, each row with a time."""
    problems = Problems()
    text = _bytes(path, limits.TABLE_BYTES).decode("utf-8-sig", errors="replace")
    rows = parse_readings(text, trip=trip, problems=problems, file=path.name)
    for row in rows:
        if row.when is None:
            problems.add(
                path.name, "has no time; write the local time, e.g. 2027-06-20 14:20", row=row.row, code="missing-value"
            )
    if len(problems):
        raise TripError(problems.found())
    if not any(set(row.temps_k) - {AIR} for row in rows):
        message = f"{path.name}: has no fluid temperature; enter coolant, oil, transmission or differential"
        raise PlannerError(message)
    return rows


def _bytes(path: Path, most: int) -> bytes:
    """Read a file after the safety checks."""
    fault = file_fault(path, root=Path(path.resolve().anchor), max_bytes=most)
    if fault is not None:
        message = f"{path.name}: {fault}"
        raise PlannerError(message)
    return whole(path, max_bytes=most)


def read_track(path: Path, notes: Sequence[Reading], *, air_k: float | None, ac: bool) -> Noted:
    """Read a GPX track with times, and convert it to a drive in the noted air."""
    problems = Problems()
    points = read_gpx(_bytes(path, limits.GPX_BYTES), path.name, problems)
    if points is None or len(problems):
        raise TripError(problems.found())
    time_s, lat, lon, height = _timed(points, path.name)
    begin_s = float(time_s[0])
    grid, speed, elevation = _motion(time_s, lat, lon, height, path.name)
    air = _air(notes, begin_s + grid, (float(lat[0]), float(lon[0])), air_k, path.name)
    try:
        drive = drive_from_log(
            grid,
            speed,
            air,
            elevation_m=elevation,
            engine_on=moving_lately(grid, speed),
            ac_on=float(ac and float(np.median(air)) > 293.15),
        )
    except ThermalError as exc:
        message = f"{path.name}: {exc}"
        raise PlannerError(message) from exc
    return Noted(drive, begin_s, float(lat[0]), float(lon[0]))


def _timed(points: Points, name: str) -> tuple[Floats, Floats, Floats, Floats]:
    """Points with increasing times."""
    columns = np.array([points.time_s, points.lat_deg, points.lon_deg, points.elevation_m])
    columns = columns[:, np.isfinite(columns[0])]
    if columns.shape[1]:
        columns = columns[:, np.concatenate(([True], columns[0, 1:] > np.maximum.accumulate(columns[0])[:-1]))]
    if columns.shape[1] < _FEWEST:
        message = (
            f"{name}: {counted(columns.shape[1], 'point')} with a time; at least {_FEWEST} are needed. Record the "
            "drive with times, and export it as GPX"
        )
        raise PlannerError(message)
    if not np.isfinite(columns[3]).mean() > 0.5:
        message = f"{name}: too few points have an elevation to compute the grade; record the track with elevations"
        raise PlannerError(message)
    known = np.isfinite(columns[3])
    columns[3] = np.interp(columns[0], columns[0, known], columns[3, known])
    return columns[0], columns[1], columns[2], columns[3]


def _motion(time_s: Floats, lat: Floats, lon: Floats, height: Floats, name: str) -> tuple[Floats, Floats, Floats]:
    """Speed and height every few seconds since the start."""
    since = time_s - time_s[0]
    if since[-1] > 86_400.0:
        message = f"{name}: lasts {since[-1] / 3600.0:.0f} h; give one drive of at most a day"
        raise PlannerError(message)
    grid = np.arange(0.0, float(since[-1]), _STEP_S)
    ends = [np.clip(grid + half, 0.0, since[-1]) for half in (-0.5 * _OVER_S, 0.5 * _OVER_S)]
    (lat1, lon1), (lat2, lon2) = ((np.interp(t, since, lat), np.interp(t, since, lon)) for t in ends)
    moved = np.array(
        [
            geo.distance_m(lat1_deg=float(a), lon1_deg=float(b), lat2_deg=float(c), lon2_deg=float(d))
            for a, b, c, d in zip(lat1, lon1, lat2, lon2, strict=True)
        ]
    )
    speed = moved / np.maximum(ends[1] - ends[0], 1.0)
    if float(speed.max(initial=0.0)) > 90.0:
        message = f"{name}: reaches {speed.max() * 3.6:.0f} km/h; check its points and times"
        raise PlannerError(message)
    speed = np.where(speed < _STANDS_M_PER_S, 0.0, speed)
    driven = np.concatenate(([0.0], np.cumsum(speed[1:] * _STEP_S)))
    if driven[-1] < 2000.0:
        message = f"{name}: moves {driven[-1]:.0f} m in total, too little for a fit; give a longer drive"
        raise PlannerError(message)
    return grid, speed, smoothed(np.interp(grid, since, height), driven + 1e-6 * grid)


def _air(notes: Sequence[Reading], at_s: Floats, start: tuple[float, float], air_k: float | None, name: str) -> Floats:
    """Air at given times, interpolated between the notes."""
    found = sorted((clock.epoch_s(n.when, *start), n.temps_k[AIR]) for n in notes if n.when and AIR in n.temps_k)
    if not found and air_k is None:
        message = f'{name}: no outside air temperature; add a column air to the notes, or give --ambient "25 degC"'
        raise PlannerError(message)
    if not found and air_k is not None:
        require_air(air_k)
        return np.full(len(at_s), air_k)
    return np.asarray(np.interp(at_s, *np.array(found).T))


class _Placed(NamedTuple):
    """Readings on the track, start temperatures, and unusable readings."""

    numbers: list[tuple[Reading, Observation]]
    first_k: Floats
    said: list[str]


def _placed(noted: Noted, rows: Sequence[Reading], car: VehicleFile, name: str) -> _Placed:
    """Locate every note on the track by its time."""
    edge_s = np.cumsum(noted.drive.duration_s)
    fitted = {fluid.key for fluid in fluids_in(car.vehicle) if fluid.gauge}
    out = _Placed([], np.full(N_BODY, np.nan), [])
    for one in rows:
        if one.when is None:
            continue
        since = clock.epoch_s(one.when, noted.lat_deg, noted.lon_deg) - noted.begin_s
        read = {what: value for what, value in one.temps_k.items() if what in fitted}
        if not -_FIRST_S <= since <= edge_s[-1]:
            out.said.append(f"{name} row {one.row}: {one.when:%Y-%m-%d %H:%M} is not on the track; not used.")
        elif since < _FIRST_S:
            for what, value in read.items():
                out.first_k[BODY_KEYS.index(what)] = value
        else:
            row = int(np.searchsorted(edge_s, since))
            found = (Observation(row=row, what=what, read_k=value) for what, value in read.items())
            out.numbers.extend((one, item) for item in found)
    if not out.numbers:
        message = f"{name}: no row is on the track after its first ten minutes; check the dates and the time zone"
        raise PlannerError(message)
    if not np.isfinite(out.first_k[BODY_KEYS.index("coolant")]):
        out.said.append("Assumed cold at the start; if the car is still warm, note the gauges before setting off.")
    return out


def learn_noted(route: Route, car: VehicleFile, track: Path, notes: Path, *, air_k: float | None, on: date) -> NotedFit:
    """Fit a car to a noted drive."""
    trip, rows = route.trip, read_notes(notes, route.trip)
    noted = read_track(track, rows, air_k=air_k, ac=trip.air_conditioning)
    numbers, first_k, said = _placed(noted, rows, car, notes.name)
    warm = np.isfinite(first_k[BODY_KEYS.index("coolant")])
    earlier = sorted({factor.source for factor in car.spread.factors.values()})
    try:
        taught = teach(
            noted.drive,
            car.vehicle,
            [item for _, item in numbers],
            air_sd_k=np.array([_AIR_SD_K]),
            known=car.spread,
            start_k=start_from_readings(first_k, float(noted.drive.air_k[0])) if warm else None,
            timing_s=_TIMING_S,
            source="; ".join([f"fitted to {track.name} and {notes.name}, {on.isoformat()}", *earlier]),
        )
    except ThermalError as exc:
        message = f"{track.name}: {exc}"
        raise PlannerError(message) from exc
    seen = seen_of(numbers, taught, noted.drive, lambda one: f"{one.when:%H:%M}")
    words = [fluid_words(trip, car, seen, what) for what in dict.fromkeys(one.what for one in seen)]
    doubts = [doubt_words(trip, one, notes.name) for one in seen if not one.believed]
    return NotedFit(
        trip=trip,
        names=(track.name, notes.name),
        seen=seen,
        sentences=(*doubts, *(text for text in words if text), *said),
        posterior=taught.posterior,
        before=trip_margins(route, car.vehicle, car.spread),
        after=trip_margins(route, car.vehicle, taught.posterior),
    )
