"""Export of the plan: CSV table, plain data, and files for navigators, calendars and maps."""

import csv
import io
import re
from datetime import datetime
from typing import Any

from planner.analysis.fuel import FuelPlan
from planner.analysis.margins import Margin
from planner.analysis.other_roads import OtherRoad
from planner.analysis.remedies import DayRemedies
from planner.model.plaintext import printable
from planner.output.geojson import trip_geojson
from planner.output.gpx import trip_gpx
from planner.output.ics import trip_ics
from planner.output.icsbefore import NOTHING, Before
from planner.output.picked import picked
from planner.output.report import DayRow, LegRow, Report, day_rows, leg_rows, legs_cells

SCHEMA = "grademargin-plan/2"
_NUMBER = r"[\d.]++(?:e[+-]?\d++)?+\s*+(?![+\-*/^&<>=!|(\uff0b\uff0d])"  # with nothing to compute behind it
_BEHIND = re.compile(rf"([;|,\t\r\n]\s*)([=+@\uff1d\uff0b\uff20]|[-\uff0d](?!{_NUMBER}))")  # possible cell separators
_FORMULA = frozenset("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")  # the last four are full-width forms


def forecast_csv(report: Report) -> str:
    """Write the table of legs as CSV."""
    rows, text = legs_cells(report), io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(rows[0])
    table.writerows([as_text(cell) if isinstance(cell, str) else cell for cell in row.values()] for row in rows)
    return text.getvalue()


def as_text(cell: str) -> str:
    """Keep a spreadsheet from reading a text as a formula.

    >>> as_text("=1+1"), as_text("Raton"), as_text("Raton; =1+1")
    ("'=1+1", 'Raton', "Raton; '=1+1")
    """
    begins = cell[:1] in _FORMULA or cell.lstrip()[:1] in _FORMULA
    said = _BEHIND.sub(r"\1'\2", printable(cell))
    return f"'{said}" if cell and begins else said


def plan_dict(report: Report) -> dict[str, Any]:
    """The whole plan as plain data: SI, units as suffixes, times with their zone."""
    outlook = report.outlook
    return {
        "schema": SCHEMA,
        "trip": outlook.trip.name,
        "vehicle": outlook.car.vehicle.name,
        "confidence": outlook.trip.confidence,
        "thin_band_k": outlook.trip.thin_band_k,
        "draws": len(outlook.spread.margin_k),
        "margin_error_k": round(outlook.error_k, 3),
        "days": [_day_dict(row) for row in day_rows(report)],
        "legs": [_leg_dict(report, row) for row in leg_rows(report)],
        "clocks": [
            {"leg": change.leg + 1, "time": _iso(change.on), "shift_s": change.shift_s} for change in report.clocks
        ],
        "choices": [
            {"from": one.start, "to": one.finish, "chosen": _road_dict(one.chosen), "other": _road_dict(one.other)}
            for one in report.choices
        ],
        "fuel": _fuel_dict(report.fuel),
        "service": [
            {"item": job.item, "leg": job.leg + 1, "place": job.place, "distance_m": round(job.at_m, 1)}
            for job in report.service.due
        ],
        "remedies": [_remedies_dict(day) for day in report.remedies],
        "learnt": list(report.learnt),
        "doubts": [doubt.as_dict() for doubt in report.doubts],
        "assumed": {
            "trip": list(outlook.trip.assumptions),
            "vehicle": {e.key: {"value": e.text, "source": e.source} for e in outlook.car.entries if e.assumed},
        },
    }


def _fuel_dict(fuel: FuelPlan) -> dict[str, object]:
    """Fuel stops; a `gap` is a stretch beyond the tank's range."""
    return {
        "total_m3": _m3(fuel.total_l),
        "gaps": [
            {"from": g.start, "to": g.finish, "burnt_m3": _m3(g.burnt_l), "usable_m3": _m3(g.usable_l)}
            for g in fuel.gaps
        ],
        "stops": [
            {"leg": s.leg + 1, "place": s.place, "take_m3": _m3(s.litres), "left_m3": _m3(s.left_l), "tight": s.tight}
            for s in fuel.stops
        ],
    }


def _m3(litres: float) -> float:
    return round(litres / 1000.0, 5)


def _iso(when: datetime) -> str:
    return when.isoformat(timespec="seconds")


def _road_dict(road: OtherRoad) -> dict[str, object]:
    numbers = picked(road, "distance_m climb_m", 1) | picked(road, "margin_k", 3)
    return picked(road, "via fluid") | {"time_s": round(road.time_s)} | numbers


def _day_dict(row: DayRow) -> dict[str, object]:
    said = {"day": row.day + 1, "from": row.start.key, "to": row.finish.key, "driving_s": round(row.driving_s)}
    return (
        said
        | _row_dict(row)
        | picked(row, "distance_m", 1)
        | picked(row.worst, "fluid")
        | picked(row.worst, "margin_k", 3)
    )


def _row_dict(row: DayRow | LegRow) -> dict[str, object]:
    times = {"depart": _iso(row.depart), "arrive": _iso(row.arrive)}
    return times | picked(row, "climb_m", 1) | picked(row, "air_k", 2) | picked(row.worst, "level")


def exchange_files(report: Report, before: Before = NOTHING) -> dict[str, str]:
    """Make the files for a navigator, a calendar and a map."""
    return {"trip.gpx": trip_gpx(report), "trip.ics": trip_ics(report, before), "trip.geojson": trip_geojson(report)}


def _leg_dict(report: Report, row: LegRow) -> dict[str, object]:
    leg, gaps = report.outlook.legs[row.leg], report.unknowns.of_leg(row.leg)
    return {
        "leg": row.leg + 1,
        "day": row.day + 1,
        **picked(leg, "from=start to=finish road"),
        **_row_dict(row),
        **picked(row, "distance_m slowed"),
        "fuel_m3": _m3(row.fuel_l),
        "gaps": [picked(gap, "begin_m end_m", 1) | picked(gap.ground, "above_m below_m", 1) for gap in gaps],
        "fluids": [_margin_dict(margin) for margin in row.margins],
    }


def _margin_dict(margin: Margin) -> dict[str, object]:
    kelvins = "margin_k margin_error_k=error_k least_k margin_as_described_k=nominal_margin_k peak_k limit_k"
    return {
        "time": _iso(margin.when),
        **picked(margin, "fluid level near parked"),
        **picked(margin, kelvins, 3),
        **picked(margin, "probability_exceeded=probability probability_error", 4),
        **picked(margin, "distance_m above_limit_s=above_s", 1),
    }


def _remedies_dict(day: DayRemedies) -> dict[str, object]:
    chance = "probability_exceeded=probability"
    return {
        "day": day.day + 1,
        "leg": day.leg + 1,
        "fluid": day.fluid,
        **picked(day, "margin_k margin_error_k=error_k", 3),
        **picked(day, chance, 4),
        "choices": [
            {
                "lost_s": round(60.0 * remedy.minutes),
                **picked(remedy, "what=words kind suffices=works undecided note"),
                **picked(remedy, "margin_gained_k=gain_k margin_k margin_error_k=error_k", 3),
                **picked(remedy, f"{chance} probability_error", 4),
            }
            for remedy in day.choices
        ],
    }
