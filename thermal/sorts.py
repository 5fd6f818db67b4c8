"""Sorts of oil: temperature limits, viscosity, and ageing."""

from collections.abc import Mapping
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from thermal.errors import ParameterError
from thermal.ranges import FloatArray
from thermal.vehicle import Lubricant, Vehicle

# A lubricant's life halves for every so many kelvin above a reference. Arrhenius's law as the trade has it: 20 degF for
# automatic fluid, whose charts begin at 100,000 miles at 175 degF; 10 degC for engine and gear oil. Common practice.
_ATF_HALVING_K, _OIL_HALVING_K = 20.0 / 1.8, 10.0


class Sort(NamedTuple):
    """One sort of lubricant; every number common practice, no source."""

    words: str
    caution_k: float  # watch from here
    limit_k: float  # it ages too fast to go on from here
    at_40c_m2_per_s: float
    at_100c_m2_per_s: float
    life_h: float  # at `life_at_k`
    life_at_k: float
    halving_k: float  # rise that halves the life


def _sort(
    words: str,
    caution_c: float,
    limit_c: float,
    viscosities: tuple[float, float],
    life: tuple[float, float],
    halving_k: float,
) -> Sort:
    """Build a row from degrees Celsius, mm2/s and hours at degrees Celsius."""
    (thick, thin), (life_h, at_c) = viscosities, life
    temps_k = caution_c + 273.15, limit_c + 273.15
    return Sort(words, *temps_k, thick * 1e-6, thin * 1e-6, life_h, at_c + 273.15, halving_k)


ENGINE_OILS: Mapping[str, Sort] = {
    "mineral": _sort("mineral engine oil, 15W-40", 125, 140, (108.0, 14.6), (200.0, 110.0), _OIL_HALVING_K),
    "synthetic": _sort("synthetic engine oil, 5W-40", 135, 150, (80.0, 13.6), (400.0, 120.0), _OIL_HALVING_K),
}
GEARBOX_FLUIDS: Mapping[str, Sort] = {
    "conventional": _sort("conventional automatic fluid", 110, 130, (35.0, 7.4), (2000.0, 79.4), _ATF_HALVING_K),
    "long-life": _sort("long-life automatic fluid", 120, 140, (30.0, 6.0), (4000.0, 79.4), _ATF_HALVING_K),
}
GEAR_OILS: Mapping[str, Sort] = {
    "mineral": _sort("mineral gear oil, 80W-90", 120, 135, (140.0, 14.5), (500.0, 100.0), _OIL_HALVING_K),
    "synthetic": _sort("synthetic gear oil, 75W-90", 135, 150, (105.0, 15.2), (1000.0, 110.0), _OIL_HALVING_K),
}


def sorts_of(part: str, *, automatic: bool) -> Mapping[str, Sort]:
    """Sorts that go into a part, `engine_oil` or another section of a lubricant; a manual gearbox takes gear oil."""
    if part == "engine_oil":
        return ENGINE_OILS
    if part == "power_steering_oil" or (part == "transmission_oil" and automatic):
        return GEARBOX_FLUIDS
    return GEAR_OILS


def _limit_of(part: str) -> str:
    return "engine_oil_limit" if part == "engine_oil" else part.removesuffix("_oil") + "_limit"


def values_of(part: str, sort: Sort) -> dict[str, dict[str, str]]:
    """Values of a sort of oil for a vehicle file, section to key to text: viscosities, and limits that go with them.

    >>> values_of("differential_oil", GEAR_OILS["synthetic"])["differential_limit"]["limit"]
    '150 degC'
    """
    return {
        part: {
            "viscosity_40c": f"{1e6 * sort.at_40c_m2_per_s:g} mm**2/s",
            "viscosity_100c": f"{1e6 * sort.at_100c_m2_per_s:g} mm**2/s",
        },
        _limit_of(part): {"caution": f"{sort.caution_k - 273.15:g} degC", "limit": f"{sort.limit_k - 273.15:g} degC"},
    }


def with_sort(vehicle: Vehicle, part: str, name: str) -> Vehicle:
    """Fill a part, named by its section, with another sort of oil: viscosities and limits change together.

    The car is unchanged if it has that sort. Raises `ParameterError` if the sort does not go into the part.
    """
    allowed = sorts_of(part, automatic=vehicle.gearbox.kind == "automatic")
    if name not in allowed:
        message = f"{part}.sort is {name!r}; this part takes: {', '.join(allowed)}"
        raise ParameterError(message)
    if name == getattr(vehicle, part).sort:
        return vehicle
    sort, limit = allowed[name], _limit_of(part)
    oil = Lubricant(
        sort=name, viscosity_40c_m2_per_s=sort.at_40c_m2_per_s, viscosity_100c_m2_per_s=sort.at_100c_m2_per_s
    )
    held = replace(getattr(vehicle, limit), caution_k=sort.caution_k, limit_k=sort.limit_k)
    return replace(vehicle, **{part: oil, limit: held})


def life_used(sort: Sort, temp_k: FloatArray, duration_s: FloatArray) -> float:
    """Share of a lubricant's life that a drive uses up, by segment temperatures and durations; 1 is an oil change. [-]

    Life halves for each `halving_k` above `life_at_k`, and doubles below it.

    >>> hour, fluid = np.array([3600.0]), GEARBOX_FLUIDS["conventional"]
    >>> cool, hot = (life_used(fluid, np.array([k]), hour) for k in (352.55, 352.55 + 20.0 / 1.8))
    >>> round(hot / cool, 6)
    2.0
    """
    hours = duration_s / 3600.0
    return float(np.sum(hours / sort.life_h * 2.0 ** ((temp_k - sort.life_at_k) / sort.halving_k)))
