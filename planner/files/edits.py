"""Changing one value in a file typed by a person; comments, order and spaces stay.

Each function reads the new text back to make sure that nothing else has changed, and returns it.
"""

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from planner.files.reading import TextError
from planner.files.settingsheets import read_setting
from planner.files.tables import delimiter_of, numbered_rows, split_heading
from planner.files.tomlfile import read_toml
from planner.model.errors import PlannerError

_PLAIN_CELL = re.compile(r'[^"\r\n]*')


def read_changed(text: str) -> Any:
    """Read TOML for editing; `PlannerError` if only a text editor can change it."""
    try:
        return tomlkit.parse(text)
    except TOMLKitError as exc:
        message = f"cannot be changed here ({exc}); change it in a text editor"
        raise PlannerError(message) from exc


def set_key(text: str, key: str, value: Any) -> str:
    r"""Set one key of a TOML text, `day.driving` in its table; None removes it.

    >>> set_key('name = "July"  # ours\n\n[day]\nstart = "08:00"\n', "departure", "2027-07-06 07:00")
    'name = "July"  # ours\ndeparture = "2027-07-06 07:00"\n\n[day]\nstart = "08:00"\n'
    """
    wanted = read_toml(text)
    if _at(wanted, key) == value or (value is None and _at(wanted, key) is None):
        return text
    _put(wanted, key, value)
    document = read_changed(text)
    table_key, _, name = key.rpartition(".")
    if table_key and table_key not in document:
        if value is None:
            return text
        document.add(table_key, tomlkit.table())
    table = document[table_key] if table_key else document
    if value is None:
        del table[name]
    elif name in table or table_key:
        table[name] = value
    else:
        return _checked(_at_top(text, name, value), wanted)
    return _checked(tomlkit.dumps(document), wanted)


def _at_top(text: str, name: str, value: Any) -> str:
    """Insert a new key before the first table, after the other keys."""
    lines = text.splitlines(keepends=True)
    depth, end = 0, 0
    for number, one in enumerate(lines):
        bare = re.sub(r'"(?:\\.|[^"\\])*"|\'[^\']*\'|#.*', "", one)
        if depth == 0 and bare.lstrip().startswith("["):
            break
        depth += bare.count("[") + bare.count("{") - bare.count("]") - bare.count("}")
        if bare.strip():
            end = number + 1
    return _line_ended("".join(lines[:end])) + tomlkit.dumps({name: value}) + "".join(lines[end:])


def _line_ended(text: str) -> str:
    return text if not text or text.endswith("\n") else text + "\n"


def _at(data: Mapping[str, Any], key: str) -> Any:
    table, _, name = key.rpartition(".")
    held = data.get(table, {}) if table else data
    return held.get(name) if isinstance(held, dict) else None


def _put(data: dict[str, Any], key: str, value: Any) -> None:
    table, _, name = key.rpartition(".")
    held = data.setdefault(table, {}) if table else data
    if value is None:
        held.pop(name, None)
    else:
        held[name] = value


def set_list(text: str, key: str, items: Sequence[Mapping[str, Any]]) -> str:
    r"""Set the tables written as [[key]]; unchanged ones keep their comments.

    >>> print(set_list('name = "July"\n', "halt", [{"place": "raton", "duration": "20 min"}]))
    name = "July"
    <BLANKLINE>
    [[halt]]
    place = "raton"
    duration = "20 min"
    <BLANKLINE>
    """
    wanted = read_toml(text)
    wanted[key] = [dict(item) for item in items]
    document = read_changed(text)
    held = document.get(key)
    if held is None:
        return _checked(_line_ended(text) + "".join(f"\n[[{key}]]\n{tomlkit.dumps(item)}" for item in items), wanted)
    for number in reversed(range(len(held))):
        if held[number].unwrap() not in wanted[key]:
            del held[number]
    there = held.unwrap()
    for item in wanted[key]:
        if item not in there:
            table = tomlkit.table()
            table.update(item)
            held.append(table)
    wanted[key] = held.unwrap()  # unchanged ones come first
    if not items:
        del document[key], wanted[key]
    return _checked(tomlkit.dumps(document), wanted)


def set_car(text: str, key: str, value: Any, source: str) -> str:
    r"""Set a value of a car with its source; None restores the class's value.

    >>> print(set_car('base = "estate-1990s-six"\n', "body.mass", "1900 kg", "weighed"))
    base = "estate-1990s-six"
    <BLANKLINE>
    [body]
    mass = {value = "1900 kg", source = "weighed"}
    <BLANKLINE>
    """
    section, _, name = key.partition(".")
    wanted, document = read_toml(text), read_changed(text)
    if value is None:
        return set_key(text, key, None)
    made = tomlkit.inline_table()
    made.update({"value": value, "source": source})
    _put(wanted, key, made.unwrap())
    if section not in document:
        return _checked(f"{_line_ended(text)}\n[{section}]\n{name} = {made.as_string()}\n", wanted)
    document[section][name] = made
    return _checked(tomlkit.dumps(document), wanted)


