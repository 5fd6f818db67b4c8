"""The model's own error drawn along a whole drive, and the smallest margins that it leaves.

A temperature takes on the error of its moment, which comes and goes (`thermal.discrepancy`). A margin takes on one
error for its whole leg, of the same size: on cars of another structure the model is off by about as much at the hottest
moment of a leg as at any other. Following the quick error to where it does most harm left margins of 90 % that all of
those cars kept, and called a quarter of the legs worse than they were (docs/readings.md).
"""

import functools
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from thermal.discrepancy import (
    CAR_SHARE,
    DAY_SHARE,
    QUICK,
    QUICK_SHARE,
    ROAD_SHARE,
    Conditions,
    Discrepancy,
    conditions_of,
)
from thermal.drive import Drive
from thermal.error_kernel import Along, follow
from thermal.errors import ThermalError
from thermal.fluids import FLUID_KEYS, FLUID_NODES, N_FLUID, fluids_in
from thermal.ranges import FloatArray
from thermal.simulate import Result
from thermal.sobol import normal
from thermal.vehicle import Vehicle

Rows = npt.NDArray[np.int64]
_ALONG_S = 60.0  # temperatures are nearly linear between rows this far apart
NODES = np.array([-3.0, -2.0, -1.0, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0])
"""Errors, in standard deviations, for which margins are kept beside those with the error drawn."""
_COOLS_S = 7200.0  # two hours after its last move a car is nearly cold, and its error small and still


def rows_along(drive: Drive) -> Rows:
    """Choose the segments to record, so that margins can be looked for along the whole drive.

    About a minute apart where segments are shorter, else every one; the last of every day and group, and each after
    which the car stops or pulls away, or the engine is switched.

    >>> from thermal.drive import steady_drive
    >>> drive = steady_drive(minutes=10.0, speed_m_per_s=20.0, grade=0.0, air_k=290.0)
    >>> len(drive.duration_s), len(rows_along(drive))
    (60, 12)
    """
    end_s = np.cumsum(drive.duration_s)
    states = (drive.day, drive.group, drive.engine_on, drive.speed_m_per_s > 0.0)
    turns = np.append(np.any([np.diff(np.asarray(x, np.float64)) != 0.0 for x in states], axis=0), True)
    last_of_minute = np.diff(np.floor(end_s / _ALONG_S), append=np.inf) > 0.0
    return np.union1d([0], np.flatnonzero(turns | last_of_minute)).astype(np.int64)


def with_error(
    result: Result,
    drive: Drive,
    vehicle: Vehicle,
    known: Discrepancy,
    *,
    seed: int,
    plain: int = 0,
    first_day: int = 0,
    steady: bool = False,
    begin: int = 0,
    first_draw: int = 0,
    moments: bool = True,
    sizes: bool = True,
    around: Conditions | None = None,
    spent: bool = False,
) -> Result:
    """Add the model's own error to every draw: temperatures recorded, and smallest margins.

    Metal and rotors stay as they were, and without `moments` every temperature does. Without `sizes` there are no
    `were_k`. A margin is the smallest of its group with the error of that group on its path, or of the whole drive
    where it is `steady`, as for laps of one road in one hour; `where` stays that of the path without. The temperatures
    of `result` are overwritten where they are `spent`. An error of
    timing moves when a temperature is reached, not how far a peak goes: it is in the temperatures and not in the
    margins.

    Raises `ThermalError` if too few segments were recorded to follow the error. Used by `planner.forecast.run`.

    Parameters
    ----------
    result : Result
        Draws of a simulation of `drive` that recorded at least its `rows_along`.
    known : Discrepancy
        What logs have shown of the model's error; `UNFITTED` without any.
    seed : int
        Of the errors drawn: the same seed gives the same errors on the same day, however the day is driven. [-]
    plain : int
        How many of the first draws stay as they are: the car as best known. [-]
    first_day : int
        Number of the drive's first day, where the drive is a later part of a trip. [-]
    begin : int
        Segment of that day from which on it was simulated. [-]
    first_draw : int
        Number of the first draw, where the draws are simulated some at a time. [-]
    around : Conditions, optional
        What `conditions_of` has for `known` and the drive; worked out when not given.
    """
    wanted = rows_along(drive)
    missing = np.setdiff1d(wanted[wanted >= begin], result.recorded)
    if len(missing):
        message = (
            f"with_error: {len(missing)} segments along which the error must be followed were not recorded, the first "
            f"{missing[0]}; simulate with record=rows_along(drive), or more"
        )
        raise ThermalError(message)
    temps, margin, were = _followed(
        result,
        drive,
        vehicle,
        known,
        seed=seed,
        plain=plain,
        first_day=first_day,
        begin=begin,
        steady=steady,
        first_draw=first_draw,
        moments=moments,
        sizes=sizes,
        around=around,
        spent=spent,
    )
    return replace(result, temps_k=temps, margin_k=margin, were_k=were)


