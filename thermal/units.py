"""The only user of pint: text with a unit becomes an SI float, and back for display.

A difference is not a temperature: use `to_delta_k` for rises, bands and margins.
"""

import functools
import math
import re
import tokenize
from typing import Any

from thermal.errors import UnitError, one_line, shown

_NUMBER_UNIT = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*([A-Za-z%°µ].*?)\s*")
# pint's parser lets these escape on texts such as "m*", "8 dB/s", "m("
_ODD = (
    *(ValueError, AttributeError, TypeError, ArithmeticError, AssertionError),
    *(SyntaxError, RecursionError, tokenize.TokenError),
)
_PLAIN_UNIT = re.compile(r"[A-Za-z%°µ0-9_ */().-]{1,40}")
_POWER = re.compile(r"\*\*-?\d(?![\d.(]|\*\*)")
_MOST_POWERS = 2
_ALIASES = {"°C": "degC", "°F": "degF", "%": "percent"}
# What people write for a quantity, by its SI unit; others are shown in the SI unit itself.
_USUAL = {
    **{
        "delta K": "5 K",
        "K": "195 degF",
        "s": "20 min",
        "m": "0.3 m",
        "m/s": "60 mph",
        "rad/s": "850 rpm",
        "Pa": "15 psi",
    },
    **{"kg": "1700 kg", "m**2": "0.5 m**2", "m**3": "5 L", "W": "2 kW", "N*m": "150 N*m"},
}


@functools.cache
def _registry() -> Any:
    import pint  # not before a unit is read: it takes a tenth of a second

    return pint.UnitRegistry(cache_folder=None)


def _refusals() -> tuple[type[Exception], ...]:
    import pint

    return (pint.PintError, *_ODD)


def _plain(unit: str) -> bool:
    """Tell whether a text may go to pint's parser, which works out towers of powers however high."""
    bare = unit.replace("^", "**").replace(" ", "")
    powers = bare.count("**")
    return _PLAIN_UNIT.fullmatch(bare) is not None and powers <= _MOST_POWERS and powers == len(_POWER.findall(bare))


@functools.lru_cache(maxsize=1024)
def _require_scale(unit: str, to: str) -> None:
    """Refuse what pint must not parse, and units without equal steps, such as the decibel."""
    if not _plain(unit):
        message = "no unit is written like that"
        raise ValueError(message)
    zero, one, two = (float(_registry().Quantity(value, unit).to(to).magnitude) for value in (0.0, 1.0, 2.0))
    if not math.isclose(two - one, one - zero, rel_tol=1e-6):
        message = "its steps are not equal"
        raise ValueError(message)


def _parse(text: str, example: str) -> tuple[float, str]:
    match = _NUMBER_UNIT.fullmatch(text) if len(text) <= 80 else None
    if match is None or not _plain(match[2]):
        message = f"{shown(text)} needs a number and a unit, e.g. '{example}'"
        raise UnitError(message)
    return float(match[1]), _ALIASES.get(match[2], match[2])


@functools.lru_cache(maxsize=4096)
def _converted(value: float, unit: str, to: str) -> float:
    """Convert by pint; the same values come again in every file of a class of car."""
    _require_scale(unit, to)
    return float(_registry().Quantity(value, unit).to(to).magnitude)


def convert(value: float, unit: str, to: str) -> float:
    """Convert a number between two unit names.

    Parameters
    ----------
    value : float
        The number, in `unit`. [any]
    unit, to : str
        Unit names pint knows; temperatures as `degC`, `degF`, `K`.

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
        return _converted(value, unit, to)
    except _refusals() as exc:
        message = f"{value:g} {shown(unit)[1:-1]} cannot be read in {to!r}: {one_line(str(exc))}"
        raise UnitError(message) from exc


def usual(unit: str) -> str:
    """An example of a quantity, as people write it.

    Parameters
    ----------
    unit : str
        An SI unit, or `delta K` for a difference.

    Returns
    -------
    str
        Number and unit.

    Examples
    --------
    >>> usual("Pa"), usual("W/K")
    ('15 psi', '90 W/K')
    """
    return _USUAL.get(unit, f"90 {unit}")


def to_si(text: str, unit: str, *, example: str = "") -> float:
    """Read '21 kJ/K' or '-5 degC' as a float in `unit`; a bare number is refused.

    Parameters
    ----------
    example : str, optional
        What to propose in its stead; by default something usual in that unit.

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
    proposed = example or usual(unit)
    value, name = _parse(text, proposed)
    try:
        return convert(value, name, unit)
    except UnitError as exc:
        message = f"{exc}; write e.g. '{proposed}'"
        raise UnitError(message) from exc


def to_delta_k(text: str) -> float:
    """Read a temperature difference such as '5 degC', '9 degF' or '5 K'.

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
    value, name = _parse(text, usual("delta K"))
    scale = {"degC": 1.0, "K": 1.0, "kelvin": 1.0, "delta_degC": 1.0, "degF": 5.0 / 9.0, "delta_degF": 5.0 / 9.0}.get(
        name
    )
    if scale is None:
        message = f"{text!r} is not a temperature difference; write K, degC or degF, e.g. '5 K'"
        raise UnitError(message)
    return value * scale


def same_kind(unit: str, other: str) -> bool:
    """Tell whether two unit names measure the same thing.

    Returns
    -------
    bool
        False also when a name is unknown, or the steps of one are not equal steps of the other.

    Examples
    --------
    >>> same_kind("mi", "km"), same_kind("mi", "degF"), same_kind("furlog", "m")
    (True, False, False)
    """
    unit, other = _ALIASES.get(unit, unit), _ALIASES.get(other, other)
    try:
        _require_scale(unit, other)
    except _refusals():
        return False
    return True
