"""Splitting a route into days: each rule where its answer is known; test_one_clock.py tries every set of nights.

Days begin at 08:00 at one spot of Kansas, 38.5 N 98 W, on 6 July 2027; the sun sets there at 20:55 and in December at
17:15, to five minutes (from memory of almanac tables).
"""

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import pytest

from planner.model.errors import NoRouteError
from planner.model.trip import Event, Halt
from planner.route.days import split_days

CHICAGO = ZoneInfo("America/Chicago")
HOUR = 3600.0


def chain(make_trip, road, hours, lodging=None, **more):
    """A straight road of places p0, p1, ...; `lodging` lists the positions that have beds, all when not given."""
    legs = [road(f"p{i}", f"p{i + 1}", 60.0 * h) for i, h in enumerate(hours)]
    beds = range(len(hours) + 1) if lodging is None else lodging
    places = {f"p{i}": {"services": frozenset({"lodging"})} for i in beds}
    return make_trip(legs, places=places, **more), legs


def split(make_trip, road, hours, lodging=None, **more):
    trip, legs = chain(make_trip, road, hours, lodging, **more)
    return split_days(trip, legs, [h * HOUR for h in hours])


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


def test_nights_only_where_there_is_lodging_unless_any_place_will_do(make_trip, road):
    with pytest.raises(NoRouteError, match="between 'P0' and 'P3'"):
        split(make_trip, road, [3, 3, 3, 3], lodging=[3], day={"lodging_only": True})


def test_a_night_off_the_route_or_out_of_order_is_named(make_trip, road):
    trip, legs = chain(make_trip, road, [1, 1, 1], nights=("p2", "p1"))
    with pytest.raises(NoRouteError, match="night at 'P1' is not on the route, or out of order"):
        split_days(trip, legs, [HOUR] * 3)


def test_the_stretch_that_is_too_long_is_named_with_its_hours(make_trip, road):
    with pytest.raises(NoRouteError) as caught:
        split(make_trip, road, [2, 3, 4, 2.5, 1], lodging=[1, 4], day={"lodging_only": True, "driving_s": 8 * HOUR})
    said = str(caught.value)
    assert "no place to stay between 'P1' and 'P4' (9.5 h of driving)" in said
    assert "[day] driving of 8.00 h; 9.50 h would work" in said


def test_a_place_passed_twice_is_slept_at_once(make_trip, road):
    legs = [road("a", "b", 60), road("b", "c", 60), road("c", "b", 60), road("b", "d", 60)]
    trip = make_trip(legs, nights=("b",))
    assert [(day.first, day.last) for day in split_days(trip, legs, [HOUR] * 4)] == [(0, 0), (1, 3)]


# --- the clock of a day ---


def clocks(days) -> list[str]:
    """Start and end of every day on the wall."""
    hours = ((datetime.fromtimestamp(day.start_s, tz=UTC), datetime.fromtimestamp(day.end_s, tz=UTC)) for day in days)
    return [f"{a.astimezone(CHICAGO):%d %H:%M}-{b.astimezone(CHICAGO):%H:%M}" for a, b in hours]


def test_the_first_day_starts_at_the_departure_and_the_others_at_their_hour(make_trip, road):
    rules = {"start": time(7, 30), "driving_s": 4 * HOUR}
    days = split(make_trip, road, [3, 3, 3], lodging=[], day=rules)
    assert clocks(days) == ["06 08:00-11:00", "07 07:30-10:30", "08 07:30-10:30"]


def test_driving_after_dark_only_is_refused_with_the_reason(make_trip, road):
    with pytest.raises(NoRouteError, match="sunset"):
        split(make_trip, road, [3], departure=datetime(2027, 7, 6, 22))


# --- breaks and halts ---


def test_a_break_comes_before_the_leg_that_would_be_too_long(make_trip, road):
    # Breaks of 15 min are due every 2 h, and possible only where there is something to stop for.
    days = split(make_trip, road, [1, 1, 1, 1], lodging=[1, 2, 3], day={"break_every_s": 2 * HOUR, "break_s": 900.0})
    assert days[0].pauses == ((1, 900.0, "break"),)
    assert clocks(days) == ["06 08:00-12:15"]
    days = split(make_trip, road, [1, 1, 1, 1], lodging=[1, 3], day={"break_every_s": 2 * HOUR, "break_s": 900.0})
    assert days[0].pauses == ((2, 900.0, "break"),)


def test_a_long_halt_is_a_break_too(make_trip, road):
    halts = (Halt(place="p2", duration_s=1800.0, engine_on=False),)
    rules = {"break_every_s": 2 * HOUR, "break_s": 900.0}
    days = split(make_trip, road, [1, 1, 1, 1], day=rules, halts=halts)
    assert days[0].pauses == ((1, 1800.0, "halt"),)
    assert clocks(days) == ["06 08:00-12:30"]


def test_breaks_can_be_switched_off(make_trip, road):
    days = split(make_trip, road, [1, 1, 1, 1], day={"break_every_s": 2 * HOUR, "break_s": 0.0})
    assert days[0].pauses == ()


# --- dates ---


def test_a_rest_day_is_a_day_without_driving(make_trip, road):
    rules = {"driving_s": 4 * HOUR}
    assert clocks(split(make_trip, road, [3, 3, 3], lodging=[], day=rules, rest=("p2",))) == [
        "06 08:00-11:00",
        "07 08:00-11:00",
        "09 08:00-11:00",
    ]
    assert clocks(split(make_trip, road, [1, 1], lodging=[], rest=("p1", "p1"))) == ["06 08:00-09:00", "09 08:00-09:00"]


def test_an_event_is_waited_for(make_trip, road):
    event = Event(place="p2", on=date(2027, 7, 9), arrive_by=time(12), stay_s=2 * HOUR)
    days = split(make_trip, road, [3, 3, 3], lodging=[], day={"driving_s": 4 * HOUR}, events=(event,))
    starts = [datetime.fromtimestamp(day.start_s, tz=UTC).astimezone(CHICAGO) for day in days]
    # There on the 9th at the latest; onward on the 9th after two hours, or next morning.
    arrived = [day for day, at in zip(days, starts, strict=True) if day.last == 1]
    assert arrived
    assert starts[[day.last for day in days].index(1)].date() <= date(2027, 7, 9)
    assert starts[-1] >= datetime(2027, 7, 9, 10, tzinfo=CHICAGO)


def test_an_event_out_of_reach_is_refused_with_the_reason(make_trip, road):
    event = Event(place="p3", on=date(2027, 7, 7), arrive_by=time(12), stay_s=0.0)
    with pytest.raises(NoRouteError, match="event cannot be reached"):
        split(make_trip, road, [7, 7, 7], lodging=[], events=(event,))


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
