"""A log in the planner's terms: every channel with its own times, in SI, and a list of faults.

The file is read in blocks; only mapped columns are kept, with at most ten readings per second.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import numpy as np
import numpy.typing as npt

from planner.files.channels import CHANNELS, FLUID_CHANNELS, codes_of, spike_of
from planner.files.logmap import LogMapping, Source, map_path, read_map, to_si
from planner.files.logtext import LogText, clean, is_blank, read_log_text
from planner.files.logtime import CLOCKS, DATED, has_zone, numbers, parse_times, turned, unwrapped
from planner.files.reading import nearest, refused
from planner.model.display import counted
from planner.model.errors import PlannerError
from thermal.errors import ThermalError, shown
from thermal.units import to_si as text_to_si

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
_STUCK_S = 1800.0  # ASSUMED: no fluid of a driven car reads the same to the last digit for half an hour
_GAP_S = 60.0
_SPIKE_S = 120.0  # ASSUMED: readings that leap and come back within this are the logger's, not the car's
_SOUTH_WEST = ("S", "W", "s", "w")
_RATE_HZ = 10.0  # readings kept per second; neither fluids nor drivers change faster
_AGAIN_ROWS = 20  # rows below the latest time that indicate a new drive, not a clock error


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Readings of one channel, in time order. [s, SI]"""

    time_s: Floats
    value: Floats

    def at(self, time_s: Floats, *, oldest_s: float) -> Floats:
        """Last reading before each time, NaN if older than `oldest_s`."""
        if not len(self.time_s):
            return np.full(len(time_s), np.nan)
        row = np.searchsorted(self.time_s, time_s, side="right") - 1
        held = np.maximum(row, 0)
        fresh = (row >= 0) & (time_s - self.time_s[held] <= oldest_s)
        return np.where(fresh, self.value[held], np.nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """One log as read. Times of the channels count from the first row."""

    name: str
    mapping: LogMapping
    channels: dict[str, Series]
    epoch_s: float | None  # time of the first row since 1970 UTC; None if unknown
    day: date | None  # local; None if unknown
    clock_s: float | None  # local time of the first row since midnight; None if unknown
    duration_s: float  # from the first row to the last
    faults: tuple[str, ...]  # what was ignored or looks wrong
    distance_m: float = field(init=False, repr=False)  # speed summed over time, NaN without speed

    def __post_init__(self) -> None:
        speed = self.channels.get("speed")
        driven = float("nan") if speed is None or len(speed.time_s) < 2 else float(driven_m(speed)[-1])
        object.__setattr__(self, "distance_m", driven)


def driven_m(speed: Series) -> Floats:
    """Distance driven up to every reading of the speed.

    >>> driven_m(Series(time_s=np.array([0.0, 10.0, 500.0]), value=np.array([20.0, 20.0, 20.0]))).tolist()
    [0.0, 200.0, 200.0]
    """
    step = np.diff(speed.time_s)
    step = np.where(step > 2.0 * _GAP_S, 0.0, step)
    return np.concatenate(([0.0], np.cumsum(0.5 * (speed.value[1:] + speed.value[:-1]) * step)))


def open_log(path: Path, mapping: Path | None = None) -> Log:
    """Read a log by its confirmed mapping."""
    where = map_path(path) if mapping is None else mapping
    if not path.is_file():
        raise refused(path, "does not exist; check the path")
    if not where.is_file():
        steps = f"run `grademargin log --describe {path} --write`, check {where.name}, then try again"
        raise refused(path.name, f"its column mapping is not confirmed; {steps}")
    return read_log(path, read_map(where))


def read_log(path: Path, mapping: LogMapping) -> Log:
    """Read a log by a mapping."""
    if mapping.unsure:
        raise refused(path.name, f"its mapping has entries still marked unsure: {'; '.join(mapping.unsure)}")
    if not mapping.channels:
        example = '[channels.coolant] with column = "CH1" and unit = "degC"'
        raise refused(path.name, f"its mapping names no channel; say what a column reads, e.g. {example}")
    text = replace(read_log_text(path), rows=[])  # the sample has served
    columns = read_columns(text, mapping)
    again = restarts(columns.time_s)
    if again:
        raise refused(path.name, again)
    return assembled(text, mapping, columns)


def level_m(log: Log) -> float | None:
    """Elevation of a level road, if the mapping states one."""
    if not log.mapping.elevation:
        return None
    try:
        return text_to_si(log.mapping.elevation, "m")
    except ThermalError as exc:
        message = f"mapping of {log.name}, key 'trip.elevation': {exc}"
        raise PlannerError(message) from exc


# --- columns ---


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Raw data of a log, unchecked."""

    time_s: Floats  # one per row, NaN if missing
    zoned: bool
    readings: dict[str, tuple[npt.NDArray[np.int32], Floats]]  # by channel: rows, and numbers as logged, in row order
    words: dict[str, int]  # by channel: count of cells without a number


def read_columns(text: LogText, mapping: LogMapping) -> Columns:
    """Read times and channels of a log; uncertain mapping entries are used as they are."""
    time_at = _index(text, mapping.time, "time.column")
    date_at = _index(text, mapping.date, "time.date") if mapping.date else None
    name_at = _index(text, mapping.long[0], "long.name") if mapping.long else None
    value_at = _index(text, mapping.long[1], "long.value") if mapping.long else None
    columns = {
        name: _index(text, source.column, "a channel's column") if value_at is None else value_at
        for name, source in mapping.channels.items()
    }
    comma = mapping.decimal == "comma" or (not mapping.decimal and text.decimal_comma)
    times: list[Floats] = []
    found: dict[str, list[tuple[npt.NDArray[np.int32], Floats]]] = {name: [] for name in mapping.channels}
    words = dict.fromkeys(found, 0)
    zoned, base = True, 0
    names: dict[str, str] = {}
    for block in text.blocks():
        cells, dates = block[time_at], block[date_at] if date_at is not None else ()
        time_s = parse_times(cells, mapping.kind, decimal_comma=comma, dates=dates)
        zoned = zoned and has_zone([c for c in cells[:50] if not is_blank(c)], mapping.kind)
        called = [_named(cell, names) for cell in block[name_at]] if name_at is not None else []
        for name, source in mapping.channels.items():
            held = block[columns[name]]
            if name in ("latitude", "longitude"):
                held = _signed(held)
            if called:
                held = [cell if call == source.column else "" for cell, call in zip(held, called, strict=True)]
            kept, raw, none = _kept(held, time_s, codes_of(name), comma=comma)
            words[name] += none
            found[name].append(((kept + base).astype(np.int32), raw))
        times.append(time_s)
        base += len(cells)
    time_s = np.concatenate(times) if times else np.zeros(0)
    if mapping.kind in ("ms", "us"):
        time_s = turned(time_s, mapping.kind)
    return Columns(
        time_s=unwrapped(time_s) if mapping.kind in CLOCKS else time_s,
        zoned=zoned and base > 0,
        readings={name: _joined(parts) for name, parts in found.items()},
        words=words,
    )


def _index(text: LogText, column: str, key: str) -> int:
    if column not in text.headings:
        hint = nearest(column, text.headings)
        raise refused(text.file, f"no column {shown(column)}, which the mapping names as {key}; {hint}")
    return text.headings.index(column)


def _signed(cells: Sequence[str]) -> Sequence[str]:
    """Positions with a sign in place of a letter S or W behind the number."""
    if not any(cell.strip()[-1:] in _SOUTH_WEST for cell in cells[:50] if cell.strip()):
        return cells
    return ["-" + cell.strip()[:-1] if cell.strip()[-1:] in _SOUTH_WEST else cell for cell in cells]


def _named(cell: str, known: dict[str, str]) -> str:
    """A signal's name, cleaned once."""
    if cell not in known:
        if len(known) > 10_000:
            known.clear()
        known[cell] = clean(cell)
    return known[cell]


def _kept(cells: Sequence[str], time_s: Floats, codes: Sequence[float], *, comma: bool) -> tuple[Rows, Floats, int]:
    """The last reading of each tenth of a second: rows and numbers; and the count of non-numeric cells.

    No-data codes are thinned separately, so that they do not displace readings.
    """
    raw = numbers(cells, decimal_comma=comma)
    said = np.flatnonzero(np.isfinite(raw))
    words = 0
    if len(said) < len(cells):
        words = sum(1 for i in np.flatnonzero(np.isnan(raw)).tolist() if cells[i] and not is_blank(cells[i]))
    code = np.isin(raw[said], codes)
    kept = _last_of_each(said, time_s)
    if code.any():
        kept = np.sort(np.concatenate((_last_of_each(said[~code], time_s), _last_of_each(said[code], time_s))))
    return kept, raw[kept], words


def _last_of_each(rows: Rows, time_s: Floats) -> Rows:
    tenth = np.floor(time_s[rows] * _RATE_HZ + 0.25)
    return rows[np.append(tenth[1:] != tenth[:-1], True)] if len(rows) else rows


def _joined(parts: Sequence[tuple[npt.NDArray[np.int32], Floats]]) -> tuple[npt.NDArray[np.int32], Floats]:
    rows, values = zip(*(parts or [(np.zeros(0, dtype=np.int32), np.zeros(0))]), strict=True)
    return np.concatenate(rows), np.concatenate(values)


# --- the log ---


def assembled(text: LogText, mapping: LogMapping, columns: Columns) -> Log:
    """Put times and channels together."""
    kept, faults = _rising(columns.time_s, text.file)
    time_s = np.where(kept, columns.time_s, np.nan)
    first, last = float(np.nanmin(time_s)), float(np.nanmax(time_s))
    channels, since_s = {}, time_s - first
    for name, source in mapping.channels.items():
        channels[name], told = _series(name, source, columns, since_s)
        faults += told
    dated = mapping.kind in DATED or (mapping.kind == "days" and first > 0.0)
    day = mapping.day
    if dated and not columns.zoned:
        day = (np.datetime64(0, "s") + np.timedelta64(int(first), "s")).astype("datetime64[D]").item()
    clocked = (
        mapping.kind in CLOCKS or (dated and not columns.zoned) or (mapping.kind == "days" and last < 2 * 86_400.0)
    )
    log = Log(
        name=text.file,
        mapping=mapping,
        channels=channels,
        epoch_s=first if columns.zoned else None,
        day=day,
        clock_s=first % 86_400.0 if clocked else None,
        duration_s=last - first,
        faults=tuple(faults),
    )
    return replace(log, faults=(*log.faults, *_gaps(time_s[kept] - first), *_stuck(log)))


def _rising(time_s: Floats, file: str) -> tuple[npt.NDArray[np.bool_], list[str]]:
    """Rows in time order; a few successive rows may share a time."""
    held = np.flatnonzero(np.isfinite(time_s))
    if len(held) < 2:
        raise refused(file, "fewer than two rows have a time; check the time 'kind' in its mapping")
    faults = [f"{len(time_s) - len(held)} rows without a time ignored"] if len(held) < len(time_s) else []
    ahead = _leaps(time_s[held])
    good = _in_order(time_s[held], ahead)
    back = int(np.sum(~good))
    if back > 0.5 * len(held):
        half = "time goes backward or repeats in more than half of the rows; check 'time' in its mapping"
        raise refused(file, restarts(time_s) or half)
    if back:
        faults.append(f"{back} rows out of time order ignored")
    kept = np.zeros(len(time_s), dtype=np.bool_)
    kept[held[good]] = True
    reach_s = float(np.ptp(time_s[kept]))
    if reach_s <= 0.0:
        raise refused(file, "all rows have the same time; check 'time' in its mapping")
    if reach_s > 8.0 * 86_400.0:
        raise refused(file, "spans more than eight days; check the time 'kind' in its mapping, or split the log by day")
    return kept, faults


def _leaps(time_s: Floats) -> npt.NDArray[np.bool_]:
    """Single rows whose time jumps ahead and returns in the next row."""
    ahead = np.zeros(len(time_s), dtype=np.bool_)
    step = np.diff(time_s)
    if not np.any(step < 0.0):
        return ahead
    usual = max(float(np.median(np.abs(step), overwrite_input=True)), 0.05) if len(step) else 1.0
    ahead[1:-1] = (step[:-1] > 100.0 * usual) & (step[1:] < -50.0 * usual)
    return ahead


def _in_order(time_s: Floats, ahead: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    latest = np.maximum.accumulate(np.where(ahead, -np.inf, time_s))
    return np.asarray(~ahead & (time_s >= latest))


def restarts(time_s: Floats) -> str:
    """Report a time that goes back and continues from there, e.g. a second drive in the file."""
    held = np.flatnonzero(np.isfinite(time_s))
    if len(held) < 2 * _AGAIN_ROWS or not np.any(np.diff(time_s[held]) < 0.0):
        return ""
    ahead = _leaps(time_s[held])
    held = held[~ahead]
    behind = ~_in_order(time_s[held], np.zeros(len(held), dtype=np.bool_))
    begins = np.flatnonzero(behind & ~np.append(False, behind[:-1]))
    ends = np.flatnonzero(behind & ~np.append(behind[1:], False))
    long = np.flatnonzero(ends - begins + 1 >= _AGAIN_ROWS)
    if not len(long):
        return ""
    at = held[begins[long[0]]]
    jump = f"the time jumps back to {time_s[at]:g} s in row {at + 1} of the readings and continues from there"
    return f"{jump}; if the file contains two drives, split it there"


def _series(name: str, source: Source, columns: Columns, since_s: Floats) -> tuple[Series, list[str]]:
    row, raw = columns.readings[name]
    time_s, channel = since_s[row], CHANNELS[name]
    in_time = np.isfinite(time_s)
    none = np.isin(raw, source.no_data)
    si = np.asarray(to_si(raw, source.unit, name), dtype=np.float64)
    wild = ~none & ~((si >= channel.low) & (si <= channel.high))
    good = in_time & ~none & ~wild
    faults = [f"{name}: {int(none.sum()):,} no-data codes ignored"] if none.any() else []
    faults += [f"{name}: {int(wild.sum()):,} readings outside the sensor's range ignored"] if wild.any() else []
    words = columns.words[name]
    faults += [f"{name}: {words:,} cells without a number ignored"] if words else []
    faults += [f"{name}: no valid reading"] if not good.any() else []
    times, values = time_s[good], si[good]
    false = spikes(times, values, name)
    faults += [f"{name}: {int(false.sum()):,} readings that leap away and back ignored"] if false.any() else []
    times, values = times[~false], values[~false]
    # Of equal times the last is kept.
    last = np.append(np.diff(times) > 0.0, True) if len(times) else np.zeros(0, dtype=np.bool_)
    return Series(time_s=times[last], value=values[last]), faults


def spikes(time_s: Floats, si: Floats, name: str) -> npt.NDArray[np.bool_]:
    """Readings of one value between two leaps, or before or after one at an end, that no gauge of a car makes.

    >>> at = np.arange(5.0)
    >>> spikes(at, np.array([360.0, 360.0, 293.0, 360.5, 361.0]), "coolant").tolist()
    [False, False, True, False, False]
    """
    leap, rate = spike_of(name)
    first = np.flatnonzero(np.append(True, np.diff(si) != 0.0)) if len(si) else np.zeros(0, dtype=np.intp)
    out = np.zeros(len(si), dtype=np.bool_)
    if len(first) < 3 or not np.any(np.abs(np.diff(si[first])) > leap):
        return out
    end = np.append(first[1:], len(si)) - 1
    step = np.diff(si[first])
    quick = np.abs(step) > np.maximum(leap, rate * (time_s[first[1:]] - time_s[end[:-1]]))
    back = (step[:-1] * step[1:] < 0.0) & (np.abs(step[:-1] + step[1:]) < 0.5 * leap)
    short = time_s[first[2:]] - time_s[end[:-2]] <= _SPIKE_S
    last = len(first) - 1
    runs = (np.flatnonzero(quick[:-1] & quick[1:] & back & short) + 1).tolist()
    ends = [0] if quick[0] and 1 not in runs and time_s[first[1]] - time_s[0] <= _SPIKE_S else []
    ends += [last] if quick[-1] and last - 1 not in runs and time_s[-1] - time_s[end[-2]] <= _SPIKE_S else []
    for run in runs + ends:
        out[first[run] : end[run] + 1] = True
    return out


def _gaps(time_s: Floats) -> tuple[str, ...]:
    step = np.diff(time_s)
    long = np.flatnonzero(step > _GAP_S)
    if not len(long):
        return ()
    first = ", ".join(f"{step[i]:.0f} s at minute {time_s[i] / 60.0:.0f}" for i in long[:3])
    return (f"{counted(len(long), 'gap')} longer than a minute ({first}{', ...' if len(long) > 3 else ''})",)


def _stuck(log: Log) -> tuple[str, ...]:
    """Report fluids with a constant reading over half an hour of driving."""
    speed = log.channels.get("speed")
    if speed is None or not len(speed.value):
        return ()
    driving = np.concatenate(([0], np.cumsum(speed.value > 3.0)))
    out = []
    for name in FLUID_CHANNELS:
        series = log.channels.get(name)
        if series is None or len(series.value) < 10:
            continue
        change = np.flatnonzero(np.diff(series.value) != 0.0)
        begin = series.time_s[np.concatenate(([0], change + 1))]
        end = series.time_s[np.append(change, len(series.value) - 1)]
        first = np.searchsorted(speed.time_s, begin, side="left")
        after = np.searchsorted(speed.time_s, end, side="right")
        share = (driving[after] - driving[first]) / np.maximum(after - first, 1)
        runs = np.flatnonzero((end - begin >= _STUCK_S) & (share > 0.3))
        if len(runs):
            out.append(
                f"{name}: reads the same for {(end - begin)[runs[0]] / 60.0:.0f} min of driving from minute "
                f"{begin[runs[0]] / 60.0:.0f}; the sensor may be stuck, or the thermostat may hold it within one degree"
            )
    return tuple(out)
