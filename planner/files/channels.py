"""What a column of a log may hold: one of the channels in one of its units, or the time in one of its notations."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime

import numpy as np
import numpy.typing as npt

from thermal.fluids import fluid_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One kind of reading.

    `unit` is SI; `units` are those a log may be in; `low` and `high` in SI bound what is kept; `words` is a pattern on
    a heading's letters, `never` one that rules it out; `node` is the body of the thermal model it reads, if any.
    """

    name: str
    unit: str
    units: tuple[str, ...]
    low: float
    high: float
    words: re.Pattern[str]
    never: re.Pattern[str]
    node: int | None


# Unit in SI; what bounds a reading that is kept, in SI; body of the thermal model.
_READS: dict[str, tuple[str, float, float, int | None]] = {
    "coolant": ("K", 220.0, 430.0, fluid_of("coolant").node),
    "engine_oil": ("K", 220.0, 470.0, fluid_of("engine_oil").node),
    "transmission": ("K", 220.0, 470.0, fluid_of("transmission").node),
    "differential": ("K", 220.0, 470.0, fluid_of("differential").node),
    "ambient": ("K", 210.0, 335.0, None),
    "speed": ("m/s", 0.0, 120.0, None),
    "rpm": ("rad/s", 0.0, 1600.0, None),
    "load": ("", 0.0, 1.5, None),
    "oil_pressure": ("Pa", -2e4, 1.5e6, None),
    "cooler_drop": ("Pa", -1e5, 1.5e6, None),
    "elevation": ("m", -450.0, 6000.0, None),
    "latitude": ("deg", -90.0, 90.0, None),
    "longitude": ("deg", -180.0, 180.0, None),
}
_UNITS = {
    "K": ("degC", "degF", "K"),
    "m/s": ("km/h", "mph", "m/s", "knot"),
    "rad/s": ("rpm", "rad/s"),
    "": ("percent",),
    "Pa": ("kPa", "psi", "bar", "hPa", "Pa"),
    "m": ("m", "ft"),
    "deg": ("deg",),
}
_WORDS = {
    "coolant": r"coolant|\bect\b|\bclt\b|water ?temp|k(ü|ue|u)hl(mittel|wasser)",
    "engine_oil": r"(engine|motor|sump)? ?oil|\beot\b|(ö|oe)l ?temp",
    "transmission": r"trans(mission)?\b|gearbox|\batf\b|\btft\b|getriebe",
    "differential": r"\bdiff(erential)?\b|(rear|front)? ?axle|final drive|hinterachs",
    "ambient": r"ambient|outside|outdoor|\boat\b|\baat\b|exterior|(aussen|außen)|air ?temp",
    "speed": r"speed|velocity|\bvss\b|geschwindigkeit",
    "rpm": r"\brpm\b|engine ?speed|drehzahl|\brevs\b",
    "load": r"engine ?load|calc\w* load|throttle|\btps\b|\bload\b",
    "oil_pressure": r"oil ?(p\b|press)|(ö|oe)ldruck",
    "cooler_drop": r"cooler ?(d|delta|press|drop)|(delta|drop) ?p?\w* .*cooler",
    "elevation": r"elevation|altitude|\balt\b|\belev\b|height",
    "latitude": r"lat(itude)?\b",
    "longitude": r"lon(g|gitude)?\b|\blng\b",
}
_NEVER = {
    "coolant": r"press|level|flow|fan|pump",
    "engine_oil": r"press|level|trans|gear|diff|axle|life|cooler|druck|getriebe",
    "transmission": r"press|level|\bgear\b|ratio|slip|speed|torque|status",
    "differential": r"press|level|lock|speed|ratio|wheel",
    "ambient": r"intake|inlet|manifold|charge|exhaust|\biat\b|\begt\b|ansaug|cabin|inside|battery|cyl|press|humid",
    "speed": r"engine|motor|\bfan|\bwind\b|rpm|crank|shaft|turbine|wheel|pump|limit|\bset\b",
    "rpm": r"turbo|fan|shaft|wheel|turbine|pump",
    "load": r"pedal|accelerator|mass|trailer",
    "oil_pressure": r"temp|cooler|drop|delta|diff",
    "cooler_drop": r"temp",
    "elevation": r"ride|suspension",
    "latitude": r"accel",
    "longitude": r"accel|term",
}
CHANNELS = {
    name: Channel(
        name=name,
        unit=unit,
        units=_UNITS[unit],
        low=low,
        high=high,
        words=re.compile(_WORDS[name]),
        never=re.compile(_NEVER[name]),
        node=node,
    )
    for name, (unit, low, high, node) in _READS.items()
}
FLUID_CHANNELS = tuple(name for name, item in CHANNELS.items() if item.node is not None)

