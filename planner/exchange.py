"""The plan for other programs: every file that leaves for a navigator, a calendar or a map."""

from planner.geojsonout import trip_geojson
from planner.gpxout import trip_gpx
from planner.icsout import trip_ics
from planner.report import Report

PLAN_FILES = ("trip.html", "forecast.csv", "plan.json", "trip.gpx", "trip.ics", "trip.geojson")
"""What `plan` writes, in the order in which the files get their names."""


def exchange_files(report: Report) -> dict[str, str]:
    """Make the files.

    Parameters
    ----------
    report : Report
        The report. [-]

    Returns
    -------
    dict
        Name to text, to be written as it is: the calendar's lines end in CRLF.
    """
    return {
        "trip.gpx": trip_gpx(report),
        "trip.ics": trip_ics(report),
        "trip.geojson": trip_geojson(report),
    }
