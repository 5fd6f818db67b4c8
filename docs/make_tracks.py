"""How close a trip made from a track comes to the same road typed by hand.

Run: .venv/bin/python docs/make_tracks.py [EXAMPLE...], half a minute; it prints the first table of docs/tracks.md. The
track of an example's road winds between its places, has its profiles' heights with 3 m of noise every 30 m, and becomes
a trip by `new --track`, with the example's car and departure. Compared is the smallest margin of the car as described
within 5 km of each of the ten hardest spots, in four ways: as made; with the nights and halts of the trip by hand; in
the air that the trip by hand meets at each place; and in that air with the speeds typed by hand too.
"""

import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import basics
import numpy as np
from numpy.typing import NDArray

from planner import example
from planner.forecast.assemble import Inputs, find_route, read_inputs
from planner.forecast.run import as_described
from planner.ground.towns import apart_km
from planner.model.trip import Leg, Trip
from planner.newtrip.make import new_from_track
from planner.route.timeline import Route
from thermal.fluids import fluids_in

Floats = NDArray[np.float64]
EXAMPLES = ("wilmington-astoria", "benchmark", "alps", "minimal")
_SPOTS, _APART_M, _REACH_M, _MATTERS_K = 10, 13_000.0, 5000.0, 3.0
_SPACING_M, _NOISE_M, _WAVE_M = 30.0, 3.0, 4000.0


def winding(trip: Trip, leg: Leg) -> tuple[Floats, Floats, Floats, Floats]:
    """Points of a winding leg of its full length, and their distances along it."""
    a, b = trip.places[leg.start], trip.places[leg.finish]
    share = np.linspace(0.0, 1.0, max(4, int(leg.distance_m / _SPACING_M)) + 1)
    narrow = np.cos(np.radians(0.5 * (a.lat_deg + b.lat_deg)))
    east, north = (b.lon_deg - a.lon_deg) * narrow * 111_195.0, (b.lat_deg - a.lat_deg) * 111_195.0
    straight = float(np.hypot(east, north))
    waves = np.sin(2.0 * np.pi * max(1, round(leg.distance_m / _WAVE_M)) * share)
    low, high = 0.0, leg.distance_m
    for _ in range(50):
        wide = 0.5 * (low + high)
        long_m = np.hypot(np.diff(share) * straight, np.diff(wide * waves)).sum()
        low, high = (wide, high) if long_m < leg.distance_m else (low, wide)
    aside = low * waves
    steps = np.hypot(np.diff(share) * straight, np.diff(aside))
    along = np.concatenate(([0.0], np.cumsum(steps))) * leg.distance_m / steps.sum()
    lat = a.lat_deg + (share * north + aside * east / straight) / 111_195.0
    lon = a.lon_deg + (share * east - aside * north / straight) / (111_195.0 * narrow)
    known = (along, [a.elevation_m, b.elevation_m], [0.0, leg.distance_m])
    held = leg.profile
    height = np.interp(known[0], held.distance_m, held.elevation_m) if held else np.interp(known[0], known[2], known[1])
    return lat, lon, height, along


def write_track(trip: Trip, legs: Sequence[Leg], path: Path) -> None:
    """Write the road as a GPX track."""
    rng, rows = np.random.default_rng(1), []
    for leg in legs:
        lat, lon, height, _ = winding(trip, leg)
        rows += list(zip(lat, lon, height + rng.normal(0.0, _NOISE_M, len(height)), strict=True))
    points = "".join(f'<trkpt lat="{a:.6f}" lon="{b:.6f}"><ele>{z:.1f}</ele></trkpt>' for a, b, z in rows)
    path.write_text(f'<gpx version="1.1" creator="a logger"><trk><trkseg>{points}</trkseg></trk></gpx>')


def left_k(route: Route, inputs: Inputs) -> tuple[Floats, Floats]:
    """Distance from the start as a share of all, and smallest margin of any fluid there; segments on the road."""
    line, result = route.timeline, as_described(route, inputs.car)
    fluids = fluids_in(inputs.car.vehicle)
    left = np.min([result.limit_k[:, f.index] - result.temps_k[0, :, f.node] for f in fluids], axis=0)
    return line.end_m[line.on_road] / line.end_m[-1], left[line.on_road]


def spots_of(share: Floats, left: Floats, length_m: float) -> list[float]:
    """The hardest spots, as shares of the way, each far from the others."""
    found: list[float] = []
    for i in np.argsort(left):
        if all(abs(share[i] - other) * length_m > _APART_M for other in found):
            found.append(float(share[i]))
        if len(found) == _SPOTS:
            break
    return found


