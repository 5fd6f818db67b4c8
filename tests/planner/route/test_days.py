"""Splitting a route into days: each rule where its answer is known; test_one_clock.py tries every set of nights.

Days begin at 08:00 at one spot of Kansas, 38.5 N 98 W, on 6 July 2027; the sun sets there at 20:55 and in December at
17:15, to five minutes (from memory of almanac tables).
"""

import itertools
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from planner.model.errors import NoRouteError
from planner.model.trip import Event, Halt
from planner.route.days import split_days

CHICAGO = ZoneInfo("America/Chicago")
HOUR = 3600.0


def split(make_trip, road, hours, lodging=None, *, seasons=None, ferries=(), **more):
    """Days of a straight road of places p0, p1, ...; `lodging` lists the positions that have beds, else all have."""
    legs = [
        road(f"p{i}", f"p{i + 1}", 60.0 * h, season=(seasons or {}).get(i), kind="ferry" if i in ferries else "road")
        for i, h in enumerate(hours)
    ]
    beds = range(len(hours) + 1) if lodging is None else lodging
    places = {f"p{i}": {"services": frozenset({"lodging"})} for i in beds}
    return split_days(make_trip(legs, places=places, **more), legs, [h * HOUR for h in hours])


BEDS = {"lodging_only": True}


@pytest.mark.parametrize(
    ("hours", "lodging", "more", "lasts"),
    [
        # Three days of 3 h have the lesser sum of squares, 27 against 45, but are one day more. 3 + 6 and 6 + 3 tie.
        ([3, 3, 3], None, {}, [0, 2]),
        # of as few days the most even: 3 + 6, 5 + 4 and 7 + 2 h are possible
        ([3, 2, 2, 2], None, {}, [1, 3]),
        ([3, 2, 2, 2], [1, 3], {"day": BEDS}, [0, 3]),
        ([1, 1, 1], [1], {"day": BEDS, "nights": ("p2",)}, [1, 2]),  # a night asked for, even without lodging
        ([3, 3, 3, 3], [3], {"day": {"lodging_only": False}}, [1, 3]),
        ([4, 4], None, {}, [1]),  # exactly the limit
        ([4, 4.01], None, {}, [0, 1]),
        # 13 h from 08:00 end at 21:00, after sunset at 20:55; 12 h end at 20:00, in time
        ([4, 4, 4], [], {"day": {"driving_s": 14 * HOUR, "before_sunset_s": 1800.0}}, [2]),
        ([5, 4, 4], [], {"day": {"driving_s": 14 * HOUR, "before_sunset_s": 1800.0}}, [0, 2]),
        ([5, 3, 4], [], {"day": {"driving_s": 14 * HOUR, "before_sunset_s": 5400.0}}, [0, 2]),
        # days are short in winter
        ([4, 4, 1], [], {"day": {"driving_s": 10 * HOUR, "before_sunset_s": 1800.0}}, [2]),
        ([4, 4, 1], [], {"day": {"driving_s": 10 * HOUR}, "departure": datetime(2027, 12, 20, 8)}, [0, 2]),
    ],
)
def test_where_days_end(make_trip, road, hours, lodging, more, lasts):
    days = split(make_trip, road, hours, lodging, **more)
    assert [days[0].first, *(day.last + 1 for day in days)] == [*(day.first for day in days), len(hours)]
    assert [day.last for day in days] == lasts


def test_a_place_passed_twice_is_slept_at_once(make_trip, road):
    legs = [road("a", "b", 60), road("b", "c", 60), road("c", "b", 60), road("b", "d", 60)]
    trip = make_trip(legs, nights=("b",))
    assert [(day.first, day.last) for day in split_days(trip, legs, [HOUR] * 4)] == [(0, 0), (1, 3)]


# --- the clock of a day ---


def clocks(days) -> list[str]:
    """Start and end of every day on the wall."""
    found = []
    for day in days:
        begin, end = (datetime.fromtimestamp(at, tz=UTC).astimezone(CHICAGO) for at in (day.start_s, day.end_s))
        found.append(f"{begin:%d %H:%M}-{end:{'%H:%M' if begin.date() == end.date() else '%d %H:%M'}}")
    return found


def test_the_first_day_starts_at_the_departure_and_the_others_at_their_hour(make_trip, road):
    rules = {"start": time(7, 30), "driving_s": 4 * HOUR}
    days = split(make_trip, road, [3, 3, 3], lodging=[], day=rules)
    assert clocks(days) == ["06 08:00-11:00", "07 07:30-10:30", "08 07:30-10:30"]


# --- breaks and halts ---


