"""Reading the tables of a trip from sheets of trip.xlsx instead of CSV files.

The archive is checked before use: decompressed size, document types, nesting depth. Cells
become the text a CSV would contain, so headings, units and messages are those of the CSV tables.
"""

import contextlib
import io
import warnings
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time
from pathlib import Path
from typing import Any
from xml.parsers import expat

from planner.files import limits
from planner.files.reading import CONTROL, Problems, control_fault, file_fault, whole
from planner.model.display import counted
from thermal.errors import shown

FILE = "trip.xlsx"
SKIPPED = ("weather", "notes")
"""Sheets that may be there besides the tables and are not read with them."""
_LAST_ROW = 1_048_576
_OLD_FORMAT = b"\xd0\xcf\x11\xe0"
_ZIP = b"PK"
_MARKUP = (b"<", b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf")

Records = list[tuple[int, list[str]]]


def sheet_file(name: str) -> str:
    """Return a sheet's name in messages.

    >>> sheet_file("legs")
    'trip.xlsx [legs]'
    """
    return f"{FILE} [{name}]"


def read_sheets(
    folder: Path, *, max_rows: Mapping[str, int], problems: Problems, optional: Sequence[str] = ()
) -> dict[str, Records]:
    """Read the tables of trip.xlsx; sheets of `optional` may be missing."""
    fault = file_fault(folder / FILE, root=folder, max_bytes=limits.TABLE_BYTES)
    if fault is not None:
        problems.add(FILE, fault, code="file-access")
        return {}
    try:
        return _read(whole(folder / FILE, max_bytes=limits.TABLE_BYTES), max_rows, problems, optional)
    except _Refused as exc:
        problems.add(FILE, str(exc), code="unreadable")
    except Exception as exc:  # openpyxl may raise any exception on damaged content
        reason = " ".join(str(exc).split())[:80] or type(exc).__name__
        problems.add(FILE, f"cannot be read as a spreadsheet ({reason}); save it again as .xlsx", code="unreadable")
    return {}


class _Refused(Exception):
    """The file must not be read, for the reason given."""


# --- the archive ---


@dataclass(slots=True)
class _Found:
    formulas: bool = False
    merges: bool = False
    spanned: int = 0
    hidden: int = 0  # non-empty rows that are hidden or filtered


def _examine(data: bytes) -> _Found:
    if data.startswith(_OLD_FORMAT):
        message = "has a password, or is a renamed .xls file; save it as .xlsx without a password"
        raise _Refused(message)
    if not zipfile.is_zipfile(io.BytesIO(data)):
        message = "is not a spreadsheet; save it as .xlsx"
        if data.startswith(_ZIP):
            message = "is damaged or was saved only in part; save or copy it again"
        raise _Refused(message)
    found = _Found()
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = archive.infolist()
        _check_size(members, len(data))
        for member in members:
            part = archive.read(member)
            if member.filename.endswith((".xml", ".rels")) or part.lstrip()[:3].startswith(_MARKUP):
                _examine_xml(part, member.filename, found)
    if found.hidden:
        rows = counted(found.hidden, "row")
        message = f"has {rows} hidden or filtered, and hidden rows are read too; show or delete them"
        raise _Refused(message)
    if found.merges and found.spanned > limits.SPANNED:
        message = f"has merged or linked cells, {found.spanned:,} in total; unmerge them and remove the links"
        raise _Refused(message)
    return found


def _check_size(members: Sequence[zipfile.ZipInfo], packed: int) -> None:
    """Refuse an archive of `packed` bytes that must not be decompressed."""
    size = sum(member.file_size for member in members)
    message = f"decompresses to {size / 1e6:,.1f} MB"
    if len(members) > limits.PARTS or size > limits.TABLE_BYTES:
        most = f"the maximum is {limits.TABLE_BYTES / 1e6:.0f} MB in {limits.PARTS:,}"
        message += f" in {len(members):,} parts; {most}; keep only the tables in it"
        raise _Refused(message)
    if size > max(limits.FREE_BYTES, limits.SHEET_PACKING * packed):
        message += f", {size / packed:,.0f} times its size; copy the tables into a new spreadsheet"
        raise _Refused(message)
    if not {member.compress_type for member in members} <= {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
        message = "uses an unsupported compression; save it again as .xlsx"
        raise _Refused(message)


def _area(ref: str) -> int:
    from openpyxl.utils import range_boundaries  # openpyxl is slow to import, and few trips are a workbook

    left, top, right, bottom = range_boundaries(ref)
    if left is None or top is None or right is None or bottom is None:
        return limits.SPANNED + 1  # whole rows or columns
    return (right - left + 1) * (bottom - top + 1)


def _examine_xml(part: bytes, name: str, found: _Found) -> None:
    depth, hidden = 0, False

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal depth, hidden
        depth += 1
        if depth > limits.XML_DEPTH:
            message = f"has {shown(name)} nested more than {limits.XML_DEPTH} deep; save it again as .xlsx"
            raise _Refused(message)
        local = tag.rpartition(":")[2]
        found.formulas |= local == "f"
        if local == "row":
            hidden = attributes.get("hidden") in ("1", "true")
        if hidden and local in ("v", "is"):
            found.hidden, hidden = found.hidden + 1, False
        if local in ("mergeCell", "hyperlink"):
            found.merges |= local == "mergeCell"
            found.spanned += _area(attributes.get("ref", "A1"))

    def end(_: str) -> None:
        nonlocal depth
        depth -= 1

    def refuse(*_: object) -> None:
        message = f"has a document type in {shown(name)}, which is not allowed; save it again as .xlsx"
        raise _Refused(message)

    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.StartDoctypeDeclHandler = refuse
    parser.Parse(part, True)


# --- the sheets ---


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grid:
    """Non-empty rows of one sheet as texts; special cells by row and column."""

    rows: dict[int, list[str]]
    formulas: frozenset[tuple[int, int]]
    errors: frozenset[tuple[int, int]]


def _read(data: bytes, max_rows: Mapping[str, int], problems: Problems, optional: Sequence[str]) -> dict[str, Records]:
    found = _examine(data)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # on styles and extensions, which are ignored
        values = _grids(data, max_rows, problems, optional, data_only=True)
        formulas = _grids(data, max_rows, Problems(), optional, data_only=False) if found.formulas else {}
        merges = _merges(data, values) if found.merges else {}
    tables = {}
    for name, grid in values.items():
        before = len(problems)
        _note_no_values(grid, formulas.get(name), sheet_file(name), problems)
        _note_merges(grid, merges.get(name, []), sheet_file(name), problems)
        if len(problems) == before:
            tables[name] = list(_records(grid))
    return tables


def _grids(
    data: bytes, max_rows: Mapping[str, int], problems: Problems, optional: Sequence[str], *, data_only: bool
) -> dict[str, _Grid]:
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(data), read_only=True, data_only=data_only, keep_links=False)
    grids: dict[str, _Grid] = {}
    with contextlib.closing(book):
        if len(book.worksheets) > limits.SHEETS:
            message = f"has {len(book.worksheets)} sheets; the maximum is {limits.SHEETS}; keep only the tables in it"
            raise _Refused(message)
        for sheet in book.worksheets:
            name = _name(sheet)
            if name in SKIPPED:
                continue
            known = name in max_rows
            grid = _grid(sheet, sheet_file(name), max_rows[name] if known else 0, problems if known else Problems())
            if known and name not in grids:
                grids[name] = grid
            elif grid.rows:
                options = (*max_rows, *SKIPPED)
                advice = "it occurs twice; keep one" if known else problems.nearest(name, options)
                problems.add(FILE, f"unknown sheet {shown(str(sheet.title))}; {advice}", code="unknown-sheet")
    for name in max_rows:
        if name not in grids and name not in optional:
            text = f"the sheet '{name}' is missing; add it with its headings in the first row"
            problems.add(FILE, text, code="missing-sheet")
    return grids


def _grid(sheet: Any, file: str, most: int, problems: Problems) -> _Grid:
    rows: dict[int, list[str]] = {}
    special: dict[str, set[tuple[int, int]]] = {"f": set(), "e": set()}  # formulas, errors
    sheet.reset_dimensions()
    cells_of = sheet.iter_rows(max_row=_LAST_ROW, max_col=limits.COLUMNS)
    blank = None  # one shared row for all missing ones, perhaps a million
    for number, cells in enumerate(cells_of, start=1):
        if cells is blank:
            continue
        if all(cell.value is None for cell in cells):
            blank = cells
            continue
        if len(rows) > most:
            problems.add(file, f"has more than {most:,} rows; remove rows, or split the trip", code="too-large")
            break
        rows[number] = [cell_text(cell.value) for cell in cells]
        for index, cell in enumerate(cells):
            if cell.data_type in special:
                special[cell.data_type].add((number, index))
    return _Grid(rows=rows, formulas=frozenset(special["f"]), errors=frozenset(special["e"]))


def cell_text(value: object) -> str:
    """Return the text of a cell, as a CSV table has it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%d" if value.time() == time() else "%Y-%m-%d %H:%M")
    return f"{value:%H:%M}" if isinstance(value, time) else str(value)


def _records(grid: _Grid) -> Iterator[tuple[int, list[str]]]:
    for number, cells in grid.rows.items():
        if any(cell.strip() for cell in cells) and not cells[0].startswith("#"):
            yield number, cells


def _note_no_values(grid: _Grid, with_formulas: _Grid | None, file: str, problems: Problems) -> None:
    """Report formulas without a stored value, error cells and unprintable characters."""
    from openpyxl.utils import get_column_letter

    def note(number: int, index: int, text: str, code: str) -> None:
        problems.add(file, text, row=number, column=get_column_letter(index + 1), code=code)

    for number, index in sorted(with_formulas.formulas if with_formulas is not None else ()):
        if not _at(grid, number, index):
            advice = "open and save the file in a spreadsheet program, or type the value"
            note(number, index, f"the formula has no stored value; {advice}", "cell-error")
    for number, index in sorted(grid.errors):
        advice = "correct its formula, or type the value"
        note(number, index, f"the cell shows {shown(_at(grid, number, index))}; {advice}", "cell-error")
    for number, cells in grid.rows.items():
        for index, text in enumerate(cells):
            control = CONTROL.search(text)
            if control is not None:
                note(number, index, control_fault(control), "encoding")


def _at(grid: _Grid, number: int, index: int) -> str:
    cells = grid.rows.get(number, [])
    return cells[index] if index < len(cells) else ""


def _merges(data: bytes, wanted: Mapping[str, object]) -> dict[str, list[tuple[int, int, str]]]:
    """First row, last row and name of each merged range, by sheet."""
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(data), keep_links=False)
    return {
        _name(sheet): sorted((cells.min_row, cells.max_row, str(cells.coord)) for cells in sheet.merged_cells.ranges)
        for sheet in book.worksheets
        if _name(sheet) in wanted
    }


def _name(sheet: Any) -> str:
    return " ".join(str(sheet.title).split()).casefold()


def _note_merges(grid: _Grid, merges: list[tuple[int, int, str]], file: str, problems: Problems) -> None:
    used = [number for number, _ in _records(grid)]
    for first, last, name in merges:
        if any(first <= number <= last for number in used):
            text = f"the cells {name} are merged; unmerge them and fill each one"
            problems.add(file, text, row=first, code="merged-cells")
