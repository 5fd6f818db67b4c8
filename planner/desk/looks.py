"""Contents of the page as plain data in display units; wording is that of the other outputs."""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from maps import basemap
from maps.thinning import line_indices
from planner.analysis.margins import Margin, fluids_of
from planner.analysis.quick import QuickMargin
from planner.analysis.weighed import doubt_lines
from planner.desk.actions import ON_A_LEG, leg_table, planned_nights, stops_of
from planner.desk.applied import can_apply
from planner.desk.folder import TripFolder
from planner.files.workbook import FILE as WORKBOOK
from planner.model import clock
from planner.model.display import Units, counted, units_of
from planner.model.levels import LEVELS, severity
from planner.model.paths import data_folder
from planner.model.trip import passing_of
from planner.output.cautions import CAUTIONS
from planner.output.marks import hot_spots, hot_words, nothing_helps
from planner.output.outcome import headline, unknown_words
from planner.output.report import Report, reason, remedy_words, sentence
from planner.route.timeline import Route, Span
from thermal.fluids import fluid_of
from thermal.ranges import FloatArray as Floats

if TYPE_CHECKING:
    from planner.desk.core import Desk

LINE_BOUND_DEG, PROFILE_POINTS = 0.002, 700
_MOST_SPOTS = 12
Shown = Margin | QuickMargin


def overview(desk: "Desk") -> dict[str, Any]:
    """Everything that an edit may change."""
    report, route = desk.report, desk.route
    data: dict[str, Any] = {
        "revision": desk.revision,
        "words": desk.words,
        "stage": desk.stage,
        "doing": desk.doing,
        "folder": desk.folder.path.resolve().name,
        "problems": list(desk.problems),
        "undo": desk.folder.undo[-1].words if desk.folder.undo else "",
        "redo": desk.folder.redo[-1].words if desk.folder.redo else "",
        "cautions": list(CAUTIONS),
        "levels": {level.word: level.legend for level in LEVELS},
    }
    if route is None:
        return data
    u = units_of(route.trip.units)
    held, (cells, speed_unit) = desk.report or desk.quick, _written(desk.folder, route)
    shown: Sequence[Shown] = () if held is None else held.margins
    waiting = "" if shown else f"{counted(len(route.legs), 'leg')}; the forecast is being computed."
    data |= {
        "title": route.trip.name,
        "units": {"distance": u.distance, "elevation": u.elevation, "temperature": u.temperature, "speed": u.speed},
        "departure": f"{route.trip.departure:%Y-%m-%dT%H:%M}",
        "headline": waiting if report is None else headline(report),
        "speed_unit": speed_unit or u.speed,
        "editable": bool(cells),
        "legs": list(_legs(route, u, shown, cells)),
        "days": list(_days(route, u, shown)),
        "stops": list(_stops(route, u)),
        "geometry": geometry_key(route),
        "spots": [] if report is None else list(_spots(report)),
        "remedies": [] if report is None else [_remedies(report, number) for number in range(len(report.remedies))],
        "assumed": [*route.closed, *route.trip.assumptions],
        "learnt": [] if report is None else list(report.learnt),
        "doubts": [] if report is None else list(doubt_lines(report.weighty)),
    }
    return data


def _thin(u: Units, worst: Shown | None) -> dict[str, Any]:
    """Level, fluid and margin of the worst one."""
    if worst is None:
        return {"level": "", "fluid": "", "margin": None}
    margin = round(float(u.diff(worst.margin_k)), 1)
    return {"level": worst.level, "fluid": fluid_of(worst.fluid).label, "margin": margin}


def _worst(margins: Sequence[Shown]) -> Shown | None:
    """The gravest margin, like `margins.gravest` but without what only the full forecast has."""
    return min(margins, key=lambda m: (-severity(m.level), m.margin_k)) if margins else None


