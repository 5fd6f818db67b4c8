"""Log time formats: elapsed, time of day, Unix time, date and time; in one column, or with a separate date."""

import functools
import math
import re
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, date, datetime

import numpy as np
import numpy.typing as npt

from planner.files.dates import month_of

Floats = npt.NDArray[np.float64]
KINDS = {
    "s": "seconds from the start",
    "ms": "milliseconds from the start",
    "us": "microseconds from the start",
    "min": "minutes from the start",
    "h": "hours from the start",
    "mm:ss": "minutes and seconds from the start",
    "h:mm:ss": "hours, minutes and seconds from the start",
    "clock": "time of day without a date",
    "hhmmss": "time of day as six digits",
    "epoch s": "seconds since 1970 UTC",
    "epoch ms": "milliseconds since 1970 UTC",
    "epoch us": "microseconds since 1970 UTC",
    "epoch ns": "nanoseconds since 1970 UTC",
    "days": "spreadsheet serial days, 1 on 1899-12-31",
    "iso": "date and time, year first",
    "day first": "date and time, day before month",
    "month first": "date and time, month before day",
    "month name": "date and time, month as a name",
}
SCALE_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "h": 3600.0}
SCALE_S |= {"epoch s": 1.0, "epoch ms": 1e-3, "epoch us": 1e-6, "epoch ns": 1e-9, "days": 86_400.0}
DATED = ("iso", "day first", "month first", "month name")
CLOCKS = ("clock", "hhmmss")
NAMES = frozenset(
    "time timestamp datetime clock seconds hours minutes elapsed t ts zeit uhrzeit zeitstempel temps heure tiempo hora "
    "tempo ora tijd tid klockslag czas время 時間 時刻 日時 millis micros".split()
)
DATE_NAMES = frozenset("date day datum tag fecha data dato дата 日付".split())

_CLOCK = re.compile(
    r"(\d{1,3}):(?:(\d{2})|(\d)(?=:))(?::(\d{1,2}(?:[.,:]\d+)?))?\s*([ap]\.? ?m\.?)?", re.ASCII | re.IGNORECASE
)
_SIX = re.compile(r"(\d{1,2})(\d{2})(\d{2}(?:[.,]\d+)?)", re.ASCII)
_FOURTEEN = re.compile(r"(?:19|20)\d{12}(?:\.\d+)?", re.ASCII)
_MINUTES = re.compile(r"(\d{1,4}):(\d{2}(?:[.,]\d+)?)", re.ASCII)
_DATE = re.compile(
    r"(?:[A-Za-z]{2,9},?\s+)?(?:(\d{1,4})[./-](\d{1,2})[./-](\d{1,4})|(\d{4})(\d{2})(\d{2})"
    r"|(\d{1,2})[ .-]*([A-Za-zäû]{3,9})[ .,-]*(\d{2,4})|([A-Za-zäû]{3,9})[ .]*(\d{1,2})[ ,]+(\d{4})"
    r"|(\d{2})(\d{2})(\d{2}))"
)
_DATED = re.compile(rf"({_DATE.pattern})(?:[ T]+|,\s*|(?=\d{{6}}(?:\.|$)))(.+)")
_ZONE = re.compile(r"\s*(Z|UTC|GMT|[-+]\d{2}(?::?\d{2})?)(?: UTC| GMT)?$")
_DAY_S = 86_400.0
_SERIAL_0 = -25_569.0  # days from 1970 to the spreadsheets' day 0, 1899-12-30
_LARGEST = 1e30
_MOST = 0.98  # share of cells that are times in a column of times: a footer has words
_TURN = 2.0**32  # counts of a 32-bit clock
_NAME_DATE = re.compile(r"(?<!\d)(20\d{2})[-_.]?(\d{2})[-_.]?(\d{2})(?!\d)")
_GROUPED = re.compile(r"[-+]?\d{1,3}([ '])\d{3}(?:\1\d{3})*(?:[.,]\d*)?", re.ASCII)
POINTED = re.compile(r"[-+]?[1-9]\d{0,2}(?:\.\d{3})+", re.ASCII)  # thousands, beside decimal commas
_THOUSANDS = re.compile(r"[-+]?\d{1,3}(?:,\d{3})+(?:\.\d*)?", re.ASCII)
_WITH_UNIT = re.compile(r"([-+]?(?:\d(?:[\d.,]|[ '](?=\d{3}))*|[.,]\d+))\s*([^\d\s.,+#-][^\d]{0,11})", re.ASCII)


# --- numbers ---


def split_unit(cell: str) -> tuple[str, str]:
    """Number and unit of a cell such as '92 °C'; the unit may be empty.

    >>> split_unit("92,5 °C"), split_unit("1e3"), split_unit("n/a")
    (('92,5', '°C'), ('1e3', ''), ('n/a', ''))
    """
    text = cell.strip()
    match = None if text[-1:].isdigit() else _WITH_UNIT.fullmatch(text)
    return (match[1], match[2].strip()) if match is not None else (text, "")