def test_a_break_comes_before_the_leg_that_would_be_too_long(make_trip, road):
    # Breaks of 15 min are due every 2 h, and possible only where there is something to stop for.
    days = split(make_trip, road, [1, 1, 1, 1], lodging=[1, 2, 3], day={"break_every_s": 2 * HOUR, "break_s": 900.0})
    assert days[0].pauses == ((1, 900.0, "break"),)
    assert clocks(days) == ["06 08:00-12:15"]
    days = split(make_trip, road, [1, 1, 1, 1], lodging=[1, 3], day={"break_every_s": 2 * HOUR, "break_s": 900.0})
    assert days[0].pauses == ((2, 900.0, "break"),)


def test_a_long_halt_is_a_break_too(make_trip, road):
    halts = (halt("p2", 0.5),)
    rules = {"break_every_s": 2 * HOUR, "break_s": 900.0}
    days = split(make_trip, road, [1, 1, 1, 1], day=rules, halts=halts)
    assert days[0].pauses == ((1, 1800.0, "halt"),)
    assert clocks(days) == ["06 08:00-12:30"]


def test_breaks_can_be_switched_off(make_trip, road):
    days = split(make_trip, road, [1, 1, 1, 1], day={"break_every_s": 2 * HOUR, "break_s": 0.0})
    assert days[0].pauses == ()


def halt(key, hours):
    return Halt(place=key, duration_s=hours * HOUR, engine_on=False)


def test_a_halt_where_the_day_ends_comes_before_the_night(make_trip, road):
    rules = {"break_s": 0.0, "daylight": False}
    day, after = split(make_trip, road, [8, 4], [], halts=(halt("p1", 7.5),), day=rules)
    assert day.pauses == ((0, 7.5 * HOUR, "halt"),)
    assert clocks((day, after)) == ["06 08:00-16:00", "07 08:00-12:00"]
    day, after = split(make_trip, road, [8, 4], [], halts=(halt("p1", 7.5),), day=rules | {"least_rest_s": 10 * HOUR})
    assert clocks((day, after)) == ["06 08:00-16:00", "07 09:30-13:30"]


def test_hours_on_a_ferry_are_no_driving(make_trip, road):
    rules = {"driving_s": 8 * HOUR, "break_s": 0.0, "daylight": False}
    (day,) = split(make_trip, road, [4, 6, 4], [], ferries={1}, day=rules)
    assert (day.driving_s, day.carried_s, day.end_s - day.start_s) == (8 * HOUR, 6 * HOUR, 14 * HOUR)
    # by daylight too: aboard before sunset, ashore at 01:00, driving until 05:00 the next morning
    (day,) = split(make_trip, road, [4, 13, 4], [], ferries={1}, day=rules | {"daylight": True})
    assert clocks((day,)) == ["06 08:00-07 05:00"]


def test_heat_moves_a_start_only_when_asked(make_trip, road):
    """A climb that is hot from nine on: the usual start without, an earlier one with the table of heat."""
    legs = [road("p0", "p1", 100), road("p1", "p2", 100)]
    trip = make_trip(legs)
    heat = np.zeros((2, 48))
    heat[1, 18:] = 5.0
    plain = split_days(trip, legs, [7 * HOUR, 2 * HOUR])
    cool = split_days(trip, legs, [7 * HOUR, 2 * HOUR], heat=heat)
    assert len(plain) == len(cool) == 2
    assert plain[1].start_s - cool[1].start_s >= 0.5 * HOUR
    assert plain[0].start_s == cool[0].start_s  # the departure is the user's


# --- dates ---


def test_a_rest_day_is_a_day_without_driving(make_trip, road):
    rules = {"driving_s": 4 * HOUR}
    assert clocks(split(make_trip, road, [3, 3, 3], lodging=[], day=rules, rest=("p2",))) == [
        "06 08:00-11:00",
        "07 08:00-11:00",
        "09 08:00-11:00",
    ]
    assert clocks(split(make_trip, road, [1, 1], lodging=[], rest=("p1", "p1"))) == ["06 08:00-09:00", "09 08:00-09:00"]


@pytest.mark.parametrize(("rest", "day"), [(("c",), 2), (("c:1",), 0), (("c:2",), 2)])
def test_a_rest_day_is_taken_once_at_the_passing_named(make_trip, road, rest, day):
    legs = [road("a", "c", 60), road("c", "d", 60), road("d", "c", 60), road("c", "e", 60)]
    trip = make_trip(legs, rest=rest, nights=("c:2",))
    days = split_days(trip, legs, [HOUR] * 4)
    gaps = [(b.start_s - a.start_s) / 86400.0 for a, b in itertools.pairwise(days)]
    assert sum(gap > 1.5 for gap in gaps) == 1
    assert next(a.last for a, b in itertools.pairwise(days) if b.start_s - a.start_s > 1.5 * 86400.0) == day