def _legs(
    route: Route, u: Units, shown: Sequence[Shown], cells: Mapping[int, dict[str, str]]
) -> Iterator[dict[str, Any]]:
    line, places = route.timeline, route.trip.places
    by_leg: dict[int, list[Shown]] = {}
    for margin in shown:
        by_leg.setdefault(margin.leg, []).append(margin)
    for span in (span for span in line.spans if span.on_road):
        leg = route.legs[span.leg]
        own = by_leg.get(span.leg, [])
        yield _thin(u, _worst(own)) | {
            "leg": span.leg,
            "row": leg.row,
            "day": span.day,
            "from": places[leg.start].name,
            "to": places[leg.finish].name,
            "road": leg.road,
            "carried": leg.carried,
            "distance": round(float(u.dist(leg.distance_m)), 1),
            "speed": round(float(u.pace(leg.speed_m_per_s)), 1),
            "slowed": bool(line.slowed[span.rows].any()),
            "depart": f"{_local(route, span, begin=True):%H:%M}",
            "arrive": f"{_local(route, span):%H:%M}",
            "air": round(float(u.temp(float(line.drive.air_k[span.rows].max())))),
            "margins": [[fluid_of(m.fluid).label, round(float(u.diff(m.margin_k)), 1), m.level] for m in own],
            "cells": cells.get(leg.row),
        }


def _written(folder: TripFolder, route: Route) -> tuple[dict[int, dict[str, str]], str]:
    """Editable cells of the legs as typed, by row; and the unit of the speeds."""
    if WORKBOOK in folder.held:
        return {}, ""
    table = leg_table(folder, route.trip)
    cells = {row.number: {name: row.cell(name) for name in ON_A_LEG} for row in table.rows}
    return cells, table.headings["speed"].unit


def _local(route: Route, span: Span, *, begin: bool = False) -> Any:
    line, at = route.timeline, span.first if begin else span.last
    seconds = line.begin_s[at] if begin else line.end_s[at]
    return clock.local(float(seconds), float(line.lat_deg[at]), float(line.lon_deg[at]))


def _days(route: Route, u: Units, shown: Sequence[Shown]) -> Iterator[dict[str, Any]]:
    line, places = route.timeline, route.trip.places
    spans = {span.leg: span for span in line.spans if span.on_road}
    for number, day in enumerate(line.days):
        legs = route.legs[day.first : day.last + 1]
        begin = _local(route, spans[day.first], begin=True)
        yield _thin(u, _worst([m for m in shown if day.first <= m.leg <= day.last])) | {
            "day": number,
            "date": f"{begin:%a %d %b}",
            "from": places[legs[0].start].name,
            "to": places[legs[-1].finish].name,
            "depart": f"{begin:%H:%M}",
            "arrive": f"{_local(route, spans[day.last]):%H:%M}",
            "distance": round(float(u.dist(sum(leg.distance_m for leg in legs)))),
            "driving": round(day.driving_s / 3600.0, 1),
            "first": day.first,
            "last": day.last,
        }


def _stops(route: Route, u: Units) -> Iterator[dict[str, Any]]:
    """Every stop in driving order from the start, with its night or halt."""
    nights, far = set(planned_nights(route)), 0.0
    pauses = {
        leg: (seconds, kind) for day in route.timeline.days for leg, seconds, kind in day.pauses if kind != "cool"
    }
    for at, (key, passing) in enumerate(map(passing_of, stops_of(route))):
        place = route.trip.places[key]
        far += route.legs[at - 1].distance_m if at else 0.0
        seconds, kind = pauses.get(at - 1, (0.0, ""))
        halt = any(one.place == key and one.passing in (0, passing) for one in route.trip.halts)
        yield {
            "stop": at,
            "name": place.name,
            "lat": place.lat_deg,
            "lon": place.lon_deg,
            "kind": place.kind,
            "services": sorted(place.services),
            "far": round(float(u.dist(far)), 1),
            "night": at in nights,
            "halt": round(seconds / 60.0) if halt and seconds else 0,
            "break": round(seconds / 60.0) if kind == "break" else 0,
        }


def _spots(report: Report) -> Iterator[dict[str, Any]]:
    """Thin places, the smallest margin first; then unknown ones."""
    for margin in sorted(hot_spots(report), key=lambda m: m.margin_k)[:_MOST_SPOTS]:
        said = f"{sentence(report, margin)} {reason(report, margin)}"
        yield {"leg": margin.leg, "level": margin.level, "words": hot_words(report, margin), "more": said}
    for margin in sorted(report.unknown(), key=lambda m: m.least_k):
        places, leg = report.outlook.trip.places, report.outlook.legs[margin.leg]
        ends = f"{places[leg.start].name} to {places[leg.finish].name}"
        words = f"{ends}: {unknown_words(report, margin.leg)}"
        yield {"leg": margin.leg, "level": margin.level, "words": words, "more": ""}


