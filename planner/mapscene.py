"""The report as a scene for the map: points, stretches, markers, tables, all in display units."""

import numpy as np
import numpy.typing as npt
import pandas as pd

from maps.scene import Day, Marker, Scene, Series, Stretch, Table, Track
from planner.cautions import CAUTIONS
from planner.forecast import local_time, span_of
from planner.margins import FLUID_NAMES, fluids_of
from planner.remedies import DayRemedies
from planner.report import Report, days_table, legs_table, reason, remedy_words, sentence, sunset, then
from thermal.vehicle import FLUIDS

_DASHES = {"coolant": "", "engine_oil": "7 4", "transmission": "2 3", "differential": "10 3 2 3"}
_KIND_OF = {"pass": "grade", "summit": "grade"}
_AIR_DASH = "1 4"


def make_scene(report: Report, *, basemap_sources: tuple[str, ...] = ()) -> Scene:
    """Arrange a report for drawing.

    Parameters
    ----------
    report : Report
        The report. [-]
    basemap_sources : tuple of str
        Credits of the outlines under the route. [-]

    Returns
    -------
    Scene
        Everything on the page.
    """
    outlook, u = report.outlook, report.units
    trip = outlook.trip
    distance = u.dist(sum(leg.distance_m for leg in outlook.legs))
    return Scene(
        title=trip.name,
        lead=f"{outlook.car.vehicle.name}. {distance:,.0f} {u.distance} in {len(outlook.timeline.days)} days.",
        track=_track(report),
        distance_unit=u.distance,
        elevation_unit=u.elevation,
        facts=_facts(report),
        cautions=CAUTIONS,
        stretches=tuple(_stretch(report, leg) for leg in range(len(outlook.legs))),
        markers=_markers(report),
        days=tuple(_day(report, number) for number in range(len(outlook.timeline.days))),
        tables=_tables(report),
        attributions=basemap_sources,
        generated=f"Made by grademargin for {trip.departure:%d %B %Y}; the same inputs give the same page.",
    )


def _facts(report: Report) -> tuple[str, ...]:
    """Say the plan's outcome in a few sentences."""
    notable, trip = report.notable(), report.outlook.trip
    share = round(100 * trip.confidence)
    if not notable:
        return (f"Every fluid keeps an ample margin on every leg at {share} % confidence.",)
    over = sum(m.level == "exceeded" for m in notable)
    head = (
        f"At {share} % confidence {len(notable)} of {len(report.outlook.legs)} legs are not ample, {over} pass a limit."
    )
    return (head, *(f"{_leg_name(report, m.leg)}: {sentence(report, m)}" for m in notable[:6]))


def _leg_name(report: Report, leg: int) -> str:
    """Name a leg by its ends."""
    this, places = report.outlook.legs[leg], report.outlook.trip.places
    return f"{places[this.start].name} to {places[this.finish].name}"


def _track(report: Report) -> Track:
    """Points at every segment's end, parked ones included."""
    outlook, u = report.outlook, report.units
    line = outlook.timeline
    temps = outlook.nominal.temps_k[0]
    first = outlook.trip.places[outlook.legs[0].start]
    hours = _clock(report)

    def column(values: npt.NDArray[np.float64], digits: int) -> tuple[float, ...]:
        return tuple(np.round(np.concatenate(([values[0]], values)), digits).tolist())

    series = [
        Series(
            label=FLUID_NAMES[fluid].capitalize(),
            values=column(u.temp(temps[:, 1 + FLUIDS.index(fluid)]), 1),
            low=column(u.temp(temps[:, 1 + FLUIDS.index(fluid)]), 1),
            high=column(u.temp(outlook.band_k[:, 1 + FLUIDS.index(fluid)]), 1),
            limit=column(u.temp(outlook.nominal.limit_k[:, FLUIDS.index(fluid)]), 1),
            unit=u.temperature,
            dash=_DASHES[fluid],
        )
        for fluid in fluids_of(outlook)
    ]
    series.append(Series(label="Air", values=column(u.temp(line.drive.air_k), 1), unit=u.temperature, dash=_AIR_DASH))
    return Track(
        lat=(first.lat_deg, *np.round(line.lat_deg, 5).tolist()),
        lon=(first.lon_deg, *np.round(line.lon_deg, 5).tolist()),
        distance=(0.0, *np.round(u.dist(line.end_m), 2).tolist()),
        elevation=(round(u.height(first.elevation_m), 1), *np.round(u.height(line.end_elevation_m), 1).tolist()),
        clock=hours,
        group=(0, *line.drive.group.astype(int).tolist()),
        day=(0, *line.drive.day.astype(int).tolist()),
        series=tuple(series),
        group_labels=tuple(_leg_name(report, leg) for leg in range(len(outlook.legs))),
    )


