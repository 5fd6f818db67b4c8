"""The car on the desk: its values, the most important for this trip first, with range, source and how to find out."""

from collections.abc import Mapping, Sequence
from dataclasses import fields
from functools import cache
from typing import Any

from planner.analysis.sensitivity import Effect
from planner.files.folder import class_lines
from planner.files.settingsheets import CAR_FIRST
from planner.forecast.assemble import Inputs
from planner.model.display import units_of
from thermal.fluids import fluid_of
from thermal.units import like
from thermal.vehicle_file import Entry, key_of, sections

FIRST = 12  # values shown before the others
# How an owner can find a value. Common practice, no source.
HOW: Mapping[str, str] = {
    "body.mass": "Weigh the car, loaded as for the trip, on a public scale.",
    "body.roof": "Look at what the roof will carry.",
    "trailer.mass": "Weigh the loaded trailer alone on a public scale; 0 kg for none.",
    "trailer.kind": "Look at what is towed.",
    "cooling.condition": "Ask for the receipt of the last recore or new radiator; unknown is an answer.",
    "cooling.cap_pressure": "It is printed on the cap. Look only when the engine is cold.",
    "cooling.glycol_share": "Measure the coolant with a refractometer or hydrometer, engine cold.",
    "cooling.fan": "Look behind the radiator, engine off: a motor, a clutch, or bolted on.",
    "cooling.thermostat_open": "It is stamped on the thermostat, and in the workshop manual.",
    "engine_oil.sort": "It is on the can, or the invoice of the last change.",
    "transmission_oil.sort": "It is on the can, or the invoice of the last change.",
    "differential_oil.sort": "It is on the can, or the invoice of the last change.",
    "oil_cooler.kind": "Follow the oil lines: to a small radiator (air), to the coolant (liquid), or there are none.",
    "transmission_cooler.kind": "Follow the lines from the gearbox.",
    "differential_cooler.kind": "Follow the lines from the axle; most cars have none.",
    "gearbox.ratios": "They are in the workshop manual, by the gearbox's code on its tag.",
    "axle.ratio": "It is on the axle's tag or the build plate; or count turns of the shaft to one of both wheels.",
    "body.tyre_radius": "Measure from the ground to the hub, car loaded; or from the size on the tyre's wall.",
    "tank.capacity": "It is in the owner's manual.",
}


@cache
def class_rows() -> tuple[dict[str, str], ...]:
    """Names and descriptions of the shipped classes; they do not change while the program runs."""
    return tuple({"name": name, "about": about} for name, about in class_lines())


def car_page(inputs: Inputs, effects: Sequence[Effect] | None) -> dict[str, Any]:
    """All values of the car as rows, the most important first if they have been ranked."""
    u = units_of(inputs.trip.units)
    by_key = {effect.key: effect for effect in effects or ()}
    order = [e.key for e in effects or ()] + [key for key in CAR_FIRST if key not in by_key]
    place = {key: n for n, key in enumerate(dict.fromkeys(order))}
    rows = sorted(inputs.car.entries, key=lambda entry: (place.get(entry.key, len(place)), entry.key))
    moved = {
        key: f"{u.diff(one.moves_k):.0f} {u.temperature} of {fluid_of(one.fluid).label} for {one.step}"
        for key, one in by_key.items()
    }
    return {
        "name": inputs.car.vehicle.name,
        "base": inputs.car.base,
        "classes": class_rows(),
        "first": FIRST,
        "ranked": effects is not None,
        "values": [_row(entry, inputs, moved.get(entry.key, "")) for entry in rows],
    }


def _row(entry: Entry, inputs: Inputs, moves: str) -> dict[str, Any]:
    section, _, name = entry.key.partition(".")
    item = next(f for f in fields(sections()[section]) if key_of(f) == name)
    meta = item.metadata
    several = bool(meta.get("several"))
    return {
        "key": entry.key,
        "value": entry.text.replace(", ", "; ") if several else entry.text,
        "what": entry.doc,
        "how": HOW.get(entry.key, ""),
        "source": entry.source,
        "assumed": entry.assumed,
        "own": entry.key in inputs.car.overridden,
        "options": list(meta.get("options", ())),
        "range": "" if "options" in meta else f"{_end(meta, 'low', entry)} to {_end(meta, 'high', entry)}",
        "moves": moves,
    }


def _end(meta: Mapping[str, Any], end: str, entry: Entry) -> str:
    """One limit of the plausible range, in the unit of the value as written."""
    if meta["unit"] == "dimensionless":
        return f"{meta[end]:g}"
    return like(meta[end], meta["unit"], entry.text)
