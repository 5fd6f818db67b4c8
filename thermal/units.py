"""Conversion of text with a unit to an SI float, and back for display; the only user of pint.

A difference is not a temperature: use `to_delta_k` for rises, bands and margins.
"""

import functools
import math
import re
import tokenize
from typing import Any

from thermal.errors import UnitError, shown
from thermal.unit_names import plain_signs, spelled
from thermal.unit_table import between_common, common_kind

_THOUSANDS = r"[1-9]\d{0,2}(?:,\d{3})++(?:\.\d*)?"
_NUMBER = rf"[-+]?(?:{_THOUSANDS}|\d++\.?\d*+|\.\d++)(?:[eE][-+]?\d++)?"
_NUMBER_UNIT = re.compile(rf"\s*({_NUMBER})\s*([A-Za-z%°µ'\"].*?)\s*", re.ASCII)
_BARE_NUMBER = re.compile(rf"\s*({_NUMBER})\s*(?::\s*1\s*)?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"\s*[-+]?\d++,\d", re.ASCII)
# pint's parser raises these on texts such as "m*", "8 dB/s", "m(", "m**0"
_ODD = (
    *(ValueError, AttributeError, TypeError, ArithmeticError, AssertionError),
    *(SyntaxError, RecursionError, KeyError, tokenize.TokenError),
)
_LONGEST = 80
_FUEL_LEAST, _FUEL_MOST = 2e-8, 1e-6  # m**3/m
_PLAIN_UNIT = re.compile(r"[A-Za-z%°µ0-9_ */().-]{1,40}")
_POWER = re.compile(r"\*\*-?[1-9](?![\d.(]|\*\*)")
_MOST_POWERS = 2
# What people write for a quantity, by its SI unit; others are shown in the SI unit itself.
_USUAL = {
    **{"delta K": "5 K", "K": "195 degF", "s": "20 min", "m": "0.3 m", "m/s": "60 mph", "rad/s": "850 rpm"},
    **{"Pa": "15 psi", "kg": "1700 kg", "m**2": "0.5 m**2", "m**3": "5 L", "W": "2 kW", "N*m": "150 N*m"},
}
_DEGREES = {"degC": 1.0, "K": 1.0, "delta_degC": 1.0, "degF": 5.0 / 9.0, "delta_degF": 5.0 / 9.0}
_KINDS = {
    **{"delta K": "temperature difference", "K": "temperature", "m": "length or distance", "s": "time"},
    **{"m/s": "speed", "rad/s": "speed of turning", "Pa": "pressure", "kg": "mass", "m**2": "area", "m**3": "volume"},
    **{"W": "power", "N*m": "torque", "W/K": "heat flow for each kelvin", "J/K": "heat for each kelvin"},
    **{"K/W": "thermal resistance", "kg/s": "flow of mass", "m**3/s": "flow of volume", "m**2/s": "viscosity"},
    **{"Pa*s": "viscosity", "deg": "angle", "dimensionless": "number without a unit"},
}


@functools.cache
def _registry() -> Any:
    import pint  # not before a rare unit is read: it takes half a second

    return pint.UnitRegistry(cache_folder=None)


def _refusals() -> tuple[type[Exception], ...]:
    import pint

    return (pint.PintError, *_ODD)


def _plain(unit: str) -> bool:
    """Whether pint's parser may read a text; it evaluates powers of any height."""
    bare = unit.replace("^", "**").replace(" ", "")
    powers = bare.count("**")
    return _PLAIN_UNIT.fullmatch(bare) is not None and powers <= _MOST_POWERS and powers == len(_POWER.findall(bare))


@functools.lru_cache(maxsize=1024)
def _require_scale(unit: str, to: str) -> None:
    """Refuse units that pint must not parse, or whose steps are not equal, such as the decibel."""
    if not _plain(unit):
        message = "that is not a unit"
        raise ValueError(message)
    zero, one, two = (float(_registry().Quantity(value, unit).to(to).magnitude) for value in (0.0, 1.0, 2.0))
    if not math.isclose(two - one, one - zero, rel_tol=1e-6):
        message = "its steps are not equal"
        raise ValueError(message)


def split_quantity(text: str) -> tuple[float, str] | None:
    """Split '3,000 lb' into its number and its unit in pint's spelling; None unless there are both.

    >>> split_quantity("350 cu in"), split_quantity("350")
    ((350.0, 'inch**3'), None)
    """
    number, written = _split(text)
    unit = spelled(written)
    return (number, unit) if written and _plain(unit) else None


def _split(text: str) -> tuple[float, str]:
    """A number and its unit as written; no unit unless there are both."""
    match = _NUMBER_UNIT.fullmatch(plain_signs(text)) if len(text) <= _LONGEST else None
    return (math.nan, "") if match is None else (float(match[1].replace(",", "")), match[2])


def _parse(text: str, example: str) -> tuple[float, str]:
    parts = split_quantity(text)
    if parts is not None:
        return parts
    comma = len(text) <= _LONGEST and _DECIMAL_COMMA.match(text) is not None
    needed = "has a decimal comma; write a point" if comma else "needs a number and a unit"
    message = f"{shown(text)} {needed}, e.g. '{example}'"
    raise UnitError(message)


def to_number(text: str) -> float:
    """Read a number without a unit, a share in percent, or a ratio such as '3.42:1'; else `UnitError`.

    >>> to_number("3.42:1"), to_number("35 %"), to_number("0.35")
    (3.42, 0.35, 0.35)
    """
    match = _BARE_NUMBER.fullmatch(text) if len(text) <= _LONGEST else None
    if match is not None:
        return float(match[1].replace(",", ""))
    parts = split_quantity(text)
    if parts is not None and same_kind(parts[1], "dimensionless"):
        return convert(parts[0], parts[1], "dimensionless")
    if len(text) <= _LONGEST and _DECIMAL_COMMA.match(text) is not None:
        message = f"{shown(text)} has a decimal comma; write a point, e.g. '0.35'"
    else:
        message = f"{shown(text)} must be a number without a unit, e.g. '0.35', or a share, e.g. '35 %'"
    raise UnitError(message)


@functools.lru_cache(maxsize=4096)
def _converted(value: float, unit: str, to: str) -> float:
    """Convert by pint; cached, as the same values recur in every file of a class of car."""
    _require_scale(unit, to)
    return float(_registry().Quantity(value, unit).to(to).magnitude)


def convert(value: float, unit: str, to: str) -> float:
    """Convert `value` between two units known to pint, temperatures as `degC`, `degF`, `K`.

    Raises `UnitError` if a name is unknown or the kinds differ.

    >>> convert(212.0, "degF", "degC")
    100.0
    """
    name, target = spelled(unit), spelled(to)
    common = common_kind(name, target)
    if common:
        return between_common(value, name, target)
    message = f"{value:g} {shown(unit)[1:-1]} is not a valid {kind_of(to)}"
    if common is False:
        raise UnitError(message)
    try:
        return _converted(value, name, target)
    except _refusals() as exc:
        raise UnitError(message) from exc


def kind_of(unit: str) -> str:
    """What an SI unit, or `delta K`, measures, in a word or two.

    >>> kind_of("m**3"), kind_of("W/K"), kind_of("mi")
    ('volume', 'heat flow for each kelvin', "quantity in 'mi'")
    """
    return _KINDS.get(unit, f"quantity in {unit!r}")


def like(si_value: float, unit: str, written: str, *, inward: int = 0) -> str:
    """Show `si_value`, in an SI unit or `delta K`, in the unit, if any, in which a text was written.

    A limit above 10 is rounded to a whole number, one above 1 to a tenth: up with `inward` 1, down with -1.

    >>> like(0.01, "m**3", "350 L"), like(7.0, "dimensionless", "9:1"), like(2e5, "Pa", "30 psi", inward=-1)
    ('10 L', '7', '29 psi')
    """
    parts = split_quantity(written)
    if parts is None:
        return f"{si_value:.4g}" if unit == "dimensionless" else f"{si_value:.4g} {unit.removeprefix('delta ')}"
    if unit == "delta K":
        value = si_value / _DEGREES.get(parts[1], 1.0)
    else:
        value = convert(si_value, unit, parts[1])
    if inward and abs(value) >= 1.0:
        parts_of_one = 1 if abs(value) >= 10.0 else 10
        value = inward * math.ceil(round(inward * value * parts_of_one, 6)) / parts_of_one
    return f"{value:,.0f} {_split(written)[1]}" if abs(value) >= 1000.0 else f"{value:.4g} {_split(written)[1]}"


def usual(unit: str) -> str:
    """An example of a quantity in an SI unit, or `delta K`, as people write it.

    >>> usual("Pa"), usual("W/K")
    ('15 psi', '90 W/K')
    """
    return _USUAL.get(unit, f"90 {unit}")


def to_si(text: str, unit: str, *, example: str = "") -> float:
    """Read '21 kJ/K' or '-5 degC' as a float in `unit`; a bare number is refused.

    Raises `UnitError`, which proposes `example`, else a usual quantity.

    >>> to_si("21 kJ/K", "J/K"), to_si("3,000 lb", "kg")
    (21000.0, 1360.77711)
    >>> round(to_si("212 degF", "K"), 2)
    373.15
    """
    proposed = example or usual(unit)
    if unit == "dimensionless":
        return to_number(text)
    value, name = _parse(text, proposed)
    try:
        return convert(value, name, unit)
    except UnitError as exc:
        message = f"{shown(text)} is not a valid {kind_of(unit)}; write e.g. '{proposed}'"
        raise UnitError(message) from exc


def to_delta_k(text: str) -> float:
    """Read a temperature difference such as '5 degC', '9 degF' or '5 K'; `UnitError` for another unit.

    >>> to_delta_k("9 degF")
    5.0
    """
    value, name = _parse(text, usual("delta K"))
    scale = _DEGREES.get(name)
    if scale is None:
        message = f"{shown(text)} is not a temperature difference; write K, degC or degF, e.g. '5 K'"
        raise UnitError(message)
    return value * scale


def same_kind(unit: str, other: str) -> bool:
    """Whether two units measure the same quantity; False also if one is unknown, or their steps are not equal.

    >>> same_kind("mi", "km"), same_kind("mi", "degF"), same_kind("furlog", "m")
    (True, False, False)
    """
    unit, other = spelled(unit), spelled(other)
    common = common_kind(unit, other)
    if common is not None:
        return common
    try:
        _require_scale(unit, other)
    except _refusals():
        return False
    return True


_FUEL_USES = {  # what is written, lower case and without spaces: volume for each distance or its inverse
    "mpg": ("mi/gal", True),
    "mpgus": ("mi/gal", True),
    "mpguk": ("mi/imperial_gallon", True),
    "mpgimp": ("mi/imperial_gallon", True),
    "km/l": ("km/L", True),
    "l/100km": ("L/km", False),
}


def to_fuel_use(text: str) -> float:
    """Read '18 mpg' or '12 L/100 km' as volume of fuel per distance. [m**3/m]

    Raises `UnitError` if it is written otherwise, or outside 2 to 100 L/100 km.

    >>> round(to_fuel_use("20 mpg") * 1e8, 2), round(to_fuel_use("8 L/100 km") * 1e8, 2)
    (11.76, 8.0)
    """
    value, written = _split(text)
    name = re.sub(r"[\s.()]", "", written).casefold()
    if name not in _FUEL_USES:
        message = (
            f"{shown(text)} is not a valid fuel use; write e.g. '18 mpg' (US gallons), '22 mpg UK', '12 L/100 km' "
            "or '8 km/L'"
        )
        raise UnitError(message)
    unit, inverse = _FUEL_USES[name]
    if not (value > 0.0 and math.isfinite(value)):
        message = f"{shown(text)}: fuel use must be above 0"
        raise UnitError(message)
    found = 1.0 / (value * convert(1.0, unit, "m**-2")) if inverse else value / 100.0 * convert(1.0, unit, "m**2")
    if not _FUEL_LEAST <= found <= _FUEL_MOST:
        message = f"{shown(text)}: allowed are 2 to 100 L/100 km (118 to 2.4 mpg)"
        raise UnitError(message)
    return found
