"""A day, or the trip, driven again with something changed.

The plan's first draws go through the whole model, from where the change begins. A fit of how their margins change,
linear in the factors and the day's air, with a cubic of the margin before, extends the change to all draws; what the
fit misses on the draws driven corrects the result and gives its error (`planner.forecast.kept`).
"""

from dataclasses import dataclass, fields, replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from planner.analysis.margins import columns_of, fluids_of
from planner.forecast.kept import SURE_K, Kept, keep_changed, keep_roughly
from planner.forecast.run import Forecast, span_of
from planner.route.oneday import DayLegs
from planner.route.road import Road, held_speed
from planner.route.timeline import Timeline, lay_out
from planner.weather.expected import grille_rise_k
from thermal.drive import Drive
from thermal.error_path import margins_with_error
from thermal.fluids import fluid_of, limit_of
from thermal.kernel import Factors
from thermal.ranges import BoolArray
from thermal.simulate import Ready, make_ready, simulate
from thermal.sorts import with_sort
from thermal.spread import medians
from thermal.vehicle import Body, Vehicle

Floats = npt.NDArray[np.float64]
# Draws that a change of a day is driven with, at first and in all; with the car as described they fill whole lanes of
# the compiled model. And draws of a change of the whole trip.
FIRST, FEW, FEWEST = 47, 127, 64
_ALONG = "leg length_m grade elevation_m end_elevation_m lat_deg lon_deg end_m wanted_m_per_s ac_on".split()
_NEAR_M = 30_000.0  # of the days before and after are laid out with a day: their hills bear on its air
_SURELY = 3.0  # standard errors
_STEP_S = 900.0  # of a car that stands
_OIL_PARTS = {
    "engine_oil": "engine_oil",
    "differential": "differential_oil",
    "transmission": "transmission_oil",
}
_ANY_SUN_W_PER_M2 = 1000.0  # the rise above the road is in proportion to it


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What is done differently on one day; legs by position in the route."""

    kind: str
    words: str
    effort: float = 0.0  # besides time, in minutes. ASSUMED, for the order of remedies only
    legs: tuple[int, ...] = ()
    speed: float = 1.0
    ac_off: bool = False
    heater: bool = False
    low_gear: bool = False
    highest_gear: int = 0
    shift_s: float = 0.0
    stop_after: int | None = None
    stop_s: float = 0.0
    stop_idling: bool = False
    idle_first: bool = False
    trailer: float = 1.0
    lighter_kg: float = 0.0
    synthetic: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Driven:
    """A day as driven, kept so that a later change need not be driven from the morning."""

    drive: Drive
    ready: Ready
    temps_k: Floats  # (1 + n_draw, n_segment, n_body), the car as described first; without the model's error
    were_k: Floats  # (n_draw, n_leg, n_fluid, n_node): for sizes of that error; all fluids of the model


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What a day came to."""

    day: DayLegs
    kept: Kept  # smallest margins over the day at the trip's confidence, chances of passing limits; by fluid of the car


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial(Tried):
    """How a day went."""

    timeline: Timeline
    were_k: Floats  # (n_draw, n_leg, n_fluid, n_node): for sizes of the model's own error; fluids of the car
    nominal_k: Floats  # (n_segment, n_body): temperatures of the car as described
    speed_m_per_s: Floats  # (n_road,), held along the trip's road
    driven: Driven | None = None


class Laid(NamedTuple):
    """A changed day on its clock, and the speeds held along the trip's road."""

    day: DayLegs
    timeline: Timeline
    speed_m_per_s: Floats


def run_day(
    outlook: Forecast,
    number: int,
    changes: tuple[Change, ...] = (),
    *,
    unchanged: Trial | None = None,
    n_draw: int | None = None,
    laid: Laid | None = None,
    fluid: str = "",
) -> Trial:
    """Drive one day of a trip again, changed.

    `unchanged`, the same day as planned, spares what the changes leave alone. `n_draw` is how many of the plan's first
    draws are driven, `FEW` when not given. `laid` is the day as `lay_out_day` gives it. With `fluid` and `unchanged`,
    margins of other fluids that are not thin are known roughly.
    """
    day, timeline, speed = laid or lay_out_day(outlook, number, changes, unchanged)
    count = FEW if n_draw is None else n_draw
    done = _driven(outlook, number, changes, timeline, unchanged, slice(0, count))
    mine = done.were_k[:, :, columns_of(outlook)]
    return Trial(
        timeline=timeline,
        day=day,
        kept=_kept_of_day(outlook, number, day.first, mine, unchanged, fluid),
        were_k=mine,
        nominal_k=done.temps_k[0, -len(timeline.drive.group) :].copy(),  # a view would hold every draw's
        speed_m_per_s=speed,
        driven=done if unchanged is None else None,
    )


