"""Saying in sentences which source of weather was used where, and how old it is."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.weather.outlook import EPOCH, Outlook, Stop, bases_on, solar_day
from planner.weather.record import Fetched
from planner.weather.services import SOURCES, Source, credits_of, source_named
from planner.weather.spread import Kind

Floats = NDArray[np.float64]
_NAMES_SHOWN = 4
_WHAT = {
    Kind.DATED: "entered by date in weather.csv",
    Kind.USUAL: "usual highs and lows from places.csv",
    Kind.GUESS: "35 degC / 20 degC at 300 m elevation, a guess",
}
BETWEEN = "taken from the nearest places that have any"


@dataclass(frozen=True, slots=True, kw_only=True)
class Used:
    """Which source counts at a place when the car is there.

    Attributes
    ----------
    day : int
        Day of the trip, from 0. [-]
    stop : Stop
        The place. [-]
    kind : Kind or None
        None where it is taken from other places. [-]
    forecast : Fetched or None
        The forecast used. [-]
    """

    day: int
    stop: Stop
    kind: Kind | None
    forecast: Fetched | None


def used_along(
    outlook: Outlook, *, distance_m: ArrayLike, lon_deg: ArrayLike, epoch_s: ArrayLike, day: ArrayLike
) -> tuple[Used, ...]:
    """Sources used at every place the drive passes, on the day it does.

    Parameters
    ----------
    outlook : Outlook
        What is known. [-]
    distance_m, lon_deg, epoch_s : array_like, shape (n,)
        The timed drive. [m, deg, s since 1970 UTC]
    day : array_like, shape (n,)
        Day of the trip, from 0. [-]

    Returns
    -------
    tuple of Used
        In order of the drive; a place slept at stands on both days.
    """
    along, lon, epoch = (np.asarray(x, dtype=np.float64) for x in (distance_m, lon_deg, epoch_s))
    number = np.asarray(day, dtype=np.int64)
    found = []
    for one in np.unique(number):
        rows = np.flatnonzero(number == one)
        first, last = along[max(rows[0] - 1, 0)] if one else 0.0, along[rows[-1]]
        for stop in outlook.stops:
            if first - 1.0 <= stop.distance_m <= last + 1.0:
                at = rows[np.argmin(np.abs(along[rows] - stop.distance_m))]
                found.append(_used(outlook, stop, int(one), float(lon[at]), float(epoch[at])))
    return tuple(found)


def _used(outlook: Outlook, stop: Stop, day: int, lon_deg: float, epoch_s: float) -> Used:
    for one in outlook.forecasts.get(stop.key, ()):
        if np.isfinite(one.air_at(epoch_s)):
            return Used(day=day, stop=stop, kind=Kind.FORECAST, forecast=one)
    number = int(np.floor(solar_day(np.asarray(lon_deg), np.asarray(epoch_s))))
    bases = bases_on(outlook, EPOCH + timedelta(days=number))
    if not bases:
        return Used(day=day, stop=stop, kind=Kind.GUESS, forecast=None)
    kind = next((basis.kind for basis in bases if basis.stop is stop), None)
    return Used(day=day, stop=stop, kind=kind, forecast=None)


def sentences(
    used: Sequence[Used], outlook: Outlook, *, now_s: float | None, sources: Sequence[Source] = SOURCES
) -> tuple[str, ...]:
    """Say which source was used on which days, at which places, and how old it is.

    Parameters
    ----------
    used : sequence of Used
        From `used_along`. [-]
    outlook : Outlook
        What is known. [-]
    now_s : float or None
        The present, to count ages from; None gives dates of fetching instead. [s since 1970 UTC]
    sources : sequence of Source
        Known services. [-]

    Returns
    -------
    tuple of str
        The best source first; attributions of services last.
    """
    groups: dict[tuple[int, str], list[Used]] = {}
    for one in used:
        order = len(Kind) if one.kind is None else int(one.kind)
        groups.setdefault((order, "" if one.forecast is None else one.forecast.source), []).append(one)
    told = [_sentence(groups[key], outlook, now_s, sources) for key in sorted(groups)]
    forecasts = {one.stop.key: (one.forecast,) for one in used if one.forecast is not None}
    past = any(one.kind is Kind.PAST_YEARS for one in used)
    return (*told, *credits_of(forecasts, sources, past=past))


def _sentence(group: Sequence[Used], outlook: Outlook, now_s: float | None, sources: Sequence[Source]) -> str:
    names = list(dict.fromkeys(one.stop.name for one in group))
    shown = f"at {', '.join(names)}" if len(names) <= _NAMES_SHOWN else f"at {len(names)} places"
    return f"Weather of {_days(sorted({one.day for one in group}))} {shown}: {_what(group, outlook, now_s, sources)}."


def _what(group: Sequence[Used], outlook: Outlook, now_s: float | None, sources: Sequence[Source]) -> str:
    kind = group[0].kind
    if kind is None:
        return BETWEEN
    if kind is Kind.NORMALS:
        return f"station normals from {'' if outlook.normals is None else outlook.normals.file}"
    if kind is Kind.PAST_YEARS:
        first, last = outlook.past[group[0].stop.key].years
        return f"means of the years {first} to {last} from Open-Meteo's archive"
    if kind is not Kind.FORECAST:
        return _WHAT[kind]
    held = [one.forecast for one in group if one.forecast is not None]
    source = source_named(held[0].source, sources)
    name = held[0].source if source is None else source.name
    fetched, made = min(one.fetched_s for one in held), min(one.made_s for one in held)
    if now_s is None:
        return f"forecast of {name}, fetched {_stamp(fetched)} UTC, made {_stamp(made)} UTC"
    return f"forecast of {name}, fetched {age(now_s - fetched)} ago, made {age(now_s - made)} ago"


def _stamp(epoch_s: float) -> str:
    return f"{np.datetime64(int(epoch_s), 's').item():%Y-%m-%d %H:%M}"


def _days(days: Sequence[int]) -> str:
    """Write day numbers as ranges.

    >>> _days([0, 1, 2, 4])
    'days 1 to 3, 5'
    """
    runs: list[list[int]] = []
    for day in days:
        if runs and day == runs[-1][-1] + 1:
            runs[-1].append(day)
        else:
            runs.append([day])
    texts = [f"{run[0] + 1}" if len(run) == 1 else f"{run[0] + 1} to {run[-1] + 1}" for run in runs]
    return f"{'day' if len(days) == 1 else 'days'} {', '.join(texts)}"


def age(seconds: float) -> str:
    """Write how long ago something was, never less than nothing.

    Parameters
    ----------
    seconds : float
        Time since. [s]

    Returns
    -------
    str
        In minutes, hours or days.

    Examples
    --------
    >>> age(-5.0), age(1800.0), age(7200.0), age(4 * 86400.0)
    ('0 min', '30 min', '2 h', '4 days')
    """
    minutes = max(seconds, 0.0) / 60.0
    if minutes < 90.0:
        return f"{minutes:.0f} min"
    return f"{minutes / 60.0:.0f} h" if minutes < 72 * 60.0 else f"{minutes / 1440.0:.0f} days"