def test_an_event_is_waited_for(make_trip, road):
    event = Event(place="p2", on=date(2027, 7, 9), arrive_by=time(12), stay_s=2 * HOUR)
    days = split(make_trip, road, [3, 3, 3], lodging=[], day={"driving_s": 4 * HOUR}, events=(event,))
    starts = [datetime.fromtimestamp(day.start_s, tz=UTC).astimezone(CHICAGO) for day in days]
    # There on the 9th at the latest; onward on the 9th after two hours, or next morning.
    arrived = [day for day, at in zip(days, starts, strict=True) if day.last == 1]
    assert arrived
    assert starts[[day.last for day in days].index(1)].date() <= date(2027, 7, 9)
    assert starts[-1] >= datetime(2027, 7, 9, 10, tzinfo=CHICAGO)


def test_a_latest_finish_is_met_by_setting_off_earlier_or_refused(make_trip, road):
    def last_day(hour: int, minute: int) -> str:
        rules = {"driving_s": 4 * HOUR, "earliest": time(6)}
        latest = datetime(2027, 7, 8, hour, minute)
        return clocks(split(make_trip, road, [3, 3, 3], lodging=[], day=rules, finish_by=latest))[-1]

    assert last_day(11, 30) == "08 08:00-11:00"
    assert last_day(10, 30) == "08 07:30-10:30"
    assert last_day(9, 0) == "08 06:00-09:00"
    with pytest.raises(NoRouteError):
        last_day(8, 30)


def test_an_event_binds_the_first_passing_only(make_trip, road):
    """Passed again on a later day, which is no contradiction."""
    legs = [road("a", "b", 80), road("b", "c", 80), road("c", "d", 80), road("d", "b", 80), road("b", "c", 80)]
    event = Event(place="b", on=date(2027, 7, 6), arrive_by=time(23), stay_s=0.0)
    trip = make_trip(legs, explicit=True, route=("a", "b", "c", "d", "b", "c"), events=(event,))
    assert len(split_days(trip, legs, [4 * HOUR] * 5)) > 1


# --- what is refused: the day, the rule, the amount and what would work ---

REFUSED = {
    "night at 'P1' is before 'P2' on the route; list the 'nights' in the order": {
        "hours": [1, 1, 1],
        "nights": ("p2", "p1"),
    },
    "halt at 'P1' is listed more often than the route passes it; remove one": {
        "hours": [1, 1],
        "halts": (halt("p1", 1.0), halt("p1", 1.0)),
    },
    "night at 'P1': the route passes it 1 time, so there is no p1:2": {"hours": [1, 1], "nights": ("p1:2",)},
    "the trip starts there": {"hours": [1, 1], "halts": (halt("p0", 1.0),)},
    "no place on the route has 'lodging' under 'services' in places.csv; .* or set \\[day\\] lodging_only = false": {
        "hours": [7, 7],
        "day": BEDS,
    },
    "sunset": {"hours": [3], "departure": datetime(2027, 7, 6, 22)},
    "event cannot be reached": {
        "hours": [7, 7, 7],
        "events": (Event(place="p3", on=date(2027, 7, 7), arrive_by=time(12), stay_s=0.0),),
    },
    r"no place to stay between 'P1' and 'P4' \(9.5 h of driving\).*\[day\] driving of 8.00 h; 9.50 h would work": {
        "hours": [2, 3, 4, 2.5, 1],
        "lodging": [1, 4],
        "day": BEDS | {"driving_s": 8 * HOUR},
    },
    "day 1 cannot arrive before sunset: at 'P2' 22:00, 92 min after .*; departure = \"2027-07-06 0[67]:.0\" would "
    "work": {"hours": [7, 7], "day": BEDS | {"driving_s": 14 * HOUR, "break_s": 0.0}},
    'day 2, 2027-07-07: the road from P2 to P3 is closed .*departure = "2027-07-19 08:00", 13 days later': {
        "hours": [4, 4, 4],
        "seasons": {2: ((7, 20), (10, 15))},
    },
    "'finish_by' date is too early: day 3 .* 2027-07-08 15:00, 24.0 h after it; finish_by = \"2027-07-08 15:15\"": {
        "hours": [7, 7, 7],
        "finish_by": datetime(2027, 7, 7, 15),
        "day": {"break_s": 0.0, "earliest": time(8)},
    },
    "days = 2: the daily rules need 3 days, until 2027-07-08; days = 3 would work": {"hours": [7, 7, 7], "days": 2},
    "days = 5: too few places where a day may end; .* days = 3 would work": {"hours": [7, 7, 7], "days": 5},
    "the morning of 2027-07-07 at 02:00 conflicts": {
        "hours": [7, 7],
        "mornings": ((date(2027, 7, 7), time(2)),),
        "departure": datetime(2027, 7, 6, 13),
        "day": {"daylight": False},
    },
}


@pytest.mark.parametrize("words", REFUSED)
def test_a_refusal_names_the_day_the_rule_the_amount_and_what_works(make_trip, road, words):
    with pytest.raises(NoRouteError, match=words):
        split(make_trip, road, **{"lodging": []} | REFUSED[words])