def _clock(report: Report) -> tuple[str, ...]:
    """Wall-clock text of every point: one zone look-up a span, two where the zone changes."""
    outlook, texts = report.outlook, []
    for span in outlook.timeline.spans:
        begin, end = local_time(outlook, span.first), local_time(outlook, span.last)
        changes = begin.utcoffset() != end.utcoffset()
        for i in range(span.first, span.last + 1):
            seconds = float(outlook.timeline.end_s[i])
            here = local_time(outlook, i) if changes else begin.fromtimestamp(seconds, tz=begin.tzinfo)
            texts.append(here.strftime("%a %H:%M"))
    start = local_time(outlook, 0, begin=True).strftime("%a %H:%M")
    return (start, *texts)


def _stretch(report: Report, leg: int) -> Stretch:
    """One leg, coloured by its smallest margin."""
    span, worst = span_of(report.outlook, leg), report.worst(leg)
    lines = [sentence(report, m) for m in report.margins if m.leg == leg]
    if worst.level != "ample":
        lines.append(reason(report, worst))
    return Stretch(
        start=span.first, end=span.last + 1, level=worst.level, title=_leg_name(report, leg), popup="\n".join(lines)
    )


def _markers(report: Report) -> tuple[Marker, ...]:
    """Places on the route, nights, halts."""
    outlook = report.outlook
    night = {s.place: s for s in outlook.timeline.spans if s.kind == "night"}
    halt = {s.place: s for s in outlook.timeline.spans if s.kind in ("halt", "break", "event")}
    fuel = {stop.place for stop in report.fuel.stops}
    order = [outlook.legs[0].start, *(leg.finish for leg in outlook.legs)]
    markers = []
    for position, key in enumerate(order):
        if key in order[:position]:
            continue
        kind = _KIND_OF.get(outlook.trip.places[key].kind, "place")
        kind = "fuel" if key in fuel else kind
        kind = "night" if key in night else "stop" if key in halt and kind != "grade" else kind
        kind = "start" if position == 0 else "finish" if position == len(order) - 1 else kind
        leg = max(position - 1, 0)
        markers.append(_marker(report, key, kind, leg))
    return tuple(markers)


def _marker(report: Report, key: str, kind: str, leg: int) -> Marker:
    """One place with what to know on arriving."""
    outlook, u = report.outlook, report.units
    place, span = outlook.trip.places[key], span_of(outlook, leg)
    temps = outlook.nominal.temps_k[0]
    lines = [f"{u.height(place.elevation_m):,.0f} {u.elevation}."]
    if kind != "start":
        arrive = local_time(outlook, span.last)
        reads = ", ".join(
            f"{FLUID_NAMES[f]} {u.temp(float(temps[span.last, 1 + FLUIDS.index(f)])):.0f}" for f in fluids_of(outlook)
        )
        lines.append(f"Arrive {arrive:%a %H:%M}. Gauges should read about ({u.temperature}): {reads}.")
    pause = then(report, leg) if kind != "start" else ""
    if pause:
        lines.append(f"Here: {pause}.")
    if kind == "night":
        lines.append(f"Night {span.day + 1}.")
    if place.services:
        lines.append("Services: " + ", ".join(sorted(place.services)) + ".")
    if place.note:
        lines.append(place.note)
    return Marker(
        lat=place.lat_deg, lon=place.lon_deg, label=place.name, kind=kind, text="\n".join(lines), day=span.day
    )


def _tables(report: Report) -> tuple[Table, ...]:
    """Make the whole trip's tables: days, what is assumed."""
    days = _as_table("The days", days_table(report))
    assumed = [e for e in report.outlook.car.entries if e.assumed]
    notes = report.outlook.trip.assumptions
    rows = tuple((e.key, e.text, e.source.removeprefix("ASSUMED:").strip()) for e in assumed)
    more = "Of the trip: " + " ".join(notes) if notes else ""
    roads = tuple((choice,) for choice in report.choices)
    other = (Table(title="Other roads", headings=("the road not taken",), rows=roads),) if roads else ()
    return (
        days,
        _fuel(report),
        *other,
        Table(title="Assumed of the car", headings=("value", "as", "because"), rows=rows, note=more),
    )


