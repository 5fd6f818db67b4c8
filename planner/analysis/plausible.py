"""Suspicious values: possible, but unlike the terrain, usual weather, other roads, or neighbouring values.

Every command reports the same list. The bounds are ASSUMED, between what is rare in fact and what changes a margin;
tests count false doubts of correct places, days and roads.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from planner.analysis.plausible_car import car_doubts
from planner.analysis.plausible_day import day_doubts, of_place, range_doubts, schedule_doubts, temperature_doubts
from planner.files.rows import DatedWeather
from planner.ground.terrain import CELL_DEG, ground_m
from planner.model import geo
from planner.model.doubt import Doubt, Expected
from planner.model.shown import as_written
from planner.model.trip import Leg, Place, Trip
from thermal.ranges import FloatArray as Floats
from thermal.vehicle_file import VehicleFile

# Ground: of GeoNames' towns 0.02 % of the plains of North America lie further off, 0.6 % of the Rockies, 0.9 % of the
# Alps. Roads and towns keep to valleys, below the mean of their cells; passes, tops and viewpoints do not.
_OFF_M = 100.0
_OFF_RUGGED = {False: (1.0, 0.6), True: (0.6, 1.0)}  # below and above the ground, of tops or not
_SEA_M = -150.0  # all cells around lie lower
_MANY = 0.4  # share of places off their ground from which on the whole column is doubted
_FOOT_M = 0.3048
_TOPS = ("pass", "summit", "viewpoint")
_NEVER = 1e6  # [m], distance from the ground of a place in the sea
# Roads. Two ends at least so steep all the way are rare; so are roads longer than this times the straight line.
_STEEP_MEAN, _LONG_GRADE_M = 0.08, 3000.0
_PIT_GRADE, _PIT_M, _PIT_OFF = 0.03, 150.0, 0.35  # a place below, or above, all its neighbours by that
_WINDING_AT_M_PER_S, _WINDING = (11.0, 18.0, 22.5, 27.0), (2.5, 2.2, 1.9, 1.7)
_WINDING_FREE_M = 2000.0
_ROUND, _ROUND_FREE_M = 4.0, 20e3  # a leg longer than this is doubted even with a profile
# Speeds. The highest limits are 85 mph and 130 km/h; who drives slower than a bicycle says so by its traffic.
_FAST_M_PER_S, _SLOW_M_PER_S = 36.5, 5.6
_FAST_MEAN_M_PER_S, _FAST_TOWING_M_PER_S, _SLOW_STRAIGHT_M_PER_S = 33.0, 30.0, 18.0
_UNLIKE = 1.3  # times faster, or slower, than the legs beside it
_HAIRPINS, _UNLIKE_STEEP = 0.06, 1.25  # a road steeper than this is not much faster than adjacent legs
# ASSUMED: a pass adjacent to open roads is driven at no less than a third of their speed, other grades and bends at
# half; 2.5 to 4 and 1.8 to 2.5. None of them is driven more than a fifth faster than the open roads.
_PASS_APART, _SLOWED_APART, _PASS_WINDS, _SLOWED_UNLIKE = 3.0, 2.0, 1.6, 1.2
_STEEP_SLOWS, _BENDS_SLOW = 0.03, 1.35


def doubts(
    trip: Trip,
    *,
    legs: Sequence[Leg] = (),
    car: VehicleFile | None = None,
    class_values: Mapping[str, float] | None = None,
    dated: Iterable[DatedWeather] = (),
    today: date | None = None,
) -> tuple[Doubt, ...]:
    """Find suspicious values; `legs` are the route, `class_values` the numbers of the car's class, by key.

    A column that is wrong as a whole is reported once instead of cell by cell.
    """
    driven = [number for number, leg in enumerate(trip.legs) if not leg.carried]
    trip = replace(trip, legs=tuple(trip.legs[number] for number in driven))
    found: list[Doubt] = []
    world = list(whole_columns(trip))
    found += world or [*elevations(trip), *in_pits(trip)]
    found += low_passes(trip, legs)
    found += [*steep_legs(trip), *winding_legs(trip)]
    towing = car is not None and car.vehicle.trailer.mass_kg > 0.0
    found += list(whole_speeds(trip, towing=towing)) or list(speeds(trip))
    found += list(range_doubts(trip)) if world else [*temperature_doubts(trip), *day_doubts(trip, dated)]
    found += schedule_doubts(trip, today)
    if car is not None:
        found += car_doubts(car, class_values or {})
    first: dict[tuple[str, int, str], Doubt] = {}
    for doubt in found:
        if doubt.expected is not None and doubt.expected.of == "leg":  # by its number among all legs
            doubt = replace(doubt, expected=replace(doubt.expected, name=str(driven[int(doubt.expected.name)])))
        first.setdefault((doubt.file, doubt.row, doubt.column), doubt)
    return tuple(first.values())


# --- places against the ground ---


def _around(lat: Floats, lon: Floats) -> tuple[Floats, Floats, Floats]:
    """Ground at points, the range of elevation of the cells up to two away, and the highest of them."""
    steps = np.array([number * CELL_DEG for number in (-2, -1, 0, 1, 2)])
    north, east = np.repeat(steps, len(steps))[:, np.newaxis], np.tile(steps, len(steps))[:, np.newaxis]
    cells = ground_m(np.clip(lat + north, -90.0, 90.0), lon + east)
    return ground_m(lat, lon), cells.max(axis=0) - cells.min(axis=0), cells.max(axis=0)


def _strain(places: Sequence[Place], change: Callable[[Place], tuple[float, float, float]]) -> tuple[Floats, Floats]:
    """Distance of places, changed, from the ground, in units of the distance allowed there; and the ground."""
    lat, lon, height = np.array([change(place) for place in places], dtype=np.float64).T
    ground, rugged, highest = _around(lat, lon)
    below, above = np.array([_OFF_RUGGED[place.kind in _TOPS] for place in places]).T
    off = np.where(highest < _SEA_M, _NEVER, height - ground)
    return off / (_OFF_M + np.where(off > 0.0, above, below) * rugged), ground


def _as_is(place: Place) -> tuple[float, float, float]:
    return place.lat_deg, place.lon_deg, place.elevation_m


_Change = Callable[[Place], tuple[float, float, float]]
_WHOLE: tuple[tuple[str, str, _Change], ...] = (
    ("lon", "is the sign of every lon wrong (west is negative)?", lambda p: (p.lat_deg, -p.lon_deg, p.elevation_m)),
    ("lat", "is the sign of every lat wrong (south is negative)?", lambda p: (-p.lat_deg, p.lon_deg, p.elevation_m)),
    ("elevation", "are the elevations in metres?", lambda p: (p.lat_deg, p.lon_deg, p.elevation_m / _FOOT_M)),
    ("elevation", "are the elevations in feet?", lambda p: (p.lat_deg, p.lon_deg, p.elevation_m * _FOOT_M)),
)
# Where distances are written in miles, as corners south-west and north-east [deg].
_MILES = ((18.0, -170.0, 72.0, -64.0), (49.0, -9.0, 61.5, 2.5))


def whole_columns(trip: Trip) -> Iterator[Doubt]:
    """Doubt a column when many places are far from the ground, or outside the countries that use its unit."""
    places = list(trip.places.values())
    if len(places) < 2:
        return
    strain, _ = _strain(places, _as_is)
    bad = float(np.mean(np.abs(strain) > 1.0))
    other = [(float(np.mean(np.abs(_strain(places, change)[0]) > 1.0)), n) for n, (_, _, change) in enumerate(_WHOLE)]
    least, number = min(other)
    column, question, _ = _WHOLE[number]
    if bad > _MANY:
        if least >= 0.5 * bad:
            column, question = "elevation", "check the elevations and their unit, and lat and lon"
        yield _of_column(trip, column, f"{bad:.0%} of the places are far from the ground elevation there", question)
        return
    abroad = next((n for n in (0, 1) if _in_miles(trip, places, _WHOLE[n][2])), None)
    if trip.written.units.get("distance", "").startswith("mi") and not _in_miles(trip, places, _as_is):
        if abroad is not None:
            column, question, _ = _WHOLE[abroad]
            yield _of_column(trip, column, "the places are where distances are in km", question)


def _in_miles(trip: Trip, places: Sequence[Place], change: _Change) -> bool:
    """Whether most places, changed, are in a country that uses miles."""
    spots = [change(place)[:2] for place in places]
    inside = [any(s <= lat <= n and w <= lon <= e for s, w, n, e in _MILES) for lat, lon in spots]
    return sum(inside) > 0.5 * len(inside)


def _of_column(trip: Trip, column: str, why: str, question: str) -> Doubt:
    value, against, said = f"the column {column}", "terrain data with cells of some 9 km", f"{why}; {question}"
    return Doubt(file=trip.written.places, row=0, column=column, value=value, against=against, sentence=said)


def elevations(trip: Trip) -> Iterator[Doubt]:
    """Doubt elevations far from the ground around."""
    places = list(trip.places.values())
    if not places:
        return
    strain, ground = _strain(places, _as_is)
    for place, much, ground_here in zip(places, strain.tolist(), ground.tolist(), strict=True):
        if abs(much) > 1.0:
            yield _elevation(trip, place, max(ground_here, -430.0), sea=abs(much) > 100.0)


def _elevation(trip: Trip, place: Place, ground_here: float, *, sea: bool) -> Doubt:
    read, there = (as_written(trip, "elevation", height) for height in (place.elevation_m, ground_here))
    if sea:
        position = f"{place.lat_deg:g}, {place.lon_deg:g}"
        said = f"{place.name} at {read}, but its position is in the sea; check lat and lon"
        return of_place(trip, place, "lat", position, "the sea", said, None)
    against = f"the ground around, {there}"
    said = f"{place.name} at {read}, {against}; check its elevation, lat and lon"
    return of_place(trip, place, "elevation", read, against, said, ground_here)


def in_pits(trip: Trip) -> Iterator[Doubt]:
    """Doubt a place that every leg leaves steeply in the same direction, up or down, unlike the terrain."""
    places = list(trip.places.values())
    strain, ground = _strain(places, _as_is)
    for place, much, ground_here in zip(places, strain.tolist(), ground.tolist(), strict=True):
        rises = [_rise(trip, leg, place.key) for leg in _at(trip, place.key)]
        if len(rises) < 2 or not _PIT_OFF < abs(much) <= 1.0:
            continue
        away = 1.0 if rises[0][0] > 0.0 else -1.0
        if all(trip.places[_other(leg, place.key)].kind in _TOPS for leg in _at(trip, place.key)):
            continue  # a valley between passes
        steep = all(away * rise >= _PIT_M and away * rise / length >= _PIT_GRADE for rise, length in rises)
        if steep and (much < 0.0) == (away > 0.0):
            below = "below" if away > 0.0 else "above"
            near = min(abs(rise) for rise, _ in rises)
            read = as_written(trip, "elevation", place.elevation_m)
            against = f"{as_written(trip, 'elevation', near)} or more {below} every neighbour"
            sentence = f"{place.name} at {read} is {against}; check its elevation"
            yield of_place(trip, place, "elevation", read, against, sentence, ground_here)


def _rise(trip: Trip, leg: Leg, key: str) -> tuple[float, float]:
    """Rise from a place to the other end of a leg, and the leg's length."""
    return trip.places[_other(leg, key)].elevation_m - trip.places[key].elevation_m, leg.distance_m


