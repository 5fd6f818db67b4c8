"""Remarks on the days found."""

import itertools
from collections.abc import Iterator, Sequence

from planner.model import clock
from planner.model.trip import Leg, Trip
from planner.route.oneday import DayLegs
from planner.route.wanted import wanted_on

_NEARLY_S = 3600.0  # maximum excess of a missed night that is reported


def day_remarks(trip: Trip, legs: Sequence[Leg], days: Sequence[DayLegs], leg_s: Sequence[float]) -> Iterator[str]:
    """Report requested nights missed by little, and clock changes overnight."""
    yield from _missed_nights(trip, legs, days, leg_s)
    yield from _changed_clocks(trip, legs, days)


def _missed_nights(trip: Trip, legs: Sequence[Leg], days: Sequence[DayLegs], leg_s: Sequence[float]) -> Iterator[str]:
    """Report a requested night just out of reach, if an earlier place was used instead."""
    stops = [legs[0].start, *(leg.finish for leg in legs)]
    slept, limit_s = {day.last + 1 for day in days}, trip.day.driving_s
    for a, b in itertools.pairwise((0, *wanted_on(trip, legs).nights)):
        between = sorted(at for at in slept if a < at < b)
        driven_s = sum(leg_s[i] for i in range(a, b) if not legs[i].carried)
        if len(between) == 1 and limit_s < driven_s <= limit_s + _NEARLY_S:
            start, night, bed = (trip.places[stops[at]].name for at in (a, b, between[0]))
            enough_h = -(-driven_s // 900.0) / 4.0
            yield (
                f"The night at {night} is {-(-(driven_s - limit_s) // 60.0):.0f} min of driving beyond a day's "
                f"{limit_s / 3600.0:.2f} h from {start}, so there is a night at {bed} before it; [day] driving = "
                f'"{enough_h:g} h" would reach it.'
            )


def _changed_clocks(trip: Trip, legs: Sequence[Leg], days: Sequence[DayLegs]) -> Iterator[str]:
    for a, b in itertools.pairwise(days):
        place = trip.places[legs[a.last].finish]
        before, after = (clock.local(at, place.lat_deg, place.lon_deg) for at in (a.end_s, b.start_s))
        change = (after.replace(tzinfo=None) - before.replace(tzinfo=None)).total_seconds() - (b.start_s - a.end_s)
        change = round(change / 900.0) / 4.0
        if change:
            way = "forward" if change > 0.0 else "back"
            yield (
                f"Clocks at {place.name} go {way} by {abs(change):g} h in the night to {after:%Y-%m-%d}; times "
                "shown are local clock times."
            )
