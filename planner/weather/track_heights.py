"""Filling in missing elevations of a track from a public service, into a new file.

The service has a 90 m surface model: bridges, tunnels and cuttings are not in it; its noise is smoothed
when the track is read.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import gpxpy.gpx
import numpy as np
from numpy.typing import NDArray

from planner.files.drawn import read_drawn
from planner.files.gpx import Points
from planner.files.reading import Problems
from planner.files.wholefile import write_new
from planner.model import geo
from planner.model.errors import OutputError, TripError
from planner.weather.elevations import OpenMeteoElevations
from planner.weather.openmeteo import MAX_POINTS
from planner.weather.records import Point
from planner.weather.transport import Client

MOST_POINTS = 10_000  # requested for one track: a hundred requests
_APART_M = 120.0  # nearer points are in one cell of the service's model


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightsFilled:
    """Result: the new file, and the counts of points without elevation, requested and found."""

    path: Path
    missing: int
    asked: int
    found: int


def fill_track(
    path: Path,
    *,
    offline: bool,
    now: datetime,
    progress: Callable[[str], None] = lambda _: None,
    service: OpenMeteoElevations | None = None,
) -> HeightsFilled:
    """Request the missing elevations of a track and write a new file; the old one is not changed."""
    problems = Problems()
    points = read_drawn(path, problems)
    if points is None:
        raise TripError(problems.found())
    target = path.with_name(f"{path.stem}-heights.gpx")
    if target.exists():
        message = f"{target}: already exists and was not overwritten; delete or rename it first"
        raise OutputError(message)
    missing = np.flatnonzero(~np.isfinite(np.array(points.elevation_m)))
    asked = _worth_asking(points, missing)
    with Client(offline=offline, now=now, progress=progress) as client:
        found = _ask(points, asked, service or OpenMeteoElevations(), client, progress)
    if found:
        try:
            write_new(target, _gpx(points, found, path.stem))
        except OSError as exc:
            message = f"{target}: cannot be written ({exc.strerror or exc})"
            raise OutputError(message) from exc
    return HeightsFilled(path=target, missing=len(missing), asked=len(asked), found=len(found))


def _worth_asking(points: Points, missing: NDArray[np.intp]) -> list[int]:
    """Points without elevation, no closer than the service's resolution."""
    lat, lon = np.array(points.lat_deg), np.array(points.lon_deg)
    if missing.size < 2 or len(lat) < 2:
        return [int(n) for n in missing]
    step = geo.distances_m(lat1_deg=lat[:-1], lon1_deg=lon[:-1], lat2_deg=lat[1:], lon2_deg=lon[1:])
    along = np.concatenate([[0.0], np.cumsum(step)])
    lacking_m = float(step[np.isin(np.arange(len(step)), missing)].sum())
    apart_m = max(_APART_M, lacking_m / MOST_POINTS * 1.1)
    chosen: list[int] = []
    for number in missing.tolist():
        gap = not chosen or along[number] - along[chosen[-1]] >= apart_m
        last = number == len(lat) - 1 or np.isfinite(points.elevation_m[number + 1])
        if gap or last:
            chosen.append(number)
    return chosen[:MOST_POINTS]


def _ask(
    points: Points, asked: Sequence[int], service: OpenMeteoElevations, client: Client, progress: Callable[[str], None]
) -> dict[int, float]:
    """Elevations by point number; stops after a request without any result."""
    found: dict[int, float] = {}
    for first in range(0, len(asked), MAX_POINTS):
        lot = asked[first : first + MAX_POINTS]
        where = [Point(place="", lat_deg=points.lat_deg[n], lon_deg=points.lon_deg[n], elevation_m=0.0) for n in lot]
        answers = service.elevations_m(where, client=client)
        got = {n: height for n, height in zip(lot, answers, strict=True) if height is not None}
        if not got:
            break
        found |= got
        progress(f"heights of {len(found):,} of {len(asked):,} points")
    return found


def _gpx(points: Points, found: dict[int, float], name: str) -> str:
    """The points with their own and the found elevations."""
    made = gpxpy.gpx.GPX()
    made.creator = "grademargin, heights filled in"
    made.waypoints = [gpxpy.gpx.GPXWaypoint(p.lat_deg, p.lon_deg, name=p.name) for p in points.named]
    made.tracks = [gpxpy.gpx.GPXTrack(name=name, description=OpenMeteoElevations().attribution)]
    for number, (lat, lon, height) in enumerate(zip(points.lat_deg, points.lon_deg, points.elevation_m, strict=True)):
        if number == 0 or number in points.breaks:
            made.tracks[0].segments.append(gpxpy.gpx.GPXTrackSegment())
        known = found.get(number, height)
        elevation = round(known, 1) if np.isfinite(known) else None
        made.tracks[0].segments[-1].points.append(gpxpy.gpx.GPXTrackPoint(round(lat, 6), round(lon, 6), elevation))
    return str(made.to_xml(version="1.1")) + "\n"
