"""Times as loggers write them: seconds from the start, a clock without a date, seconds since 1970, ISO, local dates."""

import math
import re
from collections.abc import Sequence
from datetime import UTC, date, datetime

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
KINDS = {
    "s": "seconds from the start",
    "ms": "milliseconds from the start",
    "min": "minutes from the start",
    "clock": "time of day without a date",
    "epoch s": "seconds since 1970 UTC",
    "epoch ms": "milliseconds since 1970 UTC",
    "iso": "date and time, year first",
    "day first": "date and time, day before month",
    "month first": "date and time, month before day",
}
SCALE_S = {"s": 1.0, "ms": 1e-3, "min": 60.0, "epoch s": 1.0, "epoch ms": 1e-3}
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?\s*([AaPp][Mm])?", re.ASCII)
_DATED = re.compile(r"(\d{1,4})[./-](\d{1,2})[./-](\d{1,4})[ T]+(.+)", re.ASCII)
_ZONE = re.compile(r"(Z|[-+]\d{2}:?\d{2})$")
_DAY_S = 86_400.0
_LARGEST = 1e30
_NAME_DATE = re.compile(r"(?<!\d)(20\d{2})[-_.]?(\d{2})[-_.]?(\d{2})(?!\d)")


def number(cell: str, *, decimal_comma: bool) -> float:
    """Read a number from a cell.

    Parameters
    ----------
    cell : str
        Its text. [-]
    decimal_comma : bool
        Whether 1,5 is one and a half. [-]

    Returns
    -------
    float
        Not a number when it is none, or larger than anything read or counted.

    Examples
    --------
    >>> number(" 1,5", decimal_comma=True), number("x", decimal_comma=False)
    (1.5, nan)
    """
    text = cell.strip()
    if decimal_comma:
        text = text.replace(",", ".")
    try:
        value = float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        return math.nan
    return value if abs(value) <= _LARGEST else math.nan


def propose_kind(cells: Sequence[str], *, unit: str | None, decimal_comma: bool) -> tuple[str, str]:
    """Say how a column's times are written.

    Parameters
    ----------
    cells : sequence of str
        Some of its cells, blanks apart. [-]
    unit : str or None
        Unit in the heading, see `channels.unit_of`. [-]
    decimal_comma : bool
        Whether numbers are written 1,5. [-]

    Returns
    -------
    tuple of str
        A key of `KINDS`, empty when it is no time, and what is not sure about it, empty when all is.

    Examples
    --------
    >>> propose_kind(["17:19:24.4"], unit=None, decimal_comma=False)
    ('clock', '')
    >>> propose_kind(["03.07.2027 10:00:00"], unit=None, decimal_comma=False)
    ('day first', "'03.07.2027 10:00:00' may be day or month first")
    >>> propose_kind(["0.5", "1.0"], unit="s", decimal_comma=False)
    ('s', '')
    """
    if not cells:
        return "", "the column is empty"
    values = np.array([number(cell, decimal_comma=decimal_comma) for cell in cells])
    if np.all(np.isfinite(values)):
        return _numeric_kind(values, unit)
    if all(_CLOCK.fullmatch(cell.strip()) for cell in cells):
        return "clock", ""
    dated = [match for cell in cells if (match := _DATED.fullmatch(cell.strip())) is not None]
    if len(dated) < 0.9 * len(cells):
        return "", "its cells are no times"
    if all(len(match[1]) == 4 for match in dated):
        return "iso", ""
    if any(int(match[1]) > 12 for match in dated):
        return "day first", ""
    if any(int(match[2]) > 12 for match in dated):
        return "month first", ""
    return "day first", f"{dated[0][0]!r} may be day or month first"


def _numeric_kind(values: Floats, unit: str | None) -> tuple[str, str]:
    """Tell elapsed time from seconds since 1970."""
    middle = float(np.median(values))
    if 9e8 < middle < 3e9:
        return "epoch s", ""
    if 9e11 < middle < 3e12:
        return "epoch ms", ""
    if unit in ("s", "ms", "min"):
        return unit, ""
    step = float(np.median(np.diff(values))) if len(values) > 1 else 1.0
    if step >= 20.0:
        return "ms", f"no unit; steps of {step:g} would be milliseconds"
    return "s", f"no unit; steps of {step:g} would be seconds"


