"""Writing trip.xlsx: tables, settings and car as sheets, with drop-down lists, units and descriptions."""

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
from planner.files.tables import Column, InputTable, number_of, read_table
from planner.files.wholefile import write_new
from planner.model.errors import OutputError, TripError

if TYPE_CHECKING:
    from openpyxl.cell.cell import Cell as SheetCell
    from openpyxl.cell.cell import MergedCell
    from openpyxl.comments import Comment
    from openpyxl.worksheet.worksheet import Worksheet

Cell = str | int | float

_YES_NO = ("yes", "no")
_LONGEST_LIST = 250  # maximum length of a drop-down list rule
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
    "place": "Short key, only a-z, 0-9 and -; unique. The legs and trip.toml refer to it.",
    "name": "Display name; any text.",
    "lat": "Decimal degrees, north positive, south negative.",
    "lon": "Decimal degrees, east positive, west negative.",
    "elevation": "Height above the sea; the unit in the heading is ft or m.",
    "kind": f"One of: {', '.join(KINDS)}. Empty: waypoint.",
    "services": f"Words separated by spaces: {', '.join(SERVICES)}. parking: space to stop safely off the road.",
    "high": "Usual daily high there at that time of year; degF or degC. Needs 'low'; both may be empty.",
    "low": "Usual daily low there at that time of year; degF or degC. Needs 'high'; both may be empty.",
    "note": "Any text.",
    "from": "Key of the place where the leg starts.",
    "to": "Key of the place where it ends.",
    "distance": "Along the road; the unit in the heading is mi or km.",
    "speed": "Speed a careful driver keeps there, without stops; mph or km/h.",
    "road": "Number or name of the road.",
    "two_way": "yes or no: can it also be driven in the other direction? Empty: yes.",
    "open": "yes, no, or its season as month-day..month-day, e.g. 05-28..10-15. Empty: yes.",
    "air_conditioning": "yes or no on this leg. Empty: the trip's setting.",
    "flow": "free, town or stop-and-go: how often traffic stops the car. Empty: free.",
    "carried": "ferry or train: carries the car over this leg, its engine off. Empty: it is driven.",
    "heater": "yes: cabin heater at full on this leg. Empty: no.",
    "low_gear": "yes: one gear lower than needed on this leg. Empty: no.",
    "highest_gear": "off: overdrive off; or the highest gear used on this leg, e.g. 3. Empty: any.",
    "heights": "tunnel or bridge: constant grade between its ends; steep: really steeper than 15 %. Empty: as in "
    "the profile.",
    "profile": "File with elevations along the leg, .gpx or .csv, e.g. profiles/raton.gpx. Empty: a constant grade.",
}
"""What each column holds, shown at its heading."""

_NOTES = (
    "The sheets 'places' and 'legs' contain the trip's tables, 'settings' the route and dates, 'car' the car.",
    "In 'settings' and 'car' a row without a value is ignored; any other key of docs/formats.md may be added.",
    "Units are in square brackets in the headings: change [mi] to [km] to enter kilometres.",
    "Point at a heading to see its description. Columns may be omitted or moved; an optional cell may be empty.",
    "A row whose first cell begins with # is a comment and is ignored. This sheet is ignored too.",
    "A formula is read as its last computed value. Merged cells are not allowed.",
    "Use either this file or places.csv and legs.csv; both in one folder is an error. The same applies to",
    "trip.toml and the sheet 'settings', and for vehicle.toml and the sheet 'car'.",
)


class Line(NamedTuple):
    """One row of a sheet of keys: key, value, description, source, and allowed words."""

    key: str
    value: Cell
    what: str = ""
    source: str = ""
    words: Sequence[str] = ()


_NO_KEYS: Mapping[str, Sequence[Line]] = {}
KEY_HEADINGS = ("key", "value", "what it is", "source")


