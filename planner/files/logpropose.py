"""Proposing a log's column mapping from its contents, and describing it before and after confirmation.

An ambiguous interpretation is never chosen silently: it is proposed with a doubt for the owner to settle.
"""

import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from planner.files import limits
from planner.files.channels import (
    CHANNELS,
    FLUID_CHANNELS,
    candidates,
    codes_of,
    doubtful_word,
    in_brackets,
    known_unit,
    leap_of,
    letters_of,
    spike_of,
    unit_of,
)
from planner.files.logmap import LogMapping, Source, to_si
from planner.files.logs import Columns, Floats, Log, Series, assembled, read_columns, restarts, spikes
from planner.files.logtext import LogText, clean, is_blank, read_log_text
from planner.files.logtime import (
    CLOCKS,
    DATE_NAMES,
    DATED,
    KINDS,
    NAMES,
    POINTED,
    SCALE_S,
    date_in,
    number,
    numbers,
    propose_date,
    propose_kind,
    split_unit,
)
from planner.files.reading import refused
from thermal.errors import shown

_SAMPLE = 4000
_NEAR_S = 120.0  # readings further apart are not compared
_SENDERS = 3.0  # ASSUMED: degrees between two senders in one column; likely range 1 to 5
_WORDS = 0.2  # share of cells without a number that is asked about
_STANDS = 20  # rows of one time that are asked about
_MANY = 0.05  # share of readings that leap away and back that is asked about
_NO_TIME = 0.05  # share of rows without a time that is asked about
_TIMES_TEN = re.compile(r"(?:\bx|[×*/])\s?10+\b|\b1?0[.,]?0*1\b")  # a unit that is a multiple of what the heading says


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """Output of `log --describe`: the proposal, and sentences on the file and every column."""

    mapping: LogMapping
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Signal:
    """Non-empty cells of one signal and its possible units; `told` if the units are stated, not guessed."""

    column: str
    cells: list[str]
    unit: str | None
    doubt: str = ""


def describe_log(path: Path) -> Description:
    """Propose a mapping for a log, and report what is sure and what is not."""
    text = read_log_text(path)
    mapping, columns = proposed(text)
    found = assembled(text, mapping, columns)
    lines = [f"{path.name}: {text.count:,} rows, {text.delimiter} between cells, heading in line {text.heading_row}."]
    lines += [f"Note: {note}." for note in text.notes]
    lines.append(f"Time: {shown(mapping.time)}, {KINDS[mapping.kind]}, {found.duration_s / 60.0:.0f} min in total.")
    lines += [f"Not sure: time: {mapping.time_unsure}."] if mapping.time_unsure else []
    if mapping.long:
        lines.append("Long format: one reading per row.")
    for name, source in mapping.channels.items():
        lines.append(f"{'Not sure' if source.unsure else 'Sure'}: {_told(name, source, found.channels[name])}")
    missing = [name for name in ("speed", "ambient", *FLUID_CHANNELS) if name not in mapping.channels]
    lines += [f"Missing: {', '.join(missing)}."] if missing else []
    lines += _unused(mapping)
    lines += [f"Fault: {fault}." for fault in found.faults]
    return Description(mapping=mapping, sentences=tuple(lines))


def _unused(mapping: LogMapping) -> Iterator[str]:
    """Report the unused columns: those of no known name, and those without numbers."""
    unknown = [name for name in mapping.ignored if not candidates(name)]
    empty = [name for name in mapping.ignored if candidates(name)]
    if unknown:
        said, example = "the names do not say what they read", f"[channels.coolant] with column = {shown(unknown[0])}"
        yield f"Not used: {_listed(unknown)}: {said}. Name each in the mapping file, e.g. {example}."
    if empty:
        yield f"Not used: {_listed(empty)}: no numbers."


def _listed(names: Sequence[str]) -> str:
    return ", ".join(map(shown, names[:20])) + (f" and {len(names) - 20} more" if len(names) > 20 else "")


