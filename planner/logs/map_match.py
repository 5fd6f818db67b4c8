"""Matching a log to legs of the plan, by its mapping, positions, or distance.

The log's own distance is stretched to the road's between the two ends, so that a tyre's or sensor's error of a few per
cent does not shift the grades.
"""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

import numpy as np

from planner.files.logs import Log
from planner.files.reading import nearest
from planner.model import clock, geo
from planner.model.errors import PlannerError
from planner.model.trip import Leg, Trip
from planner.route.graph import stops_of
from thermal.errors import shown

_STRETCH = 0.06  # ASSUMED: tyre wear, other tyres and a sensor's own error, 2 to 6 %
_NEAR_M = 5000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """Legs a log was driven on, and the basis of the match."""

    first: int  # leg by position in the route
    last: int  # inclusive
    stretch: float  # road distance over the log's
    words: str  # sentence on how it was matched


class PlannedDay(NamedTuple):
    """First and last leg of a day of the plan, and its date."""

    first: int
    last: int
    on: date


def match_log(trip: Trip, legs: Sequence[Leg], log: Log, *, days: Sequence[PlannedDay] = ()) -> Match:
    """Find the legs a log was driven on."""
    if not np.isfinite(log.distance_m) or log.distance_m < 1000.0:
        message = f"{log.name}: needs speed, and at least a kilometre driven, to be matched to the road"
        raise PlannerError(message)
    if log.mapping.start or log.mapping.finish:
        return _as_told(trip, legs, log)
    by_place = _by_position(trip, legs, log)
    if by_place is not None:
        return by_place
    dated = [day for day in days if day.on == log_date(trip, legs, log) and _fits(legs, (day.first, day.last), log)]
    if len(dated) == 1:
        return _match(legs, (dated[0].first, dated[0].last), log, "by its date and length")
    runs = [(day.first, day.last) for day in days if _fits(legs, (day.first, day.last), log)]
    if not runs:
        runs = [run for run in _runs(legs) if _fits(legs, run, log)]
    if len(runs) == 1:
        return _match(
            legs, runs[0], log, f"the only part of the plan with its length, {log.distance_m / 1000.0:.0f} km"
        )
    some = "; ".join(f"{legs[a].start} to {legs[b].finish}" for a, b in runs[:5])
    none = f"no part of the plan has its length of {log.distance_m / 1000.0:.0f} km"
    found = f"{len(runs)} parts of the plan have its length ({some}{', ...' if len(runs) > 5 else ''})"
    message = (
        f"{log.name}: {found if runs else none}; "
        'write start and finish under [trip] in its mapping, or elevation = "115 m" for a level road'
    )
    raise PlannerError(message)


def log_date(trip: Trip, legs: Sequence[Leg], log: Log) -> date | None:
    """Local date at the start of a log, if known."""
    if log.day is not None or log.epoch_s is None:
        return log.day
    place = trip.places[legs[0].start]
    return clock.local(log.epoch_s, place.lat_deg, place.lon_deg).date()


def _runs(legs: Sequence[Leg]) -> Iterator[tuple[int, int]]:
    """First and last leg of every run of legs."""
    return itertools.combinations_with_replacement(range(len(legs)), 2)


def _ends(legs: Sequence[Leg], run: tuple[int, int]) -> tuple[str, str]:
    """Places where a run of legs begins and ends."""
    return legs[run[0]].start, legs[run[1]].finish


def _length_m(legs: Sequence[Leg], run: tuple[int, int]) -> float:
    """Planned distance of a run of legs. [m]."""
    return sum(leg.distance_m for leg in legs[run[0] : run[1] + 1])


def _fits(legs: Sequence[Leg], run: tuple[int, int], log: Log) -> bool:
    """Whether a run of legs is as long as the log."""
    return abs(_length_m(legs, run) / log.distance_m - 1.0) <= _STRETCH


def _match(legs: Sequence[Leg], run: tuple[int, int], log: Log, how: str) -> Match:
    """Make a match and its sentence."""
    stretch = _length_m(legs, run) / log.distance_m
    ends = f"{legs[run[0]].start} to {legs[run[1]].finish}"
    words = f"{log.name}: {ends} ({how}); its distance is stretched by {stretch - 1.0:+.1%}"
    return Match(first=run[0], last=run[1], stretch=stretch, words=words)


def _as_told(trip: Trip, legs: Sequence[Leg], log: Log) -> Match:
    """Match by the ends named in the mapping."""
    start, finish = log.mapping.start, log.mapping.finish
    for key, text in (("start", start), ("finish", finish)):
        if text not in trip.places:
            message = f"mapping of {log.name}, key 'trip.{key}': read {shown(text)}; {nearest(text, trip.places)}"
            raise PlannerError(message)
    runs = [run for run in _runs(legs) if _ends(legs, run) == (start, finish)]
    if not runs:
        message = (
            f"mapping of {log.name}: the planned route does not go from {start} to {finish}; see `grademargin plan`"
        )
        raise PlannerError(message)
    best = min(runs, key=lambda run: (abs(_length_m(legs, run) - log.distance_m), run))
    found = _match(legs, best, log, "as its mapping says")
    if not 1.0 - 2.5 * _STRETCH <= found.stretch <= 1.0 + 2.5 * _STRETCH:
        planned = found.stretch * log.distance_m
        message = (
            f"{log.name}: {log.distance_m / 1000.0:.0f} km in the log, but the road from {start} to {finish} is "
            f"{planned / 1000.0:.0f} km; name the ends that were driven, or check the unit of speed"
        )
        raise PlannerError(message)
    return found


def _by_position(trip: Trip, legs: Sequence[Leg], log: Log) -> Match | None:
    """Match by the first and last position, if both are near places of the route."""
    lat, lon = log.channels.get("latitude"), log.channels.get("longitude")
    if lat is None or lon is None or not len(lat.value) or not len(lon.value):
        return None
    ends = ((float(lat.value[i]), float(lon.value[i])) for i in (0, -1))
    near = [_nearest(trip, legs, *end) for end in ends]
    if None in near:
        return None
    runs = [run for run in _runs(legs) if _ends(legs, run) == tuple(near) and _fits(legs, run, log)]
    return _match(legs, runs[0], log, "by its positions") if len(runs) == 1 else None


def _nearest(trip: Trip, legs: Sequence[Leg], lat_deg: float, lon_deg: float) -> str | None:
    """Place of the route within a few kilometres of a position."""
    keys = dict.fromkeys(stops_of(legs))
    away = {
        key: geo.distance_m(
            lat1_deg=lat_deg, lon1_deg=lon_deg, lat2_deg=trip.places[key].lat_deg, lon2_deg=trip.places[key].lon_deg
        )
        for key in keys
    }
    best = min(away, key=lambda key: (away[key], key))
    return best if away[best] <= _NEAR_M else None