def _kept_of_day(
    outlook: Forecast, number: int, first: int, were_k: Floats, unchanged: Trial | None, fluid: str
) -> Kept:
    """Smallest margins of a day's first draws, by fluid of the car; `fluid` as in `run_day`."""
    day = np.full(were_k.shape[1], number)
    if unchanged is None:
        return kept_on(outlook, were_k, day, first=first)
    before, wanted = unchanged.kept, None
    if fluid:
        wanted = (before.margin_k < outlook.trip.thin_band_k) | (np.array(fluids_of(outlook)) == fluid)
    return kept_on(outlook, were_k, day, first=first, before=(unchanged.were_k, before), wanted=wanted)


def run_more(
    outlook: Forecast,
    number: int,
    changes: tuple[Change, ...],
    trial: Trial,
    *,
    unchanged: Trial,
    fluid: str = "",
) -> Trial:
    """Drive a changed day with the rest of `FEW` draws, for a smaller error."""
    done = len(trial.were_k)
    if done >= FEW:
        return trial
    rest = _driven(outlook, number, changes, trial.timeline, unchanged, slice(done, FEW))
    mine = np.concatenate((trial.were_k, rest.were_k[:, :, columns_of(outlook)]))
    kept = _kept_of_day(outlook, number, trial.day.first, mine, unchanged, fluid)
    return replace(trial, kept=kept, were_k=mine)


def _driven(
    outlook: Forecast,
    number: int,
    changes: tuple[Change, ...],
    timeline: Timeline,
    unchanged: Trial | None,
    part: slice,
) -> Driven:
    """Drive some of the plan's draws along a changed day, the car as described before the first of them."""
    vehicle, (day,) = _vehicle(outlook.car.vehicle, changes), timeline.days
    drive = _drive(timeline.drive, changes)
    wait_s = day.start_s - outlook.timeline.days[number].start_s
    if number > 0 or outlook.trip.driven_s is not None:
        drive = from_rest(drive, max(wait_s, 0.0), _air_k(outlook, number))
    drive = replace(drive, group=drive.group - day.first)
    plain, who = int(part.start == 0), np.arange(part.start, part.stop + 1)[int(part.start > 0) :]
    factors, air = few_draws(outlook, part)
    if plain:
        factors = Factors(*map(np.append, medians(outlook.car.spread), factors))
    before = _as_far(outlook, drive, vehicle, unchanged)
    begin = 0 if before is None else before.temps_k.shape[1]
    morning = _morning_k(outlook, number, timeline, wait_s, who) if before is None else before.temps_k[who, -1]
    ready = make_ready(drive, vehicle, like=None if before is None else before.ready, begin=begin)
    result = simulate(
        drive,
        vehicle,
        start_k=morning,
        factors=factors,
        ambient_k=np.concatenate((np.zeros(plain), air[:, number]))[:, None],
        begin=begin,
        ready=ready,
    )
    temps, known = result.temps_k, outlook.car.spread.discrepancy
    were = margins_with_error(result, drive, vehicle, known, plain=plain, begin=begin)
    if before is not None:
        temps = np.concatenate((before.temps_k[:plain], temps[:plain]), axis=1)
        were = np.concatenate((before.were_k[part], were[:, before.were_k.shape[1] :]), axis=1)
    return Driven(drive=drive, ready=ready, temps_k=temps, were_k=were)


def few_draws(outlook: Forecast, part: slice) -> tuple[Factors, Floats]:
    """Some of the plan's draws: cars, and shifts of each day's air. [K]."""
    return Factors(*(column[part] for column in outlook.factors)), outlook.shift_k[part]


