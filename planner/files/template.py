"""Making trip.xlsx: tables, settings and car as sheets, with drop-down lists, units and what each cell holds."""

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from planner.files import limits
from planner.files.profiles import HEIGHTS
from planner.files.reading import Problems, open_text
from planner.files.rows import (
    CARRIED,
    HIGHEST_GEAR,
    IDLE_SHARE,
    KINDS,
    LEG_COLUMNS,
    LEGS,
    PLACE_COLUMNS,
    PLACES,
    SERVICES,
)
from planner.files.tables import Column, InputTable, read_table
from planner.files.wholefile import write_new
from planner.model.errors import OutputError, TripError

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

Cell = str | int | float

_YES_NO = ("yes", "no")
_LONGEST_LIST = 250  # characters that spreadsheet programs take in the rule of a drop-down list
_HIDDEN, _HIDDEN_LETTER = 26, "Z"
CHOICES: Mapping[str, Sequence[str]] = {
    "kind": KINDS,
    "flow": tuple(IDLE_SHARE),
    "carried": CARRIED,
    "heights": HEIGHTS,
    "highest_gear": tuple(HIGHEST_GEAR),
    **dict.fromkeys(("two_way", "air_conditioning", "heater", "low_gear"), _YES_NO),
}
HELP: Mapping[str, str] = {
    "place": "Short key, only a-z, 0-9 and -; every place its own. The legs and trip.toml use it.",
    "name": "As shown to people; any text.",
    "lat": "Decimal degrees, north positive, south negative.",
    "lon": "Decimal degrees, east positive, west negative.",
    "elevation": "Height above the sea; the unit in the heading is ft or m.",
    "kind": f"One of: {', '.join(KINDS)}. Empty: waypoint.",
    "services": f"Words parted by spaces: {', '.join(SERVICES)}. parking: room to stop safely off the road.",
    "high": "Usual high of the day there at that time of year; degF or degC. Needs 'low'; both may be empty.",
    "low": "Usual low of the night there at that time of year; degF or degC. Needs 'high'; both may be empty.",
    "note": "Any text.",
    "from": "Key of the place where the leg begins.",
    "to": "Key of the place where it ends.",
    "distance": "Along the road; the unit in the heading is mi or km.",
    "speed": "What a careful driver keeps up there, stops not counted; mph or km/h.",
    "road": "Number or name of the road.",
    "two_way": "yes or no: may it be driven the other way too? Empty: yes.",
    "open": "yes, no, or its season as month-day..month-day, e.g. 05-28..10-15. Empty: yes.",
    "air_conditioning": "yes or no on this leg. Empty: as the trip says.",
    "flow": "free, town or stop-and-go: how much of the time the car stands. Empty: free.",
    "carried": "ferry or train: carries the car over this leg, its engine off. Empty: it is driven.",
    "heater": "yes: cabin heater at full on this leg. Empty: no.",
    "low_gear": "yes: one gear lower than needed on this leg. Empty: no.",
    "highest_gear": "overdrive off, or the highest gear used on this leg: 3 holds third. Empty: any.",
    "heights": "tunnel or bridge: even between its ends; steep: really steeper than 15 %. Empty: as drawn.",
    "profile": "File with elevations along the leg, .gpx or .csv, e.g. profiles/raton.gpx. Empty: an even grade.",
}
"""What each column holds, shown at its heading."""

_NOTES = (
    "The sheets 'places' and 'legs' hold the tables of the trip, 'settings' where and when, 'car' what the car is.",
    "In 'settings' and 'car' a row without a value says nothing; any other key of docs/formats.md may be added.",
    "Units stand in square brackets in the headings: change [mi] to [km] and type kilometres.",
    "Point at a heading to see what its column holds. Columns may be left out or moved; an optional cell may be empty.",
    "A row whose first cell begins with # is a remark and is not read; nor is this sheet.",
    "Formulas are read by the value they last showed. Merged cells are refused.",
    "Use either this file or places.csv and legs.csv; with both in the folder nothing is read. The same holds for",
    "trip.toml and the sheet 'settings', and for vehicle.toml and the sheet 'car'.",
)


class Line(NamedTuple):
    """One row of a sheet of keys: key, value, what it is, source, and the words its value may be."""

    key: str
    value: Cell
    what: str = ""
    source: str = ""
    words: Sequence[str] = ()


_NO_KEYS: Mapping[str, Sequence[Line]] = {}
KEY_HEADINGS = ("key", "value", "what it is", "source")


def write_template(path: Path, folder: Path, *, keys: Mapping[str, Sequence[Line]] = _NO_KEYS) -> None:
    """Write the CSV tables of a trip folder as a spreadsheet with notes, drop-down lists and units in the headings.

    Sheets of `keys` come after them, a key in each row.

    Notes
    -----
    Numbers keep 16 digits, as many as spreadsheet programs keep at most.
    """
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.worksheets[0])
    for name, file, columns, max_rows in (
        ("places", PLACES, PLACE_COLUMNS, limits.PLACES),
        ("legs", LEGS, LEG_COLUMNS, limits.LEGS),
    ):
        _fill(book.create_sheet(name), _heads_and_rows(folder, file, columns, max_rows))
    for name, lines in keys.items():
        _fill_keys(book.create_sheet(name), lines)
    _fill_notes(book.create_sheet("notes"))
    try:
        held = io.BytesIO()
        book.save(held)
        write_new(path, held.getvalue())
    except OSError as exc:
        message = f"{path}: cannot be written ({exc.strerror or exc}); name a new file, nothing is overwritten"
        raise OutputError(message) from exc


