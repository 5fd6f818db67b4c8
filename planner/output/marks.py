"""Marks: start, pauses, fuel, service, hot spots, proposed stops, finish.

The map, the calendar and the exchange files use the same list.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from planner.analysis.margins import Margin
from planner.analysis.remedies import DayRemedies, Remedy
from planner.forecast.run import local_time, span_of
from planner.model import clock
from planner.model.levels import AMPLE
from planner.output.outcome import margin_words, unknown_sentence, unknown_words
from planner.output.report import Report, reason, remedy_words, whole_sentence
from thermal.fluids import fluid_of

KINDS = ("start", "hot", "unknown", "cool", "break", "halt", "event", "fuel", "service", "night", "finish")
_PAUSES = {"break": "break", "halt": "stop", "event": "stay", "night": "night"}
_MOST_ADVICE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One mark; `point` is the index on the track, `begin` and `end` are aware local times."""

    kind: str
    name: str
    lat_deg: float
    lon_deg: float
    elevation_m: float
    begin: datetime
    end: datetime
    leg: int
    day: int
    point: int
    title: str
    text: str
    level: str = AMPLE.word


def marks(report: Report) -> tuple[Mark, ...]:
    """Collect the marks of a plan."""
    found = [_end(report, "start"), _end(report, "finish")]
    for gather in (_hot, _unknown, _cool, _pauses, _fuel, _service):
        found += gather(report)
    return tuple(sorted(found, key=lambda mark: (mark.begin.astimezone(UTC), KINDS.index(mark.kind), mark.title)))


def hot_spots(report: Report) -> tuple[Margin, ...]:
    """Thin and exceeded margins; of successive legs with the same place and fluid only the smallest."""
    return tuple(min(group, key=lambda margin: margin.margin_k) for group in _groups(report))


def _groups(report: Report) -> list[list[Margin]]:
    """Thin and exceeded margins, grouped over successive legs with the same place and fluid."""
    groups: list[list[Margin]] = []
    for margin in report.notable():
        last = groups[-1][-1] if groups else None
        if last is not None and margin.leg <= last.leg + 1 and (margin.near, margin.fluid) == (last.near, last.fluid):
            groups[-1].append(margin)
        else:
            groups.append([margin])
    return groups


def hot_words(report: Report, margin: Margin) -> str:
    """One line per hot spot, including the legs that share it."""
    group = next(group for group in _groups(report) if margin in group)
    beside = [
        f"{'next leg' if other.leg > margin.leg else 'leg before'} {other.level}"
        for other in group
        if other is not margin
    ]
    return "; ".join([f"{margin.near}, {margin.when:%a %H:%M}: {margin_words(report, margin)}", *beside])


def advice(report: Report, day: int) -> tuple[str, ...]:
    """Advice for a day: the cheapest sufficient remedies."""
    return tuple(said for one in report.remedies if one.day == day for said in advice_on(report, one))


def advice_on(report: Report, found: DayRemedies) -> tuple[str, ...]:
    """Advice for one fluid on one day."""
    if found.working:
        return tuple(_advice_line(report, remedy) for remedy in found.working[:_MOST_ADVICE])
    return (nothing_helps(report, found),)


def nothing_helps(report: Report, day: DayRemedies) -> str:
    """Report that no remedy suffices, the largest gain, and what would help."""
    u = report.units

    def named(found: tuple[Remedy, ...]) -> str:
        return ", ".join(f"{one.words} ({u.diff(one.gain_k):+.0f} {u.temperature})" for one in found[:2])

    gain = f" About as likely as not to suffice: {named(day.undecided)}." if day.undecided else ""
    gain += f" Largest gain, but not enough: {named(day.helpful)}." if day.helpful else ""
    return (
        f"Nothing on this list brings the {fluid_of(day.fluid).label} under the wanted chance; what would: another "
        f"road, less load, a cooler, or a stop when the gauge says so.{gain}"
    )


def _advice_line(report: Report, remedy: Remedy) -> str:
    what, minutes, margin, _ = remedy_words(report, remedy)
    return f"{what[:1].upper()}{what[1:]}: costs {minutes} min, day's margin {margin}."


def _at_end(report: Report, leg: int, kind: str, title: str, text: str = "", *, seconds: float = 0.0) -> Mark:
    """A mark at a leg's end, on arrival."""
    outlook = report.outlook
    span, place = span_of(outlook, leg), outlook.trip.places[outlook.legs[leg].finish]
    begin = local_time(outlook, span.last)
    return Mark(
        kind=kind,
        name=place.name,
        lat_deg=place.lat_deg,
        lon_deg=place.lon_deg,
        elevation_m=place.elevation_m,
        begin=begin,
        end=_later(begin, seconds),
        leg=leg,
        day=span.day,
        point=span.last + 1,
        title=title,
        text=text,
    )


def _later(begin: datetime, seconds: float) -> datetime:
    """A later local time in the same zone, correct across clock changes."""
    return (begin.astimezone(UTC) + timedelta(seconds=seconds)).astimezone(begin.tzinfo)