def describe_read(log: Log) -> Description:
    """Describe what was read from a log with its confirmed mapping."""
    lines = [f"{log.name}: {log.duration_s / 60.0:.0f} min, {log.distance_m / 1000.0:.1f} km."]
    lines += [f"Read: {_told(name, log.mapping.channels[name], series)}" for name, series in log.channels.items()]
    lines += [f"Fault: {fault}." for fault in log.faults]
    return Description(mapping=log.mapping, sentences=tuple(lines))


def _told(name: str, source: Source, series: Series) -> str:
    if source.unsure:
        return f"{name}: {source.unsure}."
    count = len(series.value)
    rate = count / max(float(series.time_s[-1] - series.time_s[0]), 1.0) if count > 1 else 0.0
    none = f"; {', '.join(f'{v:g}' for v in source.no_data)} treated as no data" if source.no_data else ""
    return f"{name} from {shown(source.column)} in {source.unit}, {count:,} readings, {rate:.2g} per second{none}."


def proposed(text: LogText) -> tuple[LogMapping, Columns]:
    """Propose a mapping for a log with its uncertain entries, for the owner to confirm; and the columns read by it."""
    cells = {name: _column(text, i) for i, name in enumerate(text.headings)}
    units = dict(itertools.zip_longest(text.headings, map(known_unit, text.units)))
    time, kind, unsure = _time(text, cells, units)
    day, kind, unsure = _date(cells, time, kind, unsure)
    long = _long_form(cells, time)
    if long:
        signals = _by_name(text, long)
    else:
        signals = [_signal(name, held, units[name]) for name, held in cells.items() if name not in (time, day)]
    channels, ignored = _channels(signals, decimal_comma=text.decimal_comma)
    mapping = LogMapping(
        time=time,
        kind=kind,
        date=day,
        decimal="point" if text.commas == "either" else "",
        time_unsure=unsure,
        long=long,
        channels=_with_commas(text, channels, signals),
        day=date_in(text.file),
        ignored=ignored,
    )
    columns = read_columns(text, mapping)
    if not mapping.time_unsure:
        mapping = replace(mapping, time_unsure=_doubt_of_times(text, mapping, columns))
    return replace(mapping, channels={name: _coded(name, s, columns) for name, s in mapping.channels.items()}), columns


def _column(text: LogText, index: int) -> list[str]:
    """Non-empty cells of one column, sampled in runs over the whole length."""
    held = [row[index] for row in text.rows if index < len(row) and not is_blank(row[index])]
    if len(held) <= _SAMPLE:
        return held
    step = len(held) // (_SAMPLE // 40)
    return [cell for start in range(0, len(held), step) for cell in held[start : start + 40]]


# --- the time ---


def _time(text: LogText, cells: dict[str, list[str]], units: dict[str, str | None]) -> tuple[str, str, str]:
    """Choose the time column: by name, else the first that parses as times."""
    named = [name for name in cells if _says_time(name)]
    found: list[tuple[str, str, str]] = []
    for name in [*named, *(n for n in cells if n not in named)]:
        unit = unit_of(name) or units[name] or _unit_in(cells[name])[0]
        kind, unsure = propose_kind(cells[name], unit=unit, decimal_comma=text.decimal_comma, heading=name)
        unsure = unsure or _doubt_of_heading(name, kind, cells[name], decimal_comma=text.decimal_comma)
        if kind and (name in named or (kind not in ("s", "ms", "us", "min", "h") and not found)):
            found.append((name, kind, unsure))
    if not found:
        raise refused(text.file, f"no column contains times; headings: {', '.join(text.headings[:12])}")
    name, kind, unsure = found[0]
    rivals = [other for other, _, _ in found[1:] if other in named]
    return name, kind, unsure or (f"{len(rivals) + 1} columns have names like time" if rivals else "")