def write_template(path: Path, folder: Path, *, keys: Mapping[str, Sequence[Line]] = _NO_KEYS) -> None:
    """Write the CSV tables of a trip folder as a spreadsheet with notes, drop-down lists and units in the headings.

    Sheets of `keys` follow, one key per row. Numbers keep 16 digits, the maximum of spreadsheet programs.
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
        message = f"{path}: cannot be written ({exc.strerror or exc}); name a new file (nothing was overwritten)"
        raise OutputError(message) from exc


def _heads_and_rows(folder: Path, file: str, columns: Sequence[Column], max_rows: int) -> list[list[Cell]]:
    """Return the headings, all optional ones included, and the rows; numbers as numbers."""
    problems = Problems()
    text = open_text(folder, file, problems=problems)
    table = None if text is None else read_table(text, file=file, columns=columns, max_rows=max_rows, problems=problems)
    if table is None or len(problems):
        raise TripError(problems.found())
    heads: list[Cell] = [_heading(table, column) for column in columns]
    return [heads, *([_cell(row.cell(column.name), column, table) for column in columns] for row in table.rows)]


def _heading(table: InputTable, column: Column) -> str:
    known = table.headings.get(column.name)
    if known is not None:
        return known.written
    metric = any(heading.unit in ("m", "km", "km/h") for heading in table.headings.values())
    return f"{column.name} [{column.usual[-1 if metric else 0]}]" if column.usual else column.name


def _cell(text: str, column: Column, table: InputTable) -> Cell:
    if not column.number or not text:
        return text
    plain = text.replace(",", ".", 1) if table.decimal_comma else text
    return number_of(plain)  # a faulty one is reported when the file is read


def _fill(sheet: "Worksheet", rows: Sequence[Sequence[Cell]]) -> None:
    for number, cells in enumerate(rows, start=1):
        for index, value in enumerate(cells, start=1):
            _write(sheet, number, index, value)
    sheet.freeze_panes = "B2"
    for index, written in enumerate(rows[0], start=1):
        name = str(written).partition(" [")[0].strip().casefold()
        _style_column(sheet, index, name, max(len(str(cells[index - 1])) for cells in rows[:200]))


def _write(sheet: "Worksheet", row: int, column: int, value: Cell) -> "SheetCell | MergedCell":
    """Write a value; a text that begins with = is not a formula."""
    cell = sheet.cell(row=row, column=column, value=None if value == "" else value)
    if isinstance(value, str) and value:
        cell.data_type = "s"
    return cell


def _style_column(sheet: "Worksheet", index: int, name: str, longest: int) -> None:
    from openpyxl.utils import get_column_letter

    letter = get_column_letter(index)
    head = sheet.cell(row=1, column=index)
    _style_heading(head)
    head.comment = _comment(HELP[name])
    sheet.column_dimensions[letter].width = min(max(longest + 2, 8), 48)
    if name in CHOICES:
        _offer(sheet, f"{letter}2:{letter}2000", CHOICES[name])


def _style_heading(cell: "SheetCell | MergedCell") -> None:
    from openpyxl.styles import Font, PatternFill

    cell.font, cell.fill = Font(bold=True), PatternFill(fill_type="solid", start_color="DDDDDD")


def _comment(text: str) -> "Comment":
    from openpyxl.comments import Comment

    return Comment(text, "grademargin", width=260, height=110)


def _offer(sheet: "Worksheet", cells: str, words: Sequence[str]) -> None:
    """Add a drop-down list; words too long for a rule go to a hidden column."""
    from openpyxl.worksheet.datavalidation import DataValidation

    listed, formula = ",".join(words), f"=${_HIDDEN_LETTER}$1:${_HIDDEN_LETTER}${len(words)}"
    if len(listed) <= _LONGEST_LIST:
        formula = f'"{listed}"'
    else:
        for row, word in enumerate(words, start=1):
            sheet.cell(row=row, column=_HIDDEN, value=word)
        sheet.column_dimensions[_HIDDEN_LETTER].hidden = True
    choice = DataValidation(type="list", formula1=formula, allow_blank=True)
    choice.error, choice.showErrorMessage = f"Allowed: {', '.join(words)}"[:_LONGEST_LIST], True
    choice.add(cells)
    sheet.add_data_validation(choice)


def _fill_keys(sheet: "Worksheet", lines: Sequence[Line]) -> None:
    from openpyxl.styles import Alignment

    for index, head in enumerate(KEY_HEADINGS, start=1):
        _style_heading(sheet.cell(row=1, column=index, value=head))
    for number, line in enumerate(lines, start=2):
        for index, value in enumerate((line.key, line.value, line.what, line.source), start=1):
            _write(sheet, number, index, value).alignment = Alignment(wrap_text=index > 2, vertical="top")
        if line.what:
            sheet.cell(row=number, column=1).comment = _comment(line.what)
        if line.words:
            _offer(sheet, f"B{number}", line.words)
    sheet.freeze_panes = "B2"
    for letter, width in zip("ABCD", (26, 26, 70, 40), strict=True):
        sheet.column_dimensions[letter].width = width


def _fill_notes(sheet: "Worksheet") -> None:
    from openpyxl.styles import Alignment, Font

    rows = [(text, "") for text in _NOTES] + [("", ""), ("column", "what it holds"), *HELP.items()]
    for number, (left, right) in enumerate(rows, start=1):
        _write(sheet, number, 1, left)
        _write(sheet, number, 2, right).alignment = Alignment(wrap_text=True, vertical="top")
    for column in (1, 2):
        sheet.cell(row=len(_NOTES) + 2, column=column).font = Font(bold=True)
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 14, 90