def kept_on(
    outlook: Forecast,
    few_k: Floats,
    day: npt.NDArray[np.int64],
    *,
    first: int = 0,
    before: tuple[Floats, Kept] | None = None,
    wanted: BoolArray | None = None,
    chances: bool = True,
) -> Kept:
    """Smallest margins, by fluid of the car, over the legs from `first` on that the plan's first draws drove again.

    `before` has margins of the same draws before a change, and what came of them; fluids that feel nothing keep theirs.
    Fluids that are not `wanted` are settled roughly, unless they may pass their limit more often than the trip allows;
    all are wanted where it is not given. `chances` is as in `keep_changed`.
    """
    felt = np.ones(few_k.shape[2], np.bool_) if before is None else _felt(before[0][: len(few_k)], few_k)
    if before is not None and not felt.any():
        return before[1]
    planned, columns = outlook.spread.were_k[:, first : first + few_k.shape[1]], np.array(columns_of(outlook))
    sample, confidence = outlook.sample, outlook.trip.confidence

    def settled(some: BoolArray) -> Kept:
        return keep_changed(planned, columns[some], few_k[:, :, some], day, sample, confidence, chances=chances)

    if before is None:
        return settled(felt)
    out = Kept(*(column.copy() for column in before[1]))
    sure = felt if wanted is None else felt & wanted
    rough = felt & ~sure
    if rough.any():
        was_k, kept = before[0][: len(few_k)][:, :, rough], Kept(*(column[rough] for column in before[1]))
        _put(out, rough, keep_roughly(was_k, few_k[:, :, rough], kept, day))
        sure |= rough & (out.chance + _SURELY * out.chance_error > outlook.trip.risk)
    if sure.any():
        _put(out, sure, settled(sure))
    return out


def _put(out: Kept, where: BoolArray, found: Kept) -> None:
    for held, new in zip(out, found, strict=True):
        held[where] = new


def _felt(before_k: Floats, after_k: Floats) -> npt.NDArray[np.bool_]:
    """Fluids whose margins have changed; by draw, leg, fluid and node before."""
    with np.errstate(invalid="ignore"):  # infinite where a leg has none
        same = (before_k == after_k) | (np.abs(after_k - before_k) < SURE_K)
    return np.asarray(np.logical_not(np.all(same, axis=(0, 1, 3))), dtype=np.bool_)


def _as_far(outlook: Forecast, drive: Drive, vehicle: Vehicle, unchanged: Trial | None) -> Driven | None:
    """The day unchanged up to the end of the last leg in common; None without one, or with a fan that switches."""
    whole = None if unchanged is None else unchanged.driven
    if whole is None or vehicle is not outlook.car.vehicle or vehicle.cooling.fan == "electric":
        return None
    n = min(len(drive.group), len(whole.drive.group))
    columns = ((getattr(drive, item.name), getattr(whole.drive, item.name)) for item in fields(drive))
    other = np.any([one[:n] != two[:n] for one, two in columns], axis=0)
    leg = drive.group[int(np.argmax(other)) if other.any() else n - 1]
    begin = int(np.flatnonzero(drive.group == leg)[0])
    if begin == 0:
        return None
    return replace(whole, drive=drive, temps_k=whole.temps_k[:, :begin], were_k=whole.were_k[:, : int(leg)])


def lay_out_day(outlook: Forecast, number: int, changes: tuple[Change, ...], unchanged: Trial | None) -> Laid:
    """Lay out a changed day; it is the same day's unchanged where nothing of its clock and speeds changes."""
    vehicle = _vehicle(outlook.car.vehicle, changes)
    road, day = _road(outlook.timeline.road, changes), _day(outlook.timeline.days[number], changes)
    as_fast = vehicle is outlook.car.vehicle and all(c.speed == 1.0 and not c.ac_off for c in changes)
    if unchanged is not None and as_fast and day == outlook.timeline.days[number]:
        return Laid(unchanged.day, unchanged.timeline, unchanged.speed_m_per_s)
    speed = _speeds(outlook, road, day, vehicle, unchanged)
    idle = np.array([leg.idle_share for leg in road.legs])[road.leg]
    own = _rows(road, day) & ~road.carried
    day = replace(day, driving_s=float(np.sum((road.length_m / speed / (1.0 - idle))[own])))
    return Laid(day, _lay_out(outlook, number, road, day, speed), speed)