def _remedies(report: Report, number: int) -> dict[str, Any]:
    day = report.remedies[number]
    names = ("words", "minutes", "margin", "chance")
    return {
        "number": number,
        "day": day.day,
        "leg": day.leg,
        "fluid": fluid_of(day.fluid).label,
        "choices": [
            {"choice": place, "suffices": remedy.works, "can": can_apply(remedy)}
            | dict(zip(names, remedy_words(report, remedy), strict=True))
            for place, remedy in enumerate(day.choices)
            if not remedy.futile
        ],
        "none": "" if day.working else nothing_helps(report, day),
    }


# --- the ground, which stays when only the car or the clock changes ---


def geometry_key(route: Route) -> str:
    """Key of the route, from its legs and their lengths."""
    said = "/".join(f"{leg.start}>{leg.finish}:{leg.distance_m:.0f}:{leg.road}" for leg in route.legs)
    return hashlib.sha256(f"{said}|{route.trip.units}".encode()).hexdigest()[:16]


def geometry(route: Route) -> dict[str, Any]:
    """Lines of the legs for the map, and the profile along the road."""
    line, u = route.timeline, units_of(route.trip.units)
    first = route.trip.places[route.legs[0].start]
    at = np.array([[first.lon_deg, first.lat_deg]])
    legs, far, high = [], [0.0], [float(u.height(first.elevation_m))]
    for span in (span for span in line.spans if span.on_road):
        points = np.vstack((at, np.column_stack([line.lon_deg[span.rows], line.lat_deg[span.rows]])))
        kept = points[line_indices(points, LINE_BOUND_DEG)]
        legs.append([[round(float(lat), 5), round(float(lon), 5)] for lon, lat in kept])
        at = points[-1:]
        far += [float(x) for x in u.dist(line.end_m[span.rows])]
        high += [float(x) for x in u.height(line.end_elevation_m[span.rows])]
    rows = _sampled(len(far))
    return {
        "key": geometry_key(route),
        "legs": legs,
        "profile": [[round(far[i], 2), round(high[i])] for i in rows],
    }


def ground(route: Route) -> dict[str, Any]:
    """Outlines under the route, land, lakes, borders and states, with their sources."""
    line = route.timeline
    places = [route.trip.places[key] for leg in route.legs for key in (leg.start, leg.finish)]
    lat = np.append(line.lat_deg, [place.lat_deg for place in places])
    lon = np.append(line.lon_deg, [place.lon_deg for place in places])
    bounds = float(lat.min()), float(lon.min()), float(lat.max()), float(lon.max())
    base = basemap.load(data_folder() / "basemap", bounds, np.column_stack([line.lon_deg, line.lat_deg]))
    drawn = {name: [_points(one) for one in getattr(base, name)] for name in ("land", "lakes", "borders", "states")}
    return {"key": geometry_key(route), "box": list(base.box), "sources": list(base.sources), **drawn}


def _points(line: Floats) -> list[list[float]]:
    """A line as pairs of latitude and longitude."""
    return [[round(float(lat), 3), round(float(lon), 3)] for lon, lat in line]


def _sampled(count: int) -> list[int]:
    """Evenly spaced rows of a long profile."""
    return sorted({round(x) for x in np.linspace(0, count - 1, min(count, PROFILE_POINTS))})


def lines(report: Report) -> dict[str, Any]:
    """Temperatures along the road for every fluid: expected, upper at the confidence, limit."""
    outlook, u = report.outlook, report.units
    line = outlook.timeline
    road = np.flatnonzero(line.on_road)
    rows = road[_sampled(len(road))]
    found = []
    for key in fluids_of(outlook):
        fluid = fluid_of(key)
        expected, upper = outlook.nominal.temps_k[0, rows, fluid.node], outlook.band_k[rows, fluid.node]
        limit = outlook.nominal.limit_k[rows, fluid.index]
        columns = {"expected": expected, "upper": upper, "limit": limit}
        temps = {name: [round(float(x), 1) for x in u.temp(held)] for name, held in columns.items()}
        found.append({"label": fluid.label} | temps)
    return {"far": [round(float(x), 2) for x in u.dist(line.end_m[rows])], "fluids": found}