def _fuel(report: Report) -> Table:
    """Where to refuel."""
    outlook, u = report.outlook, report.units
    rows = tuple(
        (
            local_time(outlook, span_of(outlook, stop.leg).last).strftime("%a %H:%M"),
            outlook.trip.places[stop.place].name,
            f"{stop.litres / u.litres:.0f}",
            f"{stop.left_l / u.litres:.0f}",
            "next fuel is far" if stop.tight else "",
        )
        for stop in report.fuel.stops
    )
    tank = outlook.car.vehicle.tank
    note = (
        f"{report.fuel.total_l / u.litres:.0f} {u.fuel} in all, from the engine model: load, climb and heat included. "
        f"Starting full, never planning on the last {100 * tank.reserve:.0f} %. " + " ".join(report.fuel.gaps)
    )
    return Table(
        title="Fuel", headings=("when", "where", f"take {u.fuel}", f"left {u.fuel}", "note"), rows=rows, note=note
    )


def _day(report: Report, number: int) -> Day:
    """One day's sheet: legs with times, expected readings, margins."""
    outlook, u = report.outlook, report.units
    frame = legs_table(report)
    frame = frame[frame["day"] == number + 1]
    row = days_table(report).iloc[number]
    columns: dict[str, object] = {
        "leg": frame["from"] + " to " + frame["to"],
        "depart": frame["depart"].str[-5:],
        "arrive": frame["arrive"].str[-5:],
        u.distance: frame[f"distance [{u.distance}]"].map("{:.0f}".format),
        f"climb {u.elevation}": frame[f"climb [{u.elevation}]"].map("{:,.0f}".format),
        f"air {u.temperature}": frame[f"air [{u.temperature}]"].map("{:.0f}".format),
    }
    for fluid in fluids_of(outlook):
        name = FLUID_NAMES[fluid]
        columns[f"{name} {u.temperature}"] = frame[f"{name} peak [{u.temperature}]"].map("{:.0f}".format)
    columns["smallest margin"] = [
        f"{u.diff(m.margin_k):.0f} {u.temperature}, {FLUID_NAMES[m.fluid]}: {m.level}"
        for m in (report.worst(leg - 1) for leg in frame["leg"])
    ]
    thin = [m for m in report.notable() if m.leg + 1 in set(frame["leg"])]
    lines = [f"{_leg_name(report, m.leg)}. {sentence(report, m)} {reason(report, m)}" for m in thin]
    hours = (
        f"{row['depart']} to {row['arrive']}, {row['driving [h]']} h of driving; sunset at {row['to']} "
        f"{sunset(outlook, number)}."
    )
    lines = [*(said for said in report.clocks if said.startswith(str(row["date"]))), *lines]
    columns["then"] = list(frame["then"])
    table = _as_table("Legs and the hottest reading to expect on each", pd.DataFrame(columns))
    helps = tuple(_helps(report, day) for day in report.remedies if day.day == number)
    return Day(
        title=f"Day {number + 1}, {row['date']}: {row['from']} to {row['to']}",
        summary="\n".join([hours, *lines]),
        tables=(table, *helps),
    )


def _helps(report: Report, day: DayRemedies) -> Table:
    """Choices of one day, those that suffice first."""
    rows = tuple(("yes" if remedy.works else "no", *remedy_words(report, remedy)) for remedy in day.choices)
    note = (
        f"Suffices: every fluid stays under a {100 * report.outlook.trip.risk:.0f} % chance of passing its limit that "
        "day. Each line was driven through the whole model, the rest of the day included."
    )
    title = f"What helps the {FLUID_NAMES[day.fluid]}"
    return Table(title=title, headings=("suffices", "what", "min lost", "margin", "chance"), rows=rows, note=note)


def _as_table(title: str, frame: pd.DataFrame) -> Table:
    """Turn a data frame into a table of text."""
    data = frame
    rows = tuple(tuple(str(value) for value in row) for row in data.itertuples(index=False))
    return Table(title=title, headings=tuple(map(str, data.columns)), rows=rows)


def bounds(report: Report) -> tuple[float, float, float, float]:
    """Smallest box round the route.

    Parameters
    ----------
    report : Report
        The report. [-]

    Returns
    -------
    tuple of float
        South, west, north, east. [deg]
    """
    line, first = report.outlook.timeline, report.outlook.trip.places[report.outlook.legs[0].start]
    lats, lons = np.append(line.lat_deg, first.lat_deg), np.append(line.lon_deg, first.lon_deg)
    return float(lats.min()), float(lons.min()), float(lats.max()), float(lons.max())
