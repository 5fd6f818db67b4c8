"""The text of a log as rows of cells: compression, encoding, separator, lines before the heading.

Logs vary widely and can be large: the file is processed in blocks and never held whole. Findings are
reported as notes; a file that is not a table of readings is refused.
"""

import codecs
import io
import itertools
import re
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

from planner.files import limits
from planner.files.channels import known_unit
from planner.files.logtime import POINTED, split_unit
from planner.files.reading import WEB_PAGE, ZIP, is_web_page, opened, refused
from planner.files.tables import DELIMITERS, dialect, is_value, split
from planner.model.errors import PlannerError
from thermal.errors import shown

_BLOCK = 1 << 18  # bytes read at a time; split into cells they take thirty times as much
_LONGEST = 500  # of a heading, before cleaning
_HEAD_LINES = 200  # the heading is within this many lines
_SAMPLE, _LATER = 20_000, 15  # rows sampled: at the beginning, and in each later block
_SPACE = " ,;|\t"
_SAME = 0.9  # share of rows with as many cells as most: then the others are damaged
_SIGNS = str.maketrans("\u00a0\u2007\u2009\u202f\u2212\u2013\u2014\u2019", "    ---'")
_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d*)?", re.ASCII)
_COMMA_NUMBER = re.compile(r"[-+]?\d*(?:,\d+)+(?:\.\d*)?", re.ASCII)
BLANKS = frozenset(("", "-", "--", "---", "n/a", "na", "nan", "null", "none", "?", "no data", "nodata", "#n/a"))
BLANKS |= {"inf", "-inf", "*", "**", "***", "err", "error"}

