"""Reading typed TOML files within limits; table by table, every problem reported."""

import re
import tomllib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import date, datetime, time
from typing import Any

from planner.files import limits
from planner.files.dates import clock_of, either_date, moment_of
from planner.files.reading import CONTROL, Problems, TextError
from thermal.errors import UnitError, shown
from thermal.units import split_quantity, to_delta_k, to_number, to_si

# A run of key parts joined by dots; the parser's work grows with the square of its length.
_DOTTED = re.compile(
    r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+)""" + f"{{{limits.TOML_DEPTH + 1}}}",
)
_LARGEST = 2**63
_DEEP = "nested too deep"
_LINE = re.compile(r" ?\(at line (\d+), column \d+\)")
_CURLY = str.maketrans({"“": '"', "”": '"', "„": '"', "‘": "'", "’": "'"})
_UNQUOTED = re.compile(r"\s*([\w.-]{1,40})\s*=\s*([^\s\"'\[\]{}=#][^\"'\[\]{}=#\n]{0,60})\s*(?:#.*)?", re.ASCII)
_PLAIN_KEYS = ("base", "name")  # of a car, without a source
YES_NO = {"yes": True, "true": True, "on": True, "no": False, "false": False, "off": False}


def read_toml(text: str, *, sourced: bool = False) -> dict[str, Any]:
    r"""Read a text as TOML; with `sourced`, advise values with their source.

    >>> read_toml('[oil]\nwarm = "90 degC"')
    {'oil': {'warm': '90 degC'}}
    """
    long = _DOTTED.search(text)
    if long is not None:
        why = f"a key of more than {limits.TOML_DEPTH} dots; write sections [like this]"
        raise _toml_error(why, text.count("\n", 0, long.start()) + 1)
    try:
        data = _loads(text)
    except RecursionError as exc:
        raise _toml_error(_DEEP) from exc
    except ValueError as exc:  # a TOML fault, or an integer with thousands of digits
        found, why = _LINE.search(str(exc)), _LINE.sub("", str(exc)).partition(";")[0]
        row = int(found[1]) if found is not None else 0
        unquoted = _unquoted(text, row, sourced=sourced)
        if unquoted:
            raise TextError(unquoted, row) from exc
        if why == "Unclosed array":
            message = "list not closed: is a comma missing, in this row or one above?"
            raise TextError(message, row) from exc
        if why == r"Illegal character '\n'":
            message = "text not closed: the quotation mark at its end is missing"
            raise TextError(message, row) from exc
        raise _toml_error(why, row) from exc
    _check_bounds(data)
    return data


def _loads(text: str) -> dict[str, Any]:
    """Read TOML; on failure, retry with curly quotation marks made straight."""
    try:
        return tomllib.loads(text)
    except ValueError:
        with suppress(ValueError):
            return tomllib.loads(text.translate(_CURLY))
        raise


def _unquoted(text: str, row: int, *, sourced: bool = False) -> str:
    """Suggest a fix for a line with missing quotation marks; empty if that is not the fault."""
    lines = text.split("\n", row)
    line = lines[row - 1].rstrip("\r") if 0 < row <= len(lines) else ""
    match = _UNQUOTED.fullmatch(line) if len(line) < 200 else None
    if match is None:
        return ""
    value = match[2].strip()
    word = value.casefold()
    if word in YES_NO:
        return f"read {value} after {match[1]}; write {'true' if YES_NO[word] else 'false'}, in lower case"
    quoted = shown(value).replace(chr(39), chr(34))
    if match[1] == "departure" and moment_of(value) is None:
        quoted = '"2027-07-06 07:00", with the year'
    elif sourced and match[1] not in _PLAIN_KEYS:
        quoted = f'{{value = {quoted}, source = "..."}}, with source saying how you know'
    return f"read {shown(value)} without quotation marks; write {match[1]} = {quoted}"


def _toml_error(why: str, row: int = 0) -> TextError:
    return TextError(f"cannot be read as TOML ({why}); write key = value, text in quotation marks", row)


def _check_bounds(data: dict[str, Any]) -> None:
    """Refuse valid TOML that exceeds our limits; without recursion."""
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
        problems.add(file, str(exc), row=exc.row, code="unreadable")
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

    def fault(self, key: str, text: str, *, code: str = "invalid-value") -> None:
        """Report a problem of one key."""
        self.problems.add(self.file, text, key=self.prefix + key, code=code)

    def refuse(self, key: str, needed: str, *, code: str = "invalid-value") -> None:
        """Report a missing or invalid value."""
        if key in self.data:
            self.fault(key, f"read {shown(self.data[key])}; {needed}", code=code)
        else:
            self.fault(key, f"is missing; {needed}", code="missing-key")

    def need(self, key: str, needed: str) -> None:
        """Report a key that is missing."""
        if key not in self.data:
            self.fault(key, f"is missing; {needed}", code="missing-key")

    def check_keys(self, known: Sequence[str], elsewhere: Mapping[str, str] | None = None) -> None:
        """Report unknown keys; `elsewhere` has hints for misplaced ones."""
        for key in self.data:
            if key not in known:
                hint = (elsewhere or {}).get(key) or self.problems.nearest(key, known)
                self.fault(repr(key)[1:-1][:50], f"unknown key; {hint}", code="unknown-key")

    def table(self, key: str) -> "Section":
        """Return the table [key], empty if there is none."""
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
        """Return a single-line text."""
        value = self.data.get(key, default)
        if not isinstance(value, str) or (key in self.data and not value.strip()):
            self.refuse(key, "write text in quotation marks")
            return default
        if len(value) > limits.TEXT or CONTROL.search(value) is not None:
            self.refuse(key, f"write text without unprintable characters, at most {limits.TEXT:,}")
            return default
        return " ".join(value.split())

    def choice(self, key: str, options: Sequence[str], default: str, *, other: Mapping[str, str] | None = None) -> str:
        """Return one of the allowed words, case ignored; synonyms in `other` are accepted."""
        value = self.text(key, default)
        word = value.casefold()
        word = (other or {}).get(word, word)
        if word not in options:
            self.refuse(key, self.problems.nearest(value, options), code="unknown-word")
            return default
        return word

    def flag(self, key: str, default: bool | None) -> bool | None:
        """Return a yes or no."""
        value = self.data.get(key, default)
        if isinstance(value, str):
            value = YES_NO.get(value.strip().casefold(), value)
        if value is not None and not isinstance(value, bool):
            self.refuse(key, "write true or false, without quotation marks")
            return default
        return value

    def number(self, key: str, default: float, *, low: float, high: float) -> float:
        """Return a number without a unit, or a percentage as a fraction."""
        value = self.data.get(key, default)
        if isinstance(value, str):
            with suppress(UnitError):
                value = to_number(value)
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            self.refuse(key, f"write a number from {low:g} to {high:g}, e.g. {default:g}", code="out-of-range")
            return default
        return float(value)

    def count(self, key: str, default: int, *, high: int) -> int:
        """Return a whole number from 1."""
        value = self.data.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= high:
            self.refuse(key, f"write a whole number from 1 to {high}, e.g. {default}", code="out-of-range")
            return default
        return value

    def quantity(
        self, key: str, default: str, *, unit: str, high: float, allowed: str, low: float | None = None
    ) -> float:
        """Return a text such as '8 h' in `unit`, 'delta K' for a difference: above 0, or from `low`, up to `high`."""
        text = self.data.get(key, default)
        if not isinstance(text, str) or split_quantity(text) is None:
            self.refuse(key, f"write a number and a unit in quotation marks, e.g. '{default}'")
            text = default
        try:
            value = _in_unit(text, unit)
            if (value > 0.0 if low is None else value >= low) and value <= high:
                return value
            self.refuse(key, f"allowed is {allowed}, e.g. '{default}'", code="out-of-range")
        except UnitError as exc:
            self.fault(key, str(exc), code="unit")
        return _in_unit(default, unit)

    def clock(self, key: str, default: time) -> time:
        """Return a time of day."""
        value = self.data.get(key, default)
        found = clock_of(value) if isinstance(value, str) else value
        if not isinstance(found, time):
            self.refuse(key, f"write a time of day, e.g. '{default:%H:%M}'", code="date")
            return default
        return found

    def day(self, key: str, default: date) -> date:
        """Return a date."""
        value = self.data.get(key)
        if isinstance(value, str) and (either := either_date(value)):
            self.refuse(key, either, code="date")
            return default
        value = moment_of(value) if isinstance(value, str) else value
        if not isinstance(value, date) or isinstance(value, datetime) or not 1900 <= value.year <= 2100:
            self.refuse(key, "write a date, e.g. '2027-07-10'", code="date")
            return default
        return value

    def words(self, key: str) -> tuple[str, ...]:
        """Return a list of place keys."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self.refuse(key, 'write a list of place keys, e.g. ["raton", "alamosa"]')
            return ()
        return tuple(self._few(key, value))

    def _few(self, key: str, entries: list[Any]) -> list[Any]:
        """Report a list that is too long, and drop it."""
        if len(entries) > limits.LISTED:
            self.fault(key, f"has {len(entries):,} entries; the maximum is {limits.LISTED}", code="too-large")
            return []
        return entries


def _in_unit(text: str, unit: str) -> float:
    return to_delta_k(text) if unit == "delta K" else to_si(text, unit)
