"""The plan as a calendar (RFC 5545): days, pauses, fuel, service, nights; times in UTC, so that no zones are needed."""

import hashlib
from collections import Counter
from datetime import UTC, datetime

from icalendar import Calendar, Event, vText

from planner.forecast.run import day_ends, local_time, span_of
from planner.model.plaintext import printable
from planner.output.cautions import CAUTIONS
from planner.output.marks import Mark, advice, hot_spots, hot_words, marks
from planner.output.report import Report

_KINDS = ("hot", "break", "halt", "event", "fuel", "service", "night")


def trip_ics(report: Report) -> str:
    """Write the plan as iCalendar."""
    trip = report.outlook.trip
    found = marks(report)
    stamp = found[0].begin.astimezone(UTC)
    calendar = Calendar()
    calendar.add("prodid", "-//grademargin//trip//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("x-wr-calname", vText(printable(trip.name)))  # as it is, it would not be escaped
    owner = hashlib.sha256(trip.name.encode("utf-8", "replace")).hexdigest()[:16]
    for number in range(len(report.outlook.timeline.days)):
        calendar.add_component(_day(report, number, stamp, f"day-{number + 1}-{owner}"))
    count: Counter[tuple[str, int]] = Counter()
    for mark in (mark for mark in found if mark.kind in _KINDS):
        count[mark.kind, mark.day] += 1
        name = f"{mark.kind}-{mark.day + 1}-{count[mark.kind, mark.day]}-{owner}"
        calendar.add_component(_mark(mark, stamp, name))
    text: str = calendar.to_ical(sorted=True).decode("utf-8")
    return text


def _event(name: str, stamp: datetime, begin: datetime, end: datetime, title: str, text: str) -> Event:
    """One event; one without length has no end."""
    event = Event()
    event.add("uid", f"{name}@grademargin.invalid")
    event.add("dtstamp", stamp)
    event.add("dtstart", _whole(begin))
    if _whole(end) > _whole(begin):
        event.add("dtend", _whole(end))
    event.add("summary", printable(title))
    if text:
        event.add("description", printable(text))
    return event


def _whole(moment: datetime) -> datetime:
    """The moment in UTC, to the minute."""
    return moment.astimezone(UTC).replace(second=0, microsecond=0)


def _day(report: Report, number: int, stamp: datetime, name: str) -> Event:
    """The drive of one day, with its hot spots and what to do."""
    outlook, u = report.outlook, report.units
    day, (start, finish) = outlook.timeline.days[number], day_ends(outlook, number)
    distance = u.dist(sum(outlook.legs[i].distance_m for i in range(day.first, day.last + 1)))
    lines = [f"{distance:.0f} {u.distance}, {day.driving_s / 3600.0:.1f} h of driving."]
    lines += [hot_words(report, m) for m in hot_spots(report) if day.first <= m.leg <= day.last]
    lines += [*advice(report, number), CAUTIONS[0]]
    begin = local_time(outlook, span_of(outlook, day.first).first, begin=True)
    end = local_time(outlook, span_of(outlook, day.last).last)
    event = _event(name, stamp, begin, end, f"Day {number + 1}: {start.name} to {finish.name}", "\n".join(lines))
    event.add("location", printable(start.name))
    return event


def _mark(mark: Mark, stamp: datetime, name: str) -> Event:
    """One thing on the way."""
    event = _event(name, stamp, mark.begin, mark.end, mark.title, mark.text)
    event.add("location", printable(mark.name))
    event.add("geo", (round(mark.lat_deg, 6), round(mark.lon_deg, 6)))
    return event
