"""Output of `check`: size of a trip, assumptions, doubts. No slow imports."""

import re
import textwrap
from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any

from planner.model import geo
from planner.model.display import counted, units_of
from planner.model.doubt import Doubt
from planner.model.lesson import Lesson
from planner.model.trip import Leg, Place, Trip
from planner.output.picked import picked
from planner.route.graph import remarks, stops_of
from thermal.vehicle_file import VehicleFile

if TYPE_CHECKING:
    from planner.analysis.sensitivity import Effect
    from planner.output.road_shape import Shape


def size(trip: Trip) -> str:
    """Name and size of a trip."""
    return f"{trip.name}: {counted(len(trip.places), 'place')}, {counted(len(trip.legs), 'leg')}"


def check_lines(
    trip: Trip,
    car: VehicleFile,
    legs: Sequence[Leg],
    closed: Sequence[str],
    lesson: Lesson | None = None,
    doubts: Sequence[Doubt] = (),
    shape: "Shape | None" = None,
) -> list[str]:
    """Report what was read and its assumptions; `legs` are the road, `closed` names roads closed at that date.

    `shape` is that of the road, if it is known already.
    """
    from planner.output.road_shape import chart_lines, shape_of  # with what draws maps

    assumed = [entry for entry in car.entries if entry.assumed]
    warnings, unused, learnt = _by_weight(lesson)
    checks = [*(f"  check: {note}" for note in (*unused, *closed, *remarks(trip), *(doubt.line for doubt in doubts)))]
    traps = quiet_traps(car)
    count = len(warnings) + len(checks) + sum(line.startswith("  check: ") for line in traps)
    said = [
        f"{size(trip)}; {car.vehicle.name}. {_verdict(count)}",
        *(f"  warning: {text}" for text in warnings),
        *_at_a_glance(trip, legs),
        *chart_lines(shape or shape_of(trip, legs), units_of(trip.units)),
        *textwrap.wrap(f"class {car.base}: {car.about}", 80, initial_indent="  ", subsequent_indent="    "),
        *(f"  learnt: {text}" for text in learnt),
        *(f"  assumed: {note}" for note in trip.assumptions),
        *checks,
        *_asked(car),
        *traps,
        *_worth_having(trip, legs),
        f"  {len(assumed)} of {len(car.entries)} car values are assumed",
    ]
    for section, entries in groupby(sorted(assumed, key=lambda entry: entry.key), lambda entry: _halves(entry.key)[0]):
        values = ", ".join(f"{_halves(entry.key)[1]} {entry.text}" for entry in entries)
        said += textwrap.wrap(f"{section}: {values}", 80, initial_indent="    ", subsequent_indent="      ")
    return said


def _by_weight(lesson: Lesson | None) -> tuple[Sequence[str], Sequence[str], Sequence[str]]:
    """Sentences of a lesson: warnings of a fault, values not used, and what was learnt."""
    if lesson is None:
        return (), (), ()
    others = {*lesson.warnings, *lesson.unused}
    return lesson.warnings, lesson.unused, [text for text in lesson.sentences if text not in others]


def _verdict(count: int) -> str:
    return f"No errors; {counted(count, 'thing')} to check." if count else "No problems."


def _asked(car: VehicleFile) -> list[str]:
    if car.vehicle.cooling.condition != "unknown":
        return []
    said = (
        "is the radiator new or recored, or as old as the car? Set it under [cooling] in vehicle.toml: "
        'condition = {value = "new", source = "..."}, or "original". Until then the mean of the two is used.'
    )
    return textwrap.wrap(said, 80, initial_indent="  question: ", subsequent_indent="    ")