def number(cell: str, *, decimal_comma: bool) -> float:
    """Read a number from a cell; NaN if it is not a number or is implausibly large.

    >>> number(" 1,5", decimal_comma=True), number("1,850 rpm", decimal_comma=False), number("x", decimal_comma=False)
    (1.5, 1850.0, nan)
    """
    text = cell.strip()
    value = _plain(text, decimal_comma=decimal_comma)
    if math.isnan(value) and text and not text[-1].isdigit():
        value = _plain(split_unit(text)[0], decimal_comma=decimal_comma)
    return value if abs(value) <= _LARGEST else math.nan


def _plain(text: str, *, decimal_comma: bool) -> float:
    if (" " in text or "'" in text) and _GROUPED.fullmatch(text) is not None:
        text = text.replace(" ", "").replace("'", "")
    if decimal_comma:
        text = text.replace(".", "").replace(",", ".") if "," in text or POINTED.fullmatch(text) is not None else text
    elif "," in text and _THOUSANDS.fullmatch(text) is not None:
        text = text.replace(",", "")
    try:
        return float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        return math.nan


def numbers(cells: Sequence[str], *, decimal_comma: bool) -> Floats:
    """Read a column of numbers."""
    if not decimal_comma and "_" not in "".join(cells):
        with suppress(ValueError):
            full = cells if all(cells) else [cell or "nan" for cell in cells]
            values = np.fromiter(map(float, full), np.float64, len(full))
            return np.where(np.abs(values) <= _LARGEST, values, math.nan)
    return np.array([number(cell, decimal_comma=decimal_comma) if cell else math.nan for cell in cells])


# --- which kind ---


def propose_kind(cells: Sequence[str], *, unit: str | None, decimal_comma: bool, heading: str = "") -> tuple[str, str]:
    """Find a time column's format: a key of `KINDS`, empty if not a time, and any doubt.

    >>> propose_kind(["17:19:24.4"], unit=None, decimal_comma=False)
    ('clock', '')
    >>> propose_kind(["03.07.2027 10:00:00"], unit=None, decimal_comma=False)
    ('day first', "'03.07.2027 10:00:00' may have day or month first; set kind to 'day first' or 'month first'")
    >>> propose_kind(["0.5", "1.0"], unit="s", decimal_comma=False)
    ('s', '')
    >>> propose_kind(["00:00", "00:01", "00:02"], unit=None, decimal_comma=False, heading="elapsed")
    ('mm:ss', '')
    """
    if not cells:
        return "", "the column is empty"
    if all(_FOURTEEN.fullmatch(cell.strip()) for cell in cells):
        return "iso", ""
    values = np.array([number(cell, decimal_comma=decimal_comma) for cell in cells])
    said = np.isfinite(values)
    if np.mean(said) >= _MOST:
        return _numeric_kind([cell for cell, good in zip(cells, said, strict=True) if good], values[said], unit)
    clocks = [cell for cell in cells if _CLOCK.fullmatch(cell.strip()) or _MINUTES.fullmatch(cell.strip())]
    if len(clocks) >= _MOST * len(cells):
        return _clock_kind(clocks, heading.casefold())
    dated = [match for cell in cells if (match := _DATED.fullmatch(cell.strip())) is not None]
    if len(dated) < 0.9 * len(cells):
        return "", "its cells are not times"
    return propose_date([match[1] for match in dated], [match[0] for match in dated])


def propose_date(dates: Sequence[str], whole: Sequence[str] = ()) -> tuple[str, str]:
    """Find the order of date fields and any doubt; empty if not dates.

    >>> propose_date(["2027-07-06"]), propose_date(["7/23/2027"]), propose_date(["6 Jul 2027"]), propose_date(["x"])
    (('iso', ''), ('month first', ''), ('month name', ''), ('', 'these are not dates'))
    >>> propose_date(["27/07/06"])
    ('day first', "'27/07/06' has a two-digit year; the order of day, month and year is ambiguous")
    """
    found = [match for cell in dates if (match := _DATE.fullmatch(cell.strip())) is not None]
    if len(found) < 0.9 * max(len(dates), 1):
        return "", "these are not dates"
    if all(match[8] or match[10] for match in found):
        return "month name", ""
    if all(match[4] or len(match[1] or "") == 4 for match in found):
        return "iso", ""
    plain = [match for match in found if match[1]]
    shown = (whole or dates)[0].strip()
    if not plain or any(len(match[3]) != 4 for match in plain):
        return "day first", f"{shown!r} has a two-digit year; the order of day, month and year is ambiguous"
    if any(int(match[1]) > 12 for match in plain):
        return "day first", ""
    if any(int(match[2]) > 12 for match in plain):
        return "month first", ""
    both = "may have day or month first; set kind to 'day first' or 'month first'"
    return "day first", f"{shown!r} {both}"