def _doubt_of_heading(name: str, kind: str, cells: Sequence[str], *, decimal_comma: bool) -> str:
    if _TIMES_TEN.search(name) is not None:
        return f"{shown(name)} may be in tenths or tens"
    if kind.startswith("epoch") and "gps" in name.casefold():
        return f"{shown(name)} may count from 1980, not 1970; if so, set kind to 's' or 'ms'"
    pointed = next((cell for cell in cells if decimal_comma and POINTED.fullmatch(cell.strip())), "")
    return f"the point in {pointed!r} may be a thousands separator or a decimal mark" if pointed else ""


def _doubt_of_times(text: LogText, mapping: LogMapping, columns: Columns) -> str:
    """A doubt that only all times together show."""
    time_s = columns.time_s[np.isfinite(columns.time_s)]
    again = restarts(columns.time_s)
    if again or len(time_s) < 2:
        return again
    none = len(columns.time_s) - len(time_s)
    if none > _NO_TIME * len(columns.time_s):
        return f"{none:,} of {len(columns.time_s):,} rows have no readable time"
    times, counts = np.unique(time_s, return_counts=True)
    if counts.max() > max(_STANDS, 5.0 * float(np.median(counts))):
        return f"the clock stands still for {counts.max():,} rows; remove them"
    steps = np.diff(times)
    full = [sum(not is_blank(row[i]) for row in text.rows if i < len(row)) for i in range(len(text.headings))]
    often = sum(number > 0.7 * len(text.rows) for number in full) > 1 and not mapping.long
    if often and len(time_s) > 1.5 * len(times) and len(steps) and float(np.median(steps)) >= 20.0:
        return f"{len(time_s):,} rows have {len(times):,} different times; export the log with seconds"
    over = steps % 1800.0 <= 5.0 + min(2.0 * float(np.median(steps)), 20.0)
    leap = np.flatnonzero(over & (steps >= 1800.0) & (steps < 4.0 * 3600.0))
    local = (mapping.kind in (*CLOCKS, *DATED) and not columns.zoned) or mapping.kind == "days"
    if local and len(leap):
        row = int(np.argmax(columns.time_s > times[leap[0]])) + 1
        return (
            f"the clock jumps by {steps[leap[0]] / 3600.0:.1f} h in row {row} of the readings; delete this line if the "
            "car stood so long; if the clock was set, to summer time or another zone, correct the times"
        )
    return ""


def _says_time(name: str) -> bool:
    """Whether a heading has a word for time; `t` alone, or before a unit of time: `T_W` is a temperature."""
    words = set(letters_of(name).split()) & NAMES
    return bool(words) and (words != {"t"} or letters_of(name) == "t" or unit_of(name) in SCALE_S)


def _date(cells: dict[str, list[str]], time: str, kind: str, unsure: str) -> tuple[str, str, str]:
    """A separate date column, and the format of both."""
    if kind not in CLOCKS:
        return "", kind, unsure
    for name, held in cells.items():
        if name != time and held and DATE_NAMES & set(letters_of(name).split()):
            order, doubt = propose_date(held)
            if order:
                return name, order, unsure or doubt
    return "", kind, unsure


# --- the signals ---


def _long_form(cells: dict[str, list[str]], time: str) -> tuple[str, ...]:
    """Columns of name, value and unit when each row is one reading."""

    def with_word(*words: str) -> str:
        return next((c for c in cells if c != time and set(letters_of(c).split()) & set(words)), "")

    name = with_word("channel", "signal", "name", "sensor", "parameter", "pid")
    value, unit = with_word("value", "reading", "wert"), with_word("unit", "units", "einheit")
    if not name or not value or len(cells) > 8:
        return ()
    return (name, value, unit) if unit else (name, value)


def _signal(column: str, cells: list[str], below: str | None) -> _Signal:
    """One column, its unit from the heading, the row below it, or its cells."""
    inside, doubt = _unit_in(cells)
    told = [unit for unit in (unit_of(column), below, inside) if unit is not None]
    if not doubt and len(set(told)) > 1:
        doubt = f"{shown(column)} is labelled in {' and in '.join(dict.fromkeys(told))}"
    return _Signal(column=column, cells=cells, unit=told[0] if told else None, doubt=doubt)


