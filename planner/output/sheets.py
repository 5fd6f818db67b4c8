"""Tables of the trip and the sheet of each day, as text in display units."""

import numpy as np
import numpy.typing as npt

from maps.scene import Day, Table
from planner.analysis.alarms import Reference, trip_card
from planner.analysis.fuel import gap_words
from planner.analysis.margins import fluids_of
from planner.analysis.other_roads import sentence as road_sentence
from planner.analysis.remedies import DayRemedies
from planner.forecast.run import day_ends, leg_name, local_time, span_of
from planner.model import clock
from planner.output.alarms import HEADINGS, alarm_rows, caution_lines, pressure_rows
from planner.output.marks import advice, hot_spots
from planner.output.report import Report, clock_words, day_rows, leg_rows, reason, remedy_words, then, whole_sentence
from thermal.fluids import fluid_of

Floats = npt.NDArray[np.float64]
_MOST_CHOICES, _MOST_NAMED = 6, 2


def trip_tables(report: Report) -> tuple[Table, ...]:
    """Tables for the first sheet: alarm card, days, fuel, service."""
    made = (_alarm_card(report), _days(report), _fuel(report), _service(report))
    return tuple(table for table in made if table.rows)


def appendix(report: Report) -> tuple[Table, ...]:
    """Tables to look up: other roads, things to carry, what is assumed."""
    roads = tuple((road_sentence(report.outlook, choice),) for choice in report.choices)
    carry = tuple((item,) for item in report.service.carry)
    assumed = [e for e in report.outlook.car.entries if e.assumed]
    rows = tuple((e.key, e.text, e.source.removeprefix("ASSUMED:").strip()) for e in assumed)
    notes = report.outlook.trip.assumptions
    made = (
        Table(title="Other roads", headings=("the road not taken",), rows=roads),
        Table(title="To carry", headings=("common practice",), rows=carry),
        Table(
            title="Assumed of the car",
            headings=("value", "as", "because"),
            rows=rows,
            note="Of the trip: " + " ".join(notes) if notes else "",
        ),
    )
    return tuple(table for table in made if table.rows or table.note)


def _alarm_card(report: Report) -> Table:
    """Where each gauge belongs, and where its alarm; oil pressures too."""
    card = trip_card(report.outlook)
    return Table(
        title=f"Alarm card, {report.units.temperature}",
        headings=HEADINGS,
        rows=tuple(alarm_rows(report.outlook, card)),
        note="Not warm below: do not load the car yet. Low: once driven half an hour, look for a stuck thermostat or a "
        "wrong sender; or too little pressure. Expected: nine tenths of the "
        "driving once warm, cars and days as uncertain as they are. Caution: ease off. Limit: stop as soon as "
        f"it is safe; the coolant's is that of the highest road. {' '.join(caution_lines(report.outlook, card))} "
        f"Pressures: {Reference().words}.",
    )


def _days(report: Report) -> Table:
    """One row a day, narrow enough for a phone."""
    u = report.units
    rows = tuple(
        (
            str(row.day + 1),
            f"{row.depart:%a %d %b}",
            f"{row.start.name} to {row.finish.name}",
            f"{row.depart:%H:%M} to {row.arrive:%H:%M}",
            f"{u.dist(row.distance_m):.0f}",
            f"{round(u.height(row.climb_m), -1):,.0f}",
            f"{u.temp(row.air_k):.0f}",
            f"{u.diff(row.worst.margin_k):.0f}, {fluid_of(row.worst.fluid).label}: {row.worst.level}",
        )
        for row in day_rows(report)
    )
    headings = ("day", "date", "way", "hours", u.distance, f"climb {u.elevation}", f"air {u.temperature}")
    return Table(title="The days", headings=(*headings, f"smallest margin {u.temperature}"), rows=rows)


def _fuel(report: Report) -> Table:
    """Where to refuel."""
    outlook, u = report.outlook, report.units
    rows = tuple(
        (
            local_time(outlook, span_of(outlook, stop.leg).last).strftime("%a %H:%M"),
            outlook.trip.places[stop.place].name,
            f"{stop.litres / u.litres:.0f}",
            f"{stop.left_l / u.litres:.0f}" + (", next fuel is far" if stop.tight else ""),
        )
        for stop in report.fuel.stops
    )
    tank = outlook.car.vehicle.tank
    note = (
        f"{report.fuel.total_l / u.litres:.0f} {u.fuel} in all, from the engine model: load, climb and heat included. "
        f"Starting full, never planning on the last {100 * tank.reserve:.0f} %. "
        + " ".join(gap_words(outlook, gap) for gap in report.fuel.gaps)
    )
    return Table(title="Fuel", headings=("when", "where", f"take {u.fuel}", f"left {u.fuel}"), rows=rows, note=note)


def _service(report: Report) -> Table:
    """What falls due on the way."""
    outlook, u = report.outlook, report.units
    rows = tuple(
        (
            local_time(outlook, span_of(outlook, job.leg).last).strftime("%a %H:%M"),
            outlook.trip.places[job.place].name,
            job.item,
            f"{u.dist(job.at_m):,.0f}",
        )
        for job in report.service.due
    )
    note = "Intervals of common practice, all taken as done before the start." if report.service.assumed else ""
    return Table(title="Service", headings=("when", "where", "what", f"due at {u.distance}"), rows=rows, note=note)


