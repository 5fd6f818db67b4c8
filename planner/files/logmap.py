"""How a log is to be read: proposed from what stands in it, confirmed by its owner in a small TOML file beside it.

What is not sure carries a key `unsure`; a mapping with one left in it is refused until the owner settles it.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from planner.files import limits
from planner.files.channels import (
    CHANNELS,
    KINDS,
    NO_DATA,
    candidates,
    date_in,
    known_unit,
    letters_of,
    number,
    propose_kind,
    unit_of,
)
from planner.files.limits import TOML_BYTES
from planner.files.logtext import LogText, clean, is_blank
from planner.files.reading import Problems, open_text
from planner.files.tomlfile import toml_of
from planner.files.wholefile import write_new
from planner.model.errors import OutputError, PlannerError, TripError
from thermal.errors import shown
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
class LogMapping:
    """How one log is read.

    Attributes
    ----------
    time : str
        Column of the times; `kind` a key of `channels.KINDS`.
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


def propose(text: LogText) -> LogMapping:
    """Propose how to read a log, saying what is not sure."""
    columns = {name: _column(text, i) for i, name in enumerate(text.headings)}
    time, kind, unsure = _time(text, columns)
    long = _long_form(columns, time)
    if long:
        units = columns.get(long[2], []) if len(long) > 2 else []
        series = _by_name(text, columns[long[0]], columns[long[1]], units)
    else:
        series = {name: (cells, unit_of(name)) for name, cells in columns.items() if name != time}
    channels, ignored = _channels(series, decimal_comma=text.decimal_comma)
    return LogMapping(
        time=time,
        kind=kind,
        time_unsure=unsure,
        long=long,
        channels=channels,
        day=date_in(text.file),
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
        kind, unsure = propose_kind(cells[:500], unit=unit_of(name), decimal_comma=text.decimal_comma)
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
        values = np.array([number(c, decimal_comma=decimal_comma) for c in _filled(cells)])
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


MAP_ENDING = ".map.toml"


def map_path(log: Path) -> Path:
    """Path of the mapping beside a log.

    Examples
    --------
    >>> map_path(Path("logs/day1.csv.gz")).name
    'day1.map.toml'
    """
    name = log.name
    for ending in (".gz", ".csv", ".txt", ".tsv", ".log"):
        name = name[: -len(ending)] if name.casefold().endswith(ending) and len(name) > len(ending) else name
    return log.with_name(name + MAP_ENDING)


def map_text(mapping: LogMapping, log: str) -> str:
    """Write a mapping as TOML."""
    lines = [f"# How {log} is read. Check it; where a line 'unsure' stands, put it right and delete that line."]
    lines += [f"log = {_quoted(log)}"] + ([f"date = {mapping.day.isoformat()}"] if mapping.day else [])
    lines += [
        "",
        "[time]",
        f"column = {_quoted(mapping.time)}",
        f"kind = {_quoted(mapping.kind)}  # {KINDS[mapping.kind]}",
    ]
    lines += [f"unsure = {_quoted(mapping.time_unsure)}"] if mapping.time_unsure else []
    if mapping.long:
        lines += ["", "[long]  # one reading a row"]
        lines += [f"{key} = {_quoted(c)}" for key, c in zip(("name", "value", "unit"), mapping.long, strict=False)]
    for name, item in mapping.channels.items():
        lines += ["", f"[channels.{name}]", f"column = {_quoted(item.column)}", f"unit = {_quoted(item.unit)}"]
        lines += (
            [f"no_data = [{', '.join(f'{v:g}' if abs(v) < 1e5 else str(v) for v in item.no_data)}]"]
            if item.no_data
            else []
        )
        lines += [f"unsure = {_quoted(item.unsure)}"] if item.unsure else []
    lines += ["", "[trip]  # say where it was driven when that cannot be told from the log"]
    for key, value in (("start", mapping.start), ("finish", mapping.finish), ("elevation", mapping.elevation)):
        example = {"start": "place-key", "finish": "place-key", "elevation": "115 m"}[key]
        lines.append(f"{key} = {_quoted(value)}" if value else f'# {key} = "{example}"')
    if mapping.ignored:
        lines += ["", "# not used: " + "; ".join(mapping.ignored[:40])]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A text as a TOML string, in ASCII escapes where needed."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def write_map(path: Path, mapping: LogMapping, log: str) -> None:
    """Write a mapping; one that is there stays."""
    try:
        write_new(path, map_text(mapping, log))
    except FileExistsError as exc:
        message = f"{path.name}: exists already; edit it, or delete it to have it proposed anew"
        raise OutputError(message) from exc
    except OSError as exc:
        message = f"{path}: cannot be written ({exc.strerror or exc}); name another place for the mapping"
        raise OutputError(message) from exc


_CHANNEL_KEYS, _TIME_KEYS = ("column", "unit", "no_data", "unsure"), ("column", "kind", "unsure")
_TOP_KEYS = ("log", "date", "time", "long", "channels", "trip")


def read_map(path: Path) -> LogMapping:
    """Read a confirmed mapping."""
    problems, name = Problems(), path.name
    text = open_text(path.parent, name, max_bytes=TOML_BYTES, problems=problems)
    data = None if text is None else toml_of(text, file=name, problems=problems)
    mapping = None if data is None else _mapping(data, name, problems)
    if mapping is None or len(problems):
        raise TripError(problems.sentences())
    return mapping


def _mapping(data: dict[str, Any], name: str, problems: Problems) -> LogMapping:
    """Check every key of a mapping file."""
    for key in data:
        if key not in _TOP_KEYS:
            problems.add(name, f"unknown; {problems.nearest(key, _TOP_KEYS)}", key=key)
    time = _table(data.get("time"), "time", _TIME_KEYS, name, problems)
    kind = str(time.get("kind", ""))
    if kind not in KINDS:
        problems.add(name, f"read {shown(kind)}; {problems.nearest(kind, KINDS)}", key="time.kind")
    long = _table(data.get("long", {}), "long", ("name", "value", "unit"), name, problems)
    if long and not {"name", "value"} <= set(long):
        problems.add(name, "needs 'name' and 'value'", key="long")
    trip = _table(data.get("trip", {}), "trip", ("start", "finish", "elevation"), name, problems)
    channels = {}
    for key, table in _table(data.get("channels", {}), "channels", tuple(CHANNELS), name, problems).items():
        source = _read_source(key, table, name, problems)
        if source is not None:
            channels[key] = source
    day = data.get("date")
    if day is not None and type(day) is not date:
        problems.add(name, f"read {shown(day)}; write a date without quotes, e.g. 2027-07-06", key="date")
    return LogMapping(
        time=str(time.get("column", "")),
        kind=kind,
        long=tuple(str(long[k]) for k in ("name", "value", "unit") if k in long),
        channels=channels,
        day=day if type(day) is date else None,
        start=str(trip.get("start", "")),
        finish=str(trip.get("finish", "")),
        elevation=str(trip.get("elevation", "")),
    )


def _table(value: Any, where: str, keys: tuple[str, ...], name: str, problems: Problems) -> dict[str, Any]:
    """Check a table's keys, and that nothing in it was left unsure."""
    if not isinstance(value, dict):
        problems.add(name, f"section [{where}] is missing; `log --describe` proposes one")
        return {}
    for key in value:
        if key not in keys:
            problems.add(name, f"unknown; {problems.nearest(key, keys)}", key=f"{where}.{key}")
    if "unsure" in value:
        problems.add(
            name, f"left unsure: {shown(value['unsure'])}; settle it and delete the line", key=f"{where}.unsure"
        )
    return {key: held for key, held in value.items() if key in keys}


def _read_source(key: str, value: Any, name: str, problems: Problems) -> Source | None:
    """Check one channel of the file."""
    table = _table(value, f"channels.{key}", _CHANNEL_KEYS, name, problems)
    unit, none = str(table.get("unit", "")), table.get("no_data", [])
    if unit not in CHANNELS[key].units:
        problems.add(
            name, f"read {shown(unit)}; {problems.nearest(unit, CHANNELS[key].units)}", key=f"channels.{key}.unit"
        )
        return None
    if not isinstance(none, list) or not all(type(v) in (int, float) for v in none):
        problems.add(
            name, f"read {shown(none)}; write a list of numbers, e.g. [-40, 215]", key=f"channels.{key}.no_data"
        )
        return None
    return Source(column=str(table.get("column", "")), unit=unit, no_data=tuple(float(v) for v in none))
