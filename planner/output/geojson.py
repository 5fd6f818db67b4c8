"""The plan as GeoJSON (RFC 7946): one line per leg with level and margins, one point per mark."""

import json

from planner.forecast.run import leg_name, local_time, span_of
from planner.model.levels import UNKNOWN
from planner.output.gpx import leg_lines
from planner.output.marks import Mark, marks
from planner.output.outcome import unknown_sentence
from planner.output.picked import picked
from planner.output.report import Report
from thermal.fluids import fluid_of


def trip_geojson(report: Report) -> str:
    """Write the plan as GeoJSON."""
    outlook = report.outlook
    collection = {
        "type": "FeatureCollection",
        "name": outlook.trip.name,
        "features": [
            *(_leg(report, i, line.tolist()) for i, line in enumerate(leg_lines(report))),
            *(_point(mark) for mark in marks(report)),
        ],
    }
    return json.dumps(collection, ensure_ascii=True, allow_nan=False, separators=(",", ":")) + "\n"


def _leg(report: Report, i: int, line: list[list[float]]) -> dict[str, object]:
    outlook = report.outlook
    leg, span, worst = outlook.legs[i], span_of(outlook, i), report.worst(i)
    fluids = {
        fluid_of(m.fluid).label: picked(m, "margin_k least_k peak_k limit_k", 2)
        | picked(m, "probability_exceeded=probability", 4)
        | {"level": m.level}
        for m in report.margins
        if m.leg == i
    }
    properties = {
        "kind": "leg",
        "leg": i + 1,
        "day": span.day + 1,
        "name": leg_name(outlook, i),
        "road": leg.road,
        "distance_m": round(leg.distance_m, 1),
        "depart": local_time(outlook, span.first, begin=True).isoformat(timespec="seconds"),
        "arrive": local_time(outlook, span.last).isoformat(timespec="seconds"),
        "level": worst.level,
        "margin_k": round(worst.margin_k, 2),
        "fluid": fluid_of(worst.fluid).label,
        "text": unknown_sentence(report, worst) if worst.level == UNKNOWN.word else "",
        "fluids": fluids,
    }
    geometry = {"type": "LineString", "coordinates": line}
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def _point(mark: Mark) -> dict[str, object]:
    properties = {
        "kind": mark.kind,
        "name": mark.title,
        "place": mark.name,
        "text": mark.text,
        "day": mark.day + 1,
        "leg": mark.leg + 1,
        "begin": mark.begin.isoformat(timespec="seconds"),
        "end": mark.end.isoformat(timespec="seconds"),
        "level": mark.level,
    }
    position = [round(mark.lon_deg, 6), round(mark.lat_deg, 6), round(mark.elevation_m, 1)]
    return {"type": "Feature", "geometry": {"type": "Point", "coordinates": position}, "properties": properties}