def _heads_and_rows(folder: Path, file: str, columns: Sequence[Column], max_rows: int) -> list[list[Cell]]:
    """Return the headings, all optional ones included, and the rows; numbers as numbers."""
    problems = Problems()
    text = open_text(folder, file, problems=problems)
    table = None if text is None else read_table(text, file=file, columns=columns, max_rows=max_rows, problems=problems)
    if table is None or len(problems):
        raise TripError(problems.sentences())
    heads: list[Cell] = [_heading(table, column) for column in columns]
    return [heads, *([_cell(row.cell(column.name), column, table) for column in columns] for row in table.rows)]


def _heading(table: InputTable, column: Column) -> str:
    """Heading as the CSV has it, or for a column it leaves out the one it would have."""
    known = table.headings.get(column.name)
    if known is not None:
        return known.written
    metric = any(heading.unit in ("m", "km", "km/h") for heading in table.headings.values())
    return f"{column.name} [{column.usual[-1 if metric else 0]}]" if column.usual else column.name


def _cell(text: str, column: Column, table: InputTable) -> Cell:
    if not column.number or not text:
        return text
    plain = text.replace(",", ".", 1) if table.decimal_comma else text
    try:
        return int(plain)
    except ValueError:
        return _number(plain)


def _number(plain: str) -> Cell:
    try:
        return float(plain)
    except ValueError:
        return plain  # left for the reader to complain about


def _fill(sheet: "Worksheet", rows: Sequence[Sequence[Cell]]) -> None:
    for number, cells in enumerate(rows, start=1):
        for index, value in enumerate(cells, start=1):
            if value == "":
                continue
            cell = sheet.cell(row=number, column=index, value=value)
            if isinstance(value, str):
                cell.data_type = "s"  # a text that begins with = is no formula
    sheet.freeze_panes = "B2"
    for index, written in enumerate(rows[0], start=1):
        name = str(written).partition(" [")[0].strip().casefold()
        _style_column(sheet, index, name, max(len(str(cells[index - 1])) for cells in rows[:200]))


def _style_column(sheet: "Worksheet", index: int, name: str, longest: int) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Font, PatternFill
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    letter = get_column_letter(index)
    head = sheet.cell(row=1, column=index)
    head.font = Font(bold=True)
    head.fill = PatternFill(fill_type="solid", start_color="DDDDDD")
    head.comment = Comment(HELP[name], "grademargin", width=260, height=110)
    sheet.column_dimensions[letter].width = min(max(longest + 2, 8), 48)
    if name in CHOICES:
        choice = DataValidation(type="list", formula1=f'"{",".join(CHOICES[name])}"', allow_blank=True)
        choice.error = f"Allowed: {', '.join(CHOICES[name])}"
        choice.showErrorMessage = True
        choice.add(f"{letter}2:{letter}2000")
        sheet.add_data_validation(choice)


def _fill_keys(sheet: "Worksheet", lines: Sequence[Line]) -> None:
    """Write a sheet of keys: drop-down lists where the words are few, what each is beside it and at the key."""
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.worksheet.datavalidation import DataValidation

    for index, head in enumerate(KEY_HEADINGS, start=1):
        cell = sheet.cell(row=1, column=index, value=head)
        cell.font, cell.fill = Font(bold=True), PatternFill(fill_type="solid", start_color="DDDDDD")
    for number, line in enumerate(lines, start=2):
        for index, value in enumerate((line.key, line.value, line.what, line.source), start=1):
            if value != "":
                cell = sheet.cell(row=number, column=index, value=value)
                cell.alignment = Alignment(wrap_text=index > 2, vertical="top")
                if isinstance(value, str):
                    cell.data_type = "s"
        if line.what:
            sheet.cell(row=number, column=1).comment = Comment(line.what, "grademargin", width=260, height=110)
        listed = ",".join(line.words)
        if line.words and len(listed) <= _LONGEST_LIST:
            choice = DataValidation(type="list", formula1=f'"{listed}"', allow_blank=True)
            choice.error, choice.showErrorMessage = f"Allowed: {', '.join(line.words)}"[:_LONGEST_LIST], True
            choice.add(f"B{number}")
            sheet.add_data_validation(choice)
        elif line.words:
            _list_beside(sheet, number, line.words)
    sheet.freeze_panes = "B2"
    for letter, width in zip("ABCD", (26, 26, 70, 40), strict=True):
        sheet.column_dimensions[letter].width = width


def _list_beside(sheet: "Worksheet", number: int, words: Sequence[str]) -> None:
    """Let a cell choose among words too long for a rule: they stand in a hidden column."""
    from openpyxl.worksheet.datavalidation import DataValidation

    for row, word in enumerate(words, start=1):
        sheet.cell(row=row, column=_HIDDEN, value=word)
    sheet.column_dimensions[_HIDDEN_LETTER].hidden = True
    choice = DataValidation(
        type="list", formula1=f"=${_HIDDEN_LETTER}$1:${_HIDDEN_LETTER}${len(words)}", allow_blank=True
    )
    choice.add(f"B{number}")
    sheet.add_data_validation(choice)


def _fill_notes(sheet: "Worksheet") -> None:
    from openpyxl.styles import Alignment, Font

    rows = [(text, "") for text in _NOTES] + [("", ""), ("column", "what it holds"), *HELP.items()]
    for number, (left, right) in enumerate(rows, start=1):
        sheet.cell(row=number, column=1, value=left or None)
        sheet.cell(row=number, column=2, value=right or None).alignment = Alignment(wrap_text=True, vertical="top")
    for column in (1, 2):
        sheet.cell(row=len(_NOTES) + 2, column=column).font = Font(bold=True)
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 14, 90
