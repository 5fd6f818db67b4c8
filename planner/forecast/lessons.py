"""Learning from readings.csv: readings located on the planned drive update the car and the air of their day."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, datetime

import numpy as np

from planner.files.readings import READINGS
from planner.forecast.run import Forecast, Start, ambient_sd_k, first_margins_k
from planner.model import clock
from planner.model.display import Units, counted, units_of
from planner.model.errors import PlannerError
from planner.model.lesson import Lesson, Seen
from planner.model.trip import Reading, Trip
from planner.route.graph import stops_of
from planner.route.timeline import Route, Timeline
from thermal.assimilate import BEYOND_SD
from thermal.drive import Drive
from thermal.errors import ThermalError
from thermal.fluids import FLUIDS, fluid_of, fluids_in
from thermal.taught import AIR, GAUGE_SD_K, Observation, Taught, teach
from thermal.vehicle_file import VehicleFile

FAR_S = 12.0 * 3600.0  # maximum difference from the planned time
LATE_S = 1800.0
LATE_K_PER_H = 1.5  # ASSUMED: change of the air, and so of a fluid, per hour; 0.5 to 3 K
_UNSURE_OF_PLACE_K = 3.0  # ASSUMED: error if the position comes from the planned time; 2 to 6 K
NOTE_K = 2.0  # smaller differences are not reported
_FAR_NOTES = 2.0  # times NOTE_K: a reading this far off is always reported
_HERE_M = 1.0
_FEWEST_COLD = 2  # values too cold before their unit is doubted
_FREEZING_K, _FREEZING_FAHRENHEIT = 273.15, 32.0
_COLD = "the trip starts there, cold; readings in the first half hour are not used."


def learn(route: Route, car: VehicleFile) -> tuple[VehicleFile, Lesson]:
    """Learn from the readings of a trip: the updated car, and the lesson."""
    trip = route.trip
    fitted = {fluid.key for fluid in fluids_in(car.vehicle)} & set(GAUGE_SD_K) | {AIR}
    placed, said = [], []
    for one in trip.readings:
        absent = sorted(set(one.temps_k) - fitted)
        if absent:
            said.append(f"{READINGS} row {one.row}: this car has no separate {absent[0]}; that reading is not used.")
        try:
            row, more_k = place_reading(route, one)
        except PlannerError as exc:
            said.append(f"{READINGS} row {one.row}: {exc}; the row is not used.")
            continue
        found = [(what, value) for what, value in one.temps_k.items() if what in fitted and (row or what == AIR)]
        if not row and set(one.temps_k) - {AIR}:
            said.append(f"{READINGS} row {one.row}: {_COLD}")
        placed += [(one, Observation(row=row, what=what, read_k=value, more_k=more_k)) for what, value in found]
    if not placed:
        return car, Lesson(air={}, seen=(), last=None, sentences=tuple(said), unused=tuple(said))
    line = route.timeline
    source = f"{counted(len(placed), 'gauge reading')} in {READINGS}"
    try:
        taught = teach(
            line.drive,
            car.vehicle,
            [seen for _, seen in placed],
            air_sd_k=ambient_sd_k(line),
            known=car.spread,
            source="; ".join([source, *sorted({factor.source for factor in car.spread.factors.values()})]),
        )
    except ThermalError as exc:
        message = f"{READINGS}: {exc}"
        raise PlannerError(message) from exc
    seen = seen_of(placed, taught, line.drive, lambda one: _where(route, one))
    fluids = list(dict.fromkeys(one.what for one in seen))
    words = [*(fluid_words(trip, car, seen, what) for what in fluids), *_air_words(route, taught)]
    warnings, doubts = _not_believed(trip, seen)
    if _all_in_degc(placed, seen):
        advice = f"change the heading? Not used: {_rows(seen)}"
        doubts = [f"{READINGS}: all {len(seen)} values look like °C under [degF]; {advice}."]
    known = replace(car, spread=taught.posterior) if any(one.believed for one in seen) else car
    return known, Lesson(
        air=_air(line, taught),
        seen=seen,
        last=_ends(route, int(max(line.drive.group[item.row] for _, item in placed))),
        sentences=(*warnings, *doubts, *(text for text in words if text), *said),
        warnings=tuple(warnings),
        unused=(*doubts, *said),
    )


def compared(lesson: Lesson, outlook: Forecast, before: Route, car: VehicleFile, start: Start) -> Lesson:
    """Report the smallest margin ahead without and with the readings."""
    if not any(one.believed for one in lesson.seen) or len(before.legs) != len(outlook.legs):
        return lesson
    u = units_of(outlook.trip.units)
    columns = [fluid.index for fluid in fluids_in(car.vehicle)]
    after = np.minimum(outlook.kept.margin_k, outlook.nominal.margin_k[0])[:, columns]
    earlier = first_margins_k(before, car, start)[:, columns]
    ahead = slice(min(lesson.ahead_of(outlook.legs), len(after) - 1), None)
    smallest = []
    for margins in (earlier[ahead], after[ahead]):
        _, column = np.unravel_index(int(np.argmin(margins)), margins.shape)
        smallest.append(f"{FLUIDS[columns[column]].label} {u.diff(float(margins.min())):.0f} {u.temperature}")
    said = f"Smallest margin ahead: {smallest[0]} without the readings, {smallest[1]} with them."
    return replace(lesson, sentences=(*lesson.sentences, said))


# --- where a reading was taken ---


def place_reading(route: Route, one: Reading) -> tuple[int, float]:
    """Segment at whose end a reading was taken, and the error added by its place and time. [K]."""
    line, found = route.timeline, []
    if one.place or one.along is not None:
        at_m = _distances_m(route, one)
        found = [int(np.searchsorted(line.end_m, distance_m - _HERE_M)) for distance_m in at_m]
    if one.when is None:
        if len(found) > 1:
            message = "the route passes there more than once; enter the time too"
            raise PlannerError(message)
        return found[0], 0.0
    if not found:
        return _by_clock(line, one.when)
    away = [abs(_apart_s(line, row, one.when)) for row in found]
    row, late_s = found[int(np.argmin(away))], min(away)
    if late_s > FAR_S:
        planned = clock.local(float(line.end_s[row]), float(line.lat_deg[row]), float(line.lon_deg[row]))
        message = f"the plan has the car there at {planned:%Y-%m-%d %H:%M}, the reading is of {one.when:%Y-%m-%d %H:%M}"
        raise PlannerError(message)
    return row, LATE_K_PER_H * max(late_s - LATE_S, 0.0) / 3600.0


def _distances_m(route: Route, one: Reading) -> list[float]:
    """Distances along the route of a reading's place."""
    ends = np.concatenate(([0.0], np.cumsum([leg.distance_m for leg in route.legs])))
    if one.along is None:
        found = [float(ends[i]) for i, key in enumerate(stops_of(route.legs)) if key == one.place]
        if not found:
            message = f"the route does not pass {route.trip.places[one.place].name}"
            raise PlannerError(message)
        return found
    start, finish, along_m = one.along
    legs = [i for i, leg in enumerate(route.legs) if (leg.start, leg.finish) == (start, finish)]
    if not legs:
        message = f"the route does not drive from {start} to {finish}"
        raise PlannerError(message)
    length_m = route.legs[legs[0]].distance_m
    if not 0.0 <= along_m <= length_m:
        u = units_of(route.trip.units)
        message = f"the leg from {start} to {finish} is {u.dist(length_m):.1f} {u.distance} long"
        raise PlannerError(message)
    return [float(ends[i]) + along_m for i in legs]