def day_sheet(report: Report, number: int) -> Day:
    """One day: hours, daylight, legs with expected readings, alarms, what helps."""
    row = day_rows(report)[number]
    day = report.outlook.timeline.days[number]
    thin = [m for m in hot_spots(report) if day.first <= m.leg <= day.last]
    lines = [
        _hours(report, number),
        *(clock_words(report, one) for one in report.clocks if day.first <= one.leg <= day.last),
    ]
    lines += [f"{whole_sentence(report, m)} {reason(report, m)}" for m in thin]
    helps = tuple(_helps(report, one) for one in report.remedies if one.day == number)
    return Day(
        title=f"Day {number + 1}, {row.depart:%a %d %b}: {row.start.name} to {row.finish.name}",
        summary="\n".join(lines),
        tables=(_legs(report, number), _alarms(report, number), *helps),
        advice=advice(report, number) or ("Nothing special: every fluid keeps an ample margin today.",),
    )


def _hours(report: Report, number: int) -> str:
    """Hours of driving and of daylight."""
    outlook, row = report.outlook, day_rows(report)[number]
    day, (first, last) = outlook.timeline.days[number], day_ends(outlook, number)
    begin = clock.local(day.start_s, first.lat_deg, first.lon_deg)
    end = clock.local(day.end_s, last.lat_deg, last.lon_deg)
    risen = clock.sun_times_utc(first.lat_deg, first.lon_deg, begin.date())[0].astimezone(begin.tzinfo)
    set_at = clock.sun_times_utc(last.lat_deg, last.lon_deg, end.date())[1].astimezone(end.tzinfo)
    u = report.units
    return (
        f"{row.depart:%H:%M} to {row.arrive:%H:%M}, {row.driving_s / 3600.0:.1f} h of driving, "
        f"{u.dist(row.distance_m):.0f} {u.distance}, {round(u.height(row.climb_m), -1):,.0f} {u.elevation} of "
        f"climb. Sunrise {risen:%H:%M} at {first.name}, sunset {set_at:%H:%M} at {last.name}."
    )


def _legs(report: Report, number: int) -> Table:
    """Legs of one day with times, climb and the hottest reading expected of every gauge."""
    outlook, u, names = report.outlook, report.units, [fluid_of(key).short for key in fluids_of(report.outlook)]
    rows = tuple(
        (
            leg_name(outlook, row.leg),
            f"{row.depart:%H:%M}",
            f"{row.arrive:%H:%M}",
            f"{u.dist(row.distance_m):.0f}",
            f"{u.height(row.climb_m):,.0f}",
            f"{u.temp(row.air_k):.0f}",
            *(f"{u.temp(margin.peak_k):.0f}" for margin in row.margins),
            f"{u.diff(row.worst.margin_k):.0f} {fluid_of(row.worst.fluid).short}"
            + ("" if row.worst.level == "ample" else f", {row.worst.level}"),
            then(report, row.leg),
        )
        for row in leg_rows(report)
        if row.day == number
    )
    headings = ("leg", "from", "to", u.distance, f"up {u.elevation}", "air", *names, "margin", "then")
    share = round(100 * outlook.trip.confidence)
    note = (
        f"Air and gauges: hottest to expect on the leg, {u.temperature}. Margin: smallest of the leg at {share} % "
        "confidence, and whose."
    )
    return Table(title="Legs", headings=headings, rows=rows, note=note)


def _alarms(report: Report, number: int) -> Table:
    """Highest reading of every gauge that day, beside its alarm marks."""
    outlook, u = report.outlook, report.units
    day, card = outlook.timeline.days[number], trip_card(outlook, day=number)
    part = slice(span_of(outlook, day.first).first, span_of(outlook, day.last).last + 1)
    rows = []
    for alarm in card.fluids:
        of_day = (m for m in report.margins if m.fluid == alarm.fluid and day.first <= m.leg <= day.last)
        peak = max(of_day, key=lambda m: m.peak_k)
        rows.append(
            (
                fluid_of(alarm.fluid).label,
                f"{u.temp(peak.peak_k):.0f}",
                f"{peak.when:%H:%M} near {peak.near}",
                f"{u.temp(float(outlook.band_k[part, fluid_of(alarm.fluid).node].max())):.0f}",
                f"{u.temp(alarm.marks.caution_k):.0f}",
                f"{u.temp(alarm.limit_k):.0f}",
            )
        )
    share = round(100 * outlook.trip.confidence)
    headings = ("gauge", "hottest", "when", f"at {share} %", "caution", "limit")
    pressures = [f"{name} {expected}, alarm {low}" for name, _, low, expected, *_ in pressure_rows(outlook, card)]
    note = f"{'; '.join(pressures).capitalize()}."
    return Table(title=f"Alarms today, {u.temperature}", headings=headings, rows=tuple(rows), note=note)


def _helps(report: Report, day: DayRemedies) -> Table:
    """Choices of one day, those that suffice first, then those that gain most; the rest is named in the note."""
    helpful = [remedy for remedy in day.choices if not remedy.futile]
    shown = helpful[:_MOST_CHOICES]
    rows = tuple(("yes" if remedy.works else "no", *remedy_words(report, remedy)) for remedy in shown)
    rest = [remedy.words for remedy in helpful[_MOST_CHOICES:] if not remedy.works]
    futile = [remedy.words for remedy in day.choices if remedy.futile]
    note = (
        f"Suffices: every fluid stays under a {100 * report.outlook.trip.risk:.0f} % chance of passing its limit that "
        "day. Each was driven through the whole model, the rest of the day included."
    )
    for lead, names in (("Does not suffice", rest), ("Does next to nothing", futile)):
        more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
        note += f" {lead}: {'; '.join(names[:_MOST_NAMED])}{more}." if names else ""
    title = f"What helps the {fluid_of(day.fluid).label}"
    return Table(title=title, headings=("suffices", "what", "min lost", "margin", "chance"), rows=rows, note=note)