def _at(trip: Trip, key: str) -> list[Leg]:
    return [leg for leg in trip.legs if key in (leg.start, leg.finish)]


def _other(leg: Leg, key: str) -> str:
    return leg.finish if leg.start == key else leg.start


def low_passes(trip: Trip, legs: Sequence[Leg]) -> Iterator[Doubt]:
    """Doubt passes of the route that are lower than the places before and after."""
    on_route = [trip.places[leg.start] for leg in legs] + [trip.places[leg.finish] for leg in legs[-1:]]
    for before, here, after in zip(on_route, on_route[1:], on_route[2:], strict=False):
        if here.kind == "pass" and here.elevation_m < min(before.elevation_m, after.elevation_m):
            low, one, other = (as_written(trip, "elevation", place.elevation_m) for place in (here, before, after))
            against = f"{before.name} ({one}) and {after.name} ({other})"
            sentence = (
                f"{here.name} is a pass, but at {low} it is below {against}; "
                "is its elevation in the unit of its column?"
            )
            top_m = max(before.elevation_m, after.elevation_m)
            yield of_place(trip, here, "elevation", low, against, sentence, top_m)


# --- roads ---


def _line_m(trip: Trip, leg: Leg) -> float:
    a, b = trip.places[leg.start], trip.places[leg.finish]
    return geo.distance_m(lat1_deg=a.lat_deg, lon1_deg=a.lon_deg, lat2_deg=b.lat_deg, lon2_deg=b.lon_deg)