def _unit_in(cells: Sequence[str]) -> tuple[str | None, str]:
    """Unit written after the numbers, and a doubt if there is more than one."""
    found = {known_unit(unit) for cell in cells[:2000] for unit in (split_unit(cell)[1],) if unit}
    known = sorted(unit for unit in found if unit is not None)
    return (known[0] if known else None), (f"its cells are in {' and in '.join(known)}" if len(known) > 1 else "")


def _by_name(text: LogText, long: tuple[str, ...]) -> list[_Signal]:
    name, value, *unit = (text.headings.index(column) for column in long)
    cells: dict[str, list[str]] = {}
    said: dict[str, dict[str, None]] = {}
    for row in text.rows:
        if max(name, value) >= len(row):
            continue
        key = clean(row[name])
        if key and not is_blank(row[value]):
            cells.setdefault(key, []).append(row[value])
            if unit and unit[0] < len(row):
                said.setdefault(key, {})[clean(row[unit[0]])] = None
        if len(cells) > limits.LOG_NAMES:
            most = f"more than {limits.LOG_NAMES} different channel names"
            raise refused(text.file, f"{most} in the name column; choose another column")
    out = []
    for key, held in cells.items():
        known = [known_unit(item) for item in said.get(key, {}) if item]
        one = _signal(key, held[:_SAMPLE], known[0] if known else None)
        mixed = f"{shown(key)} is given in {' and in '.join(map(str, known))}" if len(set(known)) > 1 else ""
        out.append(replace(one, doubt=one.doubt or mixed))
    return out


def _channels(signals: Sequence[_Signal], *, decimal_comma: bool) -> tuple[dict[str, Source], tuple[str, ...]]:
    found: dict[str, Source] = {}
    ignored: list[str] = []
    chosen = []
    for signal in signals:
        options = candidates(signal.column)
        values = numbers(signal.cells, decimal_comma=decimal_comma)
        values = values[np.isfinite(values)]
        none = len(signal.cells) - len(values)
        if none > _WORDS * len(signal.cells) and not signal.doubt:
            example = next(cell for cell in signal.cells if np.isnan(number(cell, decimal_comma=decimal_comma)))
            signal = replace(
                signal, doubt=f"{none:,} of {len(signal.cells):,} cells have no number, such as {shown(example)}"
            )
        if options and len(values):
            chosen.append((signal, values, options))
        else:
            ignored.append(signal.column)
    usual = _usual_temperature(chosen)
    letters = [s for s in signals if s.cells and set(map(str.strip, s.cells)) <= {"W", "E"} and "W" in s.cells[0]]
    for signal, values, options in chosen:
        name = options[0]
        source = _source(name, signal, values, options, usual)
        if name == "longitude" and letters and np.all(values >= 0.0):
            west = f"{shown(letters[0].column)} says W, but {shown(signal.column)} has no sign"
            source = replace(source, unsure=f"{west}; write it before the degrees")
        rival = found.get(name)
        if rival is None:
            found[name] = source
            continue
        both = f"columns {shown(rival.column)} and {shown(signal.column)} both match; keep the right one"
        better = source if rival.unsure and not source.unsure else rival
        found[name] = replace(better, unsure=both)
    return found, tuple(ignored)


_Chosen = tuple[_Signal, Floats, tuple[str, ...]]


def _usual_temperature(chosen: Sequence[_Chosen]) -> str:
    """The temperature unit consistent with all columns: stated by some, or plausible for those without one."""
    warm = [(s, _real(v, names[0]), names[0]) for s, v, names in chosen if CHANNELS[names[0]].unit == "K"]
    for signal, _, name in warm:
        if signal.unit in CHANNELS[name].units:
            return str(signal.unit)
    return next((unit for unit in ("degC", "degF", "K") if all(_inside(v, unit, n) for _, v, n in warm if len(v))), "")


