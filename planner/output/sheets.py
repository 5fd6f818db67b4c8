"""Tables of the trip and the day sheets, as text in display units."""

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from maps.scene import Advice, Day, Table, Way
from planner.analysis.alarm_words import HEADINGS, caution_lines
from planner.analysis.alarms import Card, Reference
from planner.analysis.fuel import gap_words
from planner.analysis.margins import Margin, fluids_of
from planner.analysis.other_roads import sentence as road_sentence
from planner.analysis.remedies import DayRemedies, Remedy
from planner.forecast.run import day_ends, leg_name, local_time, span_of
from planner.model import clock
from planner.model.levels import AMPLE, UNKNOWN
from planner.output.alarms import alarm_rows
from planner.output.marks import advice_on, hot_spots
from planner.output.outcome import unknown_words
from planner.output.report import Report, clock_words, day_rows, leg_rows, reason, remedy_words, then, whole_sentence
from planner.output.times import told, zone_of, zones
from planner.route.graph import stops_of
from thermal.fluids import fluid_of

Floats = npt.NDArray[np.float64]
_MOST_CHOICES, _MOST_NAMED, _MOST_CLOSEST = 6, 2, 2


def trip_tables(report: Report) -> tuple[Table, ...]:
    """Tables of the whole trip: days, fuel, service."""
    made = (_days(report), _fuel(report), _service(report))
    return tuple(table for table in made if table.rows)


def appendix(report: Report) -> tuple[Table, ...]:
    """Reference tables: other roads, things to carry, assumptions."""
    roads = tuple((road_sentence(report.outlook, choice),) for choice in report.choices)
    carry = tuple((item,) for item in report.service.carry)
    assumed = [e for e in report.outlook.car.entries if e.assumed]
    rows = tuple((e.key, e.text, e.source.removeprefix("ASSUMED:").strip()) for e in assumed)
    notes = report.outlook.trip.assumptions
    learnt = tuple((said,) for said in report.learnt)
    doubts = tuple((doubt.where, doubt.sentence) for doubt in report.weighty)
    made = (
        Table(title="Check these first", headings=("where", "possible slips"), rows=doubts),
        Table(title="Learnt from the gauges", headings=("readings.csv",), rows=learnt),
        Table(title="Other roads", headings=("alternatives",), rows=roads),
        Table(title="To carry", headings=("common practice",), rows=carry),
        Table(
            title="Assumed of the car",
            headings=("value", "as", "because"),
            rows=rows,
            note="Of the trip: " + " ".join(notes) if notes else "",
        ),
    )
    return tuple(table for table in made if table.rows or table.note)


def alarm_card(report: Report, card: Card) -> Table:
    """Alarm card: gauge values, alarms and oil pressures; the figure to set comes first."""
    order = (0, 4, 5, 3, 2, 1)
    headings = [HEADINGS[at] for at in order]
    headings[1] = "set at: caution"
    return Table(
        title=f"Alarm card, {report.units.temperature}: set once, before the start",
        headings=tuple(headings),
        rows=tuple(_to_set(tuple(row[at] for at in order)) for row in alarm_rows(report.outlook, card)),
        note="Set each gauge's alarm at its caution; it holds on every day of the trip. Not warm below: do not load "
        "the car yet. Low: after half an hour of driving, check for a thermostat stuck open, a faulty sender, or low "
        "pressure. Expected: 90 % of the driving once warm, with the uncertainty of car and weather. Caution: ease "
        "off. Limit: stop as soon as it is safe; for coolant, that at the highest road. "
        f"{' '.join(caution_lines(card.fluids, report.units))} "
        f"Pressures: {Reference().words}.",
    )


def _to_set(row: tuple[str, ...]) -> tuple[str, ...]:
    """Move the least pressure to the column of what is set; a pressure has no caution above it."""
    name, caution, limit, expected, low, cold = row
    return row if caution or ":" in low else (name, low, limit, expected, "", cold)


