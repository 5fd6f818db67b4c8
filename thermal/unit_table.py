"""Common units and their SI values, read without the unit library, which takes half a second to start.

Factors are exact by definition: NIST Special Publication 811 (2008), appendix B; imperial gallon 4.54609 L, UK Weights
and Measures Act 1985; horsepower 550 ft lbf/s; metric horsepower 75 kgf m/s. A test holds every entry against pint.
"""

import math

_POUND_KG, _FOOT_M, _INCH_M, _MILE_M = 0.45359237, 0.3048, 0.0254, 1609.344
_GRAVITY = 9.80665
_GALLON_M3, _IMPERIAL_GALLON_M3 = 231 * _INCH_M**3, 4.54609e-3
_FOOT_POUND_J = _FOOT_M * _POUND_KG * _GRAVITY

# SI unit: names as pint has them, and how much of it each is.
_FACTORS = {
    "m": {"mm": 1e-3, "cm": 1e-2, "m": 1.0, "km": 1e3, "inch": _INCH_M, "ft": _FOOT_M, "yard": 0.9144, "mi": _MILE_M},
    "kg": {"kg": 1.0, "lb": _POUND_KG, "t": 1e3},
    "s": {"s": 1.0, "min": 60.0, "h": 3600.0, "day": 86400.0},
    "m/s": {"m/s": 1.0, "km/h": 1.0 / 3.6, "mph": 0.44704, "ft/s": _FOOT_M},
    "rad/s": {"rad/s": 1.0, "rpm": math.pi / 30.0},
    "Pa": {"Pa": 1.0, "kPa": 1e3, "bar": 1e5, "psi": _POUND_KG * _GRAVITY / _INCH_M**2},
    "m**2": {"m**2": 1.0, "cm**2": 1e-4, "ft**2": _FOOT_M**2, "inch**2": _INCH_M**2, "L/km": 1e-6},
    "m**3": {
        **{"m**3": 1.0, "L": 1e-3, "cm**3": 1e-6, "inch**3": _INCH_M**3},
        **{"gal": _GALLON_M3, "qt": _GALLON_M3 / 4.0},
    },
    "N*m": {"N*m": 1.0, "kgf*m": _GRAVITY, "ft*lbf": _FOOT_POUND_J},
    "W": {"W": 1.0, "kW": 1e3, "hp": 550.0 * _FOOT_POUND_J, "metric_horsepower": 75.0 * _GRAVITY},
    "kg/s": {"kg/s": 1.0, "g/s": 1e-3, "lb/min": _POUND_KG / 60.0},
    "m**3/s": {"m**3/s": 1.0, "L/min": 1e-3 / 60.0, "gal/min": _GALLON_M3 / 60.0, "ft**3/min": _FOOT_M**3 / 60.0},
    "W/K": {"W/K": 1.0, "kW/K": 1e3},
    "J/K": {"J/K": 1.0, "kJ/K": 1e3},
    "K/W": {"K/W": 1.0, "K/kW": 1e-3},
    "m**2/s": {"m**2/s": 1.0, "mm**2/s": 1e-6, "cSt": 1e-6},
    "Pa*s": {"Pa*s": 1.0},
    "dimensionless": {"dimensionless": 1.0, "percent": 1e-2},
    "m**-2": {
        "m**-2": 1.0,
        "km/L": 1e6,
        "mi/gal": _MILE_M / _GALLON_M3,
        "mi/imperial_gallon": _MILE_M / _IMPERIAL_GALLON_M3,
    },
}
_OFFSETS_K = {"K": 0.0, "degC": 273.15, "degF": 459.67 * 5.0 / 9.0}
# Name: its SI unit, what one of it is, what its zero is.
COMMON = {
    **{name: (si, factor, 0.0) for si, names in _FACTORS.items() for name, factor in names.items()},
    **{name: ("K", 5.0 / 9.0 if name == "degF" else 1.0, offset) for name, offset in _OFFSETS_K.items()},
}


def common_kind(unit: str, other: str) -> bool | None:
    """Whether two of the common units measure the same quantity; None if one of them is not in the table.

    >>> common_kind("mi", "m"), common_kind("mi", "degF"), common_kind("mi", "furlong")
    (True, False, None)
    """
    if unit not in COMMON or other not in COMMON:
        return None
    return COMMON[unit][0] == COMMON[other][0]


def between_common(value: float, unit: str, other: str) -> float:
    """Convert `value` between two of the common units that measure the same quantity.

    >>> between_common(65.0, "mph", "m/s"), between_common(212.0, "degF", "degC")
    (29.0576, 100.0)
    """
    if unit == other:
        return value
    (_, factor, zero), (_, divisor, other_zero) = COMMON[unit], COMMON[other]
    return (value * factor + zero - other_zero) / divisor
