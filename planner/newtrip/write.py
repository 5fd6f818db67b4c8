"""The files of a drafted trip, as text."""

import csv
import io
import json
from collections.abc import Mapping, Sequence
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from planner.files.gpx import CREATOR
from planner.files.tracks import GpxTrack
from planner.model.display import units_of
from planner.newtrip.draft import Draft, DraftLeg

ROAD = "route.gpx"
HOURS_S = 3600.0


def files_of(draft: Draft, *, base: str, driving: str) -> Mapping[str, str]:
    """Text of every file of the folder by its name."""
    files = {
        "trip.toml": _trip(draft, driving),
        "vehicle.toml": f"base = {json.dumps(base)}\n",
        "places.csv": _places(draft),
        "legs.csv": _legs(draft),
    }
    for leg in draft.legs:
        if leg.longer is not None:
            files[_profile_file(leg)] = _profile(leg.longer)
    if any(leg.known for leg in draft.legs):
        files[ROAD] = road_gpx(draft.track, draft.name)
    return files


def _trip(draft: Draft, driving: str) -> str:
    lines = [
        f"name = {_text(draft.name)}",
        f'units = "{draft.units}"',
        f'departure = "{draft.departure:%Y-%m-%d %H:%M}"',
        "speeds = 1.0  # factor on every speed in legs.csv",
        "# assumptions; delete those you have checked",
        *("assumed = [", *(f"  {_text(text)}," for text in draft.assumed), "]"),
        *("route = [", *(f'  "{key}",' for key in draft.route), "]"),
        *("", "[day]", f"driving = {_text(driving)}"),
    ]
    if draft.longest_s > HOURS_S * float(driving.split()[0]):
        lines += ["# a stretch without lodging is longer than a day's driving, so days may end anywhere"]
        lines += ["lodging_only = false"]
    return "\n".join(lines) + "\n"


def _text(value: str) -> str:
    """A TOML string."""
    return json.dumps(value, ensure_ascii=False)


def _table(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Rows as CSV, without empty columns."""
    used = [n for n in range(len(headings)) if any(row[n] for row in rows)]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows([row[n] for n in used] for row in (headings, *rows))
    return text.getvalue()


def _places(draft: Draft) -> str:
    units = units_of(draft.units)
    degree = "degF" if draft.units == "us" else "degC"

    def temperature(kelvin: float | None) -> str:
        return "" if kelvin is None else f"{units.temp(kelvin):.0f}"

    rows = [
        (
            place.key,
            place.name,
            f"{place.lat_deg:.5f}",
            f"{place.lon_deg:.5f}",
            f"{units.height(place.elevation_m):.0f}",
            place.kind,
            place.services,
            temperature(place.high_k),
            temperature(place.low_k),
            place.note,
        )
        for place in draft.places
    ]
    measured = (f"elevation [{units.elevation}]", "kind", "services", f"high [{degree}]", f"low [{degree}]")
    return _table(("place", "name", "lat", "lon", *measured, "note"), rows)


def _legs(draft: Draft) -> str:
    units = units_of(draft.units)
    rows = [
        (
            leg.start,
            leg.finish,
            f"{units.dist(leg.distance_m):.2f}",
            f"{units.pace(leg.speed_m_per_s):.0f}",
            "" if not leg.known else ROAD if leg.longer is None else _profile_file(leg),
            leg.note,
        )
        for leg in draft.legs
    ]
    return _table(("from", "to", f"distance [{units.distance}]", f"speed [{units.speed}]", "profile", "note"), rows)


def _profile_file(leg: DraftLeg) -> str:
    return f"profiles/{leg.start}--{leg.finish}.csv"


def _profile(part: GpxTrack) -> str:
    """Distances and heights of a stretch as CSV."""
    rows = [f"{d / 1e3:.4f},{h:.1f}" for d, h in zip(part.distance_m, part.elevation_m, strict=True)]
    return "\n".join(["distance [km],elevation [m]", *rows]) + "\n"


def road_gpx(track: GpxTrack, name: str) -> str:
    """The road as a GPX 1.1 track, without unknown elevations."""
    lines = ['<?xml version="1.0" encoding="UTF-8"?>']
    space = "http://www.topografix.com/GPX/1/1"
    lines.append(f'<gpx version="1.1" creator={quoteattr(CREATOR)} xmlns="{space}">')
    lines.append(f"<trk><name>{escape(name)}</name><trkseg>")
    for n in range(len(track.distance_m)):
        height = track.elevation_m[n]
        ele = f"<ele>{height:.1f}</ele>" if np.isfinite(height) else ""
        lines.append(f'<trkpt lat="{track.lat_deg[n]:.6f}" lon="{track.lon_deg[n]:.6f}">{ele}</trkpt>')
    return "\n".join([*lines, "</trkseg></trk></gpx>"]) + "\n"
