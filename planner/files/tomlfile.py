"""TOML files that people typed: read within bounds, taken apart table by table, every fault noted."""

import re
import tomllib
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time
from typing import Any

from planner.files import limits
from planner.files.reading import CONTROL, Problems, TextError
from planner.files.tables import plain_unit
from thermal.errors import UnitError, shown
from thermal.units import same_kind, to_delta_k, to_si

_DATE_TIME = re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d(:\d\d)?", re.ASCII)
_QUANTITY = re.compile(r"\s*[-+]?(?:\d++\.?\d*+|\.\d++)(?:[eE][-+]?\d++)?\s*([A-Za-z°][^\s]*)\s*", re.ASCII)
# A run of key parts joined by dots; the parser's work grows with the square of its length.
_DOTTED = re.compile(
    r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+)""" + f"{{{limits.TOML_DEPTH + 1}}}",
)
_LARGEST = 2**63
_DEEP = "nested too deep"
_LINE = re.compile(r" ?\(at line (\d+), column \d+\)")


def read_toml(text: str) -> dict[str, Any]:
    r"""Read a text as TOML.

    Examples
    --------
    >>> read_toml('[oil]\nwarm = "90 degC"')
    {'oil': {'warm': '90 degC'}}
    """
    long = _DOTTED.search(text)
    if long is not None:
        why = f"a key of more than {limits.TOML_DEPTH} dots; write sections [like this]"
        raise _toml_error(why, text.count("\n", 0, long.start()) + 1)
    try:
        data = tomllib.loads(text)
    except RecursionError as exc:
        raise _toml_error(_DEEP) from exc
    except ValueError as exc:  # of TOML, or a whole number of thousands of digits
        line, why = _LINE.search(str(exc)), _LINE.sub("", str(exc)).partition(";")[0]
        raise _toml_error(why, int(line[1]) if line is not None else 0) from exc
    _check_bounds(data)
    return data


def _toml_error(why: str, row: int = 0) -> TextError:
    return TextError(f"cannot be read as TOML ({why}); write key = value, texts in quotation marks", row)


def _check_bounds(data: dict[str, Any]) -> None:
    """Refuse what TOML allows and no file of ours needs; without recursion."""
    level: list[Any] = [data]
    for _ in range(limits.TOML_DEPTH):
        for value in level:
            if isinstance(value, int) and not -_LARGEST <= value < _LARGEST:
                why = "a whole number of more than 18 digits; write a shorter one"
                raise _toml_error(why)
        tables = (item.values() if isinstance(item, dict) else item for item in level if isinstance(item, dict | list))
        level = [inner for table in tables for inner in table]
        if not level:
            return
    raise _toml_error(_DEEP)


def toml_of(text: str, *, file: str, problems: Problems) -> dict[str, Any] | None:
    """Tables of a text in TOML."""
    try:
        return read_toml(text)
    except TextError as exc:
        problems.add(file, str(exc), row=exc.row)
        return None


class Section:
    """One table of a file; `prefix` names it before its keys, as in 'day.'."""

    def __init__(self, data: Mapping[str, object], prefix: str, *, file: str, problems: Problems) -> None:
        self.data, self.prefix, self.file, self.problems = data, prefix, file, problems

    def __contains__(self, key: str) -> bool:
        return key in self.data

    def inner(self, data: Mapping[str, object], prefix: str) -> "Section":
        """Return another table of the same file."""
        return Section(data, prefix, file=self.file, problems=self.problems)

    def fault(self, key: str, text: str) -> None:
        """Note a problem of one key."""
        self.problems.add(self.file, text, key=self.prefix + key)

    def refuse(self, key: str, needed: str) -> None:
        """Note that a key's value is not what is needed, or that there is none."""
        got = f"read {shown(self.data[key])}" if key in self.data else "is missing"
        self.fault(key, f"{got}; {needed}")

    def check_keys(self, known: Sequence[str], elsewhere: Mapping[str, str] | None = None) -> None:
        """Note keys that do not belong here; `elsewhere` tells where some of them do."""
        for key in self.data:
            if key not in known:
                hint = (elsewhere or {}).get(key) or self.problems.nearest(key, known)
                self.fault(repr(key)[1:-1][:50], f"unknown key; {hint}")

    def table(self, key: str) -> "Section":
        """Return the table written as [key], empty when there is none."""
        value = self.data.get(key, {})
        if not isinstance(value, dict):
            self.refuse(key, f"write its keys under a line [{key}]")
            value = {}
        return self.inner(value, f"{key}.")

    def tables(self, key: str) -> list["Section"]:
        """Return the tables written as [[key]], counted from 1 in messages."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.refuse(key, f"write each one under a line [[{key}]]")
            return []
        return [self.inner(item, f"{key} {n} ") for n, item in enumerate(self._few(key, value), start=1)]

    def text(self, key: str, default: str = "") -> str:
        """Return a text in one line."""
        value = self.data.get(key, default)
        if not isinstance(value, str) or (key in self.data and not value.strip()):
            self.refuse(key, "a text in quotation marks is needed")
            return default
        if len(value) > limits.TEXT or CONTROL.search(value) is not None:
            self.refuse(key, f"a text without unprintable characters is needed, of at most {limits.TEXT:,}")
            return default
        return " ".join(value.split())

    def choice(self, key: str, options: Sequence[str], default: str) -> str:
        """Return one of the allowed words."""
        value = self.text(key, default)
        if value not in options:
            self.refuse(key, self.problems.nearest(value, options))
            return default
        return value

    def flag(self, key: str, default: bool | None) -> bool | None:
        """Return a yes or no."""
        value = self.data.get(key, default)
        if value is not None and not isinstance(value, bool):
            self.refuse(key, "write true or false, without quotation marks")
            return default
        return value

    def number(self, key: str, default: float, *, low: float, high: float) -> float:
        """Return a number without a unit."""
        value = self.data.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            self.refuse(key, f"a number from {low:g} to {high:g} is needed, e.g. {default:g}")
            return default
        return float(value)

    def count(self, key: str, default: int, *, high: int) -> int:
        """Return a whole number from 1."""
        value = self.data.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= high:
            self.refuse(key, f"a whole number from 1 to {high} is needed, e.g. {default}")
            return default
        return value

    def quantity(
        self, key: str, default: str, *, unit: str, high: float, allowed: str, low: float | None = None
    ) -> float:
        """Return a text such as '8 h' in `unit`, 'delta K' for a difference: above 0, or from `low`, up to `high`."""
        text = self.data.get(key, default)
        match = _QUANTITY.fullmatch(text) if isinstance(text, str) else None
        if match is None:
            self.refuse(key, f"a number and a unit in quotation marks are needed, e.g. '{default}'")
        elif not plain_unit(match[1]) or not same_kind(match[1], unit.removeprefix("delta ")):
            self.refuse(key, f"'{match[1][:24]}' is the wrong unit; write e.g. '{default}'")
        else:
            try:
                value = _in_unit(match[0], unit)
            except UnitError as exc:
                self.refuse(key, str(exc))
                return _in_unit(default, unit)
            if (value > 0.0 if low is None else value >= low) and value <= high:
                return value
            self.refuse(key, f"allowed is {allowed}, e.g. '{default}'")
        return _in_unit(default, unit)

    def clock(self, key: str, default: time) -> time:
        """Return a time of day."""
        value = self.data.get(key, default)
        found = clock_of(value) if isinstance(value, str) else value
        if not isinstance(found, time):
            self.refuse(key, f"a time of day is needed, e.g. '{default:%H:%M}'")
            return default
        return found

    def day(self, key: str, default: date) -> date:
        """Return a date."""
        value = self.data.get(key)
        value = moment_of(value.strip()) if isinstance(value, str) else value
        if not isinstance(value, date) or isinstance(value, datetime) or not 1900 <= value.year <= 2100:
            self.refuse(key, "a date is needed, e.g. '2027-07-10'")
            return default
        return value

    def words(self, key: str) -> tuple[str, ...]:
        """Return a list of place keys."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self.refuse(key, 'a list of place keys is needed, e.g. ["raton", "alamosa"]')
            return ()
        return tuple(self._few(key, value))

    def _few(self, key: str, entries: list[Any]) -> list[Any]:
        """Note a list longer than any trip needs, and drop it."""
        if len(entries) > limits.LISTED:
            self.fault(key, f"has {len(entries):,} entries; the most is {limits.LISTED}")
            return []
        return entries


def _in_unit(text: str, unit: str) -> float:
    return to_delta_k(text) if unit == "delta K" else to_si(text, unit)


def clock_of(text: str) -> time | None:
    """Read a time of day.

    Examples
    --------
    >>> clock_of("08:30"), clock_of("25:00")
    (datetime.time(8, 30), None)
    """
    try:
        return time.fromisoformat(text) if re.fullmatch(r"\d\d:\d\d", text, re.ASCII) else None
    except ValueError:
        return None


def moment_of(text: str) -> date | None:
    """Read a date with or without a time; '2027-W01' and other rare forms are not read.

    Examples
    --------
    >>> moment_of("2027-07-06"), moment_of("2027-W01")
    (datetime.date(2027, 7, 6), None)
    """
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text, re.ASCII):
            return date.fromisoformat(text)
        return datetime.fromisoformat(text) if _DATE_TIME.match(text) else None
    except ValueError:
        return None
