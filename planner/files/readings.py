"""readings.csv: gauge readings noted during the trip, one row per stop."""

from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from planner.files import limits
from planner.files.dates import local_moment
from planner.files.names import Along, find_place, read_along
from planner.files.reading import Problems, optional_rows
from planner.files.tables import Column, Row, number_column, read_table, temperature_column
from planner.model.errors import PlannerError
from planner.model.trip import Reading, Trip
from thermal.errors import shown
from thermal.unit_names import spelled

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
_Where = TypeVar("_Where")

READING_COLUMNS = (
    Column(name="when", required=False, example=_EXAMPLE),
    Column(name="place", required=False, example="raton-pass"),
    Column(name="along", required=False, example="trinidad>raton: 12.5 mi"),
    temperature_column("coolant", example="196", low_k=243.15, high_k=423.15),
    temperature_column("oil", example="228", low_k=243.15, high_k=453.15),
    temperature_column("transmission", example="190", low_k=243.15, high_k=453.15),
    temperature_column("differential", example="205", low_k=243.15, high_k=453.15),
    temperature_column("power_steering", example="180", low_k=243.15, high_k=453.15),
    temperature_column(AIR, example="91", low_k=233.15, high_k=328.15),
    number_column("oil_pressure", "Pa", ("psi", "bar"), example="45", low=0.0, high=1.5e6),
    number_column("rpm", "", (), example="2600", low=0.0, high=20_000.0),
    Column(name="note", required=False, example="top of the grade"),
)


def read_readings(folder: Path, trip: Trip) -> tuple[Reading, ...]:
    """Read readings.csv of a trip folder; empty if there is none."""
    return optional_rows(folder, READINGS, lambda text, found: parse_readings(text, trip=trip, problems=found))


def parse_readings(text: str, *, trip: Trip, problems: Problems, file: str = READINGS) -> tuple[Reading, ...]:
    """Read the text of readings.csv; headings without rows are allowed."""
    if sum(bool(line.strip(" ,;\t\r")) and not line.startswith("#") for line in text.splitlines()) == 1:
        return ()
    table = read_table(text, file=file, columns=READING_COLUMNS, max_rows=limits.READINGS, problems=problems)
    return () if table is None else tuple(_readings(table.rows, trip))


def _readings(rows: list[Row], trip: Trip) -> Iterator[Reading]:
    headings = rows[0].table.headings if rows else {}
    in_degf = {name for name, heading in headings.items() if spelled(heading.unit) == "degF"}
    for row in rows:
        when = _when(row)
        place = _found(row, "place", lambda text: find_place(trip, text).key) or ""
        along = _found(row, "along", lambda text: _along(text, trip))
        temps = {fluid: value for name, fluid in GAUGES.items() if (value := row.value(name)) is not None}
        pressure, rpm = row.value("oil_pressure"), row.value("rpm")
        if not any(row.cell(name) for name in ("when", "place", "along")):
            text = f"has neither a time nor a place; write the local time, e.g. {_EXAMPLE}, or the place"
            row.fault("when", text, code="missing-value")
        elif row.cell("place") and row.cell("along"):
            row.fault("along", "both a place and a leg are given; keep one", code="conflict")
        elif not any(row.cell(name) for name in (*GAUGES, "oil_pressure", "note")):
            row.fault("when", "the row has no reading; enter a temperature, or delete the row", code="missing-value")
        if pressure is not None and rpm is None:
            text = "is given without 'rpm'; enter the engine speed at that pressure"
            row.fault("oil_pressure", text, code="missing-value")
        yield Reading(
            row=row.number,
            when=when,
            place=place,
            along=along,
            temps_k=temps,
            in_degf=frozenset(fluid for name, fluid in GAUGES.items() if fluid in temps and name in in_degf),
            oil_pressure_pa=pressure,
            rpm=rpm,
            note=row.cell("note"),
        )


def _when(row: Row) -> datetime | None:
    text = row.cell("when")
    if not text:
        return None
    found = local_moment(text)
    if found is None:
        row.fault("when", f"read {shown(text)}; write the local time there as {_EXAMPLE}, years 1900 to 2100")
    return found


def _found(row: Row, name: str, read: Callable[[str], _Where]) -> _Where | None:
    """Read a cell that names places; report those the trip does not have."""
    text = row.cell(name)
    try:
        return read(text) if text else None
    except PlannerError as exc:
        row.fault(name, str(exc), code="unknown-place")
        return None


def _along(text: str, trip: Trip) -> Along:
    start, finish, distance_m = read_along(text)
    return find_place(trip, start).key, find_place(trip, finish).key, distance_m
