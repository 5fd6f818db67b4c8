"""Reading one typed table from CSV or a sheet: headings with units, cells in SI, problems collected.

A heading is `name [unit]`; rows are numbered as in a spreadsheet, comment and blank rows included.
"""

import csv
import io
import itertools
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from planner.files import limits
from planner.files.coordinates import degrees_of
from planner.files.reading import Problems, straight
from thermal.errors import shown
from thermal.unit_names import spelled
from thermal.units import convert, same_kind, split_quantity

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
_VALUE = re.compile(r"\s*[-+]?(?:\d++[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d+)?\s*", re.ASCII)
_CLOCK = re.compile(
    r"\s*(?:[\d./-]{6,10}[ T]\s*)?\d{1,4}:\d{2}(?::\d{2})?(?:[.,:]\d+)?\s*+(?:[AaPp][Mm]|Z|[-+]\d{2}:?\d{2})?\s*"
)
_MOST_SAID = f"the maximum is {limits.TEXT:,} characters in a cell and {limits.COLUMNS} cells in a row"
_HEADING = re.compile(r"([^\[\]()]*)(?:([\[(])([^\[\]()]*)[\])])?")
_NUMBER = re.compile(r"[-+]?(?:\d++\.?\d*|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)
_DIGITS = str.maketrans("OolI", "0011")  # letters typed for the digits they look like
_DECIMAL_COMMA = re.compile(r"[-+]?\d*,\d+(?:[eE][-+]?\d+)?", re.ASCII)
_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d*)?", re.ASCII)
_PLAIN_UNIT = re.compile(r"%|[A-Za-z°µ_]{1,24}(?:/[A-Za-z_]{1,24})?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """Definition of one column of a table."""

    name: str
    required: bool = True  # has a heading and no empty cell
    number: bool = False
    unit: str = ""  # SI unit of the result, empty for bare numbers and text
    angle: str = ""  # "lat" or "lon" where cells may have compass letters, minutes and seconds
    usual: tuple[str, ...] = ()  # units to propose
    example: str = "1250"
    low: float = -math.inf  # lowest plausible value, in SI
    high: float = math.inf  # highest, in SI

    def proposal(self) -> str:
        """Return the proposed heading."""
        return " or ".join(f"'{self.name} [{unit}]'" for unit in self.usual) or f"'{self.name}'"


def number_column(name: str, unit: str, usual: tuple[str, ...], *, example: str, low: float, high: float) -> Column:
    """Define an optional column of numbers."""
    return Column(name=name, required=False, number=True, unit=unit, usual=usual, example=example, low=low, high=high)


def temperature_column(name: str, *, example: str, low_k: float, high_k: float) -> Column:
    """Define an optional column of temperatures."""
    return number_column(name, "K", ("degF", "degC"), example=example, low=low_k, high=high_k)


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """One heading as written, and its conversion to SI: value * scale + offset."""

    column: Column
    written: str
    index: int
    unit: str
    scale: float
    offset: float

    def to_si(self, value: float) -> float:
        """Convert a cell's number to SI."""
        return value * self.scale + self.offset

    def from_si(self, si_value: float) -> float:
        """Convert an SI value to the unit of this heading."""
        return (si_value - self.offset) / self.scale

    def show(self, si_value: float) -> str:
        """Return an SI value in the unit of this heading, for a message."""
        value = self.from_si(si_value)
        digits = f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"
        return f"{digits} {self.unit}".rstrip()


@dataclass(frozen=True, slots=True, kw_only=True)
class InputTable:
    """A table as read: valid headings by column name, all named columns, and rows."""

    file: str
    headings: dict[str, Heading]
    named: frozenset[str]
    rows: list["Row"]
    decimal_comma: bool
    thousands: bool  # a comma can only be a thousands separator
    problems: Problems

    def written(self, name: str) -> str:
        """Return the heading of a column as written; empty if there is none."""
        return self.headings[name].written if name in self.headings else ""

    def show(self, name: str, si_value: float) -> str:
        """Return a length in the unit of a column."""
        return self.headings[name].show(si_value) if name in self.headings else f"{si_value:,.0f} m"


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row; its readers return None for an empty or faulty cell and report the fault."""

    table: InputTable
    number: int
    cells: Sequence[str]

    def cell(self, name: str) -> str:
        """Return a cell's text, inner white space collapsed; empty when not given."""
        heading = self.table.headings.get(name)
        if heading is None or heading.index >= len(self.cells):
            return ""
        return " ".join(self.cells[heading.index].split())

    def fault(self, name: str, text: str, *, code: str = "invalid-value") -> None:
        """Report a problem of one cell."""
        column = self.table.written(name) or name
        self.table.problems.add(self.table.file, text, row=self.number, column=column, code=code)

    def text(self, name: str) -> str:
        """Return a text cell; an empty cell of a required column is a problem."""
        text = self.cell(name)
        heading = self.table.headings.get(name)
        if not text and heading is not None and heading.column.required:
            self.fault(name, f"the cell is empty; write e.g. {heading.column.example}", code="missing-value")
        return text

    def choice(self, name: str, options: Sequence[str], default: str, *, other: Mapping[str, str] | None = None) -> str:
        """Return one of the allowed words, case ignored; synonyms in `other` are accepted."""
        text = self.cell(name)
        if not text:
            return default
        word = text.casefold()
        word = (other or {}).get(word, word)
        if word not in options:
            self.fault(name, f"read {shown(text)}; {self.table.problems.nearest(text, options)}", code="unknown-word")
            return default
        return word

    def flag(self, name: str, default: bool | None) -> bool | None:
        """Return a yes or no."""
        other = dict.fromkeys(("y", "true", "on"), "yes") | dict.fromkeys(("n", "false", "off"), "no")
        word = self.choice(name, ("yes", "no"), "", other=other)
        return word == "yes" if word else default

    def value(self, name: str) -> float | None:
        """Return a number in SI, checked against the plausible range of its column."""
        heading = self.table.headings.get(name)
        text = self.text(name)
        if heading is None or not text:
            return None
        number = self._number(text, heading)
        if number is None:
            return None
        si_value = heading.to_si(number)
        if not heading.column.low <= si_value <= heading.column.high:
            self.fault(name, f"read {shown(text)}; {_range_text(number, heading)}", code="out-of-range")
            return None
        return si_value

    def _number(self, text: str, heading: Heading) -> float | None:
        comma = self.table.decimal_comma
        plain = text.replace("\N{MINUS SIGN}", "-")
        if comma and "." in plain:
            advice = "this file has decimal commas; remove the point"
            self.fault(heading.column.name, f"read {shown(text)}; {advice}", code="not-a-number")
            return None
        plain = plain.replace(",", ".", 1) if comma else plain
        found = _plain_number(plain, heading, thousands=self.table.thousands)
        if isinstance(found, float) and math.isfinite(heading.to_si(found)):
            return found
        advice = found if isinstance(found, str) else _number_advice(text, heading.column.example)
        code = "position" if heading.column.angle else "not-a-number"
        self.fault(heading.column.name, f"read {shown(text)}; {advice}", code=code)
        return None


def _plain_number(plain: str, heading: Heading, *, thousands: bool) -> float | str | None:
    """Read a cell in its heading's unit; an error text if its own unit differs, None if it is not a number."""
    if _NUMBER.fullmatch(plain) is not None:
        return float(plain)
    if thousands and _THOUSANDS.fullmatch(plain) is not None:
        return float(plain.replace(",", ""))
    digits = plain.translate(_DIGITS)
    if digits != plain and _NUMBER.fullmatch(digits) is not None:
        return f"not a number; a letter for a digit? Write {digits}"
    if heading.column.angle:
        return degrees_of(plain, heading.column.angle)
    parts = split_quantity(plain) if heading.column.unit and (thousands or "," not in plain) else None
    if parts is None:
        return None
    value, unit = parts
    if unit == spelled(heading.unit):
        return value
    if not plain_unit(unit) or not same_kind(unit, heading.column.unit):
        return f"its unit differs from the heading's, {heading.unit}"
    there = heading.from_si(convert(value, unit, heading.column.unit))
    return f"the heading says {heading.unit}; write {there:.4g}, or change the heading and every cell below it"


def _number_advice(text: str, example: str) -> str:
    if _THOUSANDS.fullmatch(text) is not None:
        return f"write thousands without a comma, e.g. {shown(text.replace(',', ''))[1:-1]}"
    if _DECIMAL_COMMA.fullmatch(text) is not None:
        return f"write a decimal point, e.g. {shown(text.replace(',', '.'))[1:-1]}"
    return f"write a number, e.g. {example}"


def _range_text(number: float, heading: Heading) -> str:
    column = heading.column
    allowed = f"allowed is {heading.show(column.low)} to {heading.show(column.high)}"
    for unit in column.usual:
        scale, offset = _affine(unit, column.unit)
        fits = column.low <= number * scale + offset <= column.high
        if fits and not math.isclose(scale, heading.scale):
            return f"{allowed}; is it in {unit}?"
    return f"{allowed}; check the number and the unit in the heading"


def _affine(unit: str, si_unit: str) -> tuple[float, float]:
    offset = convert(0.0, unit, si_unit)
    if offset == 0.0:
        return convert(1.0, unit, si_unit), 0.0
    return (convert(1e6, unit, si_unit) - offset) / 1e6, offset


def number_of(text: str) -> int | float | str:
    """Return a text as a whole or other number if it is one, else unchanged.

    >>> number_of("12"), number_of("1.5"), number_of("8 h")
    (12, 1.5, '8 h')
    """
    for kind in (int, float):
        with suppress(ValueError):
            return kind(text)
    return text


def plain_unit(text: str) -> bool:
    """Whether a text is a plain unit name: 'km/h', 'degF', not '3*m**9'.

    >>> plain_unit("km/h"), plain_unit("m**9")
    (True, False)
    """
    return _PLAIN_UNIT.fullmatch(text) is not None and not text.startswith("delta_")


def read_table(
    text: str, *, file: str, columns: Sequence[Column], max_rows: int, problems: Problems
) -> InputTable | None:
    r"""Split a CSV text into rows with known headings.

    >>> found = Problems()
    >>> climb = Column(name="elevation", number=True, unit="m", usual=("ft", "m"))
    >>> table = read_table("elevation [ft]\n1000\n", file="a.csv", columns=[climb], max_rows=9, problems=found)
    >>> table.rows[0].value("elevation")
    304.8
    """
    delimiter = delimiter_of(text)
    text = straight(text, delimiter)
    records = []
    row = 0
    try:
        for row, cells, _, _ in numbered_rows(io.StringIO(text, newline=None), delimiter):
            records.append((row, cells))
            if len(records) > max_rows + 1:
                problems.add(file, f"has more than {max_rows:,} rows; remove rows, or split the trip", code="too-large")
                break
    except csv.Error:  # e.g. the csv module's limit of 131,072 characters in a cell
        advice = f'a quotation mark is misplaced; inside a quoted cell write ""; {_MOST_SAID}'
        problems.add(file, f"this row or the next cannot be split into cells: {advice}", row=row + 1, code="unreadable")
    return table_of(records[: max_rows + 1], file=file, columns=columns, delimiter=delimiter, problems=problems)


def table_of(
    records: Sequence[tuple[int, list[str]]],
    *,
    file: str,
    columns: Sequence[Column],
    delimiter: str,
    problems: Problems,
) -> InputTable | None:
    """Combine split rows with their headings."""
    if not records:
        names = ", ".join(column.name for column in columns)
        problems.add(file, f"is empty; the first row must be the headings {names}", code="empty")
        return None
    for row, cells in records:
        longest = max(map(len, cells))
        if longest > limits.TEXT or len(cells) > limits.COLUMNS:
            what = f"a cell of {longest:,} characters" if longest > limits.TEXT else f"{len(cells):,} cells"
            problems.add(file, f"has {what}; {_MOST_SAID}", row=row, code="too-large")
            return None
    (first, heads), body = records[0], records[1:]
    headings, named = _headings(heads, file=file, row=first, columns=columns, problems=problems)
    comma, thousands = _commas(body, headings.values(), delimiter)
    table = InputTable(
        file=file, headings=headings, named=named, rows=[], decimal_comma=comma, thousands=thousands, problems=problems
    )
    table.rows.extend(Row(table=table, number=number, cells=cells) for number, cells in body)
    _check_widths(table, heads, first, quoted=bool(delimiter))
    return table


def delimiter_of(text: str) -> str:
    """Separator of a table whose first non-comment line is the heading."""
    said = (line for line in io.StringIO(text, newline=None) if line.strip() and not line.startswith("#"))
    lines = [line.rstrip("\n") for line in itertools.islice(said, 26)]
    found = dialect(lines, headings=1, most=limits.COLUMNS)
    if found is not None:
        return DELIMITERS[found[0]]
    bare = re.sub(r'"[^"]*"', "", lines[0]) if lines else ""
    return max(DELIMITERS.values(), key=bare.count)


def dialect(lines: Sequence[str], *, headings: int, most: int) -> tuple[str, int] | None:
    """Find the separator, a key of `DELIMITERS`, and the heading: the line of words with most values below it.

    The heading is among the first `headings` lines; at most `most` cells per row are examined.

    >>> dialect(["logger 7", "time;oil, top;rpm", "0;90,5;800", "1;91,0;900"], headings=4, most=20)
    ('semicolon', 1)
    """
    best: tuple[float, str, int] | None = None
    for name, delimiter in DELIMITERS.items():
        head = [split(line, delimiter)[: most + 1] for line in lines]
        told = [(len(cells), any(map(is_value, cells))) if any(c.strip() for c in cells) else None for cells in head]
        for at, cells in enumerate(head[:headings]):
            score = _score(cells, [line for line in told[at + 1 : at + 26] if line is not None], most)
            if score > 0.0 and (best is None or score > best[0]):
                best = score, name, at
    return None if best is None else best[1:]


def _score(cells: Sequence[str], below: Sequence[tuple[int, bool]], most: int) -> float:
    """Score a line as heading: its cells times the share of matching lines with values below; 0 if one is a value.

    `below` has for each non-blank line its cell count, and whether any cell is a value.
    """
    filled = sum(1 for cell in cells if cell.strip())
    if not 2 <= filled <= most or any(map(is_value, cells)):
        return 0.0
    fitting = sum(valued and abs(count - len(cells)) <= 1 for count, valued in below)
    close = any(valued for _, valued in below[:2])  # the heading nearest its data
    return filled * (fitting / len(below)) if fitting and close else 0.0


def split(line: str, delimiter: str) -> list[str]:
    """Cells of one line; a stray quotation mark does not swallow the file."""
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return line.replace('"', "").split(delimiter)


def is_value(cell: str) -> bool:
    """Whether a cell is a number or a time.

    >>> is_value("-1.5"), is_value("12:30:05.250"), is_value("speed")
    (True, True, False)
    """
    return _VALUE.fullmatch(cell) is not None or _CLOCK.fullmatch(cell) is not None


def numbered_rows(lines: Iterable[str], delimiter: str) -> Iterator[tuple[int, list[str], int, int]]:
    """Yield number and cells of each row, its first line and the one after its last; comments and blanks only count."""
    at_start, begin = True, 0

    def read() -> Iterator[str]:
        nonlocal at_start
        for line in lines:
            comment, at_start = at_start and line.startswith("#"), False
            yield "\n" if comment else line

    reader = csv.reader(read(), delimiter=delimiter, strict=True)
    for row, cells in enumerate(reader, start=1):
        at_start = True
        if any(cell.strip() for cell in cells) and not cells[0].startswith("#"):
            yield row, cells, begin, reader.line_num
        begin = reader.line_num


def _headings(
    heads: Sequence[str], *, file: str, row: int, columns: Sequence[Column], problems: Problems
) -> tuple[dict[str, Heading], frozenset[str]]:
    known = {column.name: column for column in columns}
    found: dict[str, Heading] = {}
    seen: set[str] = set()
    for index, written in enumerate(heads):
        name, bracket, unit = split_heading(written)
        if not written.strip():
            continue
        column = known.get(name)
        if column is None:
            fault = f"unknown column; {problems.nearest(name, known)}"
        else:
            fault = "this column occurs twice; keep one" if name in seen else _unit_fault(column, bracket, unit)
            seen.add(name)
        if fault or column is None:
            problems.add(file, fault, row=row, column=" ".join(written.split())[:50], code="heading")
            continue
        scale, offset = _affine(unit, column.unit) if column.unit else (1.0, 0.0)
        found[name] = Heading(
            column=column, written=written.strip(), index=index, unit=unit, scale=scale, offset=offset
        )
    for column in columns:
        if column.required and column.name not in seen:
            problems.add(file, f"the column {column.proposal()} is missing; add it", row=row, code="missing-column")
    return found, frozenset(seen)


def split_heading(written: str) -> tuple[str, str, str]:
    """Name, opening bracket and unit of a heading; the name is the whole text when it has another form."""
    match = _HEADING.fullmatch(written.strip())
    if match is None:
        return written.strip().casefold(), "", ""
    return match[1].strip().casefold(), match[2] or "", (match[3] or "").strip()


def _unit_fault(column: Column, bracket: str, unit: str) -> str:
    if not column.unit:
        return f"this column has no unit; write '{column.name}'" if bracket else ""
    if not bracket or not unit:
        return f"the unit is missing; write {column.proposal()}"
    if not plain_unit(spelled(unit)) or not same_kind(unit, column.unit):
        return f"'{unit[:30]}' is not a unit of {column.name}; write {column.proposal()}"
    return ""


def _commas(body: Sequence[tuple[int, list[str]]], headings: Iterable[Heading], delimiter: str) -> tuple[bool, bool]:
    """Whether commas in numbers are decimal marks, and whether they can only be thousands separators."""
    indices = [heading.index for heading in headings if heading.column.number]
    cells = [row[index].strip() for _, row in body for index in indices if index < len(row)]
    decimal = [cell for cell in cells if _DECIMAL_COMMA.fullmatch(cell) is not None]
    points = any(_NUMBER.fullmatch(cell) is not None and "." in cell for cell in cells)
    thousands = points and all(_THOUSANDS.fullmatch(cell) is not None for cell in decimal)
    return delimiter in (";", "\t") and bool(decimal) and not thousands, thousands


def _joined(cells: Sequence[str], at: int) -> list[str]:
    return [*cells[:at], f"{cells[at].strip()}.{cells[at + 1].strip()}", *cells[at + 2 :]]


def _split_number(table: InputTable, row: Row, most: int) -> int | None:
    """Index of a number split in two at its decimal comma, in a row with one cell too many."""
    if len(row.cells) != most + 1:
        return None
    for at in sorted(heading.index for heading in table.headings.values() if heading.column.number):
        whole, part = (cell.strip() for cell in row.cells[at : at + 2])
        digits = whole.lstrip("-").isdigit() and part.isdigit()
        if digits and _numbers_stay(table, row.cells, _joined(row.cells, at)):
            return at
    return None


def _numbers_stay(table: InputTable, before: Sequence[str], after: Sequence[str]) -> bool:
    """Whether every column of numbers has one after a change, where it had a cell; and no other has one."""
    return all(
        (_NUMBER.fullmatch(after[heading.index].strip()) is not None) is heading.column.number
        for heading in table.headings.values()
        if before[heading.index].strip()
    )


def _check_widths(table: InputTable, heads: Sequence[str], first: int, *, quoted: bool) -> None:
    named = {index for index, text in enumerate(heads) if text.strip()}
    advice = f"every column needs a heading in row {first}"
    if quoted:
        advice = f"text with a comma needs quotation marks, and {advice}"
    for number, row in enumerate(table.rows):
        at = _split_number(table, row, len(heads)) if quoted else None
        if at is not None:
            cells = _joined(row.cells, at)
            text = f"has a cell too many; decimal comma? Write {cells[at]} for {cells[at].replace('.', ',')}"
            table.problems.add(table.file, text, row=row.number, code="not-a-number")
            table.rows[number] = replace(row, cells=cells)
            continue
        stray = [text for index, text in enumerate(row.cells) if index not in named and text.strip()]
        if stray:
            text = f"read {shown(stray[0])} in a column without a heading; {advice}"
            table.problems.add(table.file, text, row=row.number, code="heading")
    if not table.rows:
        table.problems.add(table.file, "has headings but no rows; add at least one", row=first, code="empty")
