"""The plan as GPX 1.1: one track per day, a route of the places, a waypoint per mark."""

from datetime import UTC

import gpxpy.gpx
import numpy as np
import numpy.typing as npt

from maps.thinning import curve_indices, line_indices
from planner.forecast.run import day_ends, span_of
from planner.model.plaintext import printable
from planner.output.marks import Mark, marks
from planner.output.report import Report
from planner.route.graph import stops_of
from planner.route.oneday import DayLegs

_LINE_DEG, _HEIGHT_M = 0.0002, 4.0  # tolerances of the simplification
_NOTE = (
    "Lines follow the leg's track where it has one, else a straight line between its places. They show position and "
    "elevation; do not use them for navigation."
)


def trip_gpx(report: Report) -> str:
    """Write the plan as GPX."""
    outlook = report.outlook
    found = marks(report)
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "grademargin"
    gpx.name = printable(outlook.trip.name)
    gpx.description = printable(f"{outlook.car.vehicle.name}. {_NOTE}")
    gpx.time = found[0].begin.astimezone(UTC).replace(microsecond=0)
    gpx.waypoints = [_waypoint(mark) for mark in found]
    gpx.routes = [_route(report)]
    lines = leg_lines(report)
    gpx.tracks = [_track(report, number, day_line(lines, day)) for number, day in enumerate(outlook.timeline.days)]
    text: str = gpx.to_xml(version="1.1")
    return text + "\n"


def _waypoint(mark: Mark) -> gpxpy.gpx.GPXWaypoint:
    return gpxpy.gpx.GPXWaypoint(
        latitude=round(mark.lat_deg, 6),
        longitude=round(mark.lon_deg, 6),
        elevation=round(mark.elevation_m, 1),
        time=mark.begin.astimezone(UTC).replace(microsecond=0),
        name=printable(mark.title),
        description=printable(mark.text) or None,
        type=mark.kind,
    )


def _route(report: Report) -> gpxpy.gpx.GPXRoute:
    outlook = report.outlook
    route = gpxpy.gpx.GPXRoute(name=printable(outlook.trip.name))
    for key in stops_of(outlook.legs):
        place = outlook.trip.places[key]
        point = gpxpy.gpx.GPXRoutePoint(
            latitude=round(place.lat_deg, 6),
            longitude=round(place.lon_deg, 6),
            elevation=round(place.elevation_m, 1),
            name=printable(place.name),
        )
        route.points.append(point)
    return route


def _track(report: Report, number: int, line: npt.NDArray[np.float64]) -> gpxpy.gpx.GPXTrack:
    start, finish = day_ends(report.outlook, number)
    track = gpxpy.gpx.GPXTrack(name=printable(f"Day {number + 1}: {start.name} to {finish.name}"))
    segment = gpxpy.gpx.GPXTrackSegment()
    for lon, lat, height in line.tolist():
        segment.points.append(gpxpy.gpx.GPXTrackPoint(latitude=lat, longitude=lon, elevation=height))
    track.segments.append(segment)
    return track


def leg_lines(report: Report) -> list[npt.NDArray[np.float64]]:
    """Line of every leg with elevations, simplified."""
    outlook, line = report.outlook, report.outlook.timeline
    whole: list[npt.NDArray[np.float64]] = []
    sizes: list[int] = []
    fixed: list[int] = []
    for leg, road in enumerate(outlook.legs):
        part, place = span_of(outlook, leg).rows, outlook.trip.places[road.start]
        begin_m = line.end_m[part.start - 1] if part.start else 0.0
        rows = np.column_stack([line.lon_deg[part], line.lat_deg[part], line.end_elevation_m[part], line.end_m[part]])
        points = np.vstack([[place.lon_deg, place.lat_deg, place.elevation_m, begin_m], rows])
        fixed += [sum(sizes) + int(at) for at in (np.argmax(points[:, 2]), np.argmin(points[:, 2]))]
        whole.append(points)
        sizes.append(len(points))
    points, ends = np.vstack(whole), np.cumsum(sizes)
    joints = [*(ends - 1).tolist(), *ends[:-1].tolist()]
    bends = line_indices(points[:, :2], _LINE_DEG, joints)
    kept = np.union1d(bends, curve_indices(points[:, 3], points[:, 2], _HEIGHT_M, joints + fixed))
    simple = np.column_stack([np.round(points[kept, :2], 6), np.round(points[kept, 2], 1)])
    return np.split(simple, np.searchsorted(kept, ends[:-1]))


def day_line(lines: list[npt.NDArray[np.float64]], day: DayLegs) -> npt.NDArray[np.float64]:
    """Line of one day, its legs joined."""
    parts = lines[day.first : day.last + 1]
    return np.vstack([parts[0], *(part[1:] for part in parts[1:])])