def parse_times(cells: Sequence[str], kind: str, *, decimal_comma: bool) -> Floats:
    """Turn cells into seconds.

    Parameters
    ----------
    cells : sequence of str
        A column. [-]
    kind : str
        A key of `KINDS`. [-]
    decimal_comma : bool
        Whether numbers are written 1,5. [-]

    Returns
    -------
    ndarray, shape (n,)
        Seconds since 1970 for dated kinds (local ones as if UTC), else since midnight or the start; a clock that passes
        midnight runs on. Not a number where a cell is none. [s]

    Examples
    --------
    >>> [float(t) for t in parse_times(["23:59:59", "00:00:01.5"], "clock", decimal_comma=False)]
    [86399.0, 86401.5]
    """
    if kind in SCALE_S:
        return np.array([number(cell, decimal_comma=decimal_comma) * SCALE_S[kind] for cell in cells], dtype=np.float64)
    if kind == "clock":
        return _unwrapped(np.array([_clock_s(cell) for cell in cells], dtype=np.float64))
    return np.array([_dated_s(cell, kind) for cell in cells], dtype=np.float64)


def _clock_s(cell: str) -> float:
    """Seconds since midnight."""
    match = _CLOCK.fullmatch(cell.strip())
    if match is None:
        return math.nan
    hour, minute, second = int(match[1]), int(match[2]), float((match[3] or "0").replace(",", "."))
    if match[4]:
        hour = hour % 12 + (12 if match[4].casefold() == "pm" else 0)
    return 3600.0 * hour + 60.0 * minute + second if hour < 24 and minute < 60 and second < 61.0 else math.nan


def _unwrapped(clock_s: Floats) -> Floats:
    """Add a day where the clock falls by more than half of one."""
    held = np.flatnonzero(np.isfinite(clock_s))
    days = np.zeros(len(clock_s))
    turns = np.concatenate(([0.0], np.cumsum(np.diff(clock_s[held]) < -0.5 * _DAY_S))) if len(held) else np.zeros(0)
    days[held] = turns
    return clock_s + _DAY_S * days


def _dated_s(cell: str, kind: str) -> float:
    """Seconds since 1970 of a dated cell; one without a zone as if it were UTC."""
    match = _DATED.fullmatch(cell.strip())
    if match is None:
        return math.nan
    rest, zone_s = match[4].strip(), 0.0
    zone = _ZONE.search(rest)
    if zone is not None:
        rest = rest[: zone.start()].strip()
        if zone[1] != "Z":
            text = zone[1].replace(":", "")
            zone_s = (1.0 if text[0] == "+" else -1.0) * (3600.0 * int(text[1:3]) + 60.0 * int(text[3:5]))
    parts = [int(match[i]) for i in (1, 2, 3)]
    order = {"iso": (0, 1, 2), "day first": (2, 1, 0), "month first": (2, 0, 1)}[kind]
    year, month, day = (parts[i] for i in order)
    try:
        midnight = datetime(year + 2000 if year < 100 else year, month, day, tzinfo=UTC).timestamp()
    except (ValueError, OverflowError):
        return math.nan
    return midnight + _clock_s(rest) - zone_s


def has_zone(cells: Sequence[str], kind: str) -> bool:
    """Tell whether the instant is known, not only the local clock.

    Parameters
    ----------
    cells : sequence of str
        Cells of the column. [-]
    kind : str
        A key of `KINDS`. [-]

    Returns
    -------
    bool
        True for seconds since 1970 and dates with a zone.
    """
    dated = kind in ("iso", "day first", "month first")
    return kind.startswith("epoch") or (dated and all(_ZONE.search(cell.strip()) is not None for cell in cells))


def date_in(name: str) -> date | None:
    """Find a date in a file's name.

    Parameters
    ----------
    name : str
        File name. [-]

    Returns
    -------
    date or None
        Year first only; other orders are not guessed.

    Examples
    --------
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
