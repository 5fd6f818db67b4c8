"""How a log is to be read: proposed from what stands in it, confirmed by its owner in a small TOML file beside it.

What is not sure carries a key `unsure`; a mapping with one left in it is refused until the owner settles it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

import numpy as np

from planner.files import limits, logtime
from planner.files.channels import CHANNELS, NO_DATA, candidates, known_unit, letters_of, unit_of
from planner.files.logtext import LogText, clean, is_blank
from planner.model.errors import PlannerError
from thermal.tomltext import shown
from thermal.units import convert

_SAMPLE = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where a channel comes from: a column, or a name in the long form; its unit; numbers that mean nothing."""

    column: str
    unit: str
    no_data: tuple[float, ...] = ()
    unsure: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mapping:
    """How one log is read.

    Attributes
    ----------
    time : str
        Column of the times; `kind` a key of `logtime.KINDS`.
    long : tuple of str
        Columns of name, value, and unit (may be empty) of the long form; empty for one column a channel.
    channels : dict
        Channel name to its source.
    day : date or None
        Day of the drive where times carry none.
    start, finish : str
        Places of the trip between which the log was driven, where the owner says so.
    elevation : str
        Height of a level road, such as '115 m', where the owner says so.
    """

    time: str
    kind: str
    time_unsure: str = ""
    long: tuple[str, ...] = ()
    channels: dict[str, Source] = field(default_factory=dict)
    day: date | None = None
    start: str = ""
    finish: str = ""
    elevation: str = ""
    ignored: tuple[str, ...] = ()

    @property
    def unsure(self) -> tuple[str, ...]:
        """What the owner must settle, a sentence each."""
        first = (f"time: {self.time_unsure}",) if self.time_unsure else ()
        return first + tuple(f"{name}: {item.unsure}" for name, item in self.channels.items() if item.unsure)


def propose(text: LogText) -> Mapping:
    """Propose how to read a log, saying what is not sure.

    Parameters
    ----------
    text : LogText
        The log in cells. [-]

    Returns
    -------
    Mapping
        To be shown and written; nothing is read with it before its owner has confirmed it.

    Raises
    ------
    PlannerError
        If no column holds times.
    """
    columns = {name: _column(text, i) for i, name in enumerate(text.headings)}
    time, kind, unsure = _time(text, columns)
    long = _long_form(columns, time)
    if long:
        units = columns.get(long[2], []) if len(long) > 2 else []
        series = _by_name(text, columns[long[0]], columns[long[1]], units)
    else:
        series = {name: (cells, unit_of(name)) for name, cells in columns.items() if name != time}
    channels, ignored = _channels(series, decimal_comma=text.decimal_comma)
    return Mapping(
        time=time,
        kind=kind,
        time_unsure=unsure,
        long=long,
        channels=channels,
        day=logtime.date_in(text.file),
        ignored=ignored,
    )


def _column(text: LogText, index: int) -> list[str]:
    """Cells of one column."""
    return [row[index] if index < len(row) else "" for row in text.rows]


