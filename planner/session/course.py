"""A closed course or hill: its site and hour, its lap, and the drives made of them, every draw through the model."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time

import numpy as np
import numpy.typing as npt

from planner import clock, geo
from planner.files.sessionfile import LapNumbers, Setup
from planner.model import Place, Trip
from planner.session.laps import Trace, trace_of_numbers, trace_of_table
from planner.weather.diurnal import haurwitz_w_per_m2
from planner.weather.expected import Anchor, dew_point_k, expected_air_k, grille_rise_k, highs_lows_along
from thermal.drive import Drive
from thermal.kernel import ROTORS, Factors
from thermal.learnt import NOTHING, Learnt
from thermal.simulate import Result, simulate
from thermal.spread import draw, medians
from thermal.vehicle import FLUIDS, Vehicle

Floats = npt.NDArray[np.float64]
DRAWS = 128
ROTOR = "rotors"
# ASSUMED: rotor temperature from which pads fade. Street 350 to 450 degC, fast-road 450 to 550, track 550 and more;
# common practice, no source. The model's rotor is one body: its face is hotter during a stop.
PAD_LIMIT_K = {"street": 623.15, "fast-road": 723.15, "track": 823.15}
ROTOR_BAND_K = 50.0
# ASSUMED: standard deviation of the day's air, entered for the session and from usual highs and lows.
ENTERED_SD_K, USUAL_SD_K = 2.0, 4.0
_WARM_UP_S, _WARM_UP_M_PER_S = 1200.0, 50.0 / 3.6  # ASSUMED: the car is driven gently for 20 min before
_PIT_STEP_S, _FULL_SUN_W_PER_M2 = 60.0, 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """Where and when: height, air by the hour of the session's day, sun."""

    elevation_m: float
    low_k: float
    air_k: Callable[[time], float]
    sun_w_per_m2: Callable[[time], float]
    sd_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Everything the runs share; row 0 of `factors` and `shift_k` is the car as described."""

    setup: Setup
    site: Site
    vehicle: Vehicle
    lap: Trace
    factors: Factors
    shift_k: Floats
    confidence: float
    band_k: float

    @property
    def parts(self) -> tuple[str, ...]:
        """What is watched: the fluids this car has, and the front rotors."""
        shared = self.vehicle.axle.kind == "transaxle"
        return (*(fluid for fluid in FLUIDS if not (shared and fluid == "differential")), ROTOR)

    @property
    def bands_k(self) -> Floats:
        """Width of the thin band of every part. [K]."""
        return np.array([ROTOR_BAND_K if part == ROTOR else self.band_k for part in self.parts])


# --- the case ---


def make_case(setup: Setup, trip: Trip, vehicle: Vehicle, *, draws: int = DRAWS, learnt: Learnt = NOTHING) -> Case:
    """Put together what the runs share.

    Parameters
    ----------
    setup : Setup
        The session. [-]
    trip : Trip
        Places, confidence, thin band. [-]
    vehicle : Vehicle
        The car; its trailer is left behind. [-]
    draws : int
        Number of draws, a power of two. [-]
    learnt : Learnt
        What logs have taught of the car. [-]

    Returns
    -------
    Case
        Site, lap, and draws that are the same at every hour.
    """
    trailer, cooling = vehicle.trailer, vehicle.cooling
    share = max(cooling.airflow_share * setup.airflow, 0.2)
    alone = replace(
        vehicle,
        trailer=replace(trailer, mass_kg=0.0, drag_area_m2=0.0),
        cooling=replace(cooling, airflow_share=min(share, 1.2)),
    )
    site = make_site(setup, trip)
    air_k = site.air_k(setup.first)
    if isinstance(setup.lap, LapNumbers):
        lap = trace_of_numbers(setup.lap, alone, elevation_m=site.elevation_m, air_k=air_k)
    else:
        lap = trace_of_table(setup.lap)
    factors, shift = draw(draws, ambient_sd_k=np.array([site.sd_k]), learnt=learnt)
    return Case(
        setup=setup,
        site=site,
        vehicle=alone,
        lap=lap,
        factors=Factors(*(np.concatenate(pair) for pair in zip(medians(learnt), factors, strict=True))),
        shift_k=np.vstack((np.zeros((1, 1)), shift)),
        confidence=trip.confidence,
        band_k=trip.thin_band_k,
    )


def make_site(setup: Setup, trip: Trip) -> Site:
    """Find height, air and sun of a session.

    Parameters
    ----------
    setup : Setup
        Its place, or its height and air. [-]
    trip : Trip
        Places; one without a usual high and low takes those of the nearest that has both. [-]

    Returns
    -------
    Site
        Air entered by the hour is interpolated, and level before the first and after the last hour entered. Without a
        place the sun is taken as full: the safe side.
    """
    place = trip.places.get(setup.place)
    elevation_m = setup.elevation_m if setup.elevation_m is not None else place.elevation_m if place else 0.0
    sun = (lambda _: _FULL_SUN_W_PER_M2) if place is None else (lambda at: _sun_w_per_m2(place, setup, at))
    if setup.air or place is None:
        hours, temps = [_hour(at) for at, _ in setup.air], [k for _, k in setup.air]
        return Site(
            elevation_m=elevation_m,
            low_k=min(temps),
            air_k=lambda at: float(np.interp(_hour(at), hours, temps)),
            sun_w_per_m2=sun,
            sd_k=ENTERED_SD_K,
        )
    anchors = _anchors(trip, place)
    _, low = highs_lows_along([0.0], [elevation_m], anchors)

    def air_k(at: time) -> float:
        found = expected_air_k(
            distance_m=[0.0, 1.0],
            elevation_m=[elevation_m] * 2,
            lat_deg=place.lat_deg,
            lon_deg=place.lon_deg,
            epoch_s=_epoch_s(place, setup, at),
            anchors=anchors,
        )
        return float(found[0])

    return Site(elevation_m=elevation_m, low_k=float(low[0]), air_k=air_k, sun_w_per_m2=sun, sd_k=USUAL_SD_K)


def _hour(at: time) -> float:
    """Hours since midnight. [h]."""
    return at.hour + at.minute / 60.0 + at.second / 3600.0


def _epoch_s(place: Place, setup: Setup, at: time) -> float:
    """Seconds since 1970 UTC of an hour of the session's day. [s]."""
    zone = clock.zone_of(place.lat_deg, place.lon_deg)
    return clock.local_to_utc(datetime.combine(setup.on, at), zone).timestamp()