def _end(report: Report, kind: str) -> Mark:
    outlook = report.outlook
    if kind == "finish":
        last = len(outlook.legs) - 1
        name = outlook.trip.places[outlook.legs[last].finish].name
        return _at_end(report, last, "finish", f"Finish at {name}")
    place = outlook.trip.places[outlook.legs[0].start]
    begin = clock.local(float(outlook.timeline.begin_s[0]), place.lat_deg, place.lon_deg)
    return Mark(
        kind="start",
        name=place.name,
        lat_deg=place.lat_deg,
        lon_deg=place.lon_deg,
        elevation_m=place.elevation_m,
        begin=begin,
        end=begin,
        leg=0,
        day=0,
        point=0,
        title=f"Start at {place.name}",
        text="",
    )


def _hot(report: Report) -> Iterator[Mark]:
    """Legs with a thin or exceeded margin, at the peak."""
    outlook = report.outlook
    for margin in report.notable():
        at = int(outlook.nominal.where[0, margin.leg, fluid_of(margin.fluid).index])
        title = f"{margin.near}: {margin_words(report, margin)}"
        helps = advice(report, span_of(outlook, margin.leg).day)
        text = "\n".join([whole_sentence(report, margin), *helps, reason(report, margin)])
        yield _of_margin(report, margin, "hot", margin.near, at, margin.when, title, text)


def _unknown(report: Report) -> Iterator[Mark]:
    """Legs with unknown margins, at their start."""
    outlook = report.outlook
    for margin in report.unknown():
        at, name = span_of(outlook, margin.leg).first, outlook.trip.places[outlook.legs[margin.leg].start].name
        title, text = f"From {name}: {unknown_words(report, margin.leg)}", unknown_sentence(report, margin)
        yield _of_margin(report, margin, "unknown", name, at, local_time(outlook, at), title, text)


def _of_margin(
    report: Report, margin: Margin, kind: str, name: str, at: int, when: datetime, title: str, text: str
) -> Mark:
    """A mark of a margin, at the end of a segment."""
    line = report.outlook.timeline
    return Mark(
        kind=kind,
        name=name,
        lat_deg=float(line.lat_deg[at]),
        lon_deg=float(line.lon_deg[at]),
        elevation_m=float(line.end_elevation_m[at]),
        begin=when,
        end=when,
        leg=margin.leg,
        day=span_of(report.outlook, margin.leg).day,
        point=at + 1,
        title=title,
        text=text,
        level=margin.level,
    )


def _cool(report: Report) -> Iterator[Mark]:
    """Sufficient cooling stops, each place once with the shortest duration."""
    seen: set[int] = set()
    for day in report.remedies:
        for remedy in sorted(day.working, key=lambda remedy: len(remedy.changes)):
            change = next((change for change in remedy.changes if change.stop_after is not None), None)
            if change is None or change.stop_after is None or change.stop_after in seen:
                continue
            if len(remedy.changes) > 1 and seen:
                continue  # combinations only if no stop suffices alone
            seen.add(change.stop_after)
            text = f"Only if chosen; {_advice_line(report, remedy)}"
            title = f"Proposed: {remedy.words}"
            yield _at_end(report, change.stop_after, "cool", title, text, seconds=change.stop_s)


def _pauses(report: Report) -> Iterator[Mark]:
    """Breaks, halts, stays and nights of the plan."""
    line = report.outlook.timeline
    for span in (span for span in line.spans if span.kind in _PAUSES):
        seconds = float(np.sum(line.drive.duration_s[span.rows]))
        night = (
            f"Night {span.day + 1} at" if span.kind == "night" else f"{seconds / 60.0:.0f} min {_PAUSES[span.kind]},"
        )
        wait_s = float(line.begin_s[span.first] - line.end_s[span_of(report.outlook, span.leg).last])
        mark = _at_end(report, span.leg, span.kind, "", seconds=wait_s + seconds)
        yield replace(mark, title=f"{night} {mark.name}", begin=_later(mark.begin, wait_s))


def _fuel(report: Report) -> Iterator[Mark]:
    u = report.units
    for stop in report.fuel.stops:
        place = report.outlook.trip.places[stop.place].name
        far = " The next fuel is far: fill up." if stop.tight else ""
        title = f"Fuel at {place}, {stop.litres / u.litres:.0f} {u.fuel}"
        yield _at_end(report, stop.leg, "fuel", title, f"{stop.left_l / u.litres:.0f} {u.fuel} left on arrival.{far}")


def _service(report: Report) -> Iterator[Mark]:
    for leg in sorted({job.leg for job in report.service.due}):
        jobs = [job for job in report.service.due if job.leg == leg]
        items = ", ".join(job.item for job in jobs)
        place = report.outlook.trip.places[jobs[0].place].name
        yield _at_end(
            report, leg, "service", f"Due at {place}: {items}", "\n".join(job.words for job in jobs if job.ageing > 1.1)
        )
