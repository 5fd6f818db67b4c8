"""Units as people write them, by hand, from a workshop manual, in capitals; each converted to pint's name."""

import re

_SIGNS = str.maketrans(
    {
        **{"²": "2", "³": "3", "·": "*", "⋅": "*", "×": "*", "\N{MINUS SIGN}": "-", "º": "°", "˚": "°", "μ": "µ"},
        **{"℉": "°F", "℃": "°C", "′": "'", "’": "'", "‘": "'", "″": '"', "”": '"', "“": '"'},
        **dict.fromkeys("\u00a0\u2007\u2009\u202f", " "),
    }
)
_BETWEEN = re.compile(r"(?<=[a-z°])[-. *]+(?=[a-z])")
_POWER = re.compile(r"(?:\*\*|\^| )(?=[23]\Z)")
_LONGEST = 40
# One name of each unit as pint knows it, and other ways of writing it once case, points and spaces are gone.
_WRITTEN = {
    "degF": "f °f degf degreef degreesf degfahrenheit degreesfahrenheit fahrenheit",
    "degC": "c °c degc gradc degreec degreesc degcelsius degreescelsius celsius centigrade",
    "K": "k kelvin kelvins",
    "mm": "mm",
    "cm": "cm",
    "m": "m metre metres meter meters mtr",
    "km": "km kms kilometre kilometres kilometer kilometers",
    "inch": 'in inch inches "',
    "ft": "ft feet foot '",
    "yard": "yd yds yard yards",
    "mi": "mi mile miles",
    "kg": "kg kgs kilo kilos kilogram kilograms",
    "lb": "lb lbs pound pounds",
    "t": "t tonne tonnes",
    "ms": "ms msec milliseconds millis",
    "us": "us µs usec microseconds micros",
    "s": "s sec secs second seconds с",
    "min": "min mins minute minutes",
    "h": "h hr hrs hour hours",
    "day": "d day days",
    "mph": "mph mi/h mi/hr miles/h",
    "km/h": "km/h km/hr kph kmh kmph км/ч",
    "m/s": "m/s mps",
    "knot": "kn kt kts knot knots",
    "rad/s": "rad/s",
    "ft/s": "ft/s fps",
    "rpm": "rpm r/min rev/min u/min 1/min min1 tr/min giri/min obr/min об/мин",
    "Pa": "pa",
    "kPa": "kpa",
    "bar": "bar bars",
    "hPa": "hpa mbar",
    "psi": "psi psig lb/in2 lbs/in2 lbf/in2",
    "inch**3": "cuin cuins cid ci in3 inch3 cubicinch cubicinches",
    "cm**3": "cc ccm cm3",
    "L": "l lt ltr liter liters litre litres",
    "m**3": "m3",
    "qt": "qt qts quart quarts",
    "gal": "gal gals gallon gallons usgal usgallon usgallons",
    "cm**2": "cm2 sqcm",
    "m**2": "m2 sqm",
    "ft**2": "ft2 sqft squarefoot squarefeet",
    "inch**2": "in2 sqin",
    "ft*lbf": "ftlb ftlbs ftlbf lbft lbsft lbfft footpound footpounds poundfoot poundfeet",
    "N*m": "nm",
    "kgf*m": "kgm mkg kgfm",
    "W": "w",
    "kW": "kw",
    "hp": "hp bhp horsepower",
    "metric_horsepower": "ps cv",
    "g/s": "g/s",
    "kg/s": "kg/s",
    "lb/min": "lb/min",
    "L/min": "l/min lpm",
    "gal/min": "gpm gal/min",
    "ft**3/min": "cfm ft3/min",
    "W/K": "w/k w/c w/°c",
    "kW/K": "kw/k kw/c kw/°c",
    "J/K": "j/k",
    "kJ/K": "kj/k kj/c kj/°c",
    "K/W": "k/w c/w °c/w",
    "cSt": "cst",
    "percent": "% percent pct",
    "deg": "° deg degs degree degrees",
}
_NAMES = {written: name for name, ways in _WRITTEN.items() for written in ways.split()}


def plain_signs(text: str) -> str:
    """Write typographic signs as the keyboard has them; other signs are unchanged.

    >>> plain_signs("0.62 m²"), plain_signs("195 ℉")
    ('0.62 m2', '195 °F')
    """
    return text.translate(_SIGNS)


def spelled(unit: str) -> str:
    """Pint's name of a unit as people write it, else the text itself; F and C are temperatures, Nm is torque.

    >>> spelled("cu. in."), spelled("lb-ft"), spelled("PSI"), spelled("W/(m**2*K)")
    ('inch**3', 'ft*lbf', 'psi', 'W/(m**2*K)')
    """
    bare = plain_signs(unit).strip()
    if len(bare) > _LONGEST:
        return bare
    folded = _BETWEEN.sub("", bare.casefold().rstrip("."))
    return _NAMES.get(_POWER.sub("", folded), bare)