def _sun_w_per_m2(place: Place, setup: Setup, at: time) -> float:
    """Clear-sky sunshine on level ground. [W/m2]."""
    height = clock.solar_elevation_deg(lat_deg=place.lat_deg, lon_deg=place.lon_deg, epoch_s=_epoch_s(place, setup, at))
    return float(haurwitz_w_per_m2(height))


def _anchors(trip: Trip, place: Place) -> list[Anchor]:
    """Usual high and low of a place, or of the nearest that has both."""
    known = [p for p in trip.places.values() if p.high_k is not None and p.low_k is not None]
    if not known:
        return []

    def away_m(other: Place) -> float:
        here = {"lat1_deg": place.lat_deg, "lon1_deg": place.lon_deg}
        return geo.distance_m(**here, lat2_deg=other.lat_deg, lon2_deg=other.lon_deg)

    near = min(known, key=lambda other: (away_m(other), other.key))
    return [Anchor(distance_m=0.0, elevation_m=near.elevation_m, high_k=near.high_k, low_k=near.low_k)]


# --- drives ---

Piece = dict[str, Floats]


def _piece(
    case: Case,
    at: time,
    group: int,
    *,
    trace: Trace | None = None,
    parked: Sequence[float] = (),
    engine_on: bool = True,
) -> Piece:
    """Rows of a trace, or of time parked, at one hour's air."""
    if trace is None:
        count, rises = len(parked), np.zeros(len(parked))
        rows = {"duration_s": np.asarray(parked, dtype=np.float64)}
        rows |= {name: np.zeros(count) for name in ("speed_m_per_s", "end_speed_m_per_s", "grade")}
    else:
        count, rises = len(trace.duration_s), trace.rises_m
        rows = {"duration_s": trace.duration_s, "speed_m_per_s": trace.speed_m_per_s}
        rows |= {"end_speed_m_per_s": trace.end_m_per_s, "grade": trace.grade}
    air = case.site.air_k(at)
    flat = np.ones(count)
    return rows | {
        "rises_m": rises,
        "air_k": air * flat,
        "dew_k": min(float(dew_point_k(case.site.low_k)), air) * flat,
        "road_rise_k": grille_rise_k(np.full(count, case.site.sun_w_per_m2(at)), rows["speed_m_per_s"]),
        "engine_on": float(engine_on) * flat,
        "group": group * flat,
    }


def _drive(case: Case, pieces: Sequence[Piece]) -> Drive:
    """Join pieces into a drive, heights following the grades."""
    c = {name: np.concatenate([piece[name] for piece in pieces]) for name in pieces[0]}
    rises = c.pop("rises_m")
    flat = np.zeros(len(rises))
    return Drive(
        **c,
        elevation_m=case.site.elevation_m + np.cumsum(rises) - 0.5 * rises,
        headwind_m_per_s=flat,
        idle_share=flat,
        ac_on=flat,
        day=flat,
        low_gear=np.where(c["speed_m_per_s"] > 0.0, 1.0, 0.0),
    )


def warm_up(case: Case, at: time) -> list[Piece]:
    """Lay out the gentle drive to the course, and a minute idling at its gate.

    Parameters
    ----------
    case : Case
        The case. [-]
    at : time
        Hour of the day. [-]

    Returns
    -------
    list of Piece
        Group 0.
    """
    n = round(_WARM_UP_S / 10.0)
    flat = np.full(n, _WARM_UP_M_PER_S)
    end = np.append(flat[1:], 0.0)
    trace = Trace(
        duration_s=np.full(n, 10.0),
        speed_m_per_s=flat,
        end_m_per_s=end,
        grade=np.zeros(n),
        begin_m_per_s=_WARM_UP_M_PER_S,
    )
    return [_piece(case, at, 0, trace=trace), _piece(case, at, 0, parked=(60.0,))]


