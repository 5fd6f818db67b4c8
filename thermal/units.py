"""The only user of pint: text with a unit becomes an SI float, and back for display.

A difference is not a temperature: use `to_delta_k` for rises, bands and margins.
"""

import functools
import re
import tokenize
from typing import Any

import pint

from thermal.errors import UnitError

_NUMBER_UNIT = re.compile(r"\s*([-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?)\s*([A-Za-z%°µ].*?)\s*")
# pint's parser lets these escape on texts such as "m*" or "8 dB/s"
_ODD = (
    ValueError,
    AttributeError,
    TypeError,
    ZeroDivisionError,
    AssertionError,
    OverflowError,
    SyntaxError,
    tokenize.TokenError,
)
# names and their small powers; pint would work out any other sum, 9**9**9**9 too
_POWER = re.compile(r"(?<=[A-Za-z°µ_])(?:\*\*|\^) ?-?[1-9](?![\w.^]| ?\*\*)")
_PLAIN_UNIT = re.compile(r"(?:[A-Za-z%°µ_ */()]|(?<=[A-Za-z%°µ_0-9])[0-9])+")
_MOST_TEXT, _MOST_UNIT = 80, 40
_ALIASES = {"°C": "degC", "°F": "degF", "%": "percent", "psi": "psi", "rpm": "rpm"}


@functools.cache
def _registry() -> Any:
    return pint.UnitRegistry(cache_folder=None)


def _parse(text: str, example: str) -> tuple[float, str]:
    match = _NUMBER_UNIT.fullmatch(text) if len(text) <= _MOST_TEXT else None
    if match is None or not _plain(match[2]):
        message = f"{text[:80]!r} needs a number and a unit, e.g. '{example}'"
        raise UnitError(message)
    return float(match[1]), _ALIASES.get(match[2], match[2])


def _plain(unit: str) -> bool:
    """Tell whether a text holds unit names, products, quotients and powers of one digit, and nothing to be computed."""
    bare = _POWER.sub("", unit)
    return len(unit) <= _MOST_UNIT and "**" not in bare and _PLAIN_UNIT.fullmatch(bare) is not None


def convert(value: float, unit: str, to: str) -> float:
    """Convert a number between two unit names.

    Parameters
    ----------
    value : float
        The number, in `unit`. [any]
    unit, to : str
        Unit names pint knows; temperatures as `degC`, `degF`, `K`. [-]

    Returns
    -------
    float
        The number in `to`.

    Raises
    ------
    UnitError
        If a name is unknown or the kinds differ.

    Examples
    --------
    >>> convert(212.0, "degF", "degC")
    100.0
    """
    unit, to = _ALIASES.get(unit, unit), _ALIASES.get(to, to)
    try:
        return float(_registry().Quantity(value, unit).to(to).magnitude)
    except (pint.PintError, *_ODD) as exc:
        message = f"{value:g} {unit} cannot be read in {to!r}: {exc}"
        raise UnitError(message) from exc


def to_si(text: str, unit: str) -> float:
    """Read '21 kJ/K' or '-5 degC' as a float in `unit`; a bare number is refused.

    Parameters
    ----------
    text : str
        Number, then unit. [-]
    unit : str
        The unit wanted. [-]

    Returns
    -------
    float
        The number in `unit`.

    Raises
    ------
    UnitError
        If there is no unit, or one of another kind.

    Examples
    --------
    >>> to_si("21 kJ/K", "J/K")
    21000.0
    >>> round(to_si("212 degF", "K"), 2)
    373.15
    """
    value, name = _parse(text, f"90 {unit}")
    return convert(value, name, unit)


def to_delta_k(text: str) -> float:
    """Read a temperature difference such as '5 degC', '9 degF' or '5 K'.

    Parameters
    ----------
    text : str
        Number, then a temperature unit. [-]

    Returns
    -------
    float
        The difference. [K]

    Raises
    ------
    UnitError
        If the unit is not one of temperature.

    Examples
    --------
    >>> to_delta_k("9 degF")
    5.0
    """
    value, name = _parse(text, "5 K")
    scale = {"degC": 1.0, "K": 1.0, "kelvin": 1.0, "delta_degC": 1.0, "degF": 5.0 / 9.0, "delta_degF": 5.0 / 9.0}.get(
        name
    )
    if scale is None:
        message = f"{text!r} is not a temperature difference; write K, degC or degF, e.g. '5 K'"
        raise UnitError(message)
    return value * scale


def same_kind(unit: str, other: str) -> bool:
    """Tell whether two unit names measure the same thing.

    Parameters
    ----------
    unit, other : str
        Unit names. [-]

    Returns
    -------
    bool
        False also when a name is unknown.

    Examples
    --------
    >>> same_kind("mi", "km"), same_kind("mi", "degF"), same_kind("furlog", "m")
    (True, False, False)
    """
    try:
        left = _registry().Unit(_ALIASES.get(unit, unit))
        return bool(left.is_compatible_with(_ALIASES.get(other, other)))
    except (pint.PintError, *_ODD):
        return False
