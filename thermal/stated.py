"""Spread of each factor of the draws from the ranges stated with the values of a car's file.

A range is in the source of a value: "0.10-0.30", "60-300 W/K", "+-15 %"; it is a 90 % interval. Every value with a
range is set to its ends on one drive, the loads are computed again, and the quantity that a factor multiplies is
compared. A class's values were chosen together, so that it lies in the bands of the trade: the ranges allow less
together than one by one. The joint spread is found by conditioning on the bands.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, replace
from typing import Any, NamedTuple

import numpy as np

from thermal import cooling
from thermal.bands import Band, compare
from thermal.drive import Drive
from thermal.errors import UnitError
from thermal.loads import Loads, compute_loads
from thermal.ranges import FloatArray
from thermal.units import to_si
from thermal.vehicle import Vehicle
from thermal.vehicle_file import Entry, VehicleFile, key_of, sections

_SPAN = re.compile(r"(?<![\w.-])(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?)(?: ([a-zA-Z][\w*/]*))?")
_PER_CENT = re.compile(r"\+-(\d+(?:\.\d+)?) %")
_SAME = 3.0  # a range whose middle is further from the value than this factor is about something else
_NINETY_PERCENT = 3.29  # standard deviations from the 5th to the 95th in a hundred
_AIR_KG_PER_S, _COOLANT_KG_PER_S = np.array([1.0]), np.array([1.5])  # a grade at 45 mph; shares hardly depend on it


class Stated(NamedTuple):
    """A value's range as its source states it, in the field's SI unit."""

    low: float
    high: float


def stated_range(entry: Entry, unit: str) -> Stated | None:
    """Read the range stated in a value's source, in the SI unit of its field.

    Of several ranges of the value's own kind the last that holds it counts, else the last; None if there is none.

    >>> entry = Entry(key="cooling.ram_ratio", text="0.18", source="ASSUMED: 0.10-0.30, common practice", doc="")
    >>> stated_range(entry, "dimensionless")
    Stated(low=0.1, high=0.3)
    """
    own_unit = entry.text.partition(" ")[2]
    try:
        value = _si(entry.text.partition(" ")[0], own_unit, unit)
    except (UnitError, ValueError):
        return None
    shares = ((at.start(), float(at[1]) / 100.0) for at in _PER_CENT.finditer(entry.source))
    found = [(at, Stated(value * (1.0 - share), value * (1.0 + share))) for at, share in shares]
    for at in _SPAN.finditer(entry.source):
        for said in dict.fromkeys((at[3] or own_unit, own_unit)):
            try:
                span = Stated(_si(at[1], said, unit), _si(at[2], said, unit))
            except (UnitError, ValueError):
                continue
            if 0.0 < span.low < span.high and value / _SAME < (span.low * span.high) ** 0.5 < value * _SAME:
                found.append((at.start(), span))
                break
    found.sort(key=lambda one: (one[1].low <= value <= one[1].high, one[0]))
    return found[-1][1] if found else None


def _si(number: str, unit: str, wanted: str) -> float:
    """A number in SI with or without a unit. [any]"""
    return float(number) if wanted == "dimensionless" and not unit else to_si(f"{number} {unit}", wanted)


def _radiator_w_per_k(vehicle: Vehicle, _: Loads) -> float:
    ua = cooling.radiator_ua_w_per_k(vehicle.cooling, air_kg_per_s=_AIR_KG_PER_S, coolant_kg_per_s=_COOLANT_KG_PER_S)
    return float(ua[0])


def _sum(*names: str) -> Callable[[Vehicle, Loads], float]:
    return lambda vehicle, loads: float(sum(getattr(loads, name)[-1] for name in names))


def _capacity(vehicle: Vehicle, loads: Loads) -> float:
    return float(sum(getattr(vehicle, name).heat_capacity_j_per_k for name in ("metal", "coolant", "oil")))


# What each factor multiplies, at the end of the drive.
MULTIPLIES: Mapping[str, Callable[[Vehicle, Loads], float]] = {
    "engine_heat": _sum("metal_w"),
    "airflow": _sum("ram_kg_per_s"),
    "radiator": _radiator_w_per_k,
    "oil_heat": lambda vehicle, loads: float(loads.oil_w[-1] / loads.metal_w[-1]),
    "oil_coolant": _sum("oil_coolant_w_per_k"),
    "oil_cooler": _sum("oil_air_w_per_k", "oil_water_w_per_k", "oil_surface_w_per_k"),
    "gearbox_heat": _sum("gearbox_w", "gearbox_spin_w"),
    "gearbox_loss": _sum("gearbox_water_w_per_k", "gearbox_air_w_per_k", "gearbox_surface_w_per_k"),
    "axle_heat": _sum("axle_w", "axle_spin_w"),
    "axle_loss": _sum("axle_air_w_per_k", "axle_surface_w_per_k"),
    "capacity": _capacity,
    "steering_heat": _sum("steering_w", "steering_spin_w"),
    "steering_loss": _sum("steering_air_w_per_k", "steering_surface_w_per_k"),
    "mass": lambda vehicle, loads: vehicle.body.mass_kg + vehicle.trailer.mass_kg,
    "drag": lambda vehicle, loads: vehicle.body.drag_area_m2 + vehicle.trailer.drag_area_m2,
}
_ROAD, _ROAD_FACTORS = ("body", "trailer"), ("mass", "drag")  # road load has factors of its own


class Moved(NamedTuple):
    """One value of a file at either end of its range."""

    key: str
    low: Vehicle
    high: Vehicle


def moved(held: VehicleFile) -> tuple[Moved, ...]:
    """Move every value whose source states a range to the range's ends; not choices, lists and temperatures."""
    found = []
    for entry, section, item in _numbers(held):
        span = stated_range(entry, item.metadata["unit"])
        if span is not None:
            low, high = (_with(held.vehicle, section, item, value) for value in span)
            found.append(Moved(entry.key, low, high))
    return tuple(found)