def out_lap(case: Case, at: time, group: int) -> list[Piece]:
    """Lay out the lap that leads onto the course; a road that is no loop has none.

    Parameters
    ----------
    case : Case
        The case. [-]
    at : time
        Hour of the day. [-]
    group : int
        Group of its rows. [-]

    Returns
    -------
    list of Piece
        One lap at the share of speed the session says.
    """
    if case.setup.back_m_per_s is not None:
        return []
    return [_piece(case, at, group, trace=case.lap.at_share(case.setup.out_lap))]


def laps(case: Case, at: time, groups: Sequence[int]) -> list[Piece]:
    """Lay out laps, or runs with the way back and the wait at the start.

    Parameters
    ----------
    case : Case
        The case. [-]
    at : time
        Hour of the day. [-]
    groups : sequence of int
        One group a lap. [-]

    Returns
    -------
    list of Piece
        In driving order.
    """
    setup, pieces = case.setup, []
    for group in groups:
        pieces.append(_piece(case, at, group, trace=case.lap))
        if setup.back_m_per_s is not None:
            pieces.append(_piece(case, at, group, trace=case.lap.back(setup.back_m_per_s)))
        if setup.wait_s > 0.0:
            pieces.append(_piece(case, at, group, parked=pit_steps(setup.wait_s)))
    return pieces


def in_lap(case: Case, at: time, group: int) -> list[Piece]:
    """Lay out the slow lap that ends in the pit; a road that is no loop has none.

    Parameters
    ----------
    case : Case
        The case. [-]
    at : time
        Hour of the day. [-]
    group : int
        Group of its rows. [-]

    Returns
    -------
    list of Piece
        One lap at the share of speed the session says, brought to a stop.
    """
    if case.setup.back_m_per_s is not None:
        return []
    slow = case.lap.at_share(case.setup.in_lap)
    end = slow.end_m_per_s.copy()
    end[-1] = 0.0
    return [_piece(case, at, group, trace=replace(slow, end_m_per_s=end))]


def pit_steps(total_s: float) -> list[float]:
    """Cut time parked into minutes, and what is left.

    Parameters
    ----------
    total_s : float
        How long. [s]

    Returns
    -------
    list of float
        Lengths of the steps. [s]
    """
    whole = int(total_s // _PIT_STEP_S)
    rest = total_s - whole * _PIT_STEP_S
    return [_PIT_STEP_S] * whole + ([rest] if rest > 1e-6 else [])


def run(case: Case, pieces: Sequence[Piece], start_k: Floats | None = None) -> tuple[Drive, Result]:
    """Drive pieces with every draw.

    Parameters
    ----------
    case : Case
        The case. [-]
    pieces : sequence of Piece
        In driving order. [-]
    start_k : ndarray, shape (1 + n_draw, 6), optional
        Temperatures at the start; the air's when not given. [K]

    Returns
    -------
    tuple of Drive and Result
        Every segment's temperatures; row 0 is the car as described.
    """
    drive = _drive(case, pieces)
    return drive, simulate(drive, case.vehicle, start_k=start_k, factors=case.factors, ambient_k=case.shift_k)


def margins_k(case: Case, drive: Drive, result: Result) -> Floats:
    """Smallest margin of every draw, by group and part.

    Parameters
    ----------
    case : Case
        The case. [-]
    drive : Drive
        What was driven; its groups follow each other from 0. [-]
    result : Result
        How it went. [-]

    Returns
    -------
    ndarray, shape (1 + n_draw, n_group, n_part)
        Limit less temperature; for the rotors, where their pads fade. [K]
    """
    starts = np.flatnonzero(np.diff(drive.group, prepend=-1.0))
    hot = np.maximum.reduceat(result.temps_k[:, :, ROTORS], starts, axis=1)
    rotors = PAD_LIMIT_K[case.setup.pads] - hot
    return np.concatenate((result.margin_k[:, :, : len(case.parts) - 1], rotors[:, :, None]), axis=2)


def kept_k(case: Case, margins: Floats) -> Floats:
    """Margin kept at the confidence.

    Parameters
    ----------
    case : Case
        The case. [-]
    margins : ndarray, shape (1 + n_draw, ..., n_part)
        Of every draw, row 0 the car as described. [K]

    Returns
    -------
    ndarray, shape (..., n_part)
        Not above that of the car as described. [K]
    """
    return np.asarray(np.minimum(np.quantile(margins[1:], 1.0 - case.confidence, axis=0), margins[0]))


def pit(case: Case, at: time, group: int, *, duration_s: float, engine_on: bool) -> list[Piece]:
    """Lay out time in the pit.

    Parameters
    ----------
    case : Case
        The case. [-]
    at : time
        Hour of the day. [-]
    group : int
        Group of its rows. [-]
    duration_s : float
        How long. [s]
    engine_on : bool
        Idling, its fan at work, instead of shut off. [-]

    Returns
    -------
    list of Piece
        Minute by minute.
    """
    return [_piece(case, at, group, parked=pit_steps(duration_s), engine_on=engine_on)]