def _source(name: str, signal: _Signal, values: Floats, options: tuple[str, ...], usual: str) -> Source:
    """Check a column against its channel's range; one sentence per doubt."""
    channel, column = CHANNELS[name], signal.column
    doubts = [f"{shown(column)} may be {' or '.join(options)}"] if len(options) > 1 else []
    doubts += [signal.doubt] if signal.doubt else []
    word = doubtful_word(name, column)
    doubts += [f"the readings of {shown(column)} alternate, as of several senders"] if _alternates(name, values) else []
    doubts += [f"the word {shown(word)} in {shown(column)} may mean another reading than {name}"] if word else []
    unit = signal.unit
    values = _real(values, name)
    if not len(values):
        told = unit if unit in channel.units else usual if usual in channel.units else channel.units[0]
        return Source(column=column, unit=told, unsure=f"{shown(column)} has no reading")
    if unit is None or unit not in channel.units:
        fits = [u for u in channel.units if _inside(values, u, name)]
        unknown = f"the unknown unit {shown(in_brackets(column))}" if in_brackets(column) else "no unit"
        given = unknown if unit is None else f"unit {unit!r} does not fit"
        low, high = float(np.min(values)), float(np.max(values))
        if not (unit is None and fits and _needs_no_unit(name, column, values)):
            doubts.append(
                f"{shown(column)} has {given}; its readings of {low:g} to {high:g} could be "
                f"{' or '.join(fits) or 'no known unit'}"
            )
        unit = usual if usual in fits else fits[0] if fits else channel.units[0]
    elif not _inside(values, unit, name):
        doubts.append(f"over 10 % of the readings of {shown(column)} are implausible in {unit}")
    return Source(column=column, unit=unit, unsure="; ".join(doubts))


def _needs_no_unit(name: str, column: str, values: Floats) -> bool:
    """Whether a channel has one usual unit, and neither heading nor readings suggest another, as hundreds of rpm."""
    if in_brackets(column):
        return False
    return name in ("latitude", "longitude") or (name == "rpm" and float(np.quantile(values, 0.95)) > 400.0)


def _alternates(name: str, values: Floats) -> bool:
    """Whether readings of a temperature are unlike the one before and like one a few before, as of several senders."""
    if CHANNELS[name].unit != "K" or len(values) < 20:
        return False
    near, *apart = (float(np.median(np.abs(values[n:] - values[:-n]))) for n in (1, 2, 3, 4))
    return near > max(_SENDERS, 8.0 * min(apart))


def _real(values: Floats, name: str) -> Floats:
    """Readings without possible no-data codes, unless there is nothing else."""
    real = values[~np.isin(values, codes_of(name))]
    return real if len(real) else values


def _inside(values: Floats, unit: str, name: str) -> bool:
    channel = CHANNELS[name]
    if unit == "percent" and float(np.max(values)) <= 1.5:
        return False  # shares of one
    si = to_si(values, unit, name)
    return float(np.mean((si >= channel.low) & (si <= channel.high))) > 0.9


def _with_commas(text: LogText, channels: dict[str, Source], signals: Sequence[_Signal]) -> dict[str, Source]:
    """Mark every channel whose commas or points may be thousands separators or decimal marks as unsure."""
    if text.decimal_comma:
        pointed = {s.column: cell for s in signals if (cell := _unclear_point(s.cells))}
        doubt = "the point in {} may be a thousands separator or a decimal mark: export the log with one of them"
        return _marked(channels, pointed, doubt)
    if text.commas != "either":
        return channels
    example = {s.column: cell for s in signals for cell in s.cells if "," in cell}
    doubt = "the comma in {} may be a thousands separator or a decimal mark: write decimal = 'point' or 'comma' above"
    return _marked(channels, example, doubt)


def _unclear_point(cells: Sequence[str]) -> str:
    """A cell such as 1.900 beside decimal commas, unless the others show that its point separates thousands."""
    points = [cell for cell in cells if "." in cell and "," not in cell]
    grouped = [cell for cell in points if POINTED.fullmatch(cell.strip())]
    proven = len(grouped) == len(points) and any(cell.strip().isdigit() or "," in cell for cell in cells)
    return grouped[0] if grouped and not proven else ""


