"""Column mapping of a log: proposed from its contents, confirmed by the owner in a TOML file next to the log.

An uncertain entry has a key `unsure`; a mapping with such entries is refused until the owner removes them.
"""

import json
from dataclasses import dataclass, field
from datetime import date as Day
from pathlib import Path
from typing import Any

from planner.files.channels import CHANNELS
from planner.files.limits import TOML_BYTES
from planner.files.logtime import KINDS
from planner.files.reading import Problems, nearest, open_text
from planner.files.tomlfile import Section, toml_of
from planner.files.wholefile import write_new
from planner.model.errors import OutputError, TripError
from planner.model.plaintext import printable
from thermal.errors import shown
from thermal.units import convert

MAP_ENDING = ".map.toml"
_CHANNEL_KEYS, _TIME_KEYS = ("column", "unit", "no_data", "unsure"), ("column", "kind", "date", "unsure")
_TOP_KEYS = ("log", "date", "decimal", "time", "long", "channels", "trip")
_DECIMALS = ("point", "comma")


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Source of a channel: a column, or a name in the long format; its unit; its no-data codes."""

    column: str
    unit: str
    no_data: tuple[float, ...] = ()
    unsure: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogMapping:
    """Column mapping of one log."""

    # column
    time: str  # column
    kind: str  # key of `logtime.KINDS`
    date: str = ""  # column, only if separate
    decimal: str = ""  # 'point' or 'comma' if the log is ambiguous
    time_unsure: str = ""
    long: tuple[str, ...] = ()  # columns of name, value and optional unit of the long format
    channels: dict[str, Source] = field(default_factory=dict)
    day: Day | None = None  # date of the drive if times have none
    start: str = ""  # set by the owner, as `finish`
    finish: str = ""  # set by the owner
    elevation: str = ""  # of a level road, set by the owner
    ignored: tuple[str, ...] = ()

    @property
    def unsure(self) -> tuple[str, ...]:
        """Entries the owner must correct, one sentence each."""
        first = (f"time: {self.time_unsure}",) if self.time_unsure else ()
        return first + tuple(f"{name}: {item.unsure}" for name, item in self.channels.items() if item.unsure)


def to_si(values: Any, unit: str, name: str) -> Any:
    """Turn readings of a channel into SI.

    >>> to_si(100.0, "degC", "coolant")
    373.15
    """
    target = CHANNELS[name].unit
    if unit == "percent":
        return values / 100.0
    if unit == target or not target:
        return values
    at_zero, at_one = convert(0.0, unit, target), convert(1000.0, unit, target)
    return at_zero + values * (at_one - at_zero) / 1000.0


def map_path(log: Path) -> Path:
    """Path of a log's mapping file.

    >>> map_path(Path("logs/day1.csv.gz")).name
    'day1.map.toml'
    """
    name = log.name
    for ending in (".gz", ".csv", ".txt", ".tsv", ".log"):
        name = name[: -len(ending)] if name.casefold().endswith(ending) and len(name) > len(ending) else name
    return log.with_name(name + MAP_ENDING)


def map_text(mapping: LogMapping, log: str) -> str:
    """Write a mapping as TOML; control characters in the file name are replaced."""
    log = " ".join(printable(log).split())
    lines = [
        f"# Column mapping of {log}. Check it. Correct each entry that has a line 'unsure', then delete that line.",
        *_entry("log", log),
        *([f"date = {mapping.day.isoformat()}"] if mapping.day else []),
        *_entry("decimal", mapping.decimal, "point or comma"),
        "",
        "[time]",
        *_entry("column", mapping.time),
        *_entry("kind", mapping.kind, KINDS[mapping.kind]),
        *_entry("date", mapping.date),
        *_entry("unsure", mapping.time_unsure),
    ]
    if mapping.long:
        lines += ["", "[long]  # one reading per row"]
        for key, column in zip(("name", "value", "unit"), mapping.long, strict=False):
            lines += _entry(key, column)
    for name, item in mapping.channels.items():
        lines += ["", f"[channels.{name}]", *_entry("column", item.column), *_entry("unit", item.unit)]
        codes = ", ".join(f"{code:g}" if abs(code) < 1e5 else str(code) for code in item.no_data)
        lines += [*([f"no_data = [{codes}]"] if codes else []), *_entry("unsure", item.unsure)]
    lines += ["", "[trip]  # where the log was driven, if the log does not show it"]
    for key, value, example in (
        ("start", mapping.start, "place-key"),
        ("finish", mapping.finish, "place-key"),
        ("elevation", mapping.elevation, "115 m"),
    ):
        lines += _entry(key, value) or [f'# {key} = "{example}"']
    if mapping.ignored:
        lines += ["", "# not used: " + "; ".join(" ".join(printable(name).split()) for name in mapping.ignored[:40])]
        lines += ["# To use one, write what it reads; delete the # of these three lines, and correct them."]
        free = next((name for name in CHANNELS if name not in mapping.channels), "coolant")
        units = CHANNELS[free].units
        entries = *_entry("column", mapping.ignored[0]), *_entry("unit", units[0], f"of {', '.join(units)}")
        lines += [f"# {line}" for line in (f"[channels.{free}]", *entries)]
    return "\n".join(lines) + "\n"


def _entry(key: str, text: str, comment: str = "") -> list[str]:
    """Line of a key with a TOML string; none for an empty text."""
    quoted = json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
    return [f"{key} = {quoted}{f'  # {comment}' if comment else ''}"] if text else []


def write_map(path: Path, mapping: LogMapping, log: str) -> None:
    """Write a mapping file; an existing one is not overwritten."""
    try:
        write_new(path, map_text(mapping, log))
    except FileExistsError as exc:
        message = f"{path.name}: already exists; edit it, or delete it to get a new proposal"
        raise OutputError(message) from exc
    except OSError as exc:
        message = f"{path}: cannot be written ({exc.strerror or exc}); name another file for the mapping"
        raise OutputError(message) from exc


def read_map(path: Path) -> LogMapping:
    """Read a confirmed mapping."""
    problems, name = Problems(), path.name
    text = open_text(path.parent, name, max_bytes=TOML_BYTES, problems=problems)
    data = None if text is None else toml_of(text, file=name, problems=problems)
    mapping = None if data is None else _mapping(Section(data, "", file=name, problems=problems))
    if mapping is None or len(problems):
        raise TripError(problems.found())
    return mapping


def _mapping(top: Section) -> LogMapping:
    top.check_keys(_TOP_KEYS)
    top.need("time", "`log --describe` proposes this section")
    time, long, trip = top.table("time"), top.table("long"), top.table("trip")
    for section, keys in ((time, _TIME_KEYS), (long, ("name", "value", "unit"))):
        section.check_keys(keys)
        _check_settled(section)
    trip.check_keys(("start", "finish", "elevation"))
    if long.data and not {"name", "value"} <= set(long.data):
        top.fault("long", "needs 'name' and 'value'", code="missing-key")
    time.need("kind", nearest("", KINDS))
    told = top.table("channels")
    told.check_keys(tuple(CHANNELS))
    channels = {key: _read_source(told.table(key), key) for key in told.data if key in CHANNELS}
    return LogMapping(
        time=_string(time, "column"),
        kind=time.choice("kind", tuple(KINDS), "") if "kind" in time else "",
        date=_string(time, "date"),
        decimal=top.choice("decimal", _DECIMALS, "point") if "decimal" in top else "",
        long=tuple(_string(long, key) for key in ("name", "value", "unit") if key in long),
        channels={key: source for key, source in channels.items() if source is not None},
        day=_day(top),
        start=_string(trip, "start"),
        finish=_string(trip, "finish"),
        elevation=_string(trip, "elevation"),
    )


def _string(section: Section, key: str) -> str:
    """A text verbatim, since it names a column including white space."""
    return str(section.data.get(key, ""))


def _day(top: Section) -> Day | None:
    day = top.data.get("date")
    if day is not None and type(day) is not Day:
        top.refuse("date", "write a date without quotes, e.g. 2027-07-06")
    return day if type(day) is Day else None


def _check_settled(section: Section) -> None:
    if "unsure" in section:
        section.fault(
            "unsure",
            f"still marked unsure: {shown(section.data['unsure'])}; correct the entry and delete this line",
            code="unsure",
        )


def _read_source(section: Section, key: str) -> Source | None:
    section.check_keys(_CHANNEL_KEYS)
    _check_settled(section)
    unit, none = _string(section, "unit"), section.data.get("no_data", [])
    if unit not in CHANNELS[key].units:
        section.fault("unit", f"read {shown(unit)}; {section.problems.nearest(unit, CHANNELS[key].units)}", code="unit")
        return None
    if not isinstance(none, list) or not all(type(v) in (int, float) for v in none):
        section.refuse("no_data", "write a list of numbers, e.g. [-40, 215]")
        return None
    return Source(column=_string(section, "column"), unit=unit, no_data=tuple(float(v) for v in none))
