"""Splitting a route into days against trying every set of nights."""

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.days import split_days
from planner.errors import NoRouteError

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


def try_every_set(hours, limit_h, allowed, forced):
    """Days and sum of squared hours of the best set of nights, or None when no set does."""
    best = None
    free = [night for night in allowed if night not in forced]
    for count in range(len(free) + 1):
        for more in combinations(free, count):
            cuts = [0, *sorted({*more, *forced}), len(hours)]
            days = [sum(hours[a:b]) for a, b in zip(cuts, cuts[1:], strict=False)]
            if max(days) <= limit_h:
                found = (len(days), sum(day**2 for day in days))
                best = found if best is None else min(best, found)
    return best


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_no_set_of_nights_is_better(make_trip, road, data):
    hours = data.draw(st.lists(st.sampled_from([0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 5.0]), min_size=1, max_size=10))
    inner = list(range(1, len(hours)))
    allowed = data.draw(st.sets(st.sampled_from(inner))) if inner else set()
    forced = data.draw(st.sets(st.sampled_from(sorted(allowed)), max_size=2)) if allowed else set()
    limit_h = data.draw(st.sampled_from([3.0, 4.5, 6.0]))
    best = try_every_set(hours, limit_h, allowed, forced)
    rules = {"driving_s": limit_h * HOUR, "lodging_only": True}
    nights = tuple(f"p{i}" for i in sorted(forced))
    if best is None:
        with pytest.raises(NoRouteError):
            split(make_trip, road, hours, allowed, day=rules, nights=nights)
        return
    days = split(make_trip, road, hours, allowed, day=rules, nights=nights)
    assert [days[0].first, *(day.last + 1 for day in days)] == [*(day.first for day in days), len(hours)]
    assert {day.last + 1 for day in days[:-1]} <= allowed
    assert {day.last + 1 for day in days[:-1]} >= forced
    driven = [day.driving_s / HOUR for day in days]
    assert driven == pytest.approx([sum(hours[day.first : day.last + 1]) for day in days])
    assert (len(days), sum(h**2 for h in driven)) == pytest.approx(best)


def test_few_days_come_before_even_ones(make_trip, road):
    # Three days of 3 h have the lesser sum of squares, 27 against 45, but are one day more. 3 + 6 and 6 + 3 tie.
    days = split(make_trip, road, [3, 3, 3])
    assert [(day.first, day.last) for day in days] == [(0, 0), (1, 2)]


def test_of_as_few_days_the_most_even_are_taken(make_trip, road):
    # 3 + 6, 5 + 4 and 7 + 2 h are possible.
    assert [day.last for day in split(make_trip, road, [3, 2, 2, 2])] == [1, 3]
    assert [day.last for day in split(make_trip, road, [3, 2, 2, 2], lodging=[1, 3], day={"lodging_only": True})] == [0, 3]


def test_a_night_asked_for_is_kept_even_without_lodging(make_trip, road):
    days = split(make_trip, road, [1, 1, 1], lodging=[1], day={"lodging_only": True}, nights=("p2",))
    assert [day.last for day in days] == [1, 2]


def test_nights_only_where_there_is_lodging_unless_any_place_will_do(make_trip, road):
    assert [d.last for d in split(make_trip, road, [3, 3, 3, 3], lodging=[3], day={"lodging_only": False})] == [1, 3]
    with pytest.raises(NoRouteError, match="between 'P0' and 'P3'"):
        split(make_trip, road, [3, 3, 3, 3], lodging=[3], day={"lodging_only": True})


def test_a_night_off_the_route_or_out_of_order_is_named(make_trip, road):
    trip, legs = chain(make_trip, road, [1, 1, 1], nights=("p2", "p1"))
    with pytest.raises(NoRouteError, match=r"night at 'P1' is not on the route, or out of order; reorder 'nights'"):
        split_days(trip, legs, [HOUR] * 3)


def test_the_stretch_that_is_too_long_is_named_with_its_hours(make_trip, road):
    with pytest.raises(NoRouteError) as caught:
        split(make_trip, road, [2, 3, 4, 2.5, 1], lodging=[1, 4], day={"lodging_only": True, "driving_s": 8 * HOUR})
    said = str(caught.value)
    assert "between 'P1' and 'P4': 9.5 h of driving, allowed are 8.0 h" in said
    assert "[day] driving" in said
    assert "lodging_only = false" in said


def test_exactly_the_limit_is_allowed(make_trip, road):
    assert len(split(make_trip, road, [4, 4])) == 1
    assert len(split(make_trip, road, [4, 4.01])) == 2


def test_a_place_passed_twice_is_slept_at_once(make_trip, road):
    legs = [road("a", "b", 60), road("b", "c", 60), road("c", "b", 60), road("b", "d", 60)]
    trip = make_trip(legs, nights=("b",))
    assert [(day.first, day.last) for day in split_days(trip, legs, [HOUR] * 4)] == [(0, 0), (1, 3)]