def margins_with_error(
    result: Result,
    drive: Drive,
    vehicle: Vehicle,
    known: Discrepancy,
    *,
    plain: int = 0,
    begin: int = 0,
    around: Conditions | None = None,
) -> FloatArray:
    """The smallest margins of every draw if the model's own error had each size of `NODES` for the whole group.

    Shape (n_draw - plain, n_group, n_fluid, n_node); infinite for fluids that the car lacks. [K]

    `result` has the draws of a simulation of `drive` from segment `begin` on that recorded at least its `rows_along`;
    the first `plain` draws are left out; `around` is as in `with_error`. Used by `planner.analysis.rerun`.
    """
    along = np.isin(result.recorded, rows_along(drive))
    if not along.all():  # temperatures are nearly straight between them, and peaks are looked at where they are
        result = replace(result, recorded=result.recorded[along], temps_k=result.temps_k.compress(along, axis=1))
    return _followed(
        result, drive, vehicle, known, plain=plain, begin=begin, moments=False, drawn=False, around=around
    )[2]


def temps_with_error_k(result: Result, drive: Drive, vehicle: Vehicle, known: Discrepancy, *, seed: int) -> FloatArray:
    """Add the model's own error, drawn with `seed`, to recorded temperatures alone, of any segments of `drive`.

    Shape (n_draw, n_recorded, n_body); metal and rotors stay as they were. Used by `thermal.expected`.
    """
    return _followed(result, drive, vehicle, known, seed=seed)[0]


def _followed(
    result: Result,
    drive: Drive,
    vehicle: Vehicle,
    known: Discrepancy,
    *,
    seed: int = 0,
    plain: int = 0,
    first_day: int = 0,
    begin: int = 0,
    steady: bool = False,
    first_draw: int = 0,
    moments: bool = True,
    drawn: bool = True,
    sizes: bool = True,
    around: Conditions | None = None,
    spent: bool = False,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Temperatures recorded and margins with the error on them, and margins at each of `NODES`. [K]."""
    temps, margin = result.temps_k.copy() if moments and not spent else result.temps_k, result.margin_k.copy()
    nodes = NODES if sizes else NODES[:0]
    were = np.full((len(temps) - plain, *margin.shape[1:], len(nodes)), np.inf)
    if len(temps) <= plain:
        return temps, margin, were
    day = drive.day.astype(np.int64)
    first = np.flatnonzero(np.diff(day, prepend=day[0] - 1))
    around, each = around or conditions_of(known, drive, vehicle), [known.of(key) for key in FLUID_KEYS]
    lasting = np.array([one.lasting_s for one in each])
    along = Along(
        number=day[first] - day[0] + first_day,
        first=np.append(np.maximum(first, begin), len(day)),
        since_s=_since_s(drive, first),
        end_s=np.cumsum(drive.duration_s),
        group=drive.group.astype(np.int64),
        piece=np.zeros(len(day), np.int64) if steady else _piece(drive, first),
        air_k=around.air_k,
        outside_k=around.outside_k,
        limit_k=result.limit_k,
        rows=result.recorded,
        temps_k=result.temps_k[plain:],
        margin_k=result.margin_k[plain:],
        where=result.where[plain:],
        car=np.sqrt(CAR_SHARE)
        * (_cars(first_draw, len(temps) - plain, seed) if drawn else np.zeros((len(temps) - plain, N_FLUID))),
        nodes=nodes,
        node=np.array(FLUID_NODES),
        sd_k=np.array([one.sd_k for one in each]),
        low_k=np.array([one.low_k for one in each]),
        high_k=np.array([one.high_k for one in each]),
        road_s=lasting,
        quick_s=QUICK * lasting,
        timing_s=np.array([one.timing_s for one in each]),
        stays=np.sqrt([DAY_SHARE, ROAD_SHARE, QUICK_SHARE]),
        seed=seed,
        number_from=first_draw,
        moments=int(moments),
    )
    follow(along, np.array([fluid.index for fluid in fluids_in(vehicle)]), temps[plain:], margin[plain:], were)
    return temps, margin, were


def _piece(drive: Drive, first: Rows) -> Rows:
    """Number of each segment's group within its day: the same whether the day is driven alone or with others."""
    group = drive.group.astype(np.int64)
    return np.asarray(group - np.repeat(group[first], np.diff(np.append(first, len(group)))))


def _since_s(drive: Drive, first: Rows) -> FloatArray:
    """Time since the first move of each day; constant once the car has cooled. [s]."""
    end_s, out = np.cumsum(drive.duration_s), np.zeros(len(drive.duration_s))
    for start, stop in zip(first, [*first[1:], len(out)], strict=True):
        moving = start + np.flatnonzero(drive.speed_m_per_s[start:stop] > 0.0)
        if len(moving):
            begun_s = end_s[moving[0]] - drive.duration_s[moving[0]]
            last_s = end_s[moving[-1]] - begun_s + _COOLS_S
            out[start:stop] = np.clip(end_s[start:stop] - begun_s, 0.0, last_s)
    return out


def _cars(first: int, n_draw: int, seed: int) -> FloatArray:
    """The part of the error that stays with the car, as quasi-random normals: shape (n_draw, n_fluid)."""
    return _normals(1 << (first + n_draw - 1).bit_length(), seed)[first : first + n_draw]


@functools.lru_cache(maxsize=4)
def _normals(n_point: int, seed: int) -> FloatArray:
    found = normal(n_point, N_FLUID, (seed, 4))
    found.setflags(write=False)
    return found
