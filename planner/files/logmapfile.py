"""The small TOML file beside a log that confirms how it is read."""

import json
from datetime import date
from pathlib import Path
from typing import Any

from planner.files import logtime
from planner.files.channels import CHANNELS
from planner.files.logmap import Mapping, Source
from planner.files.reading import Problems, open_text, toml_of
from planner.files.wholefile import write_new
from planner.model.errors import OutputError, TripError
from thermal.tomltext import TOML_BYTES, shown

MAP_ENDING = ".map.toml"


def map_path(log: Path) -> Path:
    """Path of the mapping beside a log.

    Parameters
    ----------
    log : Path
        The log. [-]

    Returns
    -------
    Path
        Its name with `.map.toml` for `.csv`, `.txt` and `.gz`.

    Examples
    --------
    >>> map_path(Path("logs/day1.csv.gz")).name
    'day1.map.toml'
    """
    name = log.name
    for ending in (".gz", ".csv", ".txt", ".tsv", ".log"):
        name = name[: -len(ending)] if name.casefold().endswith(ending) and len(name) > len(ending) else name
    return log.with_name(name + MAP_ENDING)


def map_text(mapping: Mapping, log: str) -> str:
    """Write a mapping as TOML.

    Parameters
    ----------
    mapping : Mapping
        As proposed. [-]
    log : str
        Name of the log. [-]

    Returns
    -------
    str
        The file's text; every doubt stands in it as a key `unsure`.
    """
    lines = [f"# How {log} is read. Check it; where a line 'unsure' stands, put it right and delete that line."]
    lines += [f"log = {_quoted(log)}"] + ([f"date = {mapping.day.isoformat()}"] if mapping.day else [])
    lines += [
        "",
        "[time]",
        f"column = {_quoted(mapping.time)}",
        f"kind = {_quoted(mapping.kind)}  # {logtime.KINDS[mapping.kind]}",
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


def write_map(path: Path, mapping: Mapping, log: str) -> None:
    """Write a mapping; one that is there stays.

    Parameters
    ----------
    path : Path
        Where, see `map_path`. [-]
    mapping : Mapping
        As proposed. [-]
    log : str
        Name of the log. [-]

    Raises
    ------
    OutputError
        If the file exists or cannot be written.
    """
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


def read_map(path: Path) -> Mapping:
    """Read a confirmed mapping.

    Parameters
    ----------
    path : Path
        The mapping file. [-]

    Returns
    -------
    Mapping
        With nothing unsure left.

    Raises
    ------
    TripError
        Carries every problem, a line left unsure included.
    """
    problems, name = Problems(), path.name
    text = open_text(path.parent, name, max_bytes=TOML_BYTES, problems=problems)
    data = None if text is None else toml_of(text, file=name, problems=problems)
    mapping = None if data is None else _mapping(data, name, problems)
    if mapping is None or len(problems):
        raise TripError(problems.sentences())
    return mapping


def _mapping(data: dict[str, Any], name: str, problems: Problems) -> Mapping:
    """Check every key of a mapping file."""
    for key in data:
        if key not in _TOP_KEYS:
            problems.add(name, f"unknown; {problems.nearest(key, _TOP_KEYS)}", key=key)
    time = _table(data.get("time"), "time", _TIME_KEYS, name, problems)
    kind = str(time.get("kind", ""))
    if kind not in logtime.KINDS:
        problems.add(name, f"read {shown(kind)}; {problems.nearest(kind, logtime.KINDS)}", key="time.kind")
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
    return Mapping(
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
