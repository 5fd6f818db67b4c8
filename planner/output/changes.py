"""Changes of a new plan from the last one."""

import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from planner.analysis.margins import Margin
from planner.files import limits
from planner.files.reading import file_fault, whole
from planner.forecast.run import leg_name
from planner.model.levels import WORDS
from planner.output.export import SCHEMA
from planner.output.report import Report, day_rows
from thermal.errors import one_line
from thermal.fluids import fluid_of

Plan = Mapping[str, Any]
_MOST_DAYS = 400
_MOST_MARGIN_K = 2000.0
_FROM = ", from "  # suffix of a replanned trip's name
_NOTABLE_K = 2.0
_MOST_LEGS = 5
_LATE = timedelta(minutes=10)
_DAMAGED = (KeyError, TypeError, ValueError, IndexError, AttributeError, OverflowError)
NOTHING_TO_COMPARE = "No earlier plan in out/plan.json to compare with."
OTHER_TRIP = "The earlier plan in out/plan.json is for a trip with another name; not compared."
UNREADABLE = (
    "The earlier plan in out/plan.json is damaged or was written by another version; not compared. This run wrote a "
    "new one."
)
NO_CHANGE = "No significant change since the last plan."


def last_plan(folder: Path) -> Plan | None:
    """Read the plan written last."""
    path = folder / "plan.json"
    try:
        fault = file_fault(path, root=folder, max_bytes=limits.TABLE_BYTES)
        if fault is not None:
            return None if fault == "is missing" else {}
        found = json.loads(whole(path, max_bytes=limits.TABLE_BYTES).decode("utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def changes(old: Plan | None, report: Report) -> tuple[str, ...]:
    """Report changes since the last plan: arrivals, nights, margins, fuel."""
    if old is None:
        return (NOTHING_TO_COMPARE,)
    if old.get("schema") != SCHEMA:
        return (UNREADABLE,)
    trip = report.outlook.trip.name
    if str(old.get("trip", trip)).partition(_FROM)[0] != trip.partition(_FROM)[0]:
        return (OTHER_TRIP,)
    said: list[str] = []
    failed: list[str] = []
    parts = {"arrivals": _arrivals, "nights": _nights, "margins": _margins, "fuel": _fuel}
    for name, part in parts.items():
        try:
            said += list(part(old, report))
        except _DAMAGED:  # a plan of another version, or a damaged one: compare what is readable
            failed.append(name)
    if len(failed) == len(parts):
        return (UNREADABLE,)
    if failed:
        return (*said, f"Not compared, as out/plan.json is damaged or from another version: {', '.join(failed)}.")
    return tuple(said) or (NO_CHANGE,)


# --- days ---


def _old_days(old: Plan, first: date) -> list[tuple[datetime, str]]:
    """Arrival, local time, and place of every day of the old plan from a date on."""
    if len(old["days"]) > _MOST_DAYS:
        message = f"more than {_MOST_DAYS} days"
        raise ValueError(message)
    found = [(datetime.fromisoformat(row["arrive"]).replace(tzinfo=None), _key(row["to"])) for row in old["days"]]
    return [(on, to) for on, to in found if on.date() >= first]


def _key(text: Any) -> str:  # the earlier plan is not trusted
    if not isinstance(text, str):
        message = "a key that is not text"
        raise TypeError(message)
    return one_line(text)


def _new_days(report: Report) -> list[tuple[datetime, str]]:
    return [(row.arrive.replace(tzinfo=None, microsecond=0), row.finish.key) for row in day_rows(report)]


def _name(report: Report, key: str) -> str:
    place = report.outlook.trip.places.get(key)
    return key if place is None else place.name


def _arrivals(old: Plan, report: Report) -> Iterator[str]:
    before, after = _old_days(old, report.outlook.trip.first_date), _new_days(report)
    if not before or before[-1][1] != after[-1][1]:
        return
    (was, _), (now, place) = before[-1], after[-1]
    shift = now - was
    if abs(shift) >= _LATE:
        word = "later" if shift > timedelta() else "earlier"
        yield (
            f"Arrival at {_name(report, place)} {now:%a %d %b %H:%M}, {_span(abs(shift))} {word} than in the last plan."
        )


def _span(length: timedelta) -> str:
    minutes = round(length.total_seconds() / 60.0)
    days, hours, rest = minutes // 1440, minutes // 60 % 24, minutes % 60
    parts = [f"{n} {unit}" for n, unit in ((days, "d"), (hours, "h"), (rest, "min")) if n]
    return " ".join(parts[:2])


def _nights(old: Plan, report: Report) -> Iterator[str]:
    before = {on.date(): to for on, to in _old_days(old, report.outlook.trip.first_date)[:-1]}
    after = {on.date(): to for on, to in _new_days(report)[:-1]}
    for day in sorted({*before, *after}):
        was, now = (None if key is None else _name(report, key) for key in (before.get(day), after.get(day)))
        if before.get(day) == after.get(day):
            continue
        if was is None:
            yield f"Night of {day:%a %d %b}: now at {now}; none in the last plan."
        elif now is None:
            yield f"Night of {day:%a %d %b}: none now; {was} in the last plan."
        else:
            yield f"Night of {day:%a %d %b}: at {now} instead of {was}."


# --- margins and fuel ---


def _margins(old: Plan, report: Report) -> Iterator[str]:
    """Compare the smallest margin of every common leg, largest change first."""
    known = {(leg["from"], leg["to"]): {f["fluid"]: f for f in leg["fluids"]} for leg in old["legs"]}
    found = []
    for i, leg in enumerate(report.outlook.legs):
        fluids = known.get((leg.start, leg.finish))
        if fluids is None:
            continue
        worst = report.worst(i)
        was = fluids.get(worst.fluid)
        if was is None:
            continue
        before_k, level = float(was["margin_k"]), was["level"]
        if not abs(before_k) <= _MOST_MARGIN_K or level not in WORDS:
            message = "an impossible margin"
            raise ValueError(message)
        change = worst.margin_k - before_k
        crossed = level != worst.level
        if crossed or abs(change) >= _NOTABLE_K:
            found.append((not crossed, -abs(change), change, worst, level))
    found.sort(key=lambda item: item[:2])
    for _, _, change, worst, level in found[:_MOST_LEGS]:
        yield _margin_words(report, worst, change, level)
    if len(found) > _MOST_LEGS:
        yield f"{len(found) - _MOST_LEGS} more legs changed less."


def _margin_words(report: Report, worst: Margin, change: float, level: str) -> str:
    u = report.units
    word = "up" if change > 0.0 else "down"
    levels = f"{worst.level}, was {level}" if level != worst.level else worst.level
    return (
        f"{leg_name(report.outlook, worst.leg)}: {fluid_of(worst.fluid).label} margin {word} by "
        f"{u.diff(abs(change)):.0f} to {u.diff(worst.margin_k):.0f} {u.temperature} ({levels})."
    )


def _fuel(old: Plan, report: Report) -> Iterator[str]:
    outlook = report.outlook
    ahead = {leg.finish for leg in outlook.legs}
    before = [str(stop["place"]) for stop in old["fuel"]["stops"] if stop["place"] in ahead]
    after = [stop.place for stop in report.fuel.stops]
    new, gone = _names(report, after, before), _names(report, before, after)
    if new:
        yield f"Fuel now also at {', '.join(new)}."
    if gone:
        yield f"Fuel no longer at {', '.join(gone)}."


def _names(report: Report, these: Sequence[str], others: Sequence[str]) -> list[str]:
    return [report.outlook.trip.places[key].name for key in dict.fromkeys(these) if key not in others]