def _lay_out(outlook: Forecast, number: int, road: Road, day: DayLegs, speed: Floats) -> Timeline:
    """Lay out one day with its neighbours, whose hills affect the air where the day begins and ends."""
    whole = lay_out(outlook.trip, road, _with_neighbours(outlook, number, day), speed)
    spans = tuple(span for span in whole.spans if span.day == min(number, 1))
    first, rows = spans[0].first, slice(spans[0].first, spans[-1].last + 1)
    columns = {item.name: getattr(whole.drive, item.name)[rows] for item in fields(whole.drive)}
    held = {item.name: getattr(whole, item.name) for item in fields(whole)}
    arrays: dict[str, Any] = {name: values[rows] for name, values in held.items() if isinstance(values, np.ndarray)}
    return replace(
        whole,
        **arrays,
        days=(day,),
        spans=tuple(replace(span, day=0, first=span.first - first, last=span.last - first) for span in spans),
        drive=Drive(**columns),
    )


def _with_neighbours(outlook: Forecast, number: int, day: DayLegs) -> tuple[DayLegs, ...]:
    """A day, the last legs of the day before it and the first of the day after."""
    days = outlook.timeline.days
    found = [day]
    if number > 0:
        legs = range(days[number - 1].last, days[number - 1].first - 1, -1)
        found.insert(0, replace(days[number - 1], first=_near(outlook, legs)))
    if number + 1 < len(days):
        legs = range(days[number + 1].first, days[number + 1].last + 1)
        found.append(replace(days[number + 1], last=_near(outlook, legs)))
    return tuple(found)


def _near(outlook: Forecast, legs: range) -> int:
    """The first of successive legs beyond which hills no longer affect the air."""
    far = np.cumsum([outlook.legs[leg].distance_m for leg in legs])
    return legs[min(int(np.searchsorted(far, _NEAR_M)), len(legs) - 1)]


def _rows(road: Road, day: DayLegs) -> npt.NDArray[np.bool_]:
    """Segments of road of one day."""
    return (road.leg >= day.first) & (road.leg <= day.last)


def synthetic_for(vehicle: Vehicle, fluid: str) -> tuple[str, str]:
    """Part of a vehicle file that holds a fluid's sort, and the sort of its synthetic."""
    part = _OIL_PARTS[fluid]
    automatic = part == "transmission_oil" and vehicle.gearbox.kind == "automatic"
    return part, "long-life" if automatic else "synthetic"


def with_synthetic(vehicle: Vehicle, fluid: str) -> Vehicle | None:
    """Fill a fluid's place with a synthetic, whose limit comes with it; None where that bears no more heat."""
    if fluid not in _OIL_PARTS:
        return None
    filled = with_sort(vehicle, *synthetic_for(vehicle, fluid))
    return filled if limit_of(filled, fluid_of(fluid)).limit_k > limit_of(vehicle, fluid_of(fluid)).limit_k else None


def _vehicle(vehicle: Vehicle, changes: tuple[Change, ...]) -> Vehicle:
    """Lighten the car, lighten or drop the trailer, another oil."""
    for change in changes:
        if change.lighter_kg > 0.0:
            least = float(Body.__dataclass_fields__["mass_kg"].metadata["low"])
            mass = max(least, vehicle.body.mass_kg - change.lighter_kg)
            vehicle = replace(vehicle, body=replace(vehicle.body, mass_kg=mass))
        vehicle = with_synthetic(vehicle, change.synthetic) or vehicle
    share = min((change.trailer for change in changes), default=1.0)
    if share == 1.0:
        return vehicle
    trailer = vehicle.trailer
    area = trailer.drag_area_m2 if share > 0.0 else 0.0
    return replace(vehicle, trailer=replace(trailer, mass_kg=share * trailer.mass_kg, drag_area_m2=area))


def _road(road: Road, changes: tuple[Change, ...]) -> Road:
    """Slow down, or drive without A/C, on some legs."""
    if all(change.speed == 1.0 and not change.ac_off for change in changes):
        return road
    wanted, ac = road.wanted_m_per_s.copy(), road.ac_on.copy()
    for change in changes:
        here = np.isin(road.leg, change.legs) & ~road.carried
        wanted[here] *= change.speed
        ac[here] *= not change.ac_off
    return replace(road, wanted_m_per_s=wanted, ac_on=ac)


def _day(day: DayLegs, changes: tuple[Change, ...]) -> DayLegs:
    """Shift the start and add stops."""
    first = tuple((c.stop_after, c.stop_s, "idle") for c in changes if c.stop_after is not None and c.idle_first)
    stops = tuple(
        (change.stop_after, change.stop_s, "idle" if change.stop_idling else "cool")
        for change in changes
        if change.stop_after is not None and not change.idle_first
    )
    shift = sum(change.shift_s for change in changes)
    return replace(day, start_s=day.start_s + shift, pauses=(*first, *day.pauses, *stops))


