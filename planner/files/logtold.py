"""What is told of a log in sentences: before its owner has confirmed how it is read, and after."""

from dataclasses import dataclass
from pathlib import Path

from planner.files import logtime
from planner.files.channels import FLUID_CHANNELS
from planner.files.logmap import Mapping, Source, propose
from planner.files.logs import Log, Series, assemble
from planner.files.logtext import read_log_text
from thermal.tomltext import shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """What `log --describe` tells: the proposal, and sentences on the file and on every column."""

    mapping: Mapping
    sentences: tuple[str, ...]


def describe_log(path: Path) -> Description:
    """Propose how a log is to be read, and say what is sure and what is not.

    Parameters
    ----------
    path : Path
        The log. [-]

    Returns
    -------
    Description
        To be shown; `logmapfile.write_map` writes its mapping.

    Raises
    ------
    PlannerError
        If it holds no table of readings.
    """
    text = read_log_text(path)
    mapping = propose(text)
    found = assemble(text, mapping)
    lines = [
        f"{path.name}: {len(text.rows):,} rows, {text.delimiter} between cells, heading in line {text.heading_row}."
    ]
    lines += [f"Noted: {note}." for note in text.notes]
    lines.append(
        f"Time: {shown(mapping.time)}, {logtime.KINDS[mapping.kind]}, {found.duration_s / 60.0:.0f} min in all."
    )
    if mapping.long:
        lines.append("Long form: one reading a row.")
    for name, source in mapping.channels.items():
        lines.append(f"{'Not sure' if source.unsure else 'Sure'}: {_told(name, source, found.channels[name])}")
    missing = [name for name in ("speed", "ambient", *FLUID_CHANNELS) if name not in mapping.channels]
    lines += [f"Missing: {', '.join(missing)}."] if missing else []
    lines += [f"Not used: {', '.join(shown(c) for c in mapping.ignored[:20])}."] if mapping.ignored else []
    lines += [f"Fault: {fault}." for fault in found.faults]
    return Description(mapping=mapping, sentences=tuple(lines))


def describe_read(log: Log) -> Description:
    """Tell what was read of a log by its confirmed mapping.

    Parameters
    ----------
    log : Log
        The log. [-]

    Returns
    -------
    Description
        Its mapping, channels and faults.
    """
    lines = [f"{log.name}: {log.duration_s / 60.0:.0f} min, {log.distance_m / 1000.0:.1f} km."]
    lines += [f"Read: {_told(name, log.mapping.channels[name], series)}" for name, series in log.channels.items()]
    lines += [f"Fault: {fault}." for fault in log.faults]
    return Description(mapping=log.mapping, sentences=tuple(lines))


def _told(name: str, source: Source, series: Series) -> str:
    """Describe one channel."""
    if source.unsure:
        return f"{name}: {source.unsure}."
    count = len(series.value)
    rate = count / max(float(series.time_s[-1] - series.time_s[0]), 1.0) if count > 1 else 0.0
    none = f"; {', '.join(f'{v:g}' for v in source.no_data)} taken as no reading" if source.no_data else ""
    return f"{name} from {shown(source.column)} in {source.unit}, {count:,} readings, {rate:.2g} a second{none}."