def gaps(report: Report) -> Table:
    """Find the longest stretches without fuel and without a workshop."""
    outlook, u = report.outlook, report.units
    order = stops_of(outlook.legs)
    along = [0.0, *(float(outlook.timeline.end_m[span_of(outlook, leg).last]) for leg in range(len(outlook.legs)))]
    rows = []
    for service in ("fuel", "workshop"):
        at = [i for i, key in enumerate(order) if service in outlook.trip.places[key].services]
        marks = sorted({0, *at, len(order) - 1})
        a, b = max(pairwise(marks), key=lambda pair: along[pair[1]] - along[pair[0]])
        names = (outlook.trip.places[order[i]].name for i in (a, b))
        rows.append((service, f"{u.dist(along[b] - along[a]):,.0f}", " to ".join(names)))
    note = "From the services entered for the places of this trip; there may be others on the way."
    return Table(
        title="Longest stretches without", headings=("what", u.distance, "from and to"), rows=tuple(rows), note=note
    )


def _days(report: Report) -> Table:
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
            _smallest(report, row.worst, fluid_of(row.worst.fluid).label),
        )
        for row in day_rows(report)
    )
    headings = ("day", "date", "way", "hours", u.distance, f"climb {u.elevation}", f"air {u.temperature}")
    return Table(title="The days", headings=(*headings, f"smallest margin {u.temperature}"), rows=rows, to_days=True)


def _fuel(report: Report) -> Table:
    outlook, u = report.outlook, report.units
    rows = tuple(
        (
            *_when_and_where(report, stop.leg, stop.place),
            f"{stop.litres / u.litres:.0f}",
            f"{stop.left_l / u.litres:.0f}" + (", next fuel is far" if stop.tight else ""),
        )
        for stop in report.fuel.stops
    )
    tank = outlook.car.vehicle.tank
    note = (
        f"{report.fuel.total_l / u.litres:.0f} {u.fuel} in all, from the engine model: load, climb and heat included. "
        f"Starting full and keeping a reserve of {100 * tank.reserve:.0f} %. "
        + " ".join(gap_words(outlook, gap) for gap in report.fuel.gaps)
    )
    return Table(title="Fuel", headings=("when", "where", f"take {u.fuel}", f"left {u.fuel}"), rows=rows, note=note)


def _service(report: Report) -> Table:
    rows = tuple(
        (*_when_and_where(report, job.leg, job.place), job.item, f"{report.units.dist(job.at_m):,.0f}")
        for job in report.service.due
    )
    note = "Common-practice intervals; all service assumed done before the start." if report.service.assumed else ""
    headings = ("when", "where", "what", f"due at {report.units.distance}")
    return Table(title="Service", headings=headings, rows=rows, note=note)


def _when_and_where(report: Report, leg: int, place: str) -> tuple[str, str]:
    """Arrival at the end of a leg, and the name of a place."""
    outlook = report.outlook
    return f"{local_time(outlook, span_of(outlook, leg).last):%a %H:%M}", outlook.trip.places[place].name


def day_sheet(report: Report, number: int, card: Card) -> Day:
    """Sheet of one day: hours, daylight, legs with expected readings, alarms, remedies."""
    row, outlook = day_rows(report)[number], report.outlook
    day = outlook.timeline.days[number]
    thin = [m for m in hot_spots(report) if day.first <= m.leg <= day.last]
    lines = [
        _hours(report, number),
        *(clock_words(report, one) for one in report.clocks if day.first <= one.leg <= day.last),
    ]
    lines += [f"{whole_sentence(report, m)} {reason(report, m)}" for m in thin]
    helps = tuple(_helps(report, one) for one in report.remedies if one.day == number)
    headings, way, note = _way(report, number)
    start = local_time(outlook, span_of(outlook, day.first).first, begin=True)
    return Day(
        title=f"Day {number + 1}, {row.depart:%a %d %b}: {row.start.name} to {row.finish.name}",
        short=f"{number + 1}, {start:%a} {start.day}: to {row.finish.name}",
        date=start.date().isoformat(),
        summary="\n".join(lines),
        advice=_advice(report, number),
        headings=headings,
        way=way,
        way_note=note,
        closest=_closest(report, number),
        tables=(_alarms(report, number, card), *helps),
    )


