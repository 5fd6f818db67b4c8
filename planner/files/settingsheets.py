"""trip.toml and vehicle.toml as sheets of trip.xlsx: one key and value per row.

A list is one cell, separated by semicolons. Of several tables of one kind, such as halts, the first is
`halt[1].place`. Keys, values and units are those of the TOML files; an empty value leaves its key out.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

from planner.files import limits
from planner.files.reading import Problems
from planner.files.settings import PREFERENCES
from planner.files.tables import number_of
from planner.files.template import KEY_HEADINGS, Line
from planner.files.tomlfile import YES_NO, read_toml
from planner.files.workbook import FILE, Records, cell_text, read_sheets, sheet_file
from thermal.errors import shown
from thermal.vehicle_file import key_of, sections

SETTINGS, CAR = "settings", "car"
ROWS = {"places": limits.PLACES, "legs": limits.LEGS, SETTINGS: 2000, CAR: 2000}
_STEP = re.compile(r"([a-z0-9_]+)(?:\[([1-9]\d?)\])?")
_SENTENCES = "assumed"  # a line each, since a sentence may hold a semicolon
_LISTS = frozenset({"via", "route", "nights", "rest", "assumed"})
_NUMBERS = frozenset({"confidence", "risk", "speeds", "months", "since_months", "time", "distance", "cool", "days"})
_FLAGS = frozenset({"air_conditioning", "daylight", "avoid_heat", "lodging_only"})

SETTINGS_HELP: Mapping[str, str] = {
    "name": "Title of the trip.",
    "units": "us or metric: display units of the results.",
    "start": "Name or key of the first place.",
    "finish": "Name or key of the last place.",
    "via": "Places to visit between, in order, separated by ;",
    "departure": "Local date and time at the start, e.g. 2027-07-06 07:00.",
    "nights": "Places to sleep at, in order, separated by ;",
    "rest": "Places for a day without driving, separated by ;",
    "days": "Number of days including the first and the last. Empty: as few as possible.",
    "arrive": "Local date of arrival, e.g. 2027-07-15; instead of days.",
    "finish_by": "Latest local date and time at the finish.",
    "air_conditioning": "yes or no, all day.",
    "fuel_use": "Fuel use on long drives with this trip's load, e.g. 18 mpg or 12 L/100 km.",
    "speeds": "A factor on the speed of every leg, e.g. 0.95.",
    "prefer": "time, distance or cool: what the road is chosen for.",
    "confidence": "Confidence level of the margins, 0.5 to 0.995. Empty: 0.9.",
    "thin": "A margin below this is called thin, e.g. 8 K or 15 degF.",
    "risk": "A remedy must bring the chance of passing a limit below this. Empty: 0.05.",
    "day.driving": "Most driving in one day, e.g. 7 h.",
    "day.start": "When later days start, e.g. 08:00.",
    "day.least_rest": "Minimum time between an arrival and the next start, e.g. 8 h.",
    "day.earliest": "How early a day may start, e.g. 06:00.",
    "day.break_every": "Driving time between breaks, e.g. 2 h.",
    "day.break": "Length of a break, e.g. 15 min.",
    "day.before_sunset": "Minimum time from arrival to sunset, e.g. 30 min.",
    "day.daylight": "no: driving after sunset is allowed.",
    "day.lodging_only": "yes: nights only where a place has lodging.",
}
CAR_FIRST = (
    *("body.mass", "body.roof", "trailer.kind", "trailer.mass", "cooling.condition", "cooling.cap_pressure"),
    *("cooling.glycol_share", "cooling.fan", "engine_oil.sort", "transmission_oil.sort", "differential_oil.sort"),
    *("oil_cooler.kind", "transmission_cooler.kind", "differential_cooler.kind", "gearbox.ratios", "axle.ratio"),
    *("body.tyre_radius", "tank.capacity"),
)
"""Values of the car that owners know and that weigh most; any other key of vehicle.toml may be added in a row."""


# --- reading ---


def sheet_of(folder: Path, name: str, problems: Problems) -> dict[str, Any] | None:
    """Data of one of the two sheets, as from its TOML file; None if trip.xlsx has no such sheet."""
    if not (folder / FILE).exists():
        return None
    sheets = read_sheets(folder, max_rows=ROWS, problems=Problems(), optional=(*ROWS,))
    return data_of(sheets[name], name, problems) if name in sheets else None


def data_of(records: Records, name: str, problems: Problems) -> dict[str, Any]:
    """Convert the rows of a sheet to tables; rows without a value are ignored."""
    found: dict[str, Any] = {}
    for number, cells in records:
        key, value, source = (cells[i].strip() if i < len(cells) else "" for i in (0, 1, 3))
        if not value or key == KEY_HEADINGS[0]:
            continue
        steps = [_STEP.fullmatch(step) for step in key.split(".")]
        if not all(steps):
            text = f"read {shown(key)}; write a key, such as 'departure', 'day.driving' or 'halt[1].place'"
            problems.add(sheet_file(name), text, row=number, code="unknown-key")
            continue
        at = _put(found, [(step[1], int(step[2] or 0)) for step in steps if step])
        if at is None:
            text = f"the key {shown(key)} is also in another row; keep one"
            problems.add(sheet_file(name), text, row=number, code="duplicate")
            continue
        table, last = at
        table[last] = read_car_value(key, value, source) if name == CAR else read_setting(last, value)
    return found


def _put(found: dict[str, Any], steps: Sequence[tuple[str, int]]) -> tuple[dict[str, Any], str] | None:
    """Return the table of a dotted key and its last part; None if the path is not a table."""
    table = found
    for name, number in steps[:-1]:
        held = table.setdefault(name, [] if number else {})
        if isinstance(held, list) and number:
            held += [{} for _ in range(number - len(held))]
            held = held[number - 1]
        if not isinstance(held, dict):
            return None
        table = held
    name, number = steps[-1]
    return None if number or isinstance(table.get(name), (dict, list)) else (table, name)


def read_setting(name: str, text: str) -> object:
    """A value of trip.toml."""
    if name in _LISTS:
        return [one.strip() for one in text.split("\n" if name == _SENTENCES else ";") if one.strip()]
    if name in _FLAGS:
        return YES_NO.get(text.casefold(), text)
    return number_of(text) if name in _NUMBERS else text


def read_car_value(key: str, text: str, source: str) -> object:
    """A value of vehicle.toml with its source."""
    if key in ("base", "name"):
        return text
    section, _, name = key.partition(".")
    several = _about(section, name).get("several")
    value = [number_of(one.strip()) for one in text.split(";")] if several else number_of(text)
    return {"value": value, "source": source or "entered in trip.xlsx"}


def _about(section: str, name: str) -> Mapping[str, Any]:
    """What is known of a value of vehicle.toml: description, allowed words, whether it is a list."""
    known = fields(sections()[section]) if section in sections() else ()
    return next((item.metadata for item in known if key_of(item) == name), {})


# --- writing ---


def setting_lines(text: str) -> list[Line]:
    """Lay out trip.toml in rows; missing keys get an empty value."""
    given = dict(_flat(read_toml(text)))
    choices = {"units": ("us", "metric"), "prefer": PREFERENCES, **dict.fromkeys(_FLAGS, ("yes", "no"))}
    keys = [*SETTINGS_HELP, *(key for key in given if key not in SETTINGS_HELP)]
    return [
        Line(
            key=key,
            value=_cell(given.get(key, ""), "\n" if key == _SENTENCES else "; "),
            what=SETTINGS_HELP.get(key, ""),
            words=choices.get(key.rpartition(".")[2], ()),
        )
        for key in keys
    ]


def car_lines(text: str, classes: Sequence[str], usual: Mapping[str, str]) -> list[Line]:
    """Lay out vehicle.toml in rows: class, given values, and other common keys with an empty value."""
    held = read_toml(text)
    tables = {section: table for section, table in held.items() if isinstance(table, dict) and section != "fit"}
    given = {f"{section}.{key}": value for section, table in tables.items() for key, value in table.items()}
    lines = [
        Line(key="base", value=str(held.get("base", "")), what="The class nearest your car.", words=classes),
        Line(key="name", value=str(held.get("name", "")), what="Name of the car."),
    ]
    for key in dict.fromkeys((*CAR_FIRST, *given)):
        section, _, name = key.partition(".")
        meta = _about(section, name)
        said = given.get(key, "")
        value, source = (said["value"], said.get("source", "")) if isinstance(said, dict) else (said, "")
        what = f"{meta.get('doc', '')}. Class: {usual.get(key, '')}" if usual.get(key) else str(meta.get("doc", ""))
        words = tuple(meta.get("options", ()))
        lines.append(Line(key=key, value=_cell(value), what=what, source=source, words=words))
    return lines


def _flat(data: Mapping[str, Any], before: str = "") -> Iterator[tuple[str, object]]:
    for key, value in data.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{before}{key}.")
        elif isinstance(value, list) and value and all(isinstance(one, dict) for one in value):
            for number, one in enumerate(value, start=1):
                yield from _flat(one, f"{before}{key}[{number}].")
        else:
            yield f"{before}{key}", value


def _cell(value: object, between: str = "; ") -> str | int | float:
    if isinstance(value, list):
        return between.join(map(cell_text, value))
    return value if isinstance(value, int | float) and not isinstance(value, bool) else cell_text(value)
