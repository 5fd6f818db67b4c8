"""Explaining why no days can be found: day, rule, excess, and one tested change that works."""

import itertools
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, time, timedelta
from typing import Any

from planner.model import clock
from planner.model.errors import PlannerError
from planner.model.trip import DayRules
from planner.route import nights
from planner.route.nights import MOST_DAYS, days_left, night_ends
from planner.route.oneday import Case, DayLegs, case_of, finish_late_s, late_s, latest_s, local_date

_QUARTER_S, _MOST_QUARTERS = 900.0, 64
_MOST_SHIFT_DAYS = 370

Days = tuple[DayLegs, ...]


def search(case: Case) -> Days | None:
    """Find days with changed rules; None for a departure in a skipped hour."""
    try:
        return nights.search(case)
    except PlannerError:
        return None


def explain(case: Case) -> str:
    """Find the single rule to relax, by how much, and what to write."""
    if len(case.trip.rest) > MOST_DAYS or (days_left(case, night_ends(case)) or {0: 0})[0] > MOST_DAYS:
        return f"the trip takes more than {MOST_DAYS} days, the maximum; split it"
    gap = _worst_gap(case)
    bare = case.trip.day.lodging_only and not any(
        "lodging" in case.place(at).services for at in range(len(case.legs) + 1)
    )
    if bare and "place to stay" in gap:
        advice = "add it to the towns where you can sleep, or set [day] lodging_only = false"
        return f"no place on the route has 'lodging' under 'services' in {case.trip.written.places}; {advice}"
    said = None if gap else next(_single(case), None)
    if said is not None:
        return said
    day, needed = case.trip.day, _least_driving(case)
    if needed is not None:
        more = "; or add 'lodging' to a place between" if gap and "place to stay" in gap else ""
        start = gap or _longest(case, needed)
        return (
            f"{start} the days cannot be split within [day] driving of {day.driving_s / 3600:.2f} h; "
            f"{needed / 3600:.2f} h would work{more}"
        ).strip()
    return f"{gap} {_pair(case)}".strip()


def _single(case: Case) -> Iterator[str]:
    """Yield explanations by a single rule."""
    yield from _nights(case)
    for rule in (_season, _finish, _asked, _event, _morning, _rest, _sunset, _lodging):
        yield from rule(case)


def _with(case: Case, **changes: object) -> Case:
    """The case with changed settings of the trip."""
    trip = replace(case.trip, **changes)  # type: ignore[arg-type]
    leg_s = [a + b for a, b in zip(case.driving_s, case.carried_s, strict=True)]
    return replace(case_of(trip, case.legs, leg_s, case.heat), seasons=case.seasons)


def _with_day(case: Case, **changes: object) -> Case:
    return _with(case, day=replace(case.trip.day, **changes))  # type: ignore[arg-type]


# --- single rules ---


def _without_one(case: Case, key: str) -> tuple[Any, Days] | None:
    """First item of a setting without which the plan works, and its days."""
    held = getattr(case.trip, key)
    for n, one in enumerate(held):
        found = search(_with(case, **{key: (*held[:n], *held[n + 1 :])}))
        if found is not None:
            return one, found
    return None


def _nights(case: Case) -> Iterator[str]:
    """Requested nights, rest days and halts."""
    settings = (("nights", "night", "'nights'"), ("rest", "rest day", "'rest'"), ("halts", "halt", "[[halt]]"))
    for key, what, where in settings:
        if found := _without_one(case, key):
            place = case.trip.places[getattr(found[0], "place", found[0]).partition(":")[0]].name
            yield f"the {what} at {place!r} conflicts with the other rules; the plan works without it in {where}"


def _season(case: Case) -> Iterator[str]:
    found = search(replace(case, seasons=False, memo={}))
    if found is None:
        return
    for day, i, at_s in _legs_of(case, found):
        leg, on = case.legs[i], local_date(case, i + 1, at_s)
        if leg.open_on(on) or leg.season is None:
            continue
        names = f"{leg.road or 'the road'} from {case.place(i).name} to {case.place(i + 1).name}"
        (a, b), (c, d) = leg.season
        season = f"open {a:02}-{b:02} to {c:02}-{d:02}"
        said = f"day {day + 1}, {on:%Y-%m-%d}: {names} is closed on the day it would be driven ({season})"
        wait = next((n for n in range(1, _MOST_SHIFT_DAYS) if leg.open_on(on + timedelta(days=n))), None)
        if wait is not None:
            later = case.trip.departure + timedelta(days=wait)
            if search(_with(case, departure=later)) is not None:
                said += f'; departure = "{later:%Y-%m-%d %H:%M}", {_days(wait)} later, would work'
        yield said
        return