def stated_slopes(held: VehicleFile, values: Sequence[Moved], drive: Drive) -> dict[str, FloatArray]:
    """Change of ln(factor) with one standard deviation of each value, to first order, shape (n_value,) by factor. [-]

    Compared at the end of a drive that loads the car, as a grade does. The root of the sum of squares is what the
    ranges allow if the values are independent. Used by docs/make_spreads.py.
    """
    gear = compute_loads(held.vehicle, drive)[1].gear
    found = {name: np.zeros(len(values)) for name in MULTIPLIES}
    for i, one in enumerate(values):
        loads = [compute_loads(car, drive, gear=gear)[0] for car in (one.low, one.high)]
        for name, of in MULTIPLIES.items():
            low, high = (of(car, load) for car, load in zip((one.low, one.high), loads, strict=True))
            road = one.key.partition(".")[0] in _ROAD
            if road == (name in _ROAD_FACTORS) and low > 0.0 and high > 0.0:
                found[name][i] = np.log(high / low) / _NINETY_PERCENT
    return found


def band_slopes(values: Sequence[Moved], bands: Sequence[Band], *, base: str) -> FloatArray:
    """Move of a car within its bands with one standard deviation of each value, shape (n_band, n_value).

    In standard deviations of the band, which holds nine cars in ten. Used by docs/make_spreads.py. [-]
    """
    columns = []
    for one in values:
        low, high = (compare(car, bands, base=base) for car in (one.low, one.high))
        columns.append([(b.found - a.found) / (a.band.high - a.band.low) for a, b in zip(low, high, strict=True)])
    slopes = np.array(columns).T
    return np.asarray(slopes[np.isfinite(slopes).all(axis=1)])


def within_bands(slopes: Mapping[str, FloatArray], in_bands: FloatArray) -> dict[str, float]:
    """Standard deviation of ln(factor) that ranges and bands allow together; `in_bands` is from `band_slopes`. [-]

    Linear and Gaussian: values have the covariance of their ranges, a band is a reading of its middle with its own
    standard deviation, and the covariance that is left is projected onto the factors.

    >>> within_bands({"airflow": np.array([0.3])}, np.array([[0.0], [0.0]]))
    {'airflow': 0.3}
    """
    left = np.linalg.inv(np.eye(in_bands.shape[1]) + in_bands.T @ in_bands)
    return {name: float(np.sqrt(slope @ left @ slope)) for name, slope in slopes.items()}


def outside_range(held: VehicleFile) -> tuple[Entry, ...]:
    """Find values that lie outside the range their own source states; "each" of several parts is not checked."""
    found = []
    for entry, section, item in _numbers(held):
        span, value = stated_range(entry, item.metadata["unit"]), getattr(getattr(held.vehicle, section), item.name)
        if span is not None and " each" not in entry.source and not 0.999 * span.low <= value <= 1.001 * span.high:
            found.append(entry)
    return tuple(found)


def _numbers(held: VehicleFile) -> list[tuple[Entry, str, Any]]:
    """Entries that hold one number, with the field each fills."""
    known = {
        f"{section}.{key_of(item)}": (section, item)
        for section, kind in sections().items()
        for item in fields(kind)
        if "unit" in item.metadata and not item.metadata["several"] and item.metadata["unit"] != "K"
    }
    return [(entry, *known[entry.key]) for entry in held.entries if entry.key in known]


def _with(vehicle: Vehicle, section: str, item: Any, value: float) -> Vehicle:
    """Set one number of the car, within the range of its field."""
    inside = float(np.clip(value, item.metadata["low"], item.metadata["high"]))
    return replace(vehicle, **{section: replace(getattr(vehicle, section), **{item.name: inside})})
