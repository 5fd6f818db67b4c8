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
    gpx.tracks = [_track(report, number) for number in range(len(outlook.timeline.days))]
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


def _track(report: Report, number: int) -> gpxpy.gpx.GPXTrack:
    start, finish = day_ends(report.outlook, number)
    track = gpxpy.gpx.GPXTrack(name=printable(f"Day {number + 1}: {start.name} to {finish.name}"))
    segment = gpxpy.gpx.GPXTrackSegment()
    for lon, lat, height in day_line(report, number).tolist():
        segment.points.append(gpxpy.gpx.GPXTrackPoint(latitude=lat, longitude=lon, elevation=height))
    track.segments.append(segment)
    return track


def leg_line(report: Report, leg: int) -> npt.NDArray[np.float64]:
    """Line of one leg with elevations, simplified."""
    outlook, line = report.outlook, report.outlook.timeline
    span, place = span_of(outlook, leg), outlook.trip.places[outlook.legs[leg].start]
    part = span.rows
    points = np.column_stack([line.lon_deg[part], line.lat_deg[part], line.end_elevation_m[part]])
    points = np.vstack([[place.lon_deg, place.lat_deg, place.elevation_m], points])
    along = np.concatenate([[line.end_m[part.start - 1] if part.start else 0.0], line.end_m[part]])
    kept = np.union1d(line_indices(points[:, :2], _LINE_DEG), curve_indices(along, points[:, 2], _HEIGHT_M))
    return np.column_stack([np.round(points[kept, :2], 6), np.round(points[kept, 2], 1)])


def day_line(report: Report, number: int) -> npt.NDArray[np.float64]:
    """Line of one day, its legs joined."""
    day = report.outlook.timeline.days[number]
    parts = [leg_line(report, leg) for leg in range(day.first, day.last + 1)]
    return np.vstack([parts[0], *(part[1:] for part in parts[1:])])