def _finish(case: Case) -> Iterator[str]:
    if case.trip.finish_by is None:
        return
    found = search(_with(case, finish_by=None))
    if found is None:
        return
    over = finish_late_s(case, found[-1])
    end = _clock(case, len(case.legs), found[-1].end_s)
    up = datetime.combine(end.date(), time(end.hour, 15 * (end.minute // 15))) + timedelta(minutes=15)
    yield (
        f"the 'finish_by' date is too early: day {_number(case, found[-1])} arrives at "
        f"{case.place(len(case.legs)).name!r} {end:%Y-%m-%d %H:%M}, {_amount(over)} after it; "
        f'finish_by = "{up:%Y-%m-%d %H:%M}" would work'
    )


def _asked(case: Case) -> Iterator[str]:
    """Requested number of days or date of arrival."""
    trip = case.trip
    for key, said in (("days", f"days = {trip.days}"), ("arrive", f'arrive = "{trip.arrive}"')):
        few = search(_with(case, **{key: 0 if key == "days" else None})) if getattr(trip, key) else None
        if few is None:
            continue
        number, end = _number(case, few[-1]), _clock(case, len(case.legs), few[-1].end_s)
        too_many = trip.days > number if key == "days" else trip.arrive > end.date()  # type: ignore[operator]
        change = (f"days = {number}" if key == "days" else f'arrive = "{end:%Y-%m-%d}"') + " would work"
        if too_many:
            yield f"{said}: too few places where a day may end; add 'rest' days or places; otherwise {change}"
        else:
            yield f"{said}: the daily rules need {_days(number)}, until {end:%Y-%m-%d}; {change}"
        return


def _event(case: Case) -> Iterator[str]:
    without = _without_one(case, "events")
    if without is None:
        return
    event, found = without
    place, due = case.trip.places[event.place], datetime.combine(event.on, event.arrive_by)
    said = f"an event cannot be reached in time: {place.name!r} on {event.on} by {event.arrive_by:%H:%M}"
    for reached in [at for _, i, at in _legs_of(case, found) if case.legs[i].finish == event.place][:1]:
        at = clock.local(reached, place.lat_deg, place.lon_deg).replace(tzinfo=None)
        if at > due:
            said += f", reached {at:%Y-%m-%d %H:%M}, {_amount((at - due).total_seconds())} late"
            early = case.trip.departure - timedelta(days=-(-(at - due) // timedelta(days=1)))
            if search(_with(case, departure=early)) is not None:
                yield f'{said}; departure = "{early:%Y-%m-%d %H:%M}" would work'
                return
    yield f"{said}; change its date, its arrive_by or the departure"


def _morning(case: Case) -> Iterator[str]:
    if found := _without_one(case, "mornings"):
        on, at = found[0]
        said = f"the morning of {on} at {at:%H:%M} conflicts with the daily rules"
        yield f"{said}; the plan works without that [[morning]]"


def _rest(case: Case) -> Iterator[str]:
    rest_s = case.trip.day.least_rest_s
    found = search(_with_day(case, least_rest_s=1.0))
    if found is None:
        return
    for a, b in itertools.pairwise(found):
        short = rest_s - (b.start_s - a.free_s)
        if short > 0.0:
            hours = (b.start_s - a.free_s) / 3600.0
            yield (
                f"between the arrival of day {_number(case, a)} at {case.place(a.last + 1).name!r} and the start of "
                f"day {_number(case, b)} lie {hours:.2f} h, {_amount(short)} less than [day] least_rest of "
                f'{rest_s / 3600.0:.2f} h; depart earlier, or set least_rest = "{max(hours // 0.25 * 0.25, 0.25):g} h"'
            )
            return


def _sunset(case: Case) -> Iterator[str]:
    if not case.trip.day.daylight:
        return
    found = search(_with_day(case, daylight=False))
    if found is None:
        return
    for day in found:
        on = local_date(case, day.first, day.start_s)
        late = late_s(case, day, on)
        if late > 0.0:
            place = case.place(day.last + 1)
            latest = _clock(case, day.last + 1, latest_s(case, day.last + 1, on))
            yield (
                f"day {_number(case, day)} cannot arrive before sunset: at {place.name!r} "
                f"{_clock(case, day.last + 1, day.end_s):%H:%M}, {_amount(late)} after the latest, {latest:%H:%M} "
                f"({case.trip.day.before_sunset_s / 60:.0f} min before sunset); {_for_daylight(case)}"
            )
            return
    yield f"a day cannot arrive before sunset; {_for_daylight(case)}"


def _for_daylight(case: Case) -> str:
    """Name the smallest tested change that keeps daylight, else suggest driving in the dark."""
    rules: DayRules = case.trip.day
    for half in range(1, 13):
        early = case.trip.departure - timedelta(minutes=30 * half)
        if early.date() == case.trip.first_date and search(_with(case, departure=early)) is not None:
            return f'departure = "{early:%Y-%m-%d %H:%M}" would work'
    at = datetime.combine(case.trip.first_date, rules.earliest)
    for half in range(1, 13):
        early = at - timedelta(minutes=30 * half)
        if early.date() != at.date():
            break
        if search(_with_day(case, earliest=early.time())) is not None:
            return f'[day] earliest = "{early:%H:%M}" would work'
    for minutes in range(int(rules.before_sunset_s // 60.0) // 15 * 15, -1, -15):
        if search(_with_day(case, before_sunset_s=60.0 * minutes)) is not None:
            return f'[day] before_sunset = "{minutes} min" would work'
    return "depart earlier (departure, [day] start or earliest), or set [day] daylight = false, which works"


def _lodging(case: Case) -> Iterator[str]:
    if not case.trip.day.lodging_only:
        return
    found = search(_with_day(case, lodging_only=False))
    if found is None:
        return
    allowed = set(night_ends(case))
    bare = [case.place(day.last + 1).name for day in found if day.last + 1 not in allowed]
    where = f": a night at {', '.join(map(repr, bare[:3]))} would work" if bare else ""
    yield (f"too few places have lodging{where}; add 'lodging' where there are beds, or set [day] lodging_only = false")


# --- driving ---


def _least_driving(case: Case) -> float | None:
    """Shortest driving limit that works, to a quarter of an hour; None if sixteen hours do not. [s]."""

    def enough(quarters: int) -> bool:
        return search(_with_day(case, driving_s=_QUARTER_S * quarters)) is not None

    low, high = int(case.trip.day.driving_s // _QUARTER_S), _MOST_QUARTERS
    if low >= high or not enough(high):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return _QUARTER_S * high


def _longest(case: Case, driving_s: float) -> str:
    """Name the day that is too long, under the limit that works."""
    found = search(_with_day(case, driving_s=driving_s)) or ()
    for day in found:
        over = day.driving_s - case.trip.day.driving_s
        if over > 0.0:
            a, b = case.place(day.first).name, case.place(day.last + 1).name
            return f"day {_number(case, day)} from {a!r} to {b!r} is {_amount(over)} too long:"
    return ""


def _pair(case: Case) -> str:
    """Name two rules to relax together, else report that no two suffice."""
    free: dict[str, dict[str, object]] = {
        "[day] daylight = false": {"daylight": False},
        "[day] lodging_only = false": {"lodging_only": False},
        '[day] driving = "16 h"': {"driving_s": 57600.0},
        '[day] least_rest = "1 h"': {"least_rest_s": 3600.0},
    }
    for (a, one), (b, other) in itertools.combinations(free.items(), 2):
        if search(_with_day(case, **one, **other)) is not None:
            return f"no change of one rule makes the days possible; {a} together with {b} does"
    return "no change of one or two rules makes the days possible; relax driving, sunset and lodging together"


def _worst_gap(case: Case) -> str:
    """Name the longest stretch between possible nights, if longer than a day."""
    ends = [0, *night_ends(case)]
    worst, a, b = max((case.time_s(a, b), a, b) for a, b in itertools.pairwise(ends))
    if worst <= case.trip.day.driving_s:
        return ""
    start, finish = case.place(a).name, case.place(b).name
    if b == a + 1:
        hours = f"{worst / 3600:.1f} h"
        return f"the leg from {start!r} to {finish!r} alone takes {hours}; split it with a place in between:"
    return f"no place to stay between {start!r} and {finish!r} ({worst / 3600:.1f} h of driving):"


# --- messages ---


def _legs_of(case: Case, found: Days) -> Iterator[tuple[int, int, float]]:
    """Yield the day number and end time of every leg."""
    for day in found:
        now = day.start_s
        number = (local_date(case, day.first, day.start_s) - case.trip.first_date).days
        for i in range(day.first, day.last + 1):
            now += case.driving_s[i] + case.carried_s[i]
            yield number, i, now
            now += sum(seconds for after, seconds, _ in day.pauses if after == i)


def _number(case: Case, day: DayLegs) -> int:
    """Number of a day of the trip from 1, days without driving included."""
    return (local_date(case, day.first, day.start_s) - case.trip.first_date).days + 1


def _clock(case: Case, position: int, epoch_s: float) -> datetime:
    place = case.place(position)
    return clock.local(epoch_s, place.lat_deg, place.lon_deg)


def _amount(seconds: float) -> str:
    minutes = -(-seconds // 60.0)
    if minutes < 120.0:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.1f} h" if minutes < 2880.0 else _days(minutes / 1440.0)


def _days(count: float) -> str:
    return f"{count:.0f} day" + ("" if round(count) == 1 else "s")
