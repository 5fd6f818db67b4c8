"""The plan as a calendar (RFC 5545): days, pauses, fuel, service, nights; times in UTC, without zones.

An event keeps its UID in later plans, for the whole trip or its rest. Compared with the calendar
written last, a changed event gets a higher SEQUENCE and a later LAST-MODIFIED, and one no longer planned is written
once more as cancelled. Modification times are counted from the departure, not from the clock, so that the same plan and
the same earlier calendar always give the same file.
"""

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta

from icalendar import Calendar, Event, vText

from planner.forecast.run import day_ends, leg_name, local_time, span_of
from planner.model.plaintext import printable
from planner.output.cautions import CAUTIONS
from planner.output.icsbefore import DOMAIN, NOTHING, Before, Lines, read_calendar, sequence_of, time_of
from planner.output.marks import Mark, advice, hot_spots, hot_words, marks
from planner.output.outcome import unknown_words
from planner.output.report import Report

_KINDS = ("hot", "break", "halt", "event", "fuel", "service", "night")
_SAID = ("DTSTART", "DTEND", "SUMMARY", "DESCRIPTION", "LOCATION", "GEO", "STATUS")  # fields that identify an event


def trip_ics(report: Report, before: Before = NOTHING) -> str:
    """Write the plan as iCalendar, as a new version of an earlier one."""
    trip = report.outlook.trip
    found = marks(report)
    stamp = found[0].begin.astimezone(UTC).replace(microsecond=0)
    owner = before.owner or _mark_of(trip.route[-1], trip.folder.resolve().name, str(trip.departure.year))
    calendar = Calendar()
    calendar.add("prodid", "-//grademargin//trip//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("name", vText(printable(trip.name)))  # RFC 7986, 5.1
    events = [*_days(report, owner), *_on_the_way(report, found, owner)]
    for event in events:
        _dated(event, before.events.get(str(event["uid"])), stamp)
    gone = _no_longer_planned(before, {str(event["uid"]) for event in events}, stamp)
    for event in (*events, *gone):
        calendar.add_component(event)
    text: str = calendar.to_ical(sorted=True).decode("utf-8")
    return text


def _mark_of(*parts: str) -> str:
    return hashlib.sha256("/".join(parts).encode("utf-8", "replace")).hexdigest()[:16]


def _days(report: Report, owner: str) -> Iterator[Event]:
    """The drive of each day, identified by its date."""
    for number, day in enumerate(report.outlook.timeline.days):
        begin = local_time(report.outlook, span_of(report.outlook, day.first).first, begin=True)
        yield _day(report, number, f"day-{begin:%Y%m%d}-{owner}")


def _on_the_way(report: Report, found: Iterable[Mark], owner: str) -> Iterator[Event]:
    """Marks of the trip, identified by kind and place, counted from the finish so that driven ones drop out."""
    legs = report.outlook.legs
    wanted = [mark for mark in found if mark.kind in _KINDS]
    left = Counter((mark.kind, legs[mark.leg].finish) for mark in wanted)
    for mark in wanted:
        known = mark.kind, legs[mark.leg].finish
        yield _mark(mark, f"{mark.kind}-{_mark_of(known[1])}-{left[known]}-{owner}")
        left[known] -= 1


def _dated(event: Event, old: Lines | None, stamp: datetime) -> None:
    """Set an event's SEQUENCE and LAST-MODIFIED."""
    number, modified = 0, stamp
    if old is not None:
        number, was = sequence_of(old), time_of(old.get("LAST-MODIFIED", "")) or stamp
        raw = next(iter(read_calendar(event.to_ical().decode("utf-8")).events.values()))
        changed = any(raw.get(name) != old.get(name) for name in _SAID)
        number, modified = (number + 1, max(stamp, was + timedelta(seconds=1))) if changed else (number, was)
    event.add("sequence", number)
    event.add("last-modified", modified)
    event.add("dtstamp", modified)


def _no_longer_planned(before: Before, planned: set[str], stamp: datetime) -> Iterator[Event]:
    """Future events of the earlier calendar that are no longer planned, as cancelled (RFC 5545, 3.8.1.11)."""
    for uid, old in before.events.items():
        begin = time_of(old["DTSTART"])
        if uid in planned or begin is None or begin < stamp:
            continue
        event = Event()
        event.add("uid", uid)
        event.add("dtstart", begin)
        event.add("summary", printable(vText.from_ical(old.get("SUMMARY", ""))))
        event.add("status", "CANCELLED")
        said = {
            name: old[name] for name in ("DTSTART", "SUMMARY", "STATUS", "SEQUENCE", "LAST-MODIFIED") if name in old
        }
        _dated(event, said, stamp)
        yield event


def _event(name: str, begin: datetime, end: datetime, title: str, text: str) -> Event:
    event = Event()
    event.add("uid", name + DOMAIN)
    event.add("dtstart", _whole(begin))
    if _whole(end) > _whole(begin):
        event.add("dtend", _whole(end))
    event.add("summary", printable(title))
    if text:
        event.add("description", printable(text))
    return event


def _whole(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(second=0, microsecond=0)


def _day(report: Report, number: int, name: str) -> Event:
    outlook, u = report.outlook, report.units
    day, (start, finish) = outlook.timeline.days[number], day_ends(outlook, number)
    distance = u.dist(sum(outlook.legs[i].distance_m for i in range(day.first, day.last + 1)))
    lines = [f"{distance:.0f} {u.distance}, {day.driving_s / 3600.0:.1f} h of driving."]
    lines += [hot_words(report, m) for m in hot_spots(report) if day.first <= m.leg <= day.last]
    unknown = [m.leg for m in report.unknown() if day.first <= m.leg <= day.last]
    lines += [f"{leg_name(outlook, leg)}: {unknown_words(report, leg)}." for leg in unknown]
    lines += [*advice(report, number), CAUTIONS[0]]
    begin = local_time(outlook, span_of(outlook, day.first).first, begin=True)
    end = local_time(outlook, span_of(outlook, day.last).last)
    event = _event(name, begin, end, f"Day {number + 1}: {start.name} to {finish.name}", "\n".join(lines))
    event.add("location", printable(start.name))
    return event


def _mark(mark: Mark, name: str) -> Event:
    event = _event(name, mark.begin, mark.end, mark.title, mark.text)
    event.add("location", printable(mark.name))
    event.add("geo", (round(mark.lat_deg, 6), round(mark.lon_deg, 6)))
    return event