def _grade(trip: Trip, leg: Leg) -> float:
    return abs(trip.places[leg.finish].elevation_m - trip.places[leg.start].elevation_m) / leg.distance_m


def _ends(trip: Trip, leg: Leg) -> str:
    return f"{trip.places[leg.start].name} to {trip.places[leg.finish].name}"


def _of_leg(
    trip: Trip, number: int, column: str, value: str, against: str, sentence: str, expected: float | None = None
) -> Doubt:
    field = {"distance": "distance_m", "speed": "speed_m_per_s"}[column]
    return Doubt(
        file=trip.written.legs,
        row=trip.legs[number].row,
        column=column,
        value=value,
        against=against,
        sentence=sentence,
        expected=None if expected is None else Expected(of="leg", name=str(number), field=field, value=expected),
    )


def steep_legs(trip: Trip) -> Iterator[Doubt]:
    """Doubt legs without a profile that are steep from end to end."""
    for number, leg in enumerate(trip.legs):
        grade = _grade(trip, leg)
        if leg.profile is None and leg.distance_m >= _LONG_GRADE_M and grade > _STEEP_MEAN:
            read = as_written(trip, "distance", leg.distance_m)
            sentence = (
                f"{_ends(trip, leg)} is {read} at {grade:.0%} all the way; check its distance and both elevations, "
                "or add a profile."
            )
            expected = leg.distance_m * grade / 0.05
            yield _of_leg(trip, number, "distance", read, f"a grade of {grade:.0%}", sentence, expected)