# Numbers that loggers write when they have none, in the unit they log in. -40 and 215 are the ends of a byte less 40.
# The others are a word or byte of all ones, whole, in tenths and hundredths, and nines. Common practice, no source.
NO_DATA: tuple[float, ...] = (-40.0, 215.0, 419.0, 65535.0, 6553.5, 655.35, -32768.0, 32767.0, 3276.7, -3276.8)
NO_DATA += (327.67, 4294967295.0, -999.0, -9999.0, 999.0, 9999.0, 99999.0, 255.0)

_SPELLED = {
    "degC": ("c", "°c", "degc", "deg c", "celsius", "degrees c", "ºc", "degree c", "grad c", "degrees celsius"),
    "degF": ("f", "°f", "degf", "deg f", "fahrenheit", "degrees f", "ºf", "degrees fahrenheit"),
    "K": ("k", "kelvin"),
    "km/h": ("km/h", "kmh", "kph", "km/hr", "kmph"),
    "mph": ("mph", "mi/h", "miles/h"),
    "m/s": ("m/s", "mps"),
    "knot": ("kn", "kt", "kts", "knots", "knot"),
    "rpm": ("rpm", "1/min", "r/min", "u/min", "min-1", "rev/min"),
    "rad/s": ("rad/s",),
    "percent": ("%", "percent", "pct"),
    "kPa": ("kpa",),
    "psi": ("psi", "psig"),
    "bar": ("bar",),
    "hPa": ("hpa", "mbar"),
    "Pa": ("pa",),
    "m": ("m", "metres", "meters"),
    "ft": ("ft", "feet"),
    "deg": ("deg", "°", "degrees"),
    "s": ("s", "sec", "secs", "seconds", "second"),
    "ms": ("ms", "msec", "milliseconds", "millis"),
    "min": ("min", "minutes"),
}
_UNIT_OF = {spelling: unit for unit, spellings in _SPELLED.items() for spelling in spellings}
_IN_BRACKETS = re.compile(r"[\[(]\s*([^\[\]()]*?)\s*[\])]\s*(?:#\d+)?$")
_AT_END = re.compile(r"(?:_|\s|,)\s*([A-Za-z°º%/0-9-]{1,8}(?: [CF])?)\s*(?:#\d+)?$")


def unit_of(heading: str) -> str | None:
    """Find the unit a heading names.

    Examples
    --------
    >>> unit_of("Oil Temp (°F)"), unit_of("coolant_C"), unit_of("Speed"), unit_of("Engine RPM")
    ('degF', 'degC', None, 'rpm')
    """
    inside = _IN_BRACKETS.search(heading)
    if inside is not None and inside[1]:
        return known_unit(inside[1])
    bare = heading[: inside.start()].rstrip() if inside is not None else heading
    after = _AT_END.search(bare)
    return None if after is None else known_unit(after[1])


def known_unit(text: str) -> str | None:
    """Look up a spelling of a unit.

    Examples
    --------
    >>> known_unit("KPH"), known_unit("furlong")
    ('km/h', None)
    """
    return _UNIT_OF.get(text.strip().casefold())


def letters_of(heading: str) -> str:
    """Heading as words for comparison: brackets, signs and case gone.

    Examples
    --------
    >>> letters_of("Engine_CoolantTemp [°C]")
    'engine coolant temp'
    """
    bare = _IN_BRACKETS.sub("", heading)
    bare = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", bare)
    return " ".join(re.sub(r"[^0-9A-Za-zÀ-ÿ]+", " ", bare).casefold().split())


def candidates(heading: str) -> tuple[str, ...]:
    """Channels a heading may mean.

    Examples
    --------
    >>> candidates("Engine Coolant Temperature [°C]"), candidates("Intake Air Temperature [°C]")
    (('coolant',), ())
    >>> candidates("Trans Oil Temp"), candidates("Vehicle Speed Sensor [km/h]"), candidates("Engine RPM")
    (('transmission',), ('speed',), ('rpm',))
    """
    words = letters_of(heading)
    return tuple(
        item.name
        for item in CHANNELS.values()
        if item.words.search(words) is not None and item.never.search(words) is None
    )


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
    """Tell whether the instant is known, not only the local clock."""
    dated = kind in ("iso", "day first", "month first")
    return kind.startswith("epoch") or (dated and all(_ZONE.search(cell.strip()) is not None for cell in cells))


def date_in(name: str) -> date | None:
    """Find a date in a file's name.

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