def _apart_s(line: Timeline, row: int, when: datetime) -> float:
    """Difference of a local time from the planned time of a segment's end."""
    return clock.epoch_s(when, float(line.lat_deg[row]), float(line.lon_deg[row])) - float(line.end_s[row])


def _by_clock(line: Timeline, when: datetime) -> tuple[int, float]:
    """Segment driven at a local time."""
    ends = [clock.epoch_s(when, float(line.lat_deg[i]), float(line.lon_deg[i])) for i in (0, -1)]
    rows = np.arange(*np.searchsorted(line.end_s, (min(ends) - LATE_S, max(ends) + LATE_S)))
    if rows.size:
        apart = [abs(_apart_s(line, int(i), when)) for i in rows]
        row = int(rows[np.argmin(apart)])
        if min(apart) < LATE_S and line.drive.engine_on[row] > 0.0:
            return row, _UNSURE_OF_PLACE_K
    message = f"the plan has the car parked, or elsewhere, at {when:%Y-%m-%d %H:%M}; name the place too"
    raise PlannerError(message)


def _ends(route: Route, leg: int) -> tuple[str, str]:
    """Keys of a leg's ends."""
    return route.legs[leg].start, route.legs[leg].finish


# --- in words ---


def seen_of(
    placed: Sequence[tuple[Reading, Observation]], taught: Taught, drive: Drive, where: Callable[[Reading], str]
) -> tuple[Seen, ...]:
    """Combine every reading with its expected value."""
    return tuple(
        Seen(
            row=one.row,
            where=where(one),
            day=int(drive.day[item.row]),
            what=item.what,
            read_k=item.read_k,
            expected_k=float(taught.expected_k[i]),
            after_k=float(taught.after_k[i]),
            sd_k=float(taught.sd_k[i]),
            believed=bool(taught.believed[i]),
        )
        for i, (one, item) in enumerate(placed)
    )


def _where(route: Route, one: Reading) -> str:
    """Text of a reading's location."""
    places, u = route.trip.places, units_of(route.trip.units)
    if one.along is not None:
        return f"{u.dist(one.along[2]):.1f} {u.distance} past {places[one.along[0]].name}"
    return places[one.place].name if one.place else f"{one.when:%d %b %H:%M}"