def _speeds(outlook: Forecast, road: Road, day: DayLegs, vehicle: Vehicle, unchanged: Trial | None) -> Floats:
    """Speeds held, in the air temperature of the plan; an hour's shift changes them by next to nothing."""
    driving = outlook.timeline.on_road
    air = outlook.timeline.drive.air_k[driving]
    speed, rows = road.wanted_m_per_s.copy(), _rows(road, day)
    if unchanged is not None and vehicle is outlook.car.vehicle:
        plan, speed = outlook.timeline.road, unchanged.speed_m_per_s.copy()
        rows &= (road.wanted_m_per_s != plan.wanted_m_per_s) | (road.ac_on != plan.ac_on)
    if not rows.any():
        return speed
    part = replace(road, **{name: getattr(road, name)[rows] for name in _ALONG})
    speed[rows] = held_speed(part, vehicle, air_k=air[rows], wanted=road.wanted_m_per_s[rows])
    return speed


def from_rest(drive: Drive, wait_s: float, air_k: float) -> Drive:
    """Begin standing still, since after a night a day pulls away from rest: a second, or the wait for a later start."""
    n = max(1, round(wait_s / _STEP_S))
    still = ("speed_m_per_s", "end_speed_m_per_s", "engine_on", "ac_on", "heater_on", "idle_share")
    columns = {item.name: getattr(drive, item.name) for item in fields(drive)}
    before = {name: np.full(n, 0.0 if name in still else held[0]) for name, held in columns.items()}
    before["duration_s"] = np.full(n, max(wait_s, 1.0) / n)
    before["road_rise_k"] *= grille_rise_k(_ANY_SUN_W_PER_M2, 0.0) / grille_rise_k(
        _ANY_SUN_W_PER_M2, drive.speed_m_per_s[0]
    )
    before["air_k"] = np.linspace(air_k, drive.air_k[0], n + 1)[1:]
    return Drive(**{name: np.concatenate((before[name], held)) for name, held in columns.items()})


def _air_k(outlook: Forecast, number: int) -> float:
    """Air as a day sets off in the plan. [K]."""
    return float(outlook.timeline.drive.air_k[span_of(outlook, outlook.timeline.days[number].first).first])


def _morning_k(
    outlook: Forecast, number: int, timeline: Timeline, shift_s: float, who: npt.NDArray[np.int64]
) -> Floats:
    """Temperatures of cars that stood until they set off; before the planned hour, as they were in that night. [K].

    `who` are rows of `Forecast.mornings_k`.
    """
    planned = outlook.mornings_k[number][who]
    if number == 0 and outlook.trip.driven_s is None:
        return np.asarray(planned + (timeline.drive.air_k[0] - _air_k(outlook, 0)))
    if shift_s >= 0.0:
        return planned
    rows, wanted_s = outlook.spread.recorded, outlook.timeline.days[number].start_s + shift_s
    time_s = outlook.timeline.end_s[rows]
    after = max(1, int(np.searchsorted(time_s, wanted_s)))
    near = [after - 1, after]
    drawn = outlook.spread.temps_k[(who[who > 0] - 1)[:, None], near]
    temps = np.concatenate((outlook.nominal.temps_k[:, rows[near]][: np.sum(who == 0)], drawn))
    share = (wanted_s - time_s[after - 1]) / (time_s[after] - time_s[after - 1])
    return np.asarray((1.0 - share) * temps[:, 0] + share * temps[:, 1])


def _drive(drive: Drive, changes: tuple[Change, ...]) -> Drive:
    """Switches on some legs: A/C off, heater on, one gear lower, no gear above one."""
    ac, heater, low, highest = (x.copy() for x in (drive.ac_on, drive.heater_on, drive.low_gear, drive.highest_gear))
    for change in changes:
        here = np.isin(drive.group, change.legs)
        ac[here] *= not change.ac_off
        heater[here] = np.maximum(heater[here], float(change.heater))
        low[here] = np.maximum(low[here], float(change.low_gear))
        highest[here] = change.highest_gear or highest[here]
        if change.idle_first:
            ac[(drive.group == change.stop_after) & (drive.speed_m_per_s == 0.0)] = 0.0
    return replace(drive, ac_on=ac, heater_on=heater, low_gear=low, highest_gear=highest, day=np.zeros_like(drive.day))