Columns = Sequence[Sequence[str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogText:
    """A scanned log: its cell layout and a sample of rows."""

    file: str
    source: "Path | bytes"
    encoding: str
    delimiter: str
    width: int  # separators in every row; -1 if rows differ
    commas: str  # what a comma in a number is: a 'decimal' mark, 'thousands', or 'either'
    heading_row: int  # counts from 1
    headings: tuple[str, ...]  # cleaned; a repeated one gets the suffix ' #2'
    units: tuple[str, ...]  # from a row of units below, empty if there is none
    rows: list[list[str]]  # sample, all rows of a small log
    count: int
    notes: tuple[str, ...]  # corrections

    @property
    def decimal_comma(self) -> bool:
        """Whether numbers are written 1,5."""
        return self.commas == "decimal"

    def blocks(self) -> Iterator[Columns]:
        """Yield all rows of the log in blocks, as cells by column."""
        skip = self.heading_row + any(self.units)
        for lines in _lines(self.source, self.file, self.encoding):
            held, _ = _reading_lines(lines[skip:], self)
            skip = max(0, skip - len(lines))
            if held:
                yield _columns(held, self)


def _columns(lines: Sequence[str], log: LogText) -> Columns:
    """Cells by column; short rows are padded with empty cells."""
    mark, count, width = DELIMITERS[log.delimiter], len(log.headings), log.width + 1
    text = mark.join(lines)
    if width > 0 and '"' not in text:
        cells = text.split(mark)
        return [cells[i::width] if i < width else [""] * len(lines) for i in range(count)]
    rows = [split(line, mark) for line in lines]
    if all(len(row) >= count for row in rows):
        return list(zip(*rows, strict=False))
    return list(zip(*([*row, *[""] * (count - len(row))] for row in rows), strict=False))


def is_blank(cell: str) -> bool:
    """Whether a cell is empty or marks a missing reading.

    >>> is_blank(" - "), is_blank("0")
    (True, False)
    """
    return cell.strip().casefold() in BLANKS


def read_log_text(path: Path) -> LogText:
    """Scan a log file: delimited text, optionally gzip-compressed."""
    return _look_through(path, path.name)


def cut(text: str, *, file: str) -> LogText:
    r"""Scan a log's text.

    >>> log = cut("logger v2\n\ntime;oil (C)\n0;20,5\n1;21,0\n2;21,5\n", file="a.csv")
    >>> log.headings, log.decimal_comma, log.heading_row, len(log.rows)
    (('time', 'oil (C)'), True, 3, 3)
    """
    return _look_through(text.encode("utf-8", errors="replace"), file)


# --- bytes ---


def _blocks(source: Path | bytes, file: str) -> Iterator[bytes]:
    with io.BytesIO(source) if isinstance(source, bytes) else _open(source) as held:
        size = held.seek(0, io.SEEK_END)
        held.seek(0)
        first = held.read(_BLOCK)
        most = min(limits.LOG_TEXT, max(limits.FREE_BYTES, limits.LOG_PACKING * size))
        yield from _unpacked(held, first, file, most) if first[:2] == b"\x1f\x8b" else _plain(held, first)


def _open(path: Path) -> BinaryIO:
    try:
        return opened(path, max_bytes=limits.LOG_BYTES)
    except (OSError, ValueError) as exc:
        why = f"cannot be opened ({getattr(exc, 'strerror', None) or exc})"
        message = f"{str(path)[-80:]}: {why}; give the path of a log of at most {limits.LOG_BYTES / 1e6:.0f} MB"
        raise PlannerError(message) from exc


def _plain(held: BinaryIO, block: bytes) -> Iterator[bytes]:
    while block:
        yield block
        block = held.read(_BLOCK)


def _unpacked(held: BinaryIO, block: bytes, file: str, most: int) -> Iterator[bytes]:
    """Decompress gzip with a size limit."""
    engine, size, parts, at_end = zlib.decompressobj(wbits=31), 0, 1, False
    while block:
        if engine.eof:  # another part was appended
            if block[:2] != b"\x1f\x8b":
                return
            engine, parts = zlib.decompressobj(wbits=31), parts + 1
            if parts > limits.LOG_PARTS:
                raise refused(file, f"is packed in more than {limits.LOG_PARTS:,} parts; unpack it yourself")
        try:
            out = engine.decompress(block, _BLOCK)
        except zlib.error as exc:
            raise refused(file, f"the compressed file is damaged ({exc}); copy it from the logger again") from exc
        size += len(out)
        if size > most:
            advice = "implausible for a log of its size; decompress it yourself"
            raise refused(file, f"is larger than {most / 1e6:.0f} MB decompressed, {advice}")
        yield out
        at_end = engine.eof
        block = engine.unconsumed_tail or engine.unused_data or held.read(_BLOCK)
    if not at_end:
        raise refused(file, "the compressed file is cut short; copy it from the logger again, or unpack what there is")


def _encoding(source: Path | bytes, file: str) -> tuple[str, list[str]]:
    """UTF-8, UTF-16 with or without byte order mark, else Windows-1252."""
    engine = codecs.getincrementaldecoder("utf-8")()
    for number, block in enumerate(_blocks(source, file)):
        if number == 0:
            sixteen = _sixteen(block)
            if sixteen:
                return sixteen, ["written as UTF-16"]
            if block.startswith(ZIP):
                raise refused(file, "is a spreadsheet or zip archive; save the sheet as CSV, or unpack the log")
            if b"\x00" in block[:10_000]:
                raise refused(file, "is not text; export the log as CSV")
        try:
            engine.decode(block)
        except UnicodeDecodeError:
            return "cp1252", ["not UTF-8; read as Windows-1252"]
    return "utf-8-sig", []


def _sixteen(block: bytes) -> str:
    """Name of the UTF-16 encoding, from its byte order mark or from alternating zero bytes; else None."""
    if block[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        return "utf-16"
    head = block[:4000]
    half, even, odd = 0.4 * (len(head) // 2), head[::2].count(0), head[1::2].count(0)
    if len(head) <= 20 or not min(even, odd) < half < max(even, odd):
        return ""
    return "utf-16-le" if odd > even else "utf-16-be"


# --- lines ---


def _lines(source: Path | bytes, file: str, encoding: str) -> Iterator[list[str]]:
    engine = codecs.getincrementaldecoder(encoding)(errors="replace")
    rest = before = ""
    for block in _blocks(source, file):
        text = rest + engine.decode(block)
        text = text if text.isascii() else text.translate(_SIGNS)
        end = text.rfind("\n")
        if end < 0:
            end = text.rfind("\r", 0, len(text) - 1)
        lines = text[: end + 1].splitlines()
        before = lines[-1] if lines else before
        yield lines
        rest = text[end + 1 :]
        if len(rest) > _BLOCK:
            yield [rest]  # longer than any line may be
            return
    last = (rest + engine.decode(b"", True)).splitlines()
    yield last[:-1] if len(last) == 1 and _is_cut(last[0], before) else last


def _is_cut(last: str, before: str) -> bool:
    """Whether a last line that does not end may have lost some of its last cell."""
    one, other = (re.split(r"[,;|\t]", line)[-1].strip() for line in (last, before))
    return bool(before) and len(one) < len(other) and other[:1].isdigit()


def clean(text: str) -> str:
    """Heading with repaired degree sign and collapsed white space, truncated.

    >>> clean("Coolant [Â°C]"), clean("Öl [Ã‚Â°C]"), clean("oil (\ufffdF)")
    ('Coolant [°C]', 'Öl [°C]', 'oil (°F)')
    """
    text = text[:_LONGEST]
    text = re.sub(r"(?:Ã‚|Â|Ã\x82)*+[°º˚](?=\s*[CFKcf]?\b)", "°", text)
    text = re.sub(r"\ufffd+(?=[CF]\b)", "°", text)
    text = "".join(char if char.isprintable() else " " for char in text)
    return " ".join(text.split())[:120]


def _look_through(source: Path | bytes, file: str) -> LogText:
    """Find a log's layout, and keep a sample of its rows."""
    encoding, notes = _encoding(source, file)
    log: LogText | None = None
    lines_seen = cells = odd = count = 0
    sample: list[list[str]] = []
    head: list[str] = []
    widths: Counter[int] = Counter()
    for lines in _lines(source, file, encoding):
        lines_seen += len(lines)
        cells += sum(map("".join(lines).count, ",;\t|" if log is None else DELIMITERS[log.delimiter]))
        _check_bounds(lines, lines_seen, cells, file)
        if log is None:
            head += lines
            if len(head) < _HEAD_LINES + 30:
                continue
            lines, head = head, []
            log = _layout(lines, source, file, encoding)
            lines = lines[log.heading_row + any(log.units) :]
        held, dropped = _reading_lines(lines, log)
        widths.update(_widths(held, DELIMITERS[log.delimiter]))
        odd, count = odd + dropped, count + len(held)
        sample += [split(line, DELIMITERS[log.delimiter]) for line in held[: max(_SAMPLE - len(sample), _LATER)]]
    if log is None:
        log = _layout(head, source, file, encoding)
        held, odd = _reading_lines(head[log.heading_row + any(log.units) :], log)
        widths.update(_widths(held, DELIMITERS[log.delimiter]))
        sample, count = [split(line, DELIMITERS[log.delimiter]) for line in held], len(held)
    if odd:
        notes.append(f"{odd} lines within the data without readings ignored")
    width, most = max(widths.items(), key=lambda item: item[1], default=(-1, 0))
    if most and most >= _SAME * count:
        if most < count:
            notes.append(f"{count - most:,} rows with more or fewer cells than the others ignored")
        log, count = replace(log, width=width), most
        sample = [row for row in sample if len(row) == width + 1]
    _check_widths(sample, log)
    return replace(log, rows=sample, count=count, commas=_commas(sample), notes=(*notes[:1], *log.notes, *notes[1:]))


def _check_bounds(lines: list[str], lines_seen: int, cells: int, file: str) -> None:
    if lines_seen > limits.LOG_ROWS:
        raise refused(file, f"has more than {limits.LOG_ROWS:,} lines; split it by day")
    longest = max(map(len, lines), default=0)
    if longest > limits.LOG_LINE or cells > limits.LOG_CELLS:
        most = f"{limits.LOG_CELLS:,} cells, or {limits.LOG_LINE:,} characters in a line ({longest:,})"
        raise refused(file, f"has more than {most}; split it by day, or export fewer channels")


def _layout(lines: list[str], source: Path | bytes, file: str, encoding: str) -> LogText:
    if is_web_page("\n".join(lines[:20])):
        raise refused(file, WEB_PAGE)
    found = dialect(lines[: _HEAD_LINES + 30], headings=_HEAD_LINES, most=limits.LOG_COLUMNS)
    if found is None:
        needed = "a row of column names, separated by comma, semicolon, tab or bar, with numbers below it"
        raise refused(file, f"no heading with readings below it in the first {_HEAD_LINES} lines; a log needs {needed}")
    name, at = found
    if at and _are_units(_unit_cells(lines[at], name)) and _names(split(lines[at - 1], DELIMITERS[name])):
        at -= 1
    headings = [clean(cell) for cell in split(lines[at], DELIMITERS[name])[: limits.LOG_COLUMNS]]
    while headings and not headings[-1]:
        headings.pop()
    notes = [f"{at} lines before the heading ignored, the first {shown(clean(lines[0]))}"] if at else []
    units = _unit_cells(lines[at + 1] if at + 1 < len(lines) else "", name)[: len(headings)]
    return LogText(
        file=file,
        source=source,
        encoding=encoding,
        delimiter=name,
        width=-1,
        commas="",
        heading_row=at + 1,
        headings=_unlike(headings),
        units=units if _are_units(units) else (),
        rows=[],
        count=0,
        notes=tuple(notes),
    )


def _unit_cells(line: str, delimiter: str) -> tuple[str, ...]:
    return tuple(clean(cell).strip("[]() ") for cell in split(line, DELIMITERS[delimiter]))


def _names(cells: list[str]) -> bool:
    return sum(bool(cell.strip()) for cell in cells) > 1 and not any(map(is_value, cells))


def _are_units(cells: tuple[str, ...]) -> bool:
    """Whether a row below the heading contains units: at least one known unit, no reading."""
    said = [cell for cell in cells if cell]
    known = sum(known_unit(cell) is not None for cell in said)
    return not any(map(is_value, said)) and known >= max(2, 0.3 * len(said))


def _widths(lines: list[str], mark: str) -> list[int]:
    """Separators between the cells of each line."""
    if '"' not in "".join(lines):
        return list(map(str.count, lines, itertools.repeat(mark)))
    return [line.count(mark) if '"' not in line else len(split(line, mark)) - 1 for line in lines]


def _reading_lines(lines: list[str], log: LogText) -> tuple[list[str], int]:
    """Lines with a value and not damaged, and the count of other non-blank lines."""
    delimiter = DELIMITERS[log.delimiter]
    held: list[str] = []
    odd = 0
    plain = "".join([line[:1] for line in lines])
    if len(plain) == len(lines) and plain.isdigit() and max(map(len, lines)) < limits.LOG_COLUMNS:
        held, lines = lines, []  # the usual block
    for line in lines:
        if line[:1].isdigit() and (len(line) < limits.LOG_COLUMNS or line.count(delimiter) < limits.LOG_COLUMNS):
            held.append(line)
        elif line.strip(_SPACE):
            cells = split(line, delimiter)
            good = len(cells) <= limits.LOG_COLUMNS and not _is_remark(line, delimiter) and any(map(is_value, cells))
            good = good and not _is_heading(cells, log)
            odd += not good
            held += [line] if good else []
            if not good:
                _check_heading(cells, log)
    if log.width >= 0:
        widths = _widths(held, delimiter)
        if set(widths) != {log.width}:
            held = [line for line, width in zip(held, widths, strict=True) if width == log.width]
    return held, odd


def _is_remark(line: str, delimiter: str) -> bool:
    return line.lstrip()[:1] in "#%!;" and not line.startswith(delimiter)


def _is_heading(cells: list[str], log: LogText) -> bool:
    names = log.headings
    return clean(cells[0]) == names[0] and _unlike([clean(c) for c in cells[: len(names)]]) == names


def _check_heading(cells: list[str], log: LogText) -> None:
    """Refuse a log that goes on with other columns."""
    names = [name for cell in cells[: limits.LOG_COLUMNS] if (name := clean(cell))]
    if (
        len(set(names) & set(log.headings)) > 1
        and not _is_heading(cells, log)
        and names != [h for h in log.headings if h in names]
    ):
        text = f"has a second heading with other columns, {shown(', '.join(names)[:200])}; split the log there"
        raise refused(log.file, text)


def _check_widths(rows: list[list[str]], log: LogText) -> None:
    """Refuse a log that uses the comma as both decimal mark and separator."""
    wide = sum(any(cell.strip() for cell in row[len(log.headings) :]) for row in rows)
    if rows and wide > 0.1 * len(rows):
        advice = "Export with decimal points, or with semicolons between cells"
        text = f"{wide:,} of {len(rows):,} rows have more cells than the heading; is the comma both decimal mark and"
        raise refused(log.file, f"{text} separator? {advice}")


def _commas(rows: list[list[str]]) -> str:
    """Meaning of commas in numbers: decimal mark, thousands, or either; empty if there are none."""
    points = decimals = 0
    columns: dict[int, list[int]] = {}  # cells whose comma may separate thousands, and other numbers
    for row in rows[:4000]:
        for index, cell in enumerate(row):
            text = split_unit(cell)[0] if "," in cell or "." in cell else cell
            if "," in text and _COMMA_NUMBER.fullmatch(text) is not None:
                may_be = _THOUSANDS.fullmatch(text) is not None
                decimals += not may_be
                columns.setdefault(index, [0, 0])[0] += may_be
            elif is_value(text) and ":" not in text:
                points += "." in text and POINTED.fullmatch(text.strip()) is None
                columns.setdefault(index, [0, 0])[1] += text.isdigit()
    grouped = [held for held in columns.values() if held[0]]
    if decimals:
        return "decimal" if decimals > points else ""
    if not grouped:
        return ""
    return "thousands" if points or any(plain for _, plain in grouped) else "either"


def _unlike(headings: list[str]) -> tuple[str, ...]:
    """Make headings unique; an empty one is named by its position."""
    out: list[str] = []
    for i, text in enumerate(headings):
        name = text or f"column {i + 1}"
        number = 2
        while name in out:
            name = f"{text} #{number}"
            number += 1
        out.append(name)
    return tuple(out)
