"""Summary of a drafted trip."""

from typing import Any

import numpy as np

from planner.model.display import counted, units_of
from planner.model.geo import climb_m
from planner.newtrip.draft import Draft


def draft_lines(draft: Draft) -> list[str]:
    """Terminal lines: summary, grades, assumptions."""
    units = units_of(draft.units)
    first, last = draft.places[0], next(p for p in draft.places if p.key == draft.route[-1])
    length = f"{units.dist(draft.track.length_m):,.0f} {units.distance}"
    size = f"{counted(len(draft.legs), 'leg')}, {counted(len(draft.places), 'place')}"
    climb = f"{units.height(climb_m(draft.track.elevation_m)):,.0f} {units.elevation}"
    where = " where elevations are known" if draft.track.unknown else ""
    rising = f"climb {climb}{where}" if np.isfinite(draft.track.elevation_m).any() else "climb not known"
    lines = [f"{first.name} to {last.name}: {length}, {size}, {rising}"]
    steep = sorted((leg for leg in draft.legs if leg.note.startswith("up")), key=lambda leg: -leg.rise_m)
    names = {place.key: place.name for place in draft.places}
    for leg in steep[:5]:
        distance = f"{units.dist(leg.distance_m):,.0f} {units.distance}"
        lines.append(f"  {leg.note} for {distance}: {names[leg.start]} to {names[leg.finish]}")
    return lines + [f"  assumed: {text}" for text in draft.assumed]


def draft_dict(draft: Draft) -> dict[str, Any]:
    """The same as plain data, in SI."""
    return {
        "distance_m": draft.track.length_m,
        "places": len(draft.places),
        "legs": len(draft.legs),
        "unknown_legs": sum(not leg.known for leg in draft.legs),
        "assumed": list(draft.assumed),
    }