def _smallest(report: Report, margin: Margin, name: str) -> str:
    """Smallest margin of a leg or day, with its fluid and level."""
    if margin.level == UNKNOWN.word:
        return f"{name}, {margin.level}"
    left = f"{report.units.diff(margin.margin_k):.0f} {name}"
    return left if margin.level == AMPLE.word else f"{left}, {margin.level}"


def _advice(report: Report, number: int) -> tuple[Advice, ...]:
    outlook = report.outlook
    day = outlook.timeline.days[number]
    said = [
        Advice(text=line, until=span_of(outlook, one.leg).last + 1)
        for one in report.remedies
        if one.day == number
        for line in advice_on(report, one)
    ]
    said += [
        Advice(
            text=f"Watch the gauges on {leg_name(outlook, margin.leg)}: {unknown_words(report, margin.leg)}.",
            until=span_of(outlook, margin.leg).last + 1,
            watch=True,
        )
        for margin in report.unknown()
        if day.first <= margin.leg <= day.last
    ]
    if {report.worst(leg).level for leg in range(day.first, day.last + 1)} == {AMPLE.word}:
        said.append(Advice(text="Nothing special to watch: every fluid has an ample margin today.", watch=True))
    return tuple(said)


def _closest(report: Report, number: int) -> tuple[int, ...]:
    """Indices of the fluids nearest to their limits that day, nearest first."""
    day, fluids = report.outlook.timeline.days[number], fluids_of(report.outlook)
    least = [
        min(m.margin_k for m in report.margins if m.fluid == fluid and day.first <= m.leg <= day.last)
        for fluid in fluids
    ]
    return tuple(sorted(range(len(fluids)), key=lambda one: least[one])[:_MOST_CLOSEST])


def _hours(report: Report, number: int) -> str:
    outlook, row = report.outlook, day_rows(report)[number]
    day, (first, last) = outlook.timeline.days[number], day_ends(outlook, number)
    begin = clock.local(day.start_s, first.lat_deg, first.lon_deg)
    end = clock.local(day.end_s, last.lat_deg, last.lon_deg)
    risen = clock.sun_times_utc(first.lat_deg, first.lon_deg, begin.date())[0].astimezone(begin.tzinfo)
    set_at = clock.sun_times_utc(last.lat_deg, last.lon_deg, end.date())[1].astimezone(end.tzinfo)
    u = report.units
    zoned = len(zones(outlook, 0, len(outlook.timeline.end_s) - 1)) > 1
    depart, arrive = (told(moment, "%H:%M", zoned=zoned) for moment in (row.depart, row.arrive))
    return (
        f"{depart} to {arrive}, {row.driving_s / 3600.0:.1f} h driving, "
        f"{u.dist(row.distance_m):.0f} {u.distance}, {round(u.height(row.climb_m), -1):,.0f} {u.elevation} of "
        f"climb. Sunrise {risen:%H:%M}, sunset {set_at:%H:%M}."
    )


def _way(report: Report, number: int) -> tuple[tuple[str, ...], tuple[Way, ...], str]:
    """Timetable of one day: every place with the leg to it, its highest readings, and the next stop."""
    outlook, u = report.outlook, report.units
    day, names = outlook.timeline.days[number], [fluid_of(key).short for key in fluids_of(outlook)]
    first, last = span_of(outlook, day.first).first, span_of(outlook, day.last).last
    begin = local_time(outlook, first, begin=True)
    leave, zone = told(begin, "%H:%M", zoned=len(zones(outlook, first, last)) > 1), zone_of(begin)
    start = outlook.trip.places[outlook.legs[day.first].start].name
    way = [Way(point=first, cells=(leave, start, *("",) * (len(names) + 4), "start"))]
    for row in leg_rows(report)[day.first : day.last + 1]:
        cells = (
            told(row.arrive, "%H:%M", zoned=zone_of(row.arrive) != zone),
            outlook.trip.places[outlook.legs[row.leg].finish].name,
            f"{u.dist(row.distance_m):.0f}",
            f"{u.height(row.climb_m):,.0f}",
            f"{u.temp(row.air_k):.0f}",
            *(f"{u.temp(margin.peak_k):.0f}" for margin in row.margins),
            _smallest(report, row.worst, fluid_of(row.worst.fluid).short),
            then(report, row.leg),
        )
        zone = zone_of(row.arrive)
        way.append(Way(point=span_of(outlook, row.leg).last + 1, cells=cells, level=row.worst.level))
    headings = ("at", "place", u.distance, f"up {u.elevation}", "air", *names, "margin", "then")
    note = (
        f"Each row describes the drive to its place. Air and gauges: hottest expected, {u.temperature}. Margin: "
        f"smallest at {round(100 * outlook.trip.confidence)} % confidence, with its fluid."
    )
    return headings, tuple(way), note