def _clock_kind(cells: Sequence[str], heading: str) -> tuple[str, str]:
    """Distinguish a time of day from elapsed time."""
    said = any(word in heading for word in ("elapsed", "since", "duration", "lap", "run", "mm:ss", "min:s", "m:s"))
    first = cells[0].strip()
    if any("m" in cell.casefold() for cell in cells):
        return "clock", ""
    fields = [cell.strip().replace(",", ".").split(":") for cell in cells]
    leading = max(int(parts[0]) for parts in fields)
    if all(len(parts) == 2 for parts in fields):
        fraction = any("." in parts[1] for parts in fields)
        if said or fraction or leading > 23:
            return "mm:ss", ""
        if "hh" in heading:
            return "clock", ""
        kind = "mm:ss" if int(fields[0][0]) == 0 else "clock"
        return kind, f"{first!r} may be minutes and seconds from the start, or hours and minutes of the day"
    if said or leading > 23:
        return "h:mm:ss", ""
    begins_s = _clock_s(first)
    if begins_s < 5.0:
        return "h:mm:ss", ""
    if begins_s < 3600.0:
        return "clock", f"{first!r} may be a time of day soon after midnight, or time from the start"
    return "clock", ""


_EPOCHS = (("epoch s", 9e8, 3e9), ("epoch ms", 9e11, 3e12), ("epoch us", 9e14, 3e15), ("epoch ns", 9e17, 3e18))


def _numeric_kind(cells: Sequence[str], values: Floats, unit: str | None) -> tuple[str, str]:
    """Distinguish elapsed time, Unix time, spreadsheet days and a six-digit time of day."""
    middle, reach = float(np.median(values)), float(np.ptp(values))
    step = float(np.median(np.abs(np.diff(values)))) if len(values) > 1 else 1.0
    for kind, low, high in _EPOCHS:
        if low < middle < high:
            return kind, ""
    if unit in ("s", "ms", "us", "min", "h"):
        return unit, ""
    if 30_000.0 < middle < 80_000.0 and step < 1e-3 and reach < 9.0:
        return "days", ""
    if len(values) > 20 and reach > 100.0 and step >= 0.01 and _six_digits(cells, values):
        return "hhmmss", ""
    if len(values) > 20 and reach <= 1.0 and step < 2e-4 and float(np.max(values)) < 2.0:
        return "days", f"no unit; steps of {step:g} suggest fractions of a day"
    if step >= 20.0:
        return "ms", f"no unit; steps of {step:g} suggest milliseconds"
    return "s", f"no unit; steps of {step:g} suggest seconds"


