"""The plan for other programs: a table as CSV, everything as plain data, and what navigators, calendars, maps take."""

import json

from planner.analysis.margins import FLUID_NAMES, Margin
from planner.analysis.remedies import DayRemedies
from planner.model.plaintext import printable
from planner.output.geojson import trip_geojson
from planner.output.gpx import trip_gpx
from planner.output.ics import trip_ics
from planner.output.icsbefore import NOTHING, Before
from planner.output.report import Report, days_table, legs_table, reason, whole_sentence

SCHEMA = "grademargin-plan/1"
_FORMULA = frozenset("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")  # the last four are the wide forms


def forecast_csv(report: Report) -> str:
    """Write the table of legs as CSV."""
    table = legs_table(report)
    for name in table.select_dtypes(exclude="number"):
        table[name] = [as_text(value) if isinstance(value, str) else value for value in table[name]]
    return str(table.to_csv(index=False, lineterminator="\n"))


def as_text(cell: str) -> str:
    """Keep a spreadsheet from reading a text as a formula.

    Examples
    --------
    >>> as_text("=1+1"), as_text("Raton")
    ("'=1+1", 'Raton')
    """
    begins = cell[:1] in _FORMULA or cell.lstrip()[:1] in _FORMULA
    return f"'{printable(cell)}" if cell and begins else printable(cell)


def plan_dict(report: Report) -> dict[str, object]:
    """Everything in the plan as plain data, SI units in the names."""
    outlook = report.outlook
    return {
        "schema": SCHEMA,
        "trip": outlook.trip.name,
        "vehicle": outlook.car.vehicle.name,
        "confidence": outlook.trip.confidence,
        "thin_band_k": outlook.trip.thin_band_k,
        "draws": len(outlook.spread.margin_k),
        "margin_error_k": round(outlook.error_k, 3),
        "days": json.loads(days_table(report).to_json(orient="records")),
        "legs": [_leg_dict(report, leg) for leg in range(len(outlook.legs))],
        "clocks": list(report.clocks),
        "choices": list(report.choices),
        "fuel": {
            "total_l": round(report.fuel.total_l, 2),
            "gaps": list(report.fuel.gaps),
            "stops": [
                {"place": s.place, "litres": round(s.litres, 2), "left_l": round(s.left_l, 2), "tight": s.tight}
                for s in report.fuel.stops
            ],
        },
        "remedies": [_remedies_dict(day) for day in report.remedies],
        "notable": [whole_sentence(report, m) for m in report.notable()],
        "assumed": {
            "trip": list(outlook.trip.assumptions),
            "vehicle": {e.key: f"{e.text}; {e.source}" for e in outlook.car.entries if e.assumed},
        },
    }


PLAN_FILES = ("trip.html", "forecast.csv", "plan.json", "trip.gpx", "trip.ics", "trip.geojson")
"""What `plan` writes, in the order in which the files get their names."""


def exchange_files(report: Report, before: Before = NOTHING) -> dict[str, str]:
    """Make the files for a navigator, a calendar and a map."""
    return {"trip.gpx": trip_gpx(report), "trip.ics": trip_ics(report, before), "trip.geojson": trip_geojson(report)}


def _leg_dict(report: Report, leg: int) -> dict[str, object]:
    """One leg of the plan."""
    outlook, worst = report.outlook, report.worst(leg)
    this = outlook.legs[leg]
    return {
        "from": this.start,
        "to": this.finish,
        "road": this.road,
        "distance_m": this.distance_m,
        "day": next(n for n, d in enumerate(outlook.timeline.days) if d.first <= leg <= d.last) + 1,
        "level": worst.level,
        "why": reason(report, worst) if worst.level != "ample" else None,
        "fluids": [_margin_dict(m) for m in report.margins if m.leg == leg],
    }


def _margin_dict(margin: Margin) -> dict[str, object]:
    """One fluid's margin on a leg."""
    return {
        "fluid": FLUID_NAMES[margin.fluid],
        "margin_k": round(margin.margin_k, 3),
        "margin_as_described_k": round(margin.nominal_margin_k, 3),
        "probability_exceeded": round(margin.probability, 4),
        "level": margin.level,
        "peak_k": round(margin.peak_k, 3),
        "limit_k": round(margin.limit_k, 3),
        "distance_m": round(margin.distance_m, 1),
        "near": margin.near,
        "when": margin.when.isoformat(timespec="seconds"),
        "parked": margin.parked,
    }


def _remedies_dict(day: DayRemedies) -> dict[str, object]:
    """Choices of one day."""
    return {
        "day": day.day + 1,
        "leg": day.leg + 1,
        "fluid": FLUID_NAMES[day.fluid],
        "margin_k": round(day.margin_k, 3),
        "probability_exceeded": round(day.probability, 4),
        "choices": [
            {
                "what": r.words,
                "kind": r.kind,
                "suffices": r.works,
                "minutes_lost": round(r.minutes, 1),
                "margin_gained_k": round(r.gain_k, 3),
                "margin_k": round(r.margin_k, 3),
                "probability_exceeded": round(r.probability, 4),
                "note": r.note,
            }
            for r in day.choices
        ],
    }
