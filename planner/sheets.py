"""Tables of the trip and the sheet of each day, as text in display units."""

from datetime import UTC

import numpy as np
import numpy.typing as npt
import pandas as pd

from maps.scene import Day, Table
from planner import clock
from planner.forecast import local_time, span_of
from planner.margins import FLUID_NAMES, fluids_of
from planner.marks import advice, hot_spots
from planner.remedies import DayRemedies
from planner.report import Report, days_table, legs_table, reason, remedy_words, sentence
from thermal.vehicle import FLUIDS

Floats = npt.NDArray[np.float64]
_MOST_CHOICES, _MOST_NAMED = 6, 5
_SHORT = {"coolant": "coolant", "engine_oil": "oil", "transmission": "gearbox", "differential": "diff."}
_CRUISE_SHARE = (0.05, 0.95)  # of the time driven with the fluid warm


def trip_tables(report: Report) -> tuple[Table, ...]:
    """Tables for the first sheet: alarm card, days, fuel, service.

    Parameters
    ----------
    report : Report
        The report. [-]

    Returns
    -------
    tuple of Table
        Those that have something to say.
    """
    made = (_alarm_card(report), _days(report), _fuel(report), _service(report))
    return tuple(table for table in made if table.rows)


def appendix(report: Report) -> tuple[Table, ...]:
    """Tables to look up: other roads, things to carry, what is assumed.

    Parameters
    ----------
    report : Report
        The report. [-]

    Returns
    -------
    tuple of Table
        Those that have something to say.
    """
    roads = tuple((choice,) for choice in report.choices)
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
    """Where each gauge belongs, and where its alarm."""
    outlook, u = report.outlook, report.units
    line, vehicle = outlook.timeline, outlook.car.vehicle
    rows = []
    for fluid in fluids_of(outlook):
        f = FLUIDS.index(fluid)
        temps, limit, marks = outlook.nominal.temps_k[0][:, 1 + f], outlook.nominal.limit_k[:, f], vehicle.limits[f]
        warm = (line.drive.speed_m_per_s > 0.0) & (temps >= marks.warm_k)
        low, high = _shares(temps[warm], line.drive.duration_s[warm]) if warm.any() else (np.nan, np.nan)
        band = f"{u.temp(low):.0f} to {u.temp(high):.0f}" if warm.any() else "never warm"
        least, most = u.temp(float(limit.min())), u.temp(float(limit.max()))
        rows.append(
            (
                FLUID_NAMES[fluid],
                f"{u.temp(marks.warm_k):.0f}",
                band,
                f"{u.temp(float(outlook.band_k[:, 1 + f].max())):.0f}",
                f"{u.temp(min(marks.caution_k, float(limit.min()))):.0f}",
                f"{least:.0f}" if most - least < 1.0 else f"{least:.0f} to {most:.0f}",
            )
        )
    share = round(100 * outlook.trip.confidence)
    return Table(
        title=f"Alarm card, {u.temperature}",
        headings=("gauge", "load from", "usual at cruise", f"highest, {share} %", "caution", "limit"),
        rows=tuple(rows),
        note="Load from: no hard driving below it. Usual: nine tenths of the driving, once warm. Caution: ease off and "
        "watch. Limit: stop as soon as it is safe; a range means that it falls with height.",
    )


def _shares(values: Floats, weights: Floats) -> tuple[float, float]:
    """Values which the shares of `_CRUISE_SHARE` of the weight lie below."""
    order = np.argsort(values, kind="stable")
    share = np.cumsum(weights[order]) / np.sum(weights)
    low, high = (float(values[order[int(np.argmax(share >= q))]]) for q in _CRUISE_SHARE)
    return low, high