def _label(what: str) -> str:
    """Name of what was read."""
    return what if what == AIR else fluid_of(what).label


def fluid_words(trip: Trip, car: VehicleFile, seen: Sequence[Seen], what: str) -> str:
    """Sentence on the readings of one fluid."""
    used = [one for one in seen if one.what == what and one.believed]
    if not used or what == AIR:
        return ""
    u, like = units_of(trip.units), "it did in its logs" if car.spread.factors else "its class"
    runs = float(np.mean([one.after_k - one.expected_k for one in used]))
    read = float(np.mean([one.read_k - one.expected_k for one in used]))
    count = f"{counted(len(used), 'reading')}, {_off(u, read)}" + (" on average" if len(used) > 1 else "")
    if abs(runs) < NOTE_K and abs(read) >= _FAR_NOTES * NOTE_K:
        return (
            f"Your {_label(what)}: {count}. The difference is within the forecast error, so it is still assumed "
            f"to run like {like}."
        )
    if abs(runs) < NOTE_K:
        return f"Your {_label(what)} runs like {like}; {count}."
    word = "hotter" if runs > 0.0 else "cooler"
    return f"Your {_label(what)} runs {u.diff(abs(runs)):.0f} {u.temperature} {word} than {like}; {count}."


def _off(u: Units, kelvin: float) -> str:
    """Text of a reading's difference from the expected value."""
    size = f"{u.diff(abs(kelvin)):.0f}"
    return "as expected" if size == "0" else f"{size} {u.temperature} {'above' if kelvin > 0.0 else 'below'} expected"


def _air_words(route: Route, taught: Taught) -> list[str]:
    """Sentences on the air of the days with readings."""
    u, line, said = units_of(route.trip.units), route.timeline, []
    for day, (shift, _) in taught.air.items():
        if abs(shift) >= NOTE_K:
            word = "hotter" if shift > 0.0 else "cooler"
            on = _date_of(line, day)
            said.append(
                f"Air on {on:%a %d %b} {u.diff(abs(shift)):.0f} {u.temperature} {word} than expected; that day alone."
            )
    return said


def _not_believed(trip: Trip, seen: Sequence[Seen]) -> tuple[list[str], list[str]]:
    """Sentences on readings that may mean a fault, and on other unused readings."""
    doubted = [one for one in seen if not one.believed]
    return (
        [doubt_words(trip, one, READINGS) for one in doubted if _may_be_fault(one)],
        [doubt_words(trip, one, READINGS) for one in doubted if not _may_be_fault(one)],
    )


def _all_in_degc(placed: Sequence[tuple[Reading, Observation]], seen: Sequence[Seen]) -> bool:
    """Whether every value was typed in degC under a heading in degF: too cold as read, as expected in degC."""
    cold = [one for one in seen if not one.believed and one.read_k < one.expected_k]
    if len(cold) < _FEWEST_COLD or not all(item.what in reading.in_degf for reading, item in placed):
        return False
    typed_k = [1.8 * (one.read_k - _FREEZING_K) + _FREEZING_FAHRENHEIT + _FREEZING_K for one in seen]
    return all(abs(value - one.expected_k) <= BEYOND_SD * one.sd_k for value, one in zip(typed_k, seen, strict=True))


def _rows(seen: Sequence[Seen]) -> str:
    rows = sorted({one.row for one in seen if not one.believed})
    return f"row{'s' if len(rows) > 1 else ''} {', '.join(map(str, rows))}"


def _may_be_fault(one: Seen) -> bool:
    return one.read_k > one.expected_k and one.what != AIR


def doubt_words(trip: Trip, one: Seen, file: str) -> str:
    """Sentence on an unused reading, and what to check."""
    u = units_of(trip.units)
    read, expected = u.temp(one.read_k), u.temp(one.expected_k)
    high = "too hot" if one.read_k > one.expected_k else "too cold"
    look = "the unit, whether it is that gauge, its sender and ground"
    if one.read_k > one.expected_k:
        look += "; if the gauge is right, the car has a fault: stop and check before driving on"
    elif one.what == "coolant":
        look += ", a thermostat that stays open, coolant too low to reach the sender"
    return (
        f"{file} row {one.row}, {one.where}: {_label(one.what)} {read:.0f} {u.temperature} is {high} for this car "
        f"there: {expected:.0f} ± {u.diff(one.sd_k):.0f} expected; not used. Check {look}."
    )


# --- the air of the days ---


def _date_of(line: Timeline, day: int) -> date:
    """Local date on which a day of the drive begins."""
    row = int(np.flatnonzero(line.drive.day == day)[0])
    return clock.local(float(line.begin_s[row]), float(line.lat_deg[row]), float(line.lon_deg[row])).date()


def _air(line: Timeline, taught: Taught) -> dict[date, tuple[float, float]]:
    """Shift of the air, by date."""
    return {_date_of(line, day): shift for day, shift in taught.air.items()}
