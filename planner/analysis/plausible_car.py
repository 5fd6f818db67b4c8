"""Suspicious values of a car: an engine whose numbers contradict each other, values far from the class's."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import Any

from planner.model.doubt import Doubt, Expected
from thermal.units import like, usual
from thermal.vehicle import Vehicle
from thermal.vehicle_file import VehicleFile, key_of, sections

_FILE = "vehicle.toml"
# Mean effective pressure at greatest torque, 4 pi T / V of a four-stroke. Of road cars some 7 to 13 bar without a
# turbocharger, 10 to 25 with one: common practice, no source; the bounds leave a quarter more on either side.
_BMEP_PA = {"natural": (5.0e5, 14.5e5), "turbo": (6.0e5, 30.0e5)}
# Torque at rated power over greatest torque: 0.7 to 0.95 of road engines, common practice; diesels down to 0.6.
_TORQUE_LEFT = 0.5
_TIMES = 2.5  # a value so many times that of the class, or that part of it
_APART_K = 25.0
# ASSUMED: pick-ups draw up to about twice their own mass; a trailer has 350 to 1,500 kg for each square metre that it
# adds to the drag: flat ones more, likely range 250 to 2,500. A light one may have hardly any drag of its own.
_HEAVIEST_TRAILER, _TRAILER_KG_PER_M2, _LIGHT_TRAILER_KG = 2.0, (350.0, 2000.0), 800.0


def class_values(vehicle: Vehicle) -> dict[str, float]:
    """Numbers of a car by key, to compare another with."""
    return {name: value for name, _, _, value in _numbers(vehicle)}


def _numbers(vehicle: Vehicle) -> Iterator[tuple[str, str, Any, float]]:
    """Key, field, metadata and value of every single quantity."""
    for section, kind in sections().items():
        part = getattr(vehicle, section)
        for item in fields(kind):
            value = getattr(part, item.name)
            if "unit" in item.metadata and isinstance(value, float | int):
                yield f"{section}.{key_of(item)}", f"{section}.{item.name}", item.metadata, float(value)


def car_doubts(car: VehicleFile, of_class: Mapping[str, float]) -> Iterator[Doubt]:
    """Doubt the owner's values: the engine's numbers together, then each compared with the class's."""
    texts = {entry.key: entry.text for entry in car.entries}
    told = set()
    yield from _trailer(car.vehicle, texts)
    for doubt in _engine(car.vehicle, texts, of_class):
        told.add(doubt.column)
        yield doubt
    for key, field, meta, value in _numbers(car.vehicle):
        held = of_class.get(key)
        if key in told or key not in car.overridden or held is None or not _far(meta["unit"], value, held):
            continue
        against = f"the class, {_shown(held, meta['unit'])}"
        yield _doubt(key, texts.get(key, f"{value:g}"), against, f"{texts.get(key)} where {against}", field, held)


def _trailer(vehicle: Vehicle, texts: Mapping[str, str]) -> Iterator[Doubt]:
    """Doubt a trailer too heavy for the car, or too heavy or light for its drag area."""
    mass_kg, area_m2, car_kg = vehicle.trailer.mass_kg, vehicle.trailer.drag_m2, vehicle.body.mass_kg
    if mass_kg <= 0.0:
        return
    key, light_kg, heavy_kg = "trailer.mass", _TRAILER_KG_PER_M2[0] * area_m2, _TRAILER_KG_PER_M2[1] * area_m2
    said = texts.get(key, f"{mass_kg:.0f} kg")
    against, expected = f"a car of {like(car_kg, 'kg', said)}", 0.4 * car_kg
    if mass_kg <= _HEAVIEST_TRAILER * car_kg:
        if light_kg <= mass_kg <= max(heavy_kg, _LIGHT_TRAILER_KG):
            return
        against, expected = f"drag_area {texts.get('trailer.drag_area', '')}", math.sqrt(light_kg * heavy_kg)
    sentence = f"{said} compared with {against}; check both"
    yield _doubt(key, said, against, sentence, "trailer.mass_kg", max(expected, 1.0))


def _far(unit: str, value: float, held: float) -> bool:
    """Whether a value is far from the class's; of parts that may be absent only numbers on both sides are compared."""
    if unit in ("K", "delta K"):
        return abs(value - held) > _APART_K
    if value <= 0.0 or held <= 0.0:
        return False
    return not 1.0 / _TIMES <= value / held <= _TIMES


def _engine(vehicle: Vehicle, texts: Mapping[str, str], of_class: Mapping[str, float]) -> Iterator[Doubt]:
    e = vehicle.engine
    low, high = _BMEP_PA[e.induction]
    pressure = 4.0 * math.pi * e.peak_torque_nm / e.displacement_m3
    if not low <= pressure <= high:
        key = "engine.displacement"
        against = f"peak_torque {texts.get('engine.peak_torque', '')}"
        what = "small" if pressure > high else "large"
        said = f"{texts.get(key)} is {what} for {against}; check both"
        expected = of_class.get(key, 4.0 * math.pi * e.peak_torque_nm / math.sqrt(low * high))
        yield _doubt(key, texts.get(key, ""), against, said, "engine.displacement_m3", expected)
    strongest_w = e.peak_torque_nm * e.peak_power_speed_rad_per_s
    if e.peak_power_w < _TORQUE_LEFT * strongest_w:
        key = "engine.peak_power"
        against = (
            f"peak_torque {texts.get('engine.peak_torque', '')}, which is {strongest_w / 1e3:.0f} kW at that speed"
        )
        said = f"{texts.get(key)} is little for {against}; check both"
        yield _doubt(
            key, texts.get(key, ""), against, said, "engine.peak_power_w", of_class.get(key, 0.8 * strongest_w)
        )


def _doubt(key: str, value: str, against: str, sentence: str, field: str, expected: float) -> Doubt:
    return Doubt(
        file=_FILE,
        row=0,
        column=key,
        value=value,
        against=against,
        sentence=sentence,
        expected=Expected(of="car", name=key, field=field, value=expected),
    )


def _shown(value: float, unit: str) -> str:
    return like(value, unit, usual(unit))
