"""Changing one value in a file typed by a person; comments, order and spaces stay.

Each function reads the new text back to make sure that nothing else has changed, and returns it.
"""

import csv
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
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
    line = tomlkit.dumps({name: value})
    lines = text.splitlines(keepends=True)
    depth, end = 0, 0
    for number, one in enumerate(lines):
        bare = re.sub(r'"(?:\\.|[^"\\])*"|\'[^\']*\'|#.*', "", one)
        if depth == 0 and bare.lstrip().startswith("["):
            break
        depth += bare.count("[") + bare.count("{") - bare.count("]") - bare.count("}")
        if bare.strip():
            end = number + 1
    before = "".join(lines[:end])
    return before + ("" if not before or before.endswith("\n") else "\n") + line + "".join(lines[end:])


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
        made = "".join(f"\n[[{key}]]\n{tomlkit.dumps(dict(item))}" for item in items)
        return _checked(text + ("" if not text or text.endswith("\n") else "\n") + made, wanted)
    kept = [dict(item) for item in items]
    for number in range(len(held) - 1, -1, -1):
        if held[number].unwrap() not in kept:
            del held[number]
    there = [one.unwrap() for one in held]
    for item in kept:
        if item not in there:
            table = tomlkit.table()
            table.update(item)
            held.append(table)
    if not items:
        del document[key]
        del wanted[key]
    else:
        order = document[key].unwrap()
        wanted[key] = order
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
    wanted = read_toml(text)
    document = read_changed(text)
    if value is None:
        if _at(wanted, key) is None:
            return text
        _put(wanted, key, None)
        del document[section][name]
        return _checked(tomlkit.dumps(document), wanted)
    _put(wanted, key, {"value": value, "source": source})
    made = tomlkit.inline_table()
    made.update({"value": value, "source": source})
    if section not in document:
        line = f"{name} = {made.as_string()}\n"
        return _checked(text + ("" if not text or text.endswith("\n") else "\n") + f"\n[{section}]\n{line}", wanted)
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
    said = text.strip()
    if not said:
        return None
    value = read_setting(key.rpartition(".")[2], said)
    return f"{value:%Y-%m-%d %H:%M}" if isinstance(value, datetime) else value


# --- tables ---


def set_cells(text: str, changes: Mapping[tuple[int, str], str]) -> str:
    r"""Set cells of a CSV text by row and column; missing columns are appended.

    Rows count as in messages: the heading of a file without comments is row 1.

    >>> set_cells("from,to,speed [mph]\n# long\na, b ,55\n", {(3, "speed"): "45", (3, "note"): "slow, hot"})
    'from,to,speed [mph],note\n# long\na, b ,45,"slow, hot"\n'
    """
    delimiter, lines = delimiter_of(text), text.splitlines(keepends=True)
    records = _records(lines, delimiter)
    head = min(records)
    heads = [split_heading(cell)[0] for cell in next(csv.reader([_joined(lines, records[head])], delimiter=delimiter))]
    heads[0] = heads[0].lstrip("\ufeff")
    new = [name for name in dict.fromkeys(name for _, name in changes) if name not in heads]
    wanted: dict[int, dict[int, str]] = {head: {len(heads) + n: name for n, name in enumerate(new)}} if new else {}
    order = [*heads, *new]
    for (row, name), value in changes.items():
        if row not in records or row == head:
            message = f"row {row}: the file no longer has this row; reload the page"
            raise PlannerError(message)
        wanted.setdefault(row, {})[order.index(name)] = value
    for row, cells in wanted.items():
        _change(lines, records[row], cells, delimiter)
    return "".join(lines)


def _records(lines: Sequence[str], delimiter: str) -> dict[int, tuple[int, int]]:
    """First line of every row, and the one after its last, by row number."""
    return {row: (begin, end) for row, _, begin, end in numbered_rows(lines, delimiter)}


def _joined(lines: Sequence[str], span: tuple[int, int]) -> str:
    return "".join(lines[span[0] : span[1]])


def _change(lines: list[str], span: tuple[int, int], cells: Mapping[int, str], delimiter: str) -> None:
    """Change some cells of a row in place."""
    first, last = span
    lines[first] = _with_cells(_joined(lines, span), cells, delimiter)
    lines[first + 1 : last] = [""] * (last - first - 1)


def _with_cells(record: str, cells: Mapping[int, str], delimiter: str) -> str:
    """Change some cells of a row; the others are kept byte for byte."""
    body = record.rstrip("\r\n")
    ending = record[len(body) :]
    parts = _parts(body, delimiter)
    for index, value in sorted(cells.items()):
        parts += [""] * (index + 1 - len(parts))
        plain = delimiter not in value and _PLAIN_CELL.fullmatch(value) is not None
        parts[index] = value if plain else '"' + value.replace('"', '""') + '"'
    return delimiter.join(parts) + ending


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


def add_row(text: str, cells: Mapping[str, str]) -> str:
    r"""Add a row to a CSV text; missing columns are appended.

    >>> add_row("when,coolant [degF]\n", {"when": "2027-07-11 14:20", "coolant": "196"})
    'when,coolant [degF]\n2027-07-11 14:20,196\n'
    """
    delimiter = delimiter_of(text)
    lines = (text if text.endswith("\n") else text + "\n").splitlines(keepends=True)
    records = _records(lines, delimiter)
    span = records[min(records)]
    heads = [split_heading(cell)[0].lstrip("\ufeff") for cell in _parts(_joined(lines, span), delimiter)]
    given = {split_heading(name)[0]: (name, value) for name, value in cells.items()}
    new = [name for name in given if name not in heads]
    if new:
        _change(lines, span, {len(heads) + n: given[name][0] for n, name in enumerate(new)}, delimiter)
    order = [*heads, *new]
    values = {order.index(name): value for name, (_, value) in given.items()}
    return "".join(lines) + _with_cells("\n", {n: values.get(n, "") for n in range(len(order))}, delimiter)