def _filled(cells: Sequence[str]) -> list[str]:
    """Cells that say something, thinned to a sample from the whole length."""
    held = [cell for cell in cells if not is_blank(cell)]
    return held[:: max(1, len(held) // _SAMPLE)]


def _time(text: LogText, columns: dict[str, list[str]]) -> tuple[str, str, str]:
    """Choose the column of times: named so first, else the first that reads as one."""
    named = [
        n
        for n in columns
        if {"time", "timestamp", "zeit", "seconds", "elapsed", "datetime"} & set(letters_of(n).split())
    ]
    for name in [*named, *(n for n in columns if n not in named)]:
        cells = _filled(columns[name])
        kind, unsure = logtime.propose_kind(cells[:500], unit=unit_of(name), decimal_comma=text.decimal_comma)
        certain = kind not in ("", "s", "ms", "min") or name in named
        if kind and certain:
            more = f"{len(named)} columns are named like times" if len(named) > 1 and name == named[0] else ""
            return name, kind, unsure or more
    message = f"{text.file}: no column holds times; headings: {', '.join(text.headings[:12])}"
    raise PlannerError(message)


def _long_form(columns: dict[str, list[str]], time: str) -> tuple[str, ...]:
    """Columns of name, value and unit when each row is one reading."""
    names = {"channel", "signal", "name", "sensor", "parameter", "pid"}
    name = next((c for c in columns if c != time and set(letters_of(c).split()) & names), "")
    value = next((c for c in columns if set(letters_of(c).split()) & {"value", "reading", "wert"}), "")
    if not name or not value or len(columns) > 8:
        return ()
    unit = next((c for c in columns if set(letters_of(c).split()) & {"unit", "units", "einheit"}), "")
    return (name, value, unit) if unit else (name, value)


def _by_name(
    text: LogText, names: Sequence[str], values: Sequence[str], units: Sequence[str]
) -> dict[str, tuple[list[str], str | None]]:
    """Sort rows of the long form by the signal's name; its unit is that of its first row."""
    out: dict[str, tuple[list[str], str | None]] = {}
    for i, name in enumerate(names):
        key = clean(name)
        if key and key not in out:
            out[key] = ([], known_unit(clean(units[i])) if units else unit_of(key))
        if key:
            out[key][0].append(values[i])
        if len(out) > limits.LOG_NAMES:
            most = f"more than {limits.LOG_NAMES} different names"
            message = f"{text.file}: {most} in the column of names; it holds something else"
            raise PlannerError(message)
    return out


def _channels(
    series: dict[str, tuple[list[str], str | None]], *, decimal_comma: bool
) -> tuple[dict[str, Source], tuple[str, ...]]:
    """Give every channel the best of the columns that may be it."""
    found: dict[str, Source] = {}
    ignored: list[str] = []
    for column, (cells, unit) in series.items():
        options = candidates(column)
        values = np.array([logtime.number(c, decimal_comma=decimal_comma) for c in _filled(cells)])
        values = values[np.isfinite(values)]
        if not options or not len(values):
            ignored.append(column)
            continue
        for name in options[:1]:
            source = _source(name, column, unit, values, options)
            rival = found.get(name)
            if rival is None:
                found[name] = source
                continue
            both = f"columns {shown(rival.column)} and {shown(column)} both look like it; keep the right one"
            better = source if rival.unsure and not source.unsure else rival
            found[name] = replace(better, unsure=both)
    return found, tuple(ignored)


def _source(name: str, column: str, unit: str | None, values: Any, options: tuple[str, ...]) -> Source:
    """Check a column against what its channel can be; words for each doubt."""
    channel = CHANNELS[name]
    doubts = []
    if len(options) > 1:
        doubts.append(f"{shown(column)} may be {' or '.join(options)}")
    none = tuple(sorted({float(v) for v in NO_DATA if np.any(values == v)} & _senseless(values, name, unit)))
    values = values[~np.isin(values, none)]
    if not len(values):
        return Source(column=column, unit=_own_unit(unit, name), no_data=none, unsure=f"{shown(column)} has no reading")
    if unit is None or unit not in channel.units:
        fits = [u for u in channel.units if _inside(values, u, name)]
        given = "no unit" if unit is None else f"unit {unit!r} does not fit"
        low, high = float(np.min(values)), float(np.max(values))
        only = name in ("latitude", "longitude", "rpm", "load")
        if not (only and unit is None and fits):
            doubts.append(
                f"{shown(column)} has {given}; its readings of {low:g} to {high:g} could be "
                f"{' or '.join(fits) or 'nothing known'}"
            )
        unit = fits[0] if fits else channel.units[0]
    elif not _inside(values, unit, name):
        doubts.append(f"half of {shown(column)} is no plausible reading in {unit}")
    return Source(column=column, unit=unit, no_data=none, unsure="; ".join(doubts))


def _own_unit(unit: str | None, name: str) -> str:
    """A unit where it is one of the channel's, else the channel's usual one."""
    units = CHANNELS[name].units
    return unit if unit in units else units[0]


def _inside(values: Any, unit: str, name: str) -> bool:
    """Whether most readings are plausible in a unit, and none of a temperature's bulk absurdly cold."""
    channel = CHANNELS[name]
    si = to_si(values, unit, name)
    return float(np.mean((si >= channel.low) & (si <= channel.high))) > 0.9


def _senseless(values: Any, name: str, unit: str | None) -> set[float]:
    """Numbers for nothing that stand apart from this channel's readings."""
    middle = float(np.median(values))
    spread = max(30.0, 6.0 * float(np.median(np.abs(values - middle))))
    return {
        float(v) for v in NO_DATA if abs(v - middle) > spread or not _inside(np.array([v]), _own_unit(unit, name), name)
    }


def to_si(values: Any, unit: str, name: str) -> Any:
    """Turn readings of a channel into SI.

    Parameters
    ----------
    values : ndarray
        In `unit`. [any]
    unit : str
        One of the channel's units. [-]
    name : str
        Channel. [-]

    Returns
    -------
    ndarray
        In the channel's SI unit.

    Examples
    --------
    >>> float(to_si(np.array([100.0]), "degC", "coolant")[0])
    373.15
    """
    target = CHANNELS[name].unit
    if unit == "percent":
        return values / 100.0
    if unit == target or not target:
        return values
    at_zero, at_one = convert(0.0, unit, target), convert(1000.0, unit, target)
    return at_zero + values * (at_one - at_zero) / 1000.0
