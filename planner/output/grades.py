"""Climbs of the route, and the part of a leg with a small margin."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.analysis.margins import Margin
from planner.forecast.run import span_of
from planner.output.report import Report
from thermal.fluids import fluid_of

Floats = npt.NDArray[np.float64]
_STEEP = 0.02  # a climb is where the road gains more than this on its length; common practice calls 3 % a grade
_LEAST_RISE_M, _DIP_M = 120.0, 25.0
_NEAR_M = 3000.0  # a climb is named after a place this close to its top
_ALONG_K = 1.0  # if no part is thin: the part this close to the smallest margin


@dataclass(frozen=True, slots=True, kw_only=True)
class Climb:
    """A climb between two points of the track, named after a place at its top if there is one."""

    start: int
    end: int
    rise_m: float
    length_m: float
    place: str


def climbs(report: Report) -> tuple[Climb, ...]:
    """Find the climbs of the route.

    A climb is a run of the road on which the elevation gain, less 2 % of the distance, keeps growing except for dips of
    25 m: the largest sums of a sequence (Kadane's method, Bentley 1984; from memory).
    """
    outlook = report.outlook
    line, first = outlook.timeline, outlook.trip.places[outlook.legs[0].start]
    height = np.concatenate(([first.elevation_m], line.end_elevation_m))
    along = np.concatenate(([0.0], line.end_m))
    found = []
    for start, end in _runs(np.diff(height) - _STEEP * np.diff(along)):
        rise = float(height[end] - height[start])
        if rise >= _LEAST_RISE_M:
            length = float(along[end] - along[start])
            found.append(Climb(start=start, end=end, rise_m=rise, length_m=length, place=_place(report, along, end)))
    return tuple(found)


def _runs(gains: Floats) -> list[tuple[int, int]]:
    """Runs with a growing sum: index of the point before each and of its highest point."""
    runs: list[tuple[int, int]] = []
    start, top, total, best = 0, 0, 0.0, 0.0
    for i, gain in enumerate(gains.tolist()):
        total += gain
        if total > best:
            best, top = total, i + 1
        if total <= 0.0 or total < best - _DIP_M:
            if best > 0.0:
                runs.append((start, top))
            start, top, total, best = i + 1, i + 1, 0.0, 0.0
    return [*runs, (start, top)] if best > 0.0 else runs


def _place(report: Report, along: Floats, point: int) -> str:
    outlook = report.outlook
    ends = [0, *(span_of(outlook, leg).last + 1 for leg in range(len(outlook.legs)))]
    keys = [outlook.legs[0].start, *(leg.finish for leg in outlook.legs)]
    nearest = int(np.argmin(np.abs(along[ends] - along[point])))
    near = abs(along[ends[nearest]] - along[point]) <= _NEAR_M
    return outlook.trip.places[keys[nearest]].name if near else ""


def small_part(report: Report, margin: Margin, within_k: float) -> tuple[int, int]:
    """Find the part of a leg with a small margin of a fluid."""
    outlook, span = report.outlook, span_of(report.outlook, margin.leg)
    fluid = fluid_of(margin.fluid)
    last = max(s.last for s in outlook.timeline.spans if s.leg == margin.leg and (s.on_road or margin.parked))
    rows = slice(span.first, max(last, span.last) + 1)
    left = outlook.nominal.limit_k[rows, fluid.index] - outlook.band_k[rows, fluid.node]
    small = np.flatnonzero(left <= max(within_k, float(left.min()) + _ALONG_K))
    return span.first + int(small[0]), span.first + int(small[-1]) + 1
