"""Channels that a log column can contain, their units and their no-data codes."""

import re
from dataclasses import dataclass

from thermal.fluids import fluid_of
from thermal.unit_names import spelled


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One kind of reading."""

    name: str
    unit: str  # SI
    units: tuple[str, ...]  # allowed in a log
    low: float  # lowest valid reading, in SI
    high: float  # highest, in SI
    words: re.Pattern[str]  # pattern on a heading's letters
    never: re.Pattern[str]  # pattern that rules a heading out
    node: int | None  # body of the thermal model it reads, if any


# SI unit; range of valid readings in SI; node of the thermal model.
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
# English, German, French, Spanish, Italian, Dutch, Polish, Japanese, Russian.
_WORDS = {
    "coolant": r"coolant|\bect\b|water ?temp(erature)?|^water( \d)?$|k(ü|ue|u)hl(mittel|wasser)"
    r"|liquide de refroidissement|temp\w*( de?)?( l)? eau|refrigerante|temp\w* acqua|koelvloeistof|koelwater"
    r"|płynu? chłodząc\w+|冷却水温?|水温|охлаждающ\w+ жидкост\w+|\bож\b",
    "engine_oil": r"((engine|motor|sump) ?|\b)oil|\beot\b|(motor)?(ö|oe)l ?temp(eratur)?|huile|aceite|\bolio\b|\bolie"
    r"|\bolej\w*|油温|\bмасла\b",
    "transmission": r"\btrans(mission)?\b|gearbox|\batf\b|\btft\b|getriebe",
    "differential": r"\bdiff(erential)?\b|((rear|front) ?)?\baxle|final drive|hinterachse?",
    "ambient": r"ambient|outside|outdoor|\boat\b|\baat\b|exterior|external"
    r"|(aussen|außen|umgebungs)(luft)?|air ?temp(erature)?|extérieure"
    r"|esterna|buiten|zewnętrzna|外気温?|наружн\w+",
    "speed": r"speed( over ground)?|velocity|\bvss\b|(fahrzeug)?geschwindigkeit"
    r"|\bvitesse\b|velocidad|velocità|snelheid|prędkość"
    r"|車速|\bскорость",
    "rpm": r"\brpm\b|engine ?speed|(motor)?drehzahl|\brevs\b|régime|revoluciones|\bgiri\b|toerental|\bobroty\b|回転数"
    r"|\bобороты",
    "load": r"engine ?load|calc\w* load|throttle|\btps\b|\bload\b|motorlast|drosselklappe",
    "oil_pressure": r"\boil ?(p\b|press(ure)?)|(ö|oe)ldruck",
    "cooler_drop": r"cooler ?(d|delta|press|drop)\w*|(delta|drop) ?p?\w* .*cooler",
    "elevation": r"(elevation|altitude|\balt\b|\belev\b|height)( above( mean)? sea level)?|\bhöhe\b",
    "latitude": r"\blat(itude)?\b|breitengrad",
    "longitude": r"\blon(g|gitude)?\b|\blng\b|längengrad",
}
# Words of what no gauge reads, whichever the channel.
_NO_GAUGE = r"target|set ?point|\bset\b|\bsoll|desired|limit|alarm|warn|threshold|accuracy|error"
_NEVER = {
    "coolant": r"press|druck|level|flow|fan|pump|battery|inverter|intercooler",
    "engine_oil": r"press|final|level|trans|gear|diff|axle|life|cooler|druck|getriebe|achs|brake|steering|clutch"
    r"|hydraul",
    "transmission": r"press|druck|level|\bgear\b|ratio|slip|speed|torque|status|rpm|drehzahl",
    "differential": r"press|level|lock|speed|ratio|wheel|load|temp\w* diff",
    "ambient": r"intake|inlet|manifold|charge|exhaust|turbo|\b(iat|egt)\b|ansaug|cabin|inside|battery|cyl|press|druck"
    r"|humid",
    "speed": r"engine|motor|\bfan|\bwind\b|\bair|rpm|crank|shaft|turbine|wheel|pump|vertical",
    "rpm": r"turbo|fan|shaft|wheel|turbine|pump|alternator|lüfter|\brad",
    "load": r"pedal|accelerator|mass|trailer|axle",
    "oil_pressure": r"temp|cooler|drop|delta|diff|steering|clutch|hydraul|trans|gear|getriebe",
    "cooler_drop": r"temp",
    "elevation": r"ride|suspension|geoid|above ground",
    "latitude": r"acc|force|\bg\b",
    "longitude": r"acc|term|force|\bg\b",
}
# Words that a heading may have beside its channel's and still mean it: any other is asked about.
_PLAIN = frozenset(
    "temp temps temperature temperatures temperatur t sensor sender gauge value reading actual engine motor car "
    "vehicle veh gps obd obd2 can bus ecu ecm pcm fluid auto automatic display road signal decimal eng pid ch "
    "channel ground degree degrees oil öl öltemperatur water housing pan sump case position pos absolute "
    "calculated calc of the in rear front axle c f k deg degc degf celsius fahrenheit km h kmh mph kph m s ms kn "
    "kt kts knots ft feet psi kpa bar percent température temperatura temperatuur температура moteur motore "
    "silnika двигателя d de du del dell della l la le".split()
)
_NUMBERED = re.compile(r"[1-9]|[a-wyz]{1,4}\d{1,2}", re.ASCII)
_TWO_WAYS = {"ambient": re.compile(r"^air\b"), "differential": re.compile(r"(?<=diff |axle )[fr]\b")}
CHANNELS = {
    name: Channel(
        name=name,
        unit=unit,
        units=_UNITS[unit],
        low=low,
        high=high,
        words=re.compile(_WORDS[name]),
        never=re.compile(f"{_NO_GAUGE}|{_NEVER[name]}"),
        node=node,
    )
    for name, (unit, low, high, node) in _READS.items()
}
FLUID_CHANNELS = tuple(name for name, item in CHANNELS.items() if item.node is not None)

# No-data codes that loggers write, in the logged unit. -40 and 215 are the ends of a byte less 40, 127 (261 in degF)
# the end of a signed byte, 0 a sensor that does not respond, 85 (185 in degF) one that has not measured yet. The
# others are a word or byte of all ones, whole, in tenths and hundredths, and nines. Common practice, no source.
NO_DATA: tuple[float, ...] = (-40.0, 215.0, 419.0, 65535.0, 6553.5, 655.35, -32768.0, 32767.0, 3276.7, -3276.8)
NO_DATA += (327.67, 4294967295.0, -999.0, -9999.0, 999.0, 9999.0, 99999.0, 255.0)
_NO_TEMPERATURE = (*NO_DATA, 0.0, 32.0, 85.0, 185.0, 127.0, 128.0, 260.6, 261.0, 850.0, -273.15)
# Largest step from one reading to the next, in SI. ASSUMED: no fluid changes by 5 K from one reading to the next
# within two minutes unless all of them leap so; likely range 3 to 10 K.
_LEAP = {"K": (5.0, 15.0), "m/s": (20.0, 20.0), "rad/s": (250.0, 250.0), "m": (150.0, 150.0), "deg": (1.0, 1.0)}


# A leap to a value and back that no gauge of a car makes, and the rate of both leaps, in SI. ASSUMED: likely range half
# to twice.
_SPIKE = {"K": (15.0, 2.0), "m/s": (20.0, 15.0), "rad/s": (400.0, 400.0), "m": (150.0, 75.0)}


def codes_of(name: str) -> tuple[float, ...]:
    """Possible no-data codes of a channel, in its logged unit."""
    if name in ("latitude", "longitude", "elevation"):
        return (*NO_DATA, 0.0)
    return _NO_TEMPERATURE if CHANNELS[name].unit == "K" else NO_DATA


def leap_of(name: str) -> tuple[float, float]:
    """Smallest and largest step between two readings that marks a code of `codes_of` as no data, in SI."""
    return _LEAP.get(CHANNELS[name].unit, (float("inf"), float("inf")))


def spike_of(name: str) -> tuple[float, float]:
    """Least leap, and least rate per second of it, that makes readings between two such leaps false, in SI."""
    return _SPIKE.get(CHANNELS[name].unit, (float("inf"), float("inf")))


_TIME_UNITS = ("s", "ms", "us", "min", "h")
_KNOWN = frozenset((*_TIME_UNITS, *(unit for units in _UNITS.values() for unit in units)))
_IN_BRACKETS = re.compile(r"[\[(]\s*([^\[\]()]*?)\s*[\])]\s*(?:#\d+)?$")
_AT_END = re.compile(r"(?:_|\s|,)\s*([A-Za-z°º%/0-9-]{1,8}(?: [CF])?)\s*(?:#\d+)?$")


def unit_of(heading: str) -> str | None:
    """Find the unit a heading names.

    >>> unit_of("Oil Temp (°F)"), unit_of("coolant_C"), unit_of("Speed"), unit_of("Engine RPM")
    ('degF', 'degC', None, 'rpm')
    """
    if said := in_brackets(heading):
        return known_unit(said)
    inside = _IN_BRACKETS.search(heading)
    bare = heading[: inside.start()].rstrip() if inside is not None else heading
    after = _AT_END.search(bare)
    return None if after is None else known_unit(after[1])


def in_brackets(heading: str) -> str:
    """Text of the brackets that end a heading, else empty: its unit, known or not."""
    inside = _IN_BRACKETS.search(heading)
    return "" if inside is None else inside[1]


def known_unit(text: str) -> str | None:
    """Look up a spelling of a unit that a log may use.

    >>> known_unit("KPH"), known_unit("furlong")
    ('km/h', None)
    """
    unit = spelled(text)
    return unit if unit in _KNOWN else None


def letters_of(heading: str) -> str:
    """Heading as words for comparison, without brackets, punctuation and case.

    >>> letters_of("Engine_CoolantTemp [°C]")
    'engine coolant temp'
    """
    bare = _IN_BRACKETS.sub("", heading)
    bare = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", bare)
    return " ".join(re.sub(r"[\W_]+", " ", bare).casefold().split())


def candidates(heading: str) -> tuple[str, ...]:
    """Channels a heading may mean.

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


def doubtful_word(name: str, heading: str) -> str:
    """Word of a heading that may give it another meaning than a channel it names, else empty.

    >>> doubtful_word("coolant", "Engine Coolant Temp"), doubtful_word("coolant", "Radiator outlet coolant")
    ('', 'radiator')
    """
    words = letters_of(heading)
    two = _TWO_WAYS[name].search(words) if name in _TWO_WAYS else None
    if two is not None:
        return two[0]
    rest = CHANNELS[name].words.sub(" ", words).split()
    return next((word for word in rest if word not in _PLAIN and _NUMBERED.fullmatch(word) is None), "")
