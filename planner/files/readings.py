"""readings.csv: gauge readings noted during the trip, one row per stop."""

import os
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from planner.files import limits
from planner.files.naming import Along, find_place, read_along, read_moment
from planner.files.reading import Problems, open_text
from planner.files.tables import Column, Row, read_table
from planner.model.errors import PlannerError, TripError
from planner.model.trip import Reading, Trip
from thermal.errors import shown

READINGS = "readings.csv"
AIR = "air"
# Headings and their fluids.
GAUGES = {
    "coolant": "coolant",
    "oil": "engine_oil",
    "transmission": "transmission",
    "differential": "differential",
    "power_steering": "power_steering",
    AIR: AIR,
}
_EXAMPLE = "2027-07-11 14:20"


def _temperature(name: str, example: str, low_k: float, high_k: float) -> Column:
    """Column of one gauge."""
    return Column(
        name=name,
        required=False,
        number=True,
        unit="K",
        usual=("degF", "degC"),
        example=example,
        low=low_k,
        high=high_k,
    )


READING_COLUMNS = (
    Column(name="when", required=False, example=_EXAMPLE),
    Column(name="place", required=False, example="raton-pass"),
    Column(name="along", required=False, example="trinidad>raton: 12.5 mi"),
    _temperature("coolant", "196", 243.15, 423.15),
    _temperature("oil", "228", 243.15, 453.15),
    _temperature("transmission", "190", 243.15, 453.15),
    _temperature("differential", "205", 243.15, 453.15),
    _temperature("power_steering", "180", 243.15, 453.15),
    _temperature(AIR, "91", 233.15, 328.15),
    Column(
        name="oil_pressure",
        required=False,
        number=True,
        unit="Pa",
        usual=("psi", "bar"),
        example="45",
        low=0.0,
        high=1.5e6,
    ),
    Column(name="rpm", required=False, number=True, example="2600", low=0.0, high=20_000.0),
    Column(name="note", required=False, example="top of the grade"),
)


def read_readings(folder: Path, trip: Trip) -> tuple[Reading, ...]:
    """Read readings.csv of a trip folder; empty if there is none."""
    if not os.path.lexists(folder / READINGS):
        return ()
    problems = Problems()
    missing = "is a broken link; restore the file, or delete the link"
    text = open_text(folder, READINGS, problems=problems, missing=missing)
    rows = () if text is None else parse_readings(text, trip=trip, problems=problems)
    if len(problems):
        raise TripError(problems.found())
    return rows


def parse_readings(text: str, *, trip: Trip, problems: Problems, file: str = READINGS) -> tuple[Reading, ...]:
    """Read the text of readings.csv; headings without rows are allowed."""
    if sum(bool(line.strip(" ,;\t\r")) and not line.startswith("#") for line in text.splitlines()) == 1:
        return ()
    table = read_table(text, file=file, columns=READING_COLUMNS, max_rows=limits.READINGS, problems=problems)
    return () if table is None else tuple(_readings(table.rows, trip))


def _readings(rows: list[Row], trip: Trip) -> Iterator[Reading]:
    """Check every row."""
    for row in rows:
        when, place, along = _when(row), _place(row, trip), _along(row, trip)
        temps = {fluid: value for name, fluid in GAUGES.items() if (value := row.value(name)) is not None}
        pressure, rpm = row.value("oil_pressure"), row.value("rpm")
        if not any(row.cell(name) for name in ("when", "place", "along")):
            row.fault(
                "when",
                f"has neither a time nor a place; write the local time, e.g. {_EXAMPLE}, or the place",
                code="missing-value",
            )
        elif row.cell("place") and row.cell("along"):
            row.fault("along", "both a place and a leg are given; keep one", code="conflict")
        elif not any(row.cell(name) for name in (*GAUGES, "oil_pressure", "note")):
            row.fault("when", "the row has no reading; enter a temperature, or delete the row", code="missing-value")
        if pressure is not None and rpm is None:
            row.fault(
                "oil_pressure", "is given without 'rpm'; enter the engine speed at that pressure", code="missing-value"
            )
        yield Reading(
            row=row.number,
            when=when,
            place=place,
            along=along,
            temps_k=temps,
            oil_pressure_pa=pressure,
            rpm=rpm,
            note=row.cell("note"),
        )


def _when(row: Row) -> datetime | None:
    """Local time of a row, if it has one."""
    text = row.cell("when")
    if not text:
        return None
    found = read_moment(text)
    if found is None:
        row.fault("when", f"read {shown(text)}; write the local time there as {_EXAMPLE}, years 1900 to 2100")
    return found


def _place(row: Row, trip: Trip) -> str:
    """Key of the place of a row, if it has one."""
    text = row.cell("place")
    if not text:
        return ""
    try:
        return find_place(trip, text).key
    except PlannerError as exc:
        row.fault("place", str(exc), code="unknown-place")
        return ""


def _along(row: Row, trip: Trip) -> Along | None:
    """Point along a road of a row, if it has one."""
    text = row.cell("along")
    if not text:
        return None
    try:
        start, finish, distance_m = read_along(text)
        return find_place(trip, start).key, find_place(trip, finish).key, distance_m
    except PlannerError as exc:
        row.fault("along", str(exc), code="unknown-place")
        return None
