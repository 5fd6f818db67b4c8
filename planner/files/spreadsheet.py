"""Making a trip folder whose tables are sheets of trip.xlsx, for who would rather type in a spreadsheet."""

import io
from collections.abc import Mapping, Sequence
from pathlib import Path

from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from planner.files import limits
from planner.files.folder import new_folder
from planner.files.reading import Problems, open_text
from planner.files.rows import IDLE_SHARE, KINDS, LEG_COLUMNS, PLACE_COLUMNS, SERVICES
from planner.files.tables import Column, Table, read_table
from planner.files.trips import LEGS, PLACES
from planner.files.wholefile import write_new
from planner.files.workbook import FILE
from planner.model.errors import OutputError, TripError

Cell = str | int | float

_YES_NO = ("yes", "no")
_CHOICES: Mapping[str, Sequence[str]] = {
    "kind": KINDS,
    "flow": tuple(IDLE_SHARE),
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
    "heater": "yes: cabin heater at full on this leg. Empty: no.",
    "low_gear": "yes: one gear lower than needed on this leg. Empty: no.",
    "profile": "File with elevations along the leg, .gpx or .csv, e.g. profiles/raton.gpx. Empty: an even grade.",
}
"""What each column holds, shown at its heading."""

_NOTES = (
    "The sheets 'places' and 'legs' hold the tables of the trip; trip.toml beside this file says where and when to go.",
    "Units stand in square brackets in the headings: change [mi] to [km] and type kilometres.",
    "Point at a heading to see what its column holds. Columns may be left out or moved; an optional cell may be empty.",
    "A row whose first cell begins with # is a remark and is not read; nor is this sheet.",
    "Formulas are read by the value they last showed. Merged cells are refused.",
    "Use either this file or places.csv and legs.csv; with both in the folder nothing is read.",
)


def new_spreadsheet(folder: Path, example: str) -> tuple[str, ...]:
    """Copy an example into a new trip folder, its tables as sheets of one spreadsheet.

    Parameters
    ----------
    folder : Path
        Must not exist, or be empty. [-]
    example : str
        Which example. [-]

    Returns
    -------
    tuple of str
        Files written, relative to the folder.

    Raises
    ------
    PlannerError
        If the example is unknown or the folder holds anything; nothing is ever overwritten.
    OutputError
        If the folder cannot be written.
    """
    return new_folder(folder, example, finish=_to_sheets)


def _to_sheets(folder: Path) -> None:
    """Put the tables of a folder into a spreadsheet."""
    write_template(folder / FILE, folder)
    for file in (PLACES, LEGS):
        (folder / file).unlink()


def write_template(path: Path, folder: Path) -> None:
    """Write the CSV tables of a trip folder as a spreadsheet with notes, drop-down lists and units in the headings.

    Parameters
    ----------
    path : Path
        Spreadsheet to write; must not exist. [-]
    folder : Path
        Trip folder with places.csv and legs.csv. [-]

    Raises
    ------
    TripError
        If a table cannot be read.
    OutputError
        If the file exists or cannot be written.

    Notes
    -----
    Numbers keep 16 digits, as many as spreadsheet programs keep at most.
    """
    book = Workbook()
    book.remove(book.worksheets[0])
    for name, file, columns, max_rows in (
        ("places", PLACES, PLACE_COLUMNS, limits.PLACES),
        ("legs", LEGS, LEG_COLUMNS, limits.LEGS),
    ):
        _fill(book.create_sheet(name), _heads_and_rows(folder, file, columns, max_rows))
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


def _heading(table: Table, column: Column) -> str:
    """Heading as the CSV has it, or for a column it leaves out the one it would have."""
    known = table.headings.get(column.name)
    if known is not None:
        return known.written
    metric = any(heading.unit in ("m", "km", "km/h") for heading in table.headings.values())
    return f"{column.name} [{column.usual[-1 if metric else 0]}]" if column.usual else column.name


def _cell(text: str, column: Column, table: Table) -> Cell:
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


# --- looks ---


def _fill(sheet: Worksheet, rows: Sequence[Sequence[Cell]]) -> None:
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


def _style_column(sheet: Worksheet, index: int, name: str, longest: int) -> None:
    letter = get_column_letter(index)
    head = sheet.cell(row=1, column=index)
    head.font = Font(bold=True)
    head.fill = PatternFill(fill_type="solid", start_color="DDDDDD")
    head.comment = Comment(HELP[name], "grademargin", width=260, height=110)
    sheet.column_dimensions[letter].width = min(max(longest + 2, 8), 48)
    if name in _CHOICES:
        choice = DataValidation(type="list", formula1=f'"{",".join(_CHOICES[name])}"', allow_blank=True)
        choice.error = f"Allowed: {', '.join(_CHOICES[name])}"
        choice.showErrorMessage = True
        choice.add(f"{letter}2:{letter}2000")
        sheet.add_data_validation(choice)


def _fill_notes(sheet: Worksheet) -> None:
    rows = [(text, "") for text in _NOTES] + [("", ""), ("column", "what it holds"), *HELP.items()]
    for number, (left, right) in enumerate(rows, start=1):
        sheet.cell(row=number, column=1, value=left or None)
        sheet.cell(row=number, column=2, value=right or None).alignment = Alignment(wrap_text=True, vertical="top")
    for column in (1, 2):
        sheet.cell(row=len(_NOTES) + 2, column=column).font = Font(bold=True)
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 14, 90