def quiet_traps(car: VehicleFile) -> list[str]:
    """Report owner's values with side effects."""
    own, held, said = car.overridden, car.vehicle, []
    for part in ("oil_cooler", "transmission_cooler", "differential_cooler"):
        kind = getattr(held, part).kind
        if f"{part}.kind" in own and kind != "none" and f"{part}.conductance" not in own:
            said.append(
                f"[{part}] kind is {kind}, but its conductance is still that of the class's cooler; set conductance."
            )
    if "gearbox.lockup_road_speed" in own and held.gearbox.lockup_road_speed_m_per_s == 0.0:
        said.append(
            "[gearbox] lockup_road_speed is 0: the converter then locks as soon as the car moves and makes no heat; "
            "write "
            "the speed at which it locks, or 100 m/s for never."
        )
    wrapped = (textwrap.wrap(text, 80, initial_indent="  check: ", subsequent_indent="    ") for text in said)
    return [line for lines in wrapped for line in lines]


def _worth_having(trip: Trip, legs: Sequence[Leg]) -> list[str]:
    """Ask for profiles where the terrain may hide climbs."""
    from planner.output.gaps import profiles_worth_having

    lines = []
    for number, said in enumerate(profiles_worth_having(trip, legs)):
        text = said if number else f"profiles to add: {said}"
        lines += textwrap.wrap(text, 80, initial_indent="    " if number else "  ", subsequent_indent="      ")
    return lines


def _at_a_glance(trip: Trip, legs: Sequence[Leg]) -> list[str]:
    """One-line summary, in which a missing minus sign or a wrong unit of elevation is obvious."""
    u = units_of(trip.units)
    stops = [trip.places[key] for key in stops_of(legs)]
    low, high = (pick(stops, key=lambda place: place.elevation_m) for pick in (min, max))
    climb_m = sum(_climb_m(trip, leg) for leg in legs)
    said = (
        f"from {stops[0].name} ({_position(stops[0])}) to {stops[-1].name} ({_position(stops[-1])}), "
        f"{u.dist(sum(leg.distance_m for leg in legs)):,.0f} {u.distance}; "
        f"lowest {low.name} {u.height(low.elevation_m):,.0f} {u.elevation}, "
        f"highest {high.name} {u.height(high.elevation_m):,.0f} {u.elevation}, "
        f"climb {u.height(climb_m):,.0f} {u.elevation}"
    )
    lines = textwrap.wrap(
        re.sub(r"(?<=[\d°]) |(?<=° [NS]) ", "\u00a0", said), 80, initial_indent="  ", subsequent_indent="    "
    )
    return [line.replace("\u00a0", " ") for line in lines]


def _climb_m(trip: Trip, leg: Leg) -> float:
    ends = (trip.places[leg.start].elevation_m, trip.places[leg.finish].elevation_m)
    return geo.climb_m(ends if leg.profile is None else leg.profile.elevation_m)


def _position(place: Place) -> str:
    north, east = "N" if place.lat_deg >= 0.0 else "S", "E" if place.lon_deg >= 0.0 else "W"
    return f"{abs(place.lat_deg):.1f}° {north} {abs(place.lon_deg):.1f}° {east}"


def _halves(key: str) -> tuple[str, str]:
    section, _, name = key.partition(".")
    return section, name


def check_dict(
    trip: Trip,
    car: VehicleFile,
    closed: Sequence[str],
    effects: "Sequence[Effect]",
    lesson: Lesson | None = None,
    doubts: Sequence[Doubt] = (),
) -> dict[str, Any]:
    """Return the same as plain data."""
    return {
        "trip": trip.name,
        "places": len(trip.places),
        "legs": len(trip.legs),
        "vehicle": car.vehicle.name,
        "base": car.base,
        "about": car.about,
        "learnt": [] if lesson is None else list(lesson.sentences),
        "warnings": [] if lesson is None else list(lesson.warnings),
        "assumed_of_trip": trip.assumptions,
        "closed": list(closed),
        "network": list(remarks(trip)),
        "doubts": [doubt.as_dict() for doubt in doubts],
        "assumed_of_vehicle": {e.key: [e.text, e.source] for e in car.entries if e.assumed},
        "ranked": [
            picked(e, "key value=text moved_by=step fluid") | picked(e, "margin_k margin_moves_k=moves_k", 3)
            for e in effects
        ],
    }
