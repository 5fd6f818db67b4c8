"""Text on stretches without elevations; no slow imports."""

from collections.abc import Sequence

from planner.model.display import Units, units_of
from planner.model.trip import Leg, Trip
from planner.route.gaps import Gap, find_gaps

_WORTH_SAYING_M = 50.0
_MOST = 5


def gap_words(u: Units, gap: Gap) -> str:
    """Describe a stretch without elevations."""
    ground = gap.ground
    way = f"{u.dist(gap.length_m):.0f} {u.distance} without a profile"
    if ground.above_m >= _WORTH_SAYING_M:
        return f"{way}, ground up to {round(u.height(ground.above_m), -2):,.0f} {u.elevation} higher in between"
    if ground.below_m >= _WORTH_SAYING_M:
        return f"{way}, ground down to {round(u.height(ground.below_m), -2):,.0f} {u.elevation} lower in between"
    rise = ground.climb_m[1] - ground.climb_m[0]
    return f"{way}, {round(u.height(rise), -2):,.0f} {u.elevation} of climb at an unknown grade"


def profiles_worth_having(trip: Trip, legs: Sequence[Leg]) -> list[str]:
    """Name the legs that need a profile, largest unknown climb first."""
    u, places = units_of(trip.units), trip.places
    gaps = sorted(find_gaps(trip, legs), key=lambda gap: gap.ground.climb_m[0] - gap.ground.climb_m[1])
    said = [
        f"{places[legs[gap.leg].start].name} to {places[legs[gap.leg].finish].name}: {gap_words(u, gap)}"
        for gap in gaps[:_MOST]
    ]
    more = len(gaps) - _MOST
    return [*said, f"and {more} more"] if more > 0 else said
