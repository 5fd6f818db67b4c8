"""What `check` says: the size of a trip, what it assumes, what looks odd. Imports nothing slow: it answers at once."""

import textwrap
from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any

from planner.display import counted
from planner.model import Trip
from planner.route.graph import remarks
from thermal.vehicle_file import VehicleFile

if TYPE_CHECKING:
    from planner.answers.sensitivity import Effect


def size(trip: Trip) -> str:
    """Name a trip and count what it is made of.

    Parameters
    ----------
    trip : Trip
        The trip. [-]

    Returns
    -------
    str
        In words.
    """
    return f"{trip.name}: {counted(len(trip.places), 'place')}, {counted(len(trip.legs), 'leg')}"


def check_lines(trip: Trip, car: VehicleFile) -> list[str]:
    """Say what was read and what it rests on.

    Parameters
    ----------
    trip : Trip
        The trip. [-]
    car : VehicleFile
        Its car. [-]

    Returns
    -------
    list of str
        Lines; the car's assumed values, one line a section, stand last.
    """
    assumed = [entry for entry in car.entries if entry.assumed]
    said = [
        f"{size(trip)}; {car.vehicle.name}. No problems.",
        *(f"  assumed: {note}" for note in trip.assumptions),
        *(f"  look at: {note}" for note in remarks(trip)),
        f"  of the car {len(assumed)} of {len(car.entries)} values are assumed",
    ]
    for section, entries in groupby(sorted(assumed, key=lambda entry: entry.key), lambda entry: _halves(entry.key)[0]):
        values = ", ".join(f"{_halves(entry.key)[1]} {entry.text}" for entry in entries)
        said += textwrap.wrap(f"{section}: {values}", 80, initial_indent="    ", subsequent_indent="      ")
    return said


def _halves(key: str) -> tuple[str, str]:
    """Section and name of a value."""
    section, _, name = key.partition(".")
    return section, name


def check_dict(trip: Trip, car: VehicleFile, effects: "Sequence[Effect]") -> dict[str, Any]:
    """Give the same as plain data.

    Parameters
    ----------
    trip : Trip
        The trip. [-]
    car : VehicleFile
        Its car. [-]
    effects : sequence of Effect
        What each assumed value is worth; none where that was not asked for. [-]

    Returns
    -------
    dict
        For JSON; kelvins.
    """
    return {
        "trip": trip.name,
        "places": len(trip.places),
        "legs": len(trip.legs),
        "vehicle": car.vehicle.name,
        "base": car.base,
        "assumed_of_trip": trip.assumptions,
        "assumed_of_vehicle": {e.key: [e.text, e.source] for e in car.entries if e.assumed},
        "ranked": [
            {
                "key": e.key,
                "value": e.text,
                "moved_by": e.step,
                "fluid": e.fluid,
                "margin_k": round(e.margin_k, 3),
                "margin_moves_k": round(e.moves_k, 3),
            }
            for e in effects
        ],
    }