def _days(report: Report) -> Table:
    """One row a day, narrow enough for a phone."""
    u = report.units
    rows = tuple(
        (
            str(row["day"]),
            str(row["date"]),
            f"{row['from']} to {row['to']}",
            f"{row['depart']} to {row['arrive']}",
            f"{row[f'distance [{u.distance}]']:.0f}",
            f"{row[f'climb [{u.elevation}]']:,.0f}",
            f"{row[f'air [{u.temperature}]']:.0f}",
            f"{row[f'margin [{u.temperature}]']:.0f}, {row['fluid']}: {row['level']}",
        )
        for _, row in days_table(report).iterrows()
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
        f"Starting full, never planning on the last {100 * tank.reserve:.0f} %. " + " ".join(report.fuel.gaps)
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
    """One day: hours, daylight, legs with expected readings, alarms, what helps.

    Parameters
    ----------
    report : Report
        The report. [-]
    number : int
        The day, from 0. [-]

    Returns
    -------
    Day
        The sheet.
    """
    row = days_table(report).iloc[number]
    day = report.outlook.timeline.days[number]
    thin = [m for m in hot_spots(report) if day.first <= m.leg <= day.last]
    lines = [_hours(report, number), *(said for said in report.clocks if said.startswith(str(row["date"])))]
    lines += [f"{sentence(report, m)} {reason(report, m)}" for m in thin]
    helps = tuple(_helps(report, one) for one in report.remedies if one.day == number)
    return Day(
        title=f"Day {number + 1}, {row['date']}: {row['from']} to {row['to']}",
        summary="\n".join(lines),
        tables=(_legs(report, number), _alarms(report, number), *helps),
        advice=advice(report, number) or ("Nothing special: every fluid keeps an ample margin today.",),
    )


def _hours(report: Report, number: int) -> str:
    """Hours of driving and of daylight."""
    outlook, row = report.outlook, days_table(report).iloc[number]
    day, places = outlook.timeline.days[number], outlook.trip.places
    first, last = places[outlook.legs[day.first].start], places[outlook.legs[day.last].finish]
    rise, _ = clock.sun_times_utc(
        first.lat_deg, first.lon_deg, clock.local_date(day.start_s, first.lat_deg, first.lon_deg)
    )
    _, sets = clock.sun_times_utc(last.lat_deg, last.lon_deg, clock.local_date(day.end_s, last.lat_deg, last.lon_deg))
    risen = clock.to_local(rise.astimezone(UTC), clock.zone_of(first.lat_deg, first.lon_deg))
    set_at = clock.to_local(sets.astimezone(UTC), clock.zone_of(last.lat_deg, last.lon_deg))
    u = report.units
    return (
        f"{row['depart']} to {row['arrive']}, {row['driving [h]']} h of driving, "
        f"{row[f'distance [{u.distance}]']:.0f} {u.distance}, {row[f'climb [{u.elevation}]']:,.0f} {u.elevation} of "
        f"climb. Sunrise {risen:%H:%M} at {first.name}, sunset {set_at:%H:%M} at {last.name}."
    )


def _legs(report: Report, number: int) -> Table:
    """Legs of one day with times, climb and the hottest reading expected of every gauge."""
    outlook, u = report.outlook, report.units
    frame = legs_table(report)
    frame = frame[frame["day"] == number + 1]
    columns: dict[str, object] = {
        "leg": frame["from"] + " to " + frame["to"],
        "from": frame["depart"].str[-5:],
        "to": frame["arrive"].str[-5:],
        u.distance: frame[f"distance [{u.distance}]"].map("{:.0f}".format),
        f"up {u.elevation}": frame[f"climb [{u.elevation}]"].map("{:,.0f}".format),
        "air": frame[f"air [{u.temperature}]"].map("{:.0f}".format),
    }
    for fluid in fluids_of(outlook):
        name = FLUID_NAMES[fluid]
        columns[_SHORT[fluid]] = frame[f"{name} peak [{u.temperature}]"].map("{:.0f}".format)
    worst = [report.worst(leg - 1) for leg in frame["leg"]]
    columns["margin"] = [
        f"{u.diff(m.margin_k):.0f} {_SHORT[m.fluid]}" + ("" if m.level == "ample" else f", {m.level}") for m in worst
    ]
    columns["then"] = list(frame["then"])
    data = pd.DataFrame(columns)
    rows = tuple(tuple(str(value) for value in row) for row in data.itertuples(index=False))
    share = round(100 * outlook.trip.confidence)
    note = (
        f"Air and gauges: hottest to expect on the leg, {u.temperature}. Margin: smallest of the leg at {share} % "
        "confidence, and whose."
    )
    return Table(title="Legs", headings=tuple(map(str, data.columns)), rows=rows, note=note)


def _alarms(report: Report, number: int) -> Table:
    """Highest reading of every gauge that day, beside its alarm marks."""
    outlook, u = report.outlook, report.units
    day = outlook.timeline.days[number]
    part = slice(span_of(outlook, day.first).first, span_of(outlook, day.last).last + 1)
    rows = []
    for fluid in fluids_of(outlook):
        f = FLUIDS.index(fluid)
        limit = float(outlook.nominal.limit_k[part, f].min())
        of_day = (m for m in report.margins if m.fluid == fluid and day.first <= m.leg <= day.last)
        peak = max(of_day, key=lambda m: m.peak_k)
        rows.append(
            (
                FLUID_NAMES[fluid],
                f"{u.temp(peak.peak_k):.0f}",
                f"{peak.when:%H:%M} near {peak.near}",
                f"{u.temp(float(outlook.band_k[part, 1 + f].max())):.0f}",
                f"{u.temp(min(outlook.car.vehicle.limits[f].caution_k, limit)):.0f}",
                f"{u.temp(limit):.0f}",
            )
        )
    share = round(100 * outlook.trip.confidence)
    headings = ("gauge", "hottest", "when", f"at {share} %", "caution", "limit")
    return Table(title=f"Alarms today, {u.temperature}", headings=headings, rows=tuple(rows))


def _helps(report: Report, day: DayRemedies) -> Table:
    """Choices of one day, those that suffice first, the rest of them named in the note."""
    shown = day.choices[:_MOST_CHOICES]
    rows = tuple(("yes" if remedy.works else "no", *remedy_words(report, remedy)) for remedy in shown)
    rest = [remedy.words for remedy in day.choices[_MOST_CHOICES:] if not remedy.works]
    note = (
        f"Suffices: every fluid stays under a {100 * report.outlook.trip.risk:.0f} % chance of passing its limit that "
        "day. Each was driven through the whole model, the rest of the day included."
    )
    more = f" and {len(rest) - _MOST_NAMED} more" if len(rest) > _MOST_NAMED else ""
    note += f" Does not suffice: {'; '.join(rest[:_MOST_NAMED])}{more}." if rest else ""
    title = f"What helps the {FLUID_NAMES[day.fluid]}"
    return Table(title=title, headings=("suffices", "what", "min lost", "margin", "chance"), rows=rows, note=note)
