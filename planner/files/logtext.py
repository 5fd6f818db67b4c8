"""The text of a log as rows of cells: packing, characters, what separates cells, junk before the heading.

Loggers write anything. What is found is noted in sentences; what cannot be a table of readings is refused in one.
"""

import csv
import gzip
import re
import zlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from planner.files import limits
from planner.model.errors import PlannerError
from thermal.tomltext import shown, whole

_ENDS = "\n\r\v\f\x1c\x1d\x1e\x85\u2028\u2029"
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t"}
_LONGEST = 500  # of a heading, before what is no part of it is taken out
_JUNK_ROWS = 200  # the heading stands in the first so many lines
NUMBER = re.compile(r"\s*[-+]?(?:\d++[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d+)?\s*", re.ASCII)
CLOCK = re.compile(
    r"\s*(?:[\d./-]{6,10}[ T]\s*)?\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?\s*+(?:[AaPp][Mm]|Z|[-+]\d{2}:?\d{2})?\s*"
)
BLANKS = frozenset(("", "-", "--", "n/a", "na", "nan", "null", "none", "?", "no data", "nodata", "#n/a", "inf", "-inf"))


@dataclass(frozen=True, slots=True, kw_only=True)
class LogText:
    """A log cut into cells.

    Attributes
    ----------
    delimiter : str
        A key of `DELIMITERS`.
    decimal_comma : bool
        Whether numbers are written 1,5.
    heading_row : int
        Line of the heading as an editor counts.
    headings : tuple of str
        Cleaned; one that stands twice has ' #2' behind it.
    rows : list of list of str
        Cells below the heading.
    notes : tuple of str
        What was found and put right.
    """

    file: str
    delimiter: str
    decimal_comma: bool
    heading_row: int
    headings: tuple[str, ...]
    rows: list[list[str]]
    notes: tuple[str, ...]


def is_blank(cell: str) -> bool:
    """Tell whether a cell says that there is no reading.

    Parameters
    ----------
    cell : str
        Its text. [-]

    Returns
    -------
    bool
        True for an empty cell and the usual words for nothing.

    Examples
    --------
    >>> is_blank(" - "), is_blank("0")
    (True, False)
    """
    return cell.strip().casefold() in BLANKS


def read_log_text(path: Path) -> LogText:
    """Read a log, packed or not, and cut it into cells.

    Parameters
    ----------
    path : Path
        A CSV of any shape, or one packed with gzip. [-]

    Returns
    -------
    LogText
        Headings and rows.

    Raises
    ------
    PlannerError
        If it cannot be read, is too large, or holds no table.
    """
    text, notes = _decode(_bytes(path), path.name)
    return cut(text, file=path.name, notes=notes)


def _bytes(path: Path) -> bytes:
    """Read the file, unpacked, within bounds."""
    try:
        data = whole(path, max_bytes=limits.LOG_BYTES)
    except (OSError, ValueError) as exc:
        why = f"cannot be opened ({getattr(exc, 'strerror', None) or exc})"
        message = f"{str(path)[-80:]}: {why}; give the path of a log of at most {limits.LOG_BYTES / 1e6:.0f} MB"
        raise PlannerError(message) from exc
    return _unpack(data, path.name) if data[:2] == b"\x1f\x8b" else data


def _unpack(data: bytes, file: str) -> bytes:
    """Undo gzip without letting a small file grow without end."""
    engine = zlib.decompressobj(wbits=31)
    most = min(limits.LOG_TEXT, max(limits.FREE_BYTES, limits.LOG_PACKING * len(data)))
    try:
        out = engine.decompress(data, most)
    except (zlib.error, gzip.BadGzipFile) as exc:
        message = f"{file}: the packed file is damaged ({exc}); copy it from the logger again"
        raise PlannerError(message) from exc
    if engine.unconsumed_tail:
        message = f"{file}: is larger than {most / 1e6:.0f} MB unpacked, as no log of its size is; unpack it yourself"
        raise PlannerError(message)
    return out