def _six_digits(cells: Sequence[str], values: Floats) -> bool:
    if not np.all((values >= 0.0) & (values < 240_000.0)):
        return False
    whole = values.astype(np.int64)
    fits = (whole % 100 < 60) & (whole // 100 % 100 < 60)
    written = sum(_SIX.fullmatch(cell.strip()) is not None for cell in cells)
    return bool(np.all(fits)) and written > 0.9 * len(cells) and len(np.unique(whole % 100)) > 10


# --- reading ---


def parse_times(cells: Sequence[str], kind: str, *, decimal_comma: bool, dates: Sequence[str] = ()) -> Floats:
    """Convert cells to seconds: since 1970 for dated kinds (local times as if UTC), else since midnight or the start.

    `dates` is a separate date column. Invalid cells give NaN; see `unwrapped` for midnight.

    >>> [float(t) for t in parse_times(["23:59:59", "00:00:01.5"], "clock", decimal_comma=False)]
    [86399.0, 1.5]
    >>> [float(t) for t in parse_times(["001500"], "iso", decimal_comma=False, dates=["1970-01-02"])]
    [87300.0]
    """
    if kind in SCALE_S:
        values = numbers(cells, decimal_comma=decimal_comma)
        if kind == "days":
            dated = values > 366.0
            return np.where(dated, values + _SERIAL_0, values % 1.0) * _DAY_S
        return values * SCALE_S[kind]
    if kind == "mm:ss":
        return np.array([_minutes_s(cell) for cell in cells], dtype=np.float64)
    if kind in ("clock", "h:mm:ss", "hhmmss"):
        clock_s = np.array([_clock_s(cell) for cell in cells], dtype=np.float64)
        return np.where((clock_s >= _DAY_S) & (kind != "h:mm:ss"), math.nan, clock_s)
    if len(dates):
        pairs = zip(dates, cells, strict=True)
        return np.array([_midnight_s(day.strip(), kind) + _zoned_s(cell) for day, cell in pairs], dtype=np.float64)
    return np.array([_dated_s(cell, kind) for cell in cells], dtype=np.float64)


def _minutes_s(cell: str) -> float:
    match = _MINUTES.fullmatch(cell.strip())
    if match is None:
        return _clock_s(cell)
    return 60.0 * int(match[1]) + float(match[2].replace(",", "."))


def _clock_s(cell: str) -> float:
    text = cell.strip()
    match = _CLOCK.fullmatch(text) or _SIX.fullmatch(text)
    if match is None:
        return math.nan
    hour, minute = int(match[1]), int(match[2] or match[3])
    second = float((match[match.re.groups - (match.re is _CLOCK)] or "0").replace(",", ".").replace(":", "."))
    half = match[5] if match.re is _CLOCK else None
    if half:
        hour = hour % 12 + (12 if half[0] in "pP" else 0)
    return 3600.0 * hour + 60.0 * minute + second if minute < 60 and second < 61.0 else math.nan


def unwrapped(clock_s: Floats) -> Floats:
    """Add a day where the time of day falls by more than half a day.

    >>> unwrapped(np.array([86399.0, 1.5])).tolist()
    [86399.0, 86401.5]
    """
    held = np.flatnonzero(np.isfinite(clock_s))
    days = np.zeros(len(clock_s))
    turns = np.concatenate(([0.0], np.cumsum(np.diff(clock_s[held]) < -0.5 * _DAY_S))) if len(held) else np.zeros(0)
    days[held] = turns
    return clock_s + _DAY_S * days


def turned(time_s: Floats, kind: str) -> Floats:
    """Undo the return to 0 of a 32-bit count of milliseconds or microseconds.

    >>> turned(np.array([4294.9, 4294.967, 0.005, 0.07]), "us").round(3).tolist()
    [4294.9, 4294.967, 4294.972, 4295.037]
    """
    turn_s = _TURN * SCALE_S[kind]
    held = np.flatnonzero(np.isfinite(time_s))
    high, low = time_s[held[:-1]] > 0.98 * turn_s, time_s[held[1:]] < 0.02 * turn_s
    out = time_s.copy()
    out[held[1:]] += turn_s * np.cumsum(high & low)
    return out


def _dated_s(cell: str, kind: str) -> float:
    """Seconds since 1970 of a date and time; without a zone as if UTC."""
    text = cell.strip()
    match = _DATED.fullmatch(text)
    if match is None:
        return math.nan
    return _midnight_s(match[1], kind) + _zoned_s(match[match.re.groups])


def _zoned_s(text: str) -> float:
    """Seconds since midnight of a time of day with or without a zone."""
    zone = _ZONE.search(text)
    offset_s = 0.0
    if zone is not None and zone[1][0] in "+-":
        plain = zone[1].replace(":", "")
        offset_s = (1.0 if plain[0] == "+" else -1.0) * (3600.0 * int(plain[1:3]) + 60.0 * int(plain[3:5] or 0))
    clock_s = _clock_s(text if zone is None else text[: zone.start()])
    return clock_s - offset_s if clock_s < _DAY_S else math.nan


@functools.lru_cache(maxsize=4096)
def _midnight_s(text: str, kind: str) -> float:
    """Seconds from 1970 to midnight at the start of a date, as if UTC."""
    match = _DATE.fullmatch(text)
    if match is None:
        return math.nan
    try:
        if match[8] or match[10]:
            name, parts = match[8] or match[10], (match[9] or match[12], match[7] or match[11])
            year, month, day = int(parts[0]), month_of(name.casefold()), int(parts[1])
        elif match[4]:
            year, month, day = int(match[4]), int(match[5]), int(match[6])
        else:
            order = {"day first": (2, 1, 0), "month first": (2, 0, 1)}.get(kind, (0, 1, 2))
            first = 13 if match[13] else 1
            year, month, day = (int(match[first + n]) for n in order)
        return datetime(year + 2000 if year < 100 else year, month, day, tzinfo=UTC).timestamp()
    except (ValueError, OverflowError):
        return math.nan


def has_zone(cells: Sequence[str], kind: str) -> bool:
    """Whether absolute time is known, not only local time: Unix time, or a date with a zone."""
    return kind.startswith("epoch") or (
        kind in DATED and bool(cells) and all(_ZONE.search(cell.strip()) is not None for cell in cells)
    )


def date_in(name: str) -> date | None:
    """Find a year-first date in a file name.

    >>> date_in("drive_2027-07-06_S.csv.gz")
    datetime.date(2027, 7, 6)
    >>> date_in("log17.csv") is None
    True
    """
    match = _NAME_DATE.search(name)
    try:
        return None if match is None else date(int(match[1]), int(match[2]), int(match[3]))
    except ValueError:
        return None
