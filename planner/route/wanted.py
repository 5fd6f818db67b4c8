"""Positions of requested stops along the route, each at its named passing."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from planner.model import geo
from planner.model.display import counted
from planner.model.errors import NoRouteError
from planner.model.trip import Event, Halt, Leg, Trip, passing_of

Counts = Mapping[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Positions on the route, 0 is the start: nights in order, rest days with count, halts, events."""

    nights: tuple[int, ...] = ()
    rest: Counts = field(default_factory=dict)
    halts: Mapping[int, Halt] = field(default_factory=dict)
    events: Mapping[int, tuple[Event, ...]] = field(default_factory=dict)


def wanted_on(trip: Trip, legs: Sequence[Leg]) -> Wanted:
    """Map requested stops to the route.

    A place without a passing number means the first passing after the start; for a night the first after the previous
    night; for a rest day the night there, if requested; for a second halt at a place the next passing.
    """
    stops = [legs[0].start, *(leg.finish for leg in legs)]
    nights: list[int] = []
    for night in trip.nights:
        key, number = passing_of(night)
        at = _position(trip, stops, key, number, "night", after=nights[-1] if nights else 0)
        nights.append(at)
    rest: dict[int, int] = {}
    for one in trip.rest:
        key, number = passing_of(one)
        slept = [at for at in nights if stops[at] == key]
        at = slept[0] if slept and not number else _position(trip, stops, key, number, "rest day")
        rest[at] = rest.get(at, 0) + 1
    halts: dict[int, Halt] = {}
    for halt in trip.halts:
        after = max((at for at in halts if stops[at] == halt.place), default=0)
        halts[_position(trip, stops, halt.place, halt.passing, "halt", after=0 if halt.passing else after)] = halt
    events: dict[int, tuple[Event, ...]] = {}
    for event in trip.events:
        at = _position(trip, stops, event.place, event.passing, "event", after=-1)
        events[at] = (*events.get(at, ()), event)
    return Wanted(nights=tuple(nights), rest=rest, halts=halts, events=events)


def _position(trip: Trip, stops: Sequence[str], key: str, number: int, what: str, *, after: int = 0) -> int:
    """Position of a passing, the start counts as one; without a number the first after another position."""
    passed = [at for at, stop in enumerate(stops) if stop == key]
    meant = passed[number - 1 : number] if number else passed
    found = next((at for at in meant if at > after), None)
    if found is not None:
        return found
    name = trip.places[key].name
    if not passed:
        near = min((trip.places[stop] for stop in stops), key=lambda stop: geo.apart_m(stop, trip.places[key]))
        list_ = "route" if trip.explicit else "via"
        message = f"{what} at {name!r} is not on the route, which comes nearest at {near.name!r}; "
        message += f"add {key!r} to '{list_}' in trip.toml, or remove the {what}"
    elif not meant:
        message = (
            f"{what} at {name!r}: the route passes it {counted(len(passed), 'time')}, so there is no {key}:{number}"
        )
    elif meant == [0]:
        message = f"{what} at {name!r}: the trip starts there; set a later 'departure' instead"
    elif what == "night":
        last = trip.places[stops[after]].name
        message = f"night at {name!r} is before {last!r} on the route; list the 'nights' in the order of the drive"
    else:
        message = f"{what} at {name!r} is listed more often than the route passes it; remove one"
    raise NoRouteError(message)