def winding_legs(trip: Trip) -> Iterator[Doubt]:
    """Doubt legs that are longer, compared with a straight line, than roads with their speed."""
    for number, leg in enumerate(trip.legs):
        line_m = _line_m(trip, leg)
        if leg.profile is not None and leg.distance_m <= _ROUND * line_m + _ROUND_FREE_M:
            continue  # drawn or measured over its whole length: its distance agrees with it
        most = float(np.interp(leg.speed_m_per_s, _WINDING_AT_M_PER_S, _WINDING))
        if leg.distance_m > most * line_m + _WINDING_FREE_M:
            read, straight = (as_written(trip, "distance", length) for length in (leg.distance_m, line_m))
            sentence = f"{_ends(trip, leg)} is {read} by road, but {straight} in a straight line; check its distance."
            yield _of_leg(trip, number, "distance", read, f"{straight} in a straight line", sentence, 1.2 * line_m)


# --- speeds ---


def whole_speeds(trip: Trip, *, towing: bool) -> Iterator[Doubt]:
    """Doubt the column of speeds when the whole drive is too fast, or most long straight legs too slow."""
    if len(trip.legs) < 2:
        return
    length = np.array([leg.distance_m for leg in trip.legs])
    speed = np.array([leg.speed_m_per_s for leg in trip.legs])
    mean = float(length.sum() / (length / speed).sum())
    unit = trip.written.units.get("speed", "")
    most = _FAST_TOWING_M_PER_S if towing else _FAST_MEAN_M_PER_S
    plain = [
        leg.speed_m_per_s
        for leg in trip.legs
        if leg.distance_m > 30e3 and _grade(trip, leg) < 0.01 and leg.distance_m < 1.25 * _line_m(trip, leg)
    ]
    middle = float(np.median(plain)) if len(plain) >= 2 else np.inf
    if mean > most:
        what = " with a trailer" if towing else ""
        read, question = as_written(trip, "speed", mean), "are they in km/h?" if unit != "km/h" else "check them"
        said = f"the mean speed is {read}{what}"
    elif middle < _SLOW_STRAIGHT_M_PER_S:
        read, question = as_written(trip, "speed", middle), "are they in mph?" if unit != "mph" else "check them"
        said = f"long straight legs are driven at {read}"
    else:
        return
    said = f"{said}; {question}"
    yield Doubt(
        file=trip.written.legs, row=0, column="speed", value=read, against="usual cruising speeds", sentence=said
    )


