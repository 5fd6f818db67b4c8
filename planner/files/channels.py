"""What a log may hold: channels, how loggers call them, their units, and what no sensor of a car can read."""

import re
from dataclasses import dataclass


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
    words: str
    never: str = r"$^"
    node: int | None = None


_TEMPS = ("degC", "degF", "K")
_SPEEDS = ("km/h", "mph", "m/s", "knot")
_PRESSURES = ("kPa", "psi", "bar", "hPa", "Pa")
_INTAKE = r"intake|inlet|manifold|charge|exhaust|\biat\b|\begt\b|ansaug|cabin|inside|battery|cyl"
CHANNELS = {
    item.name: item
    for item in (
        Channel(
            name="coolant",
            unit="K",
            units=_TEMPS,
            low=220.0,
            high=430.0,
            words=r"coolant|\bect\b|\bclt\b|water ?temp|k(ü|ue|u)hl(mittel|wasser)",
            never=r"press|level|flow|fan|pump",
            node=1,
        ),
        Channel(
            name="engine_oil",
            unit="K",
            units=_TEMPS,
            low=220.0,
            high=470.0,
            words=r"(engine|motor|sump)? ?oil|\beot\b|(ö|oe)l ?temp",
            never=r"press|level|trans|gear|diff|axle|life|cooler|druck|getriebe",
            node=2,
        ),
        Channel(
            name="transmission",
            unit="K",
            units=_TEMPS,
            low=220.0,
            high=470.0,
            words=r"trans(mission)?\b|gearbox|\batf\b|\btft\b|getriebe",
            never=r"press|level|\bgear\b|ratio|slip|speed|torque|status",
            node=3,
        ),
        Channel(
            name="differential",
            unit="K",
            units=_TEMPS,
            low=220.0,
            high=470.0,
            words=r"\bdiff(erential)?\b|(rear|front)? ?axle|final drive|hinterachs",
            never=r"press|level|lock|speed|ratio|wheel",
            node=4,
        ),
        Channel(
            name="ambient",
            unit="K",
            units=_TEMPS,
            low=210.0,
            high=335.0,
            words=r"ambient|outside|outdoor|\boat\b|\baat\b|exterior|(aussen|außen)|air ?temp",
            never=_INTAKE + r"|press|humid",
        ),
        Channel(
            name="speed",
            unit="m/s",
            units=_SPEEDS,
            low=0.0,
            high=120.0,
            words=r"speed|velocity|\bvss\b|geschwindigkeit",
            never=r"engine|motor|\bfan|\bwind\b|rpm|crank|shaft|turbine|wheel|pump|limit|\bset\b",
        ),
        Channel(
            name="rpm",
            unit="rad/s",
            units=("rpm", "rad/s"),
            low=0.0,
            high=1600.0,
            words=r"\brpm\b|engine ?speed|drehzahl|\brevs\b",
            never=r"turbo|fan|shaft|wheel|turbine|pump",
        ),
        Channel(
            name="load",
            unit="",
            units=("percent",),
            low=0.0,
            high=1.5,
            words=r"engine ?load|calc\w* load|throttle|\btps\b|\bload\b",
            never=r"pedal|accelerator|mass|trailer",
        ),
        Channel(
            name="oil_pressure",
            unit="Pa",
            units=_PRESSURES,
            low=-2e4,
            high=1.5e6,
            words=r"oil ?(p\b|press)|(ö|oe)ldruck",
            never=r"temp|cooler|drop|delta|diff",
        ),
        Channel(
            name="cooler_drop",
            unit="Pa",
            units=_PRESSURES,
            low=-1e5,
            high=1.5e6,
            words=r"cooler ?(d|delta|press|drop)|(delta|drop) ?p?\w* .*cooler",
            never=r"temp",
        ),
        Channel(
            name="elevation",
            unit="m",
            units=("m", "ft"),
            low=-450.0,
            high=6000.0,
            words=r"elevation|altitude|\balt\b|\belev\b|height",
            never=r"ride|suspension",
        ),
        Channel(
            name="latitude", unit="deg", units=("deg",), low=-90.0, high=90.0, words=r"lat(itude)?\b", never=r"accel"
        ),
        Channel(
            name="longitude",
            unit="deg",
            units=("deg",),
            low=-180.0,
            high=180.0,
            words=r"lon(g|gitude)?\b|\blng\b",
            never=r"accel|term",
        ),
    )
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

    Parameters
    ----------
    heading : str
        Cleaned heading. [-]

    Returns
    -------
    str or None
        As pint spells it; None when there is none or an unknown one.

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

    Parameters
    ----------
    text : str
        Such as '°C' or 'kph'. [-]

    Returns
    -------
    str or None
        As pint spells it.

    Examples
    --------
    >>> known_unit("KPH"), known_unit("furlong")
    ('km/h', None)
    """
    return _UNIT_OF.get(text.strip().casefold())


def letters_of(heading: str) -> str:
    """Heading as words for comparison: brackets, signs and case gone.

    Parameters
    ----------
    heading : str
        Cleaned heading. [-]

    Returns
    -------
    str
        Lower-case words.

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

    Parameters
    ----------
    heading : str
        Cleaned heading. [-]

    Returns
    -------
    tuple of str
        Names, in the order of `CHANNELS`; one is a clear answer.

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
        if re.search(item.words, words) is not None and re.search(item.never, words) is None
    )