def _checked(made: str, wanted: Mapping[str, Any]) -> str:
    """Return a text if it has the wanted contents; raise otherwise."""
    try:
        said: object = read_toml(made)
    except TextError as exc:
        said = str(exc)
    if said != wanted:
        message = "cannot be changed here without touching other lines; change it in a text editor"
        raise PlannerError(message)
    return made


def typed(key: str, text: str) -> Any:
    """Convert the text typed for a key of trip.toml to the file's value; None if it is empty."""
    return read_setting(key.rpartition(".")[2], text.strip()) if text.strip() else None


# --- tables ---


class _Table:
    """A CSV text by rows; cells that are not set keep every byte, columns that are missing are appended."""

    def __init__(self, text: str, columns: Iterable[str]) -> None:
        self._delimiter, self._lines = delimiter_of(text), list(io.StringIO(text, newline=""))
        self.spans = {row: (begin, end) for row, _, begin, end in numbered_rows(self._lines, self._delimiter)}
        self.head = min(self.spans)
        heads = next(csv.reader([self._row(self.head)], delimiter=self._delimiter))
        self.names = [split_heading(cell.lstrip("\ufeff"))[0] for cell in heads]
        new = {name: written for written in columns if (name := split_heading(written)[0]) not in self.names}
        self.put(self.head, dict(enumerate(new.values(), start=len(heads))))
        self.names += new

    def _row(self, row: int) -> str:
        begin, end = self.spans[row]
        return "".join(self._lines[begin:end])

    def put(self, row: int, cells: Mapping[int, str]) -> None:
        """Set some cells of a row by their index."""
        begin, end = self.spans[row]
        if cells:
            self._lines[begin:end] = [self.with_cells(self._row(row), cells), *[""] * (end - begin - 1)]

    def with_cells(self, record: str, cells: Mapping[int, str]) -> str:
        """Set some cells of a row's text."""
        body = record.rstrip("\r\n")
        parts = _parts(body, self._delimiter)
        for index, value in sorted(cells.items()):
            parts += [""] * (index + 1 - len(parts))
            plain = self._delimiter not in value and _PLAIN_CELL.fullmatch(value) is not None
            parts[index] = value if plain else '"' + value.replace('"', '""') + '"'
        return self._delimiter.join(parts) + record[len(body) :]

    def text(self) -> str:
        """Return the whole table."""
        return "".join(self._lines)


def set_cells(text: str, changes: Mapping[tuple[int, str], str]) -> str:
    r"""Set cells of a CSV text by row and column; missing columns are appended.

    Rows count as in messages: the heading of a file without comments is row 1.

    >>> set_cells("from,to,speed [mph]\n# long\na, b ,55\n", {(3, "speed"): "45", (3, "note"): "slow, hot"})
    'from,to,speed [mph],note\n# long\na, b ,45,"slow, hot"\n'
    """
    table = _Table(text, (name for _, name in changes))
    wanted: dict[int, dict[int, str]] = {}
    for (row, name), value in changes.items():
        if row not in table.spans or row == table.head:
            message = f"row {row}: the file no longer has this row; reload the page"
            raise PlannerError(message)
        wanted.setdefault(row, {})[table.names.index(split_heading(name)[0])] = value
    for row, cells in wanted.items():
        table.put(row, cells)
    return table.text()


def add_columns(text: str, columns: Sequence[str]) -> str:
    r"""Append columns to a CSV text, unless it has them.

    >>> add_columns("name,high [degF]\nRaton\n", ["high [degC]", "low [degF]"])
    'name,high [degF],low [degF]\nRaton\n'
    """
    return _Table(text, columns).text()


def add_row(text: str, cells: Mapping[str, str]) -> str:
    r"""Add a row to a CSV text; missing columns are appended.

    >>> add_row("when,coolant [degF]\n", {"when": "2027-07-11 14:20", "coolant": "196"})
    'when,coolant [degF]\n2027-07-11 14:20,196\n'
    """
    table = _Table(text if text.endswith("\n") else text + "\n", cells)
    given = {split_heading(name)[0]: value for name, value in cells.items()}
    return table.text() + table.with_cells("\n", {n: given.get(name, "") for n, name in enumerate(table.names)})


def _parts(body: str, delimiter: str) -> list[str]:
    """Split a row into cells as written, quotation marks included."""
    parts, begin, quoted = [], 0, False
    for at, sign in enumerate(body):
        if sign == '"':
            quoted = not quoted
        elif sign == delimiter and not quoted:
            parts.append(body[begin:at])
            begin = at + 1
    return [*parts, body[begin:]]
