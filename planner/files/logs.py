"""A log as the planner knows it: every channel with its own times, in SI, and what is wrong with it in sentences."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt

from planner.files import logtime
from planner.files.channels import CHANNELS, FLUID_CHANNELS
from planner.files.logmap import Mapping, Source, to_si
from planner.files.logmapfile import map_path, read_map
from planner.files.logtext import LogText, clean, is_blank, read_log_text
from planner.files.reading import nearest
from planner.model.errors import PlannerError
from thermal.errors import ThermalError
from thermal.tomltext import shown
from thermal.units import to_si as text_to_si

Floats = npt.NDArray[np.float64]
_STUCK_S = 1800.0  # ASSUMED: no fluid of a driven car reads the same to the last digit for half an hour
_GAP_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Readings of one channel, times rising. [s, SI]"""

    time_s: Floats
    value: Floats

    def at(self, time_s: Floats, *, oldest_s: float) -> Floats:
        """Last reading before each time, not a number where that is older than `oldest_s`."""
        if not len(self.time_s):
            return np.full(len(time_s), np.nan)
        row = np.searchsorted(self.time_s, time_s, side="right") - 1
        held = np.maximum(row, 0)
        fresh = (row >= 0) & (time_s - self.time_s[held] <= oldest_s)
        return np.where(fresh, self.value[held], np.nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """One log, read.

    Attributes
    ----------
    channels : dict
        Channel name to its readings; times count from the log's first row.
    epoch_s : float or None
        Instant of the first row, seconds since 1970 UTC, where the log tells it. [s]
    day : date or None
        Local day it began, where known.
    clock_s : float or None
        Local seconds since midnight at the first row, where known. [s]
    faults : tuple of str
        What was dropped or looks wrong.
    """

    name: str
    mapping: Mapping
    channels: dict[str, Series]
    epoch_s: float | None
    day: date | None
    clock_s: float | None
    faults: tuple[str, ...]

    @property
    def duration_s(self) -> float:
        """Time from the first to the last reading. [s]."""
        return max((float(s.time_s[-1]) for s in self.channels.values() if len(s.time_s)), default=0.0)

    @property
    def distance_m(self) -> float:
        """Speed summed over time; not a number without speed. [m]."""
        speed = self.channels.get("speed")
        if speed is None or len(speed.time_s) < 2:
            return float("nan")
        return float(driven_m(speed)[-1])


def driven_m(speed: Series) -> Floats:
    """Distance driven up to every reading of the speed.

    Parameters
    ----------
    speed : Series
        Speed. [s, m/s]

    Returns
    -------
    ndarray, shape (n,)
        Nothing is driven in a gap of more than two minutes: the car stood. [m]

    Examples
    --------
    >>> driven_m(Series(time_s=np.array([0.0, 10.0, 500.0]), value=np.array([20.0, 20.0, 20.0]))).tolist()
    [0.0, 200.0, 200.0]
    """
    step = np.diff(speed.time_s)
    step = np.where(step > 2.0 * _GAP_S, 0.0, step)
    return np.concatenate(([0.0], np.cumsum(0.5 * (speed.value[1:] + speed.value[:-1]) * step)))


def open_log(path: Path, mapping: Path | None = None) -> Log:
    """Read a log by its confirmed mapping.

    Parameters
    ----------
    path : Path
        The log. [-]
    mapping : Path, optional
        Its mapping; the file of the same name with `.map.toml` beside it when not given. [-]

    Returns
    -------
    Log
        Its channels in SI.

    Raises
    ------
    PlannerError
        If either cannot be read, or the mapping is missing or leaves anything unsure.
    """
    where = map_path(path) if mapping is None else mapping
    if not path.is_file():
        message = f"{path}: does not exist; check the path"
        raise PlannerError(message)
    if not where.is_file():
        message = (
            f"{path.name}: how to read it is not confirmed; run `grademargin log --describe {path} --write`, "
            f"check {where.name}, then try again"
        )
        raise PlannerError(message)
    return read_log(path, read_map(where))


def read_log(path: Path, mapping: Mapping) -> Log:
    """Read a log by a mapping.

    Parameters
    ----------
    path : Path
        The log. [-]
    mapping : Mapping
        How. [-]

    Returns
    -------
    Log
        Its channels in SI.

    Raises
    ------
    PlannerError
        If it cannot be read, a column is missing, or its times make no sense.
    """
    if mapping.unsure:
        message = f"{path.name}: its mapping leaves open: {'; '.join(mapping.unsure)}"
        raise PlannerError(message)
    return assemble(read_log_text(path), mapping)


def level_m(log: Log) -> float | None:
    """Height of a level road, where the mapping's owner says the drive was level.

    Parameters
    ----------
    log : Log
        The log. [-]

    Returns
    -------
    float or None
        Height. [m]

    Raises
    ------
    PlannerError
        If the text is no height.
    """
    if not log.mapping.elevation:
        return None
    try:
        return text_to_si(log.mapping.elevation, "m")
    except ThermalError as exc:
        message = f"mapping of {log.name}, key 'trip.elevation': {exc}"
        raise PlannerError(message) from exc


def assemble(text: LogText, mapping: Mapping) -> Log:
    """Put times and channels together.

    Parameters
    ----------
    text : LogText
        The log in cells. [-]
    mapping : Mapping
        How; what is not sure in it is taken as it stands. [-]

    Returns
    -------
    Log
        Its channels in SI.

    Raises
    ------
    PlannerError
        If a column is missing, or its times make no sense.
    """
    cells = _named(text, mapping.time, "time.column")
    time_s = logtime.parse_times(cells, mapping.kind, decimal_comma=text.decimal_comma)
    keep, faults = _rising(time_s, text.file)
    first = float(time_s[keep[0]])
    since_s = time_s[keep] - first
    channels = {}
    for name, source in mapping.channels.items():
        column = _cells_of(text, mapping, source)
        series, told = _series(name, source, [column[i] for i in keep], since_s, decimal_comma=text.decimal_comma)
        channels[name] = series
        faults += told
    dated = mapping.kind in ("iso", "day first", "month first")
    zoned = logtime.has_zone([c for c in cells if not is_blank(c)][:50], mapping.kind)
    day = mapping.day
    if dated and not zoned:
        day = (np.datetime64(0, "s") + np.timedelta64(int(first), "s")).astype("datetime64[D]").item()
    log = Log(
        name=text.file,
        mapping=mapping,
        channels=channels,
        epoch_s=first if zoned else None,
        day=day,
        clock_s=first % 86_400.0 if mapping.kind == "clock" or (dated and not zoned) else None,
        faults=tuple(faults),
    )
    return replace(log, faults=(*log.faults, *_gaps(since_s), *_stuck(log)))


def _named(text: LogText, column: str, key: str) -> list[str]:
    """Cells of a named column."""
    if column not in text.headings:
        message = f"{text.file}: no column {shown(column)}, which the mapping names as {key}; " + nearest(
            column, text.headings
        )
        raise PlannerError(message)
    index = text.headings.index(column)
    return [row[index] if index < len(row) else "" for row in text.rows]


def _cells_of(text: LogText, mapping: Mapping, source: Source) -> list[str]:
    """Cells of a channel; in the long form those of other signals are blank."""
    if not mapping.long:
        return _named(text, source.column, "a channel's column")
    names = _named(text, mapping.long[0], "long.name")
    values = _named(text, mapping.long[1], "long.value")
    return [value if clean(name) == source.column else "" for name, value in zip(names, values, strict=True)]


def _rising(time_s: Floats, file: str) -> tuple[npt.NDArray[np.int64], list[str]]:
    """Rows whose time is not before all earlier ones; a few at once may share a time."""
    held = np.flatnonzero(np.isfinite(time_s))
    if len(held) < 2:
        message = f"{file}: fewer than two rows have a time; check 'kind' in its mapping"
        raise PlannerError(message)
    faults = [f"{len(time_s) - len(held)} rows have no time and are left out"] if len(held) < len(time_s) else []
    latest = np.maximum.accumulate(time_s[held])
    ahead = _leaps(time_s[held])
    good = (time_s[held] >= latest) & ~ahead if not ahead.any() else _without(time_s[held], ahead)
    back = int(np.sum(~good))
    if back > 0.5 * len(held):
        message = f"{file}: time runs backward or stands in more than half of the rows; check 'time' in its mapping"
        raise PlannerError(message)
    if back:
        faults.append(f"{back} rows run backward in time, or leap out of it, and are left out")
    keep = held[good]
    if time_s[keep[-1]] - time_s[keep[0]] <= 0.0:
        message = f"{file}: all rows have the same time; check 'time' in its mapping"
        raise PlannerError(message)
    if time_s[keep[-1]] - time_s[keep[0]] > 8.0 * 86_400.0:
        message = f"{file}: spans more than eight days; check 'kind' of its times, or split it by day"
        raise PlannerError(message)
    return keep, faults


def _leaps(time_s: Floats) -> npt.NDArray[np.bool_]:
    """Single rows whose time leaps far ahead and comes back in the next."""
    ahead = np.zeros(len(time_s), dtype=np.bool_)
    step = np.diff(time_s)
    usual = max(float(np.median(np.abs(step))), 0.05) if len(step) else 1.0
    ahead[1:-1] = (step[:-1] > 100.0 * usual) & (step[1:] < -50.0 * usual)
    return ahead


def _without(time_s: Floats, ahead: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Rows in order once the leaping ones are gone."""
    latest = np.maximum.accumulate(np.where(ahead, -np.inf, time_s))
    return np.asarray(~ahead & (time_s >= latest))


def _series(
    name: str, source: Source, cells: Sequence[str], time_s: Floats, *, decimal_comma: bool
) -> tuple[Series, list[str]]:
    """Readings of one channel, without those that are none."""
    raw = np.array(
        [logtime.number(c, decimal_comma=decimal_comma) if c.strip() else np.nan for c in cells], dtype=np.float64
    )
    said = np.isfinite(raw)
    none = np.isin(raw, source.no_data)
    channel = CHANNELS[name]
    si = np.asarray(to_si(raw, source.unit, name), dtype=np.float64)
    with np.errstate(invalid="ignore"):
        wild = said & ~none & ~((si >= channel.low) & (si <= channel.high))
    good = said & ~none & ~wild
    faults = [f"{name}: {int(none.sum()):,} readings that mean no data left out"] if none.any() else []
    faults += [f"{name}: {int(wild.sum()):,} readings no sensor can give left out"] if wild.any() else []
    words = sum(1 for c, ok in zip(cells, said, strict=True) if not ok and not is_blank(c))
    faults += [f"{name}: {words:,} cells that are no numbers left out"] if words else []
    faults += [f"{name}: not one reading is left"] if not good.any() else []
    times, values = time_s[good], si[good]
    last = np.append(np.diff(times) > 0.0, True) if len(times) else np.zeros(0, dtype=np.bool_)  # of one time the last
    return Series(time_s=times[last], value=values[last]), faults


def _gaps(time_s: Floats) -> tuple[str, ...]:
    """Tell of breaks in the log."""
    step = np.diff(time_s)
    long = np.flatnonzero(step > _GAP_S)
    if not len(long):
        return ()
    first = ", ".join(f"{step[i]:.0f} s at minute {time_s[i] / 60.0:.0f}" for i in long[:3])
    more = ", ..." if len(long) > 3 else ""
    return (f"{len(long)} gap{'s' if len(long) > 1 else ''} of more than a minute ({first}{more})",)


def _stuck(log: Log) -> tuple[str, ...]:
    """Fluids that read the same for half an hour of driving."""
    speed = log.channels.get("speed")
    out = []
    for name in FLUID_CHANNELS:
        series = log.channels.get(name)
        if series is None or len(series.value) < 10 or speed is None or not len(speed.value):
            continue
        change = np.flatnonzero(np.diff(series.value) != 0.0)
        edge = np.concatenate(([0], change + 1, [len(series.value)]))
        for a, b in pairwise(edge):
            begin, end = float(series.time_s[a]), float(series.time_s[b - 1])
            inside = (speed.time_s >= begin) & (speed.time_s <= end)
            if end - begin >= _STUCK_S and inside.any() and float(np.mean(speed.value[inside] > 3.0)) > 0.3:
                out.append(
                    f"{name}: reads the same for {(end - begin) / 60.0:.0f} min of driving from minute "
                    f"{begin / 60.0:.0f}; a stuck sensor, or one held by its thermostat in whole degrees"
                )
                break
    return tuple(out)