def _marked(channels: dict[str, Source], example: dict[str, str], doubt: str) -> dict[str, Source]:
    return {
        name: replace(item, unsure=doubt.format(shown(example[item.column]))) if item.column in example else item
        for name, item in channels.items()
    }


# --- no-data codes ---


def _coded(name: str, source: Source, columns: Columns) -> Source:
    """A source with its no-data codes, or a doubt about them."""
    row, raw = columns.readings[name]
    time_s, si = columns.time_s[row], to_si(raw, source.unit, name)
    there = [code for code in codes_of(name) if np.any(raw == code)]
    timed = np.flatnonzero(np.isfinite(time_s))
    false = np.zeros(len(raw), dtype=np.bool_)
    false[timed] = spikes(time_s[timed], si[timed], name)
    good = ~np.isin(raw, there) & np.isfinite(time_s)
    if not there or source.unsure:
        return source if source.unsure else _leaping(name, source, time_s, si, false)
    if not good.any():
        return replace(source, unsure=f"{shown(source.column)} reads {', '.join(f'{v:g}' for v in there)} in every row")
    least, most = leap_of(name)
    usual = np.abs(np.diff(si[good]))
    leap = float(np.clip(8.0 * np.quantile(usual, 0.99) if len(usual) else least, least, most))
    none, doubts = [], []
    for code in there:
        channel = CHANNELS[name]
        if not channel.low <= float(to_si(np.array([code]), source.unit, name)[0]) <= channel.high:
            none.append(code)
            continue
        apart = _apart(time_s, si, raw == code, good) > leap
        if np.mean(apart) > 0.9:
            none.append(code)
        elif np.any(apart & ~false[raw == code]):
            doubts.append(f"{code:g} may be a reading or a no-data code")
    coded = replace(source, no_data=tuple(sorted(none)), unsure="; ".join(doubts))
    real = ~np.isin(raw, none)
    return coded if doubts else _leaping(name, coded, time_s[real], si[real], false[real])


def _leaping(name: str, source: Source, time_s: Floats, si: Floats, false: np.ndarray) -> Source:
    """A source, with a doubt if many of its readings leap away and back, or a temperature leaps for good."""
    many = int(false.sum())
    if many > _MANY * len(false):
        doubt = f"{many:,} of {len(false):,} readings leap away and back; name the number that means no data"
        return replace(source, unsure=doubt)
    if CHANNELS[name].unit != "K":
        return source
    least, rate = spike_of(name)
    kept = ~false & np.isfinite(time_s) & (si >= CHANNELS[name].low) & (si <= CHANNELS[name].high)
    step, later_s = np.diff(si[kept]), np.diff(time_s[kept])
    leaps = np.flatnonzero((np.abs(step) > np.maximum(least, rate * later_s)) & (later_s >= 0.0))
    if not len(leaps):
        return source
    at = f"minute {(time_s[kept][leaps[0]] - time_s[kept][0]) / 60.0:.0f}"
    doubt = f"leaps by {abs(step[leaps[0]]):.0f} K in {at}, as no fluid does; delete this line if it did"
    return replace(source, unsure=doubt)


def _apart(time_s: Floats, si: Floats, code: np.ndarray, good: np.ndarray) -> Floats:
    """Distance of each marked reading to the nearer good neighbour; 0 if none is near."""
    at, held = np.flatnonzero(code), np.flatnonzero(good)
    after = np.searchsorted(held, at)
    gaps = []
    for side in (np.maximum(after - 1, 0), np.minimum(after, len(held) - 1)):
        near = np.abs(time_s[held[side]] - time_s[at]) <= _NEAR_S
        gaps.append(np.where(near, np.abs(si[held[side]] - si[at]), np.inf))
    gap = np.minimum(*gaps)
    return np.where(np.isfinite(gap), gap, 0.0)