def speeds(trip: Trip) -> Iterator[Doubt]:
    """Doubt unusual speeds, and those unlike the adjacent legs' without grade or bends as a reason."""
    beside: dict[str, list[int]] = {}
    for number, leg in enumerate(trip.legs):
        for key in (leg.start, leg.finish):
            beside.setdefault(key, []).append(number)
    for number, leg in enumerate(trip.legs):
        near = sorted({n for key in (leg.start, leg.finish) for n in beside[key]} - {number})
        slowed = _slowed(trip, leg)
        alike = [trip.legs[n].speed_m_per_s for n in near if _slowed(trip, trip.legs[n]) == slowed]
        yield from _speed(trip, number, alike, [trip.legs[n].speed_m_per_s for n in near], slowed=slowed)


def _slowed(trip: Trip, leg: Leg) -> bool:
    """Whether grade, bends or traffic give a reason to drive slowly."""
    steep = _grade(trip, leg) > _STEEP_SLOWS or leg.idle_share > 0.0
    return steep or leg.distance_m > _BENDS_SLOW * _line_m(trip, leg)


def _speed(trip: Trip, number: int, alike: Sequence[float], near: Sequence[float], *, slowed: bool) -> Iterator[Doubt]:
    leg = trip.legs[number]
    speed, read = leg.speed_m_per_s, as_written(trip, "speed", leg.speed_m_per_s)
    usual = float(np.median(alike or near)) if near else 22.0
    middle = as_written(trip, "speed", usual)
    if speed > _FAST_M_PER_S or (speed < _SLOW_M_PER_S and leg.idle_share == 0.0):
        which = "faster" if speed > _FAST_M_PER_S else "slower"
        against = f"roads: {which} than any usual cruising speed"
        yield _of_leg(trip, number, "speed", read, against, f"{_ends(trip, leg)} at {read}; check its speed", usual)
        return
    if not near:
        return
    free = 1.0 if alike or slowed else _UNLIKE  # an open road between two that are not
    steep = _grade(trip, leg) > _HAIRPINS
    unlike = _SLOWED_UNLIKE if slowed and not alike else _UNLIKE_STEEP if steep else _UNLIKE
    fast = speed > unlike * free * max(alike or near)
    apart = _UNLIKE if alike or not slowed else _SLOWED_APART  # grade and bends explain much, not all
    if apart == _SLOWED_APART and (steep or leg.distance_m > _PASS_WINDS * _line_m(trip, leg)):
        apart = _PASS_APART
    slow = speed * apart < min(alike or near)
    if fast or slow:
        against = f"the adjacent legs, about {middle}"
        yield _of_leg(
            trip, number, "speed", read, against, f"{_ends(trip, leg)} at {read}, {against}; check its speed", usual
        )