def _decode(data: bytes, file: str) -> tuple[str, list[str]]:
    """Bytes as text: UTF-8, UTF-16 with its mark, else the Western code page."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace"), ["written as UTF-16"]
    try:
        text, notes = data.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        text, notes = data.decode("cp1252", errors="replace"), ["not UTF-8; read as Windows-1252"]
    if "\x00" in text[:10_000]:
        message = f"{file}: is not text; export the log as CSV"
        raise PlannerError(message)
    return text, notes


def clean(text: str) -> str:
    """Heading without what a wrong code page made of the degree sign.

    Parameters
    ----------
    text : str
        As written. [-]

    Returns
    -------
    str
        White space collapsed, control characters gone; no more than its beginning.

    Examples
    --------
    >>> clean("Coolant [Â°C]"), clean("Öl [Ã‚Â°C]"), clean("oil (\ufffdF)")
    ('Coolant [°C]', 'Öl [°C]', 'oil (°F)')
    """
    text = text[:_LONGEST]
    text = re.sub(r"(?:Ã‚|Â|Ã\x82)*+[°º˚](?=\s*[CFKcf]?\b)", "°", text)
    text = re.sub(r"\ufffd+(?=[CF]\b)", "°", text)
    text = "".join(char if char.isprintable() else " " for char in text)
    return " ".join(text.split())[:120]


def cut(text: str, *, file: str, notes: list[str] | None = None) -> LogText:
    r"""Cut a text into headings and rows.

    Parameters
    ----------
    text : str
        The log. [-]
    file : str
        Its name in messages. [-]
    notes : list of str, optional
        What is known of it already. [-]

    Returns
    -------
    LogText
        Headings and rows; a heading repeated within the data is dropped.

    Raises
    ------
    PlannerError
        If no heading with readings below it is found, or there is too much.

    Examples
    --------
    >>> log = cut("logger v2\n\ntime;oil (C)\n0;20,5\n1;21,0\n2;21,5\n", file="a.csv")
    >>> log.headings, log.decimal_comma, log.heading_row, len(log.rows)
    (('time', 'oil (C)'), True, 3, 3)
    """
    found = list(notes or [])
    if sum(map(text.count, _ENDS)) > limits.LOG_ROWS:
        message = f"{file}: has more than {limits.LOG_ROWS:,} lines; split it by day"
        raise PlannerError(message)
    lines = text.splitlines()
    longest = max(map(len, lines), default=0)
    if longest > limits.LOG_LINE or sum(map(text.count, ",;\t")) > limits.LOG_CELLS:
        message = (
            f"{file}: has more than {limits.LOG_CELLS:,} cells, or {limits.LOG_LINE:,} characters in a line "
            f"({longest:,}); split it by day, or export fewer channels"
        )
        raise PlannerError(message)
    name, at = _heading(lines, file)
    headings = [clean(cell) for cell in _cells(lines[at], DELIMITERS[name])[: limits.LOG_COLUMNS]]
    while headings and not headings[-1]:
        headings.pop()
    rows, odd = _rows(lines[at + 1 :], DELIMITERS[name], headings)
    if at:
        found.append(f"{at} lines before the heading left out, the first {shown(clean(lines[0]))}")
    if odd:
        found.append(f"{odd} lines within the data that are no readings left out")
    comma = _decimal_comma(rows)
    return LogText(
        file=file,
        delimiter=name,
        decimal_comma=comma,
        heading_row=at + 1,
        headings=_unlike(headings),
        rows=rows,
        notes=tuple(found),
    )


def _cells(line: str, delimiter: str) -> list[str]:
    """Cells of one line; a stray quotation mark does not swallow the file."""
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return line.replace('"', "").split(delimiter)


def is_value(cell: str) -> bool:
    """Tell whether a cell holds a number or a time.

    Parameters
    ----------
    cell : str
        Its text. [-]

    Returns
    -------
    bool
        False for words and for nothing.

    Examples
    --------
    >>> is_value("-1.5"), is_value("12:30:05.250"), is_value("speed")
    (True, True, False)
    """
    return NUMBER.fullmatch(cell) is not None or CLOCK.fullmatch(cell) is not None


def _heading(lines: list[str], file: str) -> tuple[str, int]:
    """Find what separates cells and the heading: the line of words with the most readings under it."""
    best: tuple[float, str, int] | None = None
    for name, delimiter in DELIMITERS.items():
        head = [_cells(line, delimiter)[: limits.LOG_COLUMNS + 1] for line in lines[: _JUNK_ROWS + 30]]
        told = [(len(cells), any(map(is_value, cells))) if any(c.strip() for c in cells) else None for cells in head]
        for at, cells in enumerate(head[:_JUNK_ROWS]):
            score = _score(cells, [line for line in told[at + 1 : at + 26] if line is not None])
            if score > 0.0 and (best is None or score > best[0]):
                best = score, name, at
    if best is None:
        message = (
            f"{file}: no heading with readings below it in the first {_JUNK_ROWS} lines; a log needs a line of names, "
            "separated by comma, semicolon or tab, and numbers under it"
        )
        raise PlannerError(message)
    return best[1], best[2]


def _score(cells: list[str], below: list[tuple[int, bool]]) -> float:
    """Say how much a line looks like a heading: columns named, times the share of lines below that fit and hold values.

    `below` has for each line that is not blank its cells, counted, and whether any is a value.
    """
    named = sum(1 for cell in cells if cell.strip() and not is_value(cell))
    filled = sum(1 for cell in cells if cell.strip())
    if not 2 <= filled <= limits.LOG_COLUMNS or named < filled:
        return 0.0
    fitting = sum(valued and abs(count - len(cells)) <= 1 for count, valued in below)
    close = any(valued for _, valued in below[:2])  # the heading nearest its data
    return filled * (fitting / len(below)) if fitting and close else 0.0


def _rows(lines: list[str], delimiter: str, headings: list[str]) -> tuple[list[list[str]], int]:
    """Rows that hold a value; blank ones are dropped, others counted."""
    rows: list[list[str]] = []
    odd = 0
    for line in lines:
        if not line.strip(" ,;\t"):
            continue
        cells = _cells(line, delimiter)
        first = clean(cells[0]) == headings[0] and [clean(c) for c in cells[: len(headings)]] == headings
        if first or len(cells) > limits.LOG_COLUMNS or not any(map(is_value, cells)):
            odd += 1
        else:
            rows.append(cells)
    return rows, odd


def _decimal_comma(rows: list[list[str]]) -> bool:
    """Whether commas stand within numbers."""
    count = Counter(
        mark for row in rows[:2000] for cell in row if NUMBER.fullmatch(cell) for mark in (",", ".") if mark in cell
    )
    return count[","] > count["."]


def _unlike(headings: list[str]) -> tuple[str, ...]:
    """Make headings differ; a nameless one gets its place."""
    out: list[str] = []
    for i, text in enumerate(headings):
        name = text or f"column {i + 1}"
        number = 2
        while name in out:
            name = f"{text} #{number}"
            number += 1
        out.append(name)
    return tuple(out)