def in_air_of(route: Route, hand: Route) -> Route:
    """The route in the air, sun and wind that the trip by hand meets at each place of the road."""
    line, other = route.timeline, hand.timeline
    share, its_share = line.end_m / line.end_m[-1], other.end_m[other.on_road] / other.end_m[-1]
    met = {
        name: np.where(
            line.on_road,
            np.interp(share, its_share, getattr(other.drive, name)[other.on_road]),
            getattr(line.drive, name),
        )
        for name in ("air_k", "dew_k", "road_rise_k", "headwind_m_per_s")
    }
    return replace(route, timeline=replace(line, drive=replace(line.drive, **met)))


def with_speeds(made: Inputs, route: Route, hand: Route) -> Inputs:
    """Drive every leg at the speed set in the trip by hand between the same two places of the road."""
    length_m = sum(leg.distance_m for leg in route.legs)
    hand_m = np.cumsum([0.0] + [leg.distance_m for leg in hand.legs])
    hand_s = np.cumsum([0.0] + [leg.distance_m / leg.speed_m_per_s for leg in hand.legs])
    ends = np.cumsum([0.0] + [leg.distance_m for leg in route.legs]) * hand_m[-1] / length_m
    took_s = np.diff(np.interp(ends, hand_m, hand_s))
    speed = {
        id(leg): float(metres / seconds) for leg, metres, seconds in zip(route.legs, np.diff(ends), took_s, strict=True)
    }
    by_ends = {frozenset((leg.start, leg.finish)): speed[id(leg)] for leg in route.legs}
    legs = tuple(
        replace(leg, speed_m_per_s=by_ends.get(frozenset((leg.start, leg.finish)), leg.speed_m_per_s))
        for leg in made.trip.legs
    )
    return replace(made, trip=replace(made.trip, legs=legs))


def with_choices(drafted: Inputs, by_hand: Inputs, route: Route) -> Inputs:
    """Take nights, halts and starts of days from the trip by hand."""
    trip, hand = drafted.trip, by_hand.trip
    places = list(trip.places.values())
    lat, lon = (np.array([getattr(place, name) for place in places]) for name in ("lat_deg", "lon_deg"))

    def near(key: str) -> str:
        place = hand.places[key]
        return places[int(np.argmin(apart_km(place.lat_deg, place.lon_deg, lat, lon)))].key

    nights = tuple(near(route.legs[day.last].finish) for day in route.timeline.days[:-1])
    beds = {key: replace(trip.places[key], services=trip.places[key].services | {"lodging"}) for key in nights}
    changed = replace(
        trip,
        places={**trip.places, **beds},
        nights=nights,
        halts=tuple(replace(halt, place=near(halt.place)) for halt in hand.halts),
        day=replace(trip.day, start=hand.day.start),
    )
    return replace(drafted, trip=changed)


def compare(name: str) -> Iterator[tuple[str, ...]]:
    """Rows of one example."""
    by_hand = read_inputs(example(name))
    route = find_route(by_hand)
    share, left = left_k(route, by_hand)
    length_m = sum(leg.distance_m for leg in route.legs)
    spots, reach = spots_of(share, left, length_m), _REACH_M / length_m
    with tempfile.TemporaryDirectory() as held:
        write_track(by_hand.trip, route.legs, Path(held) / "road.gpx")
        hours = by_hand.trip.day.driving_s / 3600.0
        start = by_hand.trip.departure.replace(tzinfo=None)
        new_from_track(
            Path(held) / "made", [Path(held) / "road.gpx"], start=f"{start:%Y-%m-%d %H:%M}", driving=f"{hours:g}h"
        )
        made = replace(read_inputs(Path(held) / "made"), car=by_hand.car)
        own = find_route(made)
        chosen = with_choices(made, by_hand, route)
        fast = with_speeds(chosen, own, route)
        for words, one, found in (
            ("as made", made, own),
            ("nights by hand", chosen, find_route(chosen)),
            ("equal air", made, in_air_of(own, route)),
            ("equal air and speeds", fast, in_air_of(find_route(fast), route)),
        ):
            own_share, own_left = left_k(found, one)
            off = [
                float(own_left[np.abs(own_share - at) < reach].min() - left[np.abs(share - at) < reach].min())
                for at in spots
            ]
            beyond = sum(abs(one) > _MATTERS_K for one in off)
            values = ", ".join(f"{one:+.1f}" for one in off)
            yield name, f"{len(route.legs)}, {len(one.trip.legs)}", words, f"{beyond} of {len(off)}", values


if __name__ == "__main__":
    heading = ("road", "legs by hand, made", "the trip made", "beyond 3 K", "difference at the ten hardest spots, K")
    print(basics.table(heading, (row for name in sys.argv[1:] or EXAMPLES for row in compare(name))))