def _alarms(report: Report, number: int, card: Card) -> Table:
    """Highest reading of every gauge that day, against the alarms set for the whole trip."""
    outlook, u = report.outlook, report.units
    day = outlook.timeline.days[number]
    part = slice(span_of(outlook, day.first).first, span_of(outlook, day.last).last + 1)
    rows: list[tuple[str, ...]] = []
    sounding: dict[str, list[str]] = {"Likely to sound today": [], "May sound today": []}
    for alarm in card.fluids:
        of_day = [m for m in report.margins if m.fluid == alarm.fluid and day.first <= m.leg <= day.last]
        peak, upper_k = max(of_day, key=lambda m: m.peak_k), max(m.upper_k for m in of_day)
        limit_k = float(np.min(outlook.nominal.limit_k[part, fluid_of(alarm.fluid).index]))
        if upper_k >= alarm.marks.caution_k:
            likely = peak.peak_k >= alarm.marks.caution_k
            sounding["Likely to sound today" if likely else "May sound today"].append(fluid_of(alarm.fluid).label)
        rows.append(
            (
                fluid_of(alarm.fluid).label,
                f"{u.temp(peak.peak_k):.0f}",
                f"{peak.when:%H:%M} near {peak.near}",
                f"{u.temp(upper_k):.0f}",
                f"{u.temp(alarm.marks.caution_k):.0f}",
                f"{u.temp(limit_k):.0f}",
            )
        )
    share = round(100 * outlook.trip.confidence)
    headings = ("gauge", "expected", "when", f"up to, {share} %", "caution", "limit")
    note = " ".join(
        ["Caution: as set from the alarm card, the same on every day."]
        + [f"{words}: {', '.join(names)}." for words, names in sounding.items() if names]
    )
    return Table(title=f"Highest today, {u.temperature}", headings=headings, rows=tuple(rows), note=note)


def _suffices(remedy: Remedy) -> str:
    return "yes" if remedy.works else "about as likely as not" if remedy.undecided else "no"


def _helps(report: Report, day: DayRemedies) -> Table:
    """Remedies of one day, sufficient ones first, then by gain; the rest is named in the note."""
    helpful = [remedy for remedy in day.choices if not remedy.futile]
    shown = helpful[:_MOST_CHOICES]
    rows = tuple((_suffices(remedy), *remedy_words(report, remedy)) for remedy in shown)
    rest = [remedy.words for remedy in helpful[_MOST_CHOICES:] if not remedy.works and not remedy.undecided]
    futile = [remedy.words for remedy in day.choices if remedy.futile]
    note = (
        f"Sufficient: every fluid has a chance below {100 * report.outlook.trip.risk:.0f} % of passing its limit that "
        "day. Each remedy was simulated with the whole model, including the rest of the day."
    )
    for lead, names in (("Not sufficient", rest), ("Almost no effect", futile)):
        more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
        note += f" {lead}: {'; '.join(names[:_MOST_NAMED])}{more}." if names else ""
    title = f"What helps the {fluid_of(day.fluid).label}"
    return Table(
        title=title, headings=("suffices", "what", "min lost", "margin of day", "chance"), rows=rows, note=note
    )
