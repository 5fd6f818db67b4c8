"""The forecast as text and tables in display units."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from planner.analysis.fuel import FuelPlan, fuel_l, plan_fuel
from planner.analysis.margins import Margin, find_margins, gravest, worst_of
from planner.analysis.other_roads import Choice, compare_roads
from planner.analysis.remedies import DayRemedies, Remedy, find_remedies
from planner.analysis.service import ServicePlan, plan_service
from planner.analysis.spread_shares import spread_shares
from planner.analysis.unknowns import Unknowns, find_unknowns
from planner.analysis.weighed import doubts_of, that_matter, weighed
from planner.forecast.aside import aside
from planner.forecast.assemble import Inputs, Progress, quiet
from planner.forecast.run import Forecast, day_ends, leg_name, local_time, span_of
from planner.model import geo
from planner.model.display import Units, units_of
from planner.model.doubt import Doubt
from planner.model.levels import EXCEEDED, TIGHT, UNKNOWN
from planner.model.trip import Place
from planner.weather.records import WeatherSource
from planner.weather.shipped import usual_on
from planner.weather.sources import SourceUse, source_sentences, sources_used
from thermal.fluids import FLUIDS, ROTORS, fluid_of

Floats = npt.NDArray[np.float64]
T = TypeVar("T")
_HOT_ROTOR_K, _STEEP = 523.15, 0.04  # street pads fade from about 300 degC; common practice
_LOOK_BACK_S = 600.0  # conditions are averaged over the ten minutes before a peak
_JUST_OFF_S = 60.0
_UNLIKELY, _LIKELY = 0.05, 0.5
_WORTH_NAMING = 0.05  # share of a spread


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockChange:
    """A leg with a change of local time, forward if `shift_s` is above 0; `on` is the local time at its end."""

    leg: int
    on: datetime
    shift_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A forecast with its margins."""

    outlook: Forecast
    margins: tuple[Margin, ...]
    unknowns: Unknowns
    units: Units
    fuel: FuelPlan
    clocks: tuple[ClockChange, ...]
    brakes: tuple[str, ...]
    weather: tuple[str, ...]
    remedies: tuple[DayRemedies, ...]
    service: ServicePlan
    doubts: tuple[Doubt, ...] = ()
    _worst: dict[int, Margin] = field(init=False, compare=False, repr=False)
    _legs: "list[LegRow]" = field(init=False, default_factory=list, compare=False, repr=False)
    _days: "list[DayRow]" = field(init=False, default_factory=list, compare=False, repr=False)
    _made: dict[object, Any] = field(init=False, default_factory=dict, compare=False, repr=False)

    def __post_init__(self) -> None:
        legs = {margin.leg for margin in self.margins}
        object.__setattr__(self, "_worst", {leg: worst_of(self.margins, leg) for leg in legs})

    def once(self, key: object, make: Callable[[], T]) -> T:
        """What `make` returns, made once; it may not depend on the remedies, which may come later."""
        if key not in self._made:
            self._made[key] = make()
        found: T = self._made[key]
        return found

    def with_remedies(self, remedies: tuple[DayRemedies, ...]) -> "Report":
        """The same report with remedies; what was made of it holds."""
        whole = replace(self, remedies=remedies)
        whole._made.update(self._made)
        return whole

    @property
    def choices(self) -> tuple[Choice, ...]:
        """Other roads compared with the chosen one; where no remedies were wanted, driven when they are asked for."""
        return self.once("choices", lambda: compare_roads(self.outlook))

    @property
    def weighty(self) -> tuple[Doubt, ...]:
        """Doubts that change a margin by 3 K or more, or by an unknown amount."""
        return that_matter(self.doubts)

    def worst(self, leg: int) -> Margin:
        """Smallest margin of the most severe level on a leg."""
        return self._worst[leg]

    @property
    def learnt(self) -> tuple[str, ...]:
        """Sentences on what the readings changed."""
        return () if self.outlook.lesson is None else self.outlook.lesson.sentences

    def notable(self) -> tuple[Margin, ...]:
        """Smallest margin of every leg with a thin or exceeded one, in driving order."""
        found = (self.worst(leg) for leg in range(len(self.outlook.legs)))
        return tuple(m for m in found if m.level in TIGHT)

    def unknown(self) -> tuple[Margin, ...]:
        """Margin of every leg with an unknown one and no thin or exceeded one, in driving order."""
        found = (self.worst(leg) for leg in range(len(self.outlook.legs)))
        return tuple(m for m in found if m.level == UNKNOWN.word)

    @property
    def knows_car(self) -> bool:
        """Whether the car was fitted, so that chances are given as numbers."""
        learnt = self.outlook.car.spread.factors
        return any(name in learnt for fluid in FLUIDS for name in fluid.factors)


def make_report(
    outlook: Forecast,
    *,
    remedies: bool = True,
    today: date | None = None,
    progress: Progress = quiet,
    ahead: Callable[[Report], Iterable[object]] = lambda _: (),
) -> Report:
    """Compute the margins of a forecast; remedies and the weight of doubts need further simulations.

    `ahead` gives pieces of what follows, for the time in which a child process tries the remedies.
    """
    unknowns = find_unknowns(outlook)
    margins = find_margins(outlook, unknowns)
    if not remedies or all(margin.level not in TIGHT for margin in margins):
        return _report(outlook, margins, unknowns, today, weigh=remedies)
    with aside(lambda say: find_remedies(outlook, margins, progress=say), progress) as tried:
        report = _report(outlook, margins, unknowns, today, weigh=True)
        tried.meanwhile(ahead(report))
        return report.with_remedies(tried.result())


def _report(
    outlook: Forecast, margins: tuple[Margin, ...], unknowns: Unknowns, today: date | None, *, weigh: bool
) -> Report:
    """The report without remedies."""
    inputs = Inputs(trip=outlook.trip, car=outlook.car, known=outlook.known)
    doubts = doubts_of(inputs, outlook.legs, today=today)
    report = Report(
        outlook=outlook,
        margins=margins,
        unknowns=unknowns,
        units=units_of(outlook.trip.units),
        fuel=plan_fuel(outlook),
        clocks=clock_changes(outlook),
        brakes=hot_brakes(outlook),
        weather=weather_used(outlook),
        remedies=(),
        service=plan_service(outlook),
        doubts=weighed(inputs, doubts) if weigh else doubts,
    )
    if weigh:
        _ = report.choices  # now, while another process works
    return report


def clock_changes(outlook: Forecast) -> tuple[ClockChange, ...]:
    """Find the clock changes along the route."""
    found = []
    for i in range(len(outlook.legs)):
        span = span_of(outlook, i)
        here = local_time(outlook, span.last)
        before, after = local_time(outlook, max(span.first - 1, 0)).utcoffset(), here.utcoffset()
        shift_s = ((after or timedelta()) - (before or timedelta())).total_seconds()
        if shift_s:
            found.append(ClockChange(leg=i, on=here, shift_s=shift_s))
    return tuple(found)


def clock_words(report: Report, change: ClockChange) -> str:
    """Sentence on a clock change."""
    outlook, leg = report.outlook, report.outlook.legs[change.leg]
    a, b = outlook.trip.places[leg.start].name, outlook.trip.places[leg.finish].name
    verb = "forward" if change.shift_s > 0 else "back"
    return f"{change.on:%a %d %b}: set clocks {verb} {abs(change.shift_s) / 3600.0:g} h between {a} and {b}."


def hot_brakes(outlook: Forecast) -> tuple[str, ...]:
    """Report hot front rotors on descents, and the assumed gear."""
    u, said = units_of(outlook.trip.units), []
    for i in range(len(outlook.legs)):
        span = span_of(outlook, i)
        part = span.rows
        if outlook.band_k[part, ROTORS].max() < _HOT_ROTOR_K:
            continue
        at = span.first + int(np.argmax(outlook.band_k[part, ROTORS]))
        gears = outlook.nominal.work.gear[part][outlook.timeline.drive.grade[part] < -_STEEP] + 1.0
        gear = f" in gear {gears.min():.0f} on the steep parts" if gears.size else ""
        said.append(
            f"Front brakes {leg_name(outlook, i)}, {local_time(outlook, at):%a %H:%M}: about "
            f"{u.temp(float(outlook.nominal.temps_k[0, at, ROTORS])):.0f} {u.temperature}, up to "
            f"{u.temp(float(outlook.band_k[at, ROTORS])):.0f}{gear}; choose the gear before the descent."
        )
    return tuple(said)


def weather_used(outlook: Forecast) -> tuple[str, ...]:
    """Weather sources used, and credits."""
    line = outlook.timeline
    used = sources_used(
        line.road.weather,
        distance_m=line.end_m,
        lon_deg=line.lon_deg,
        epoch_s=line.end_s,
        day=line.drive.day,
    )
    return (*source_sentences(used, line.road.weather), *_doubtful_stations(outlook, used))


def _doubtful_stations(outlook: Forecast, used: Sequence[SourceUse]) -> tuple[str, ...]:
    """Name places whose usual high is unreliable, since the stations differ too much."""
    u, said = units_of(outlook.trip.units), {}
    for one in (one for one in used if one.source is WeatherSource.STATIONS):
        day = local_time(outlook, span_of(outlook, outlook.timeline.days[one.day].first).first).date()
        place = one.place
        (found,) = usual_on(np.array([[place.lat_deg, place.lon_deg, place.elevation_m]]), day=day)
        if found is not None and not found.believed:
            coast = " on the coast" if found.coast else ""
            said[place.key] = (
                f"{place.name}: {u.temp(found.high_k):.0f} {u.temperature}, mostly from {found.station}, "
                f"{u.dist(1000.0 * found.station_km):.0f} {u.distance} away{coast}: uncertain here "
                f"by ± {u.diff(2.0 * found.high_sd_k):.0f} {u.temperature}; enter its high and low."
            )
    return tuple(said.values())


def then(report: Report, leg: int) -> str:
    """What follows a leg: breaks, halts, fuel, the night."""
    outlook, u, parts = report.outlook, report.units, []
    if outlook.legs[leg].carried:
        aboard = outlook.timeline.drive.duration_s[span_of(outlook, leg).rows]
        parts.append(f"{float(aboard.sum()) / 3600.0:.1f} h on the {outlook.legs[leg].kind}, engine off")
    for span in (s for s in outlook.timeline.spans if s.leg == leg and s.kind in ("break", "halt", "event")):
        minutes = float(outlook.timeline.drive.duration_s[span.rows].sum()) / 60.0
        word = {"break": "break", "halt": "stop", "event": "stay"}[span.kind]
        parts.append(f"{minutes:.0f} min {word}")
    parts += [f"fuel {stop.litres / u.litres:.0f} {u.fuel}" for stop in report.fuel.stops if stop.leg == leg]
    parts += [job.item for job in report.service.due if job.leg == leg]
    if any(s.leg == leg and s.kind == "night" for s in outlook.timeline.spans):
        parts.append("night")
    return ", ".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class LegRow:
    """One leg in SI: times (local), distance, temperatures, margins; `air_k` is the hottest; `leg` counts from 0."""

    leg: int
    day: int
    depart: datetime
    arrive: datetime
    distance_m: float
    climb_m: float
    air_k: float
    fuel_l: float
    margins: tuple[Margin, ...]
    worst: Margin
    slowed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DayRow:
    """One day in SI; times are local, `air_k` is the hottest; `day` counts from 0."""

    day: int
    start: Place
    finish: Place
    depart: datetime
    arrive: datetime
    distance_m: float
    driving_s: float
    climb_m: float
    air_k: float
    worst: Margin


def leg_rows(report: Report) -> tuple[LegRow, ...]:
    """Rows of all legs."""
    if not report._legs:
        report._legs.extend(_leg_row(report, leg) for leg in range(len(report.outlook.legs)))
    return tuple(report._legs)


def _leg_row(report: Report, leg: int) -> LegRow:
    outlook, span = report.outlook, span_of(report.outlook, leg)
    return LegRow(
        leg=leg,
        day=span.day,
        depart=local_time(outlook, span.first, begin=True),
        arrive=local_time(outlook, span.last),
        distance_m=outlook.legs[leg].distance_m,
        climb_m=_climb_m(outlook, leg),
        air_k=float(outlook.timeline.drive.air_k[span.rows].max()),
        fuel_l=fuel_l(outlook, leg),
        margins=tuple(m for m in report.margins if m.leg == leg),
        worst=report.worst(leg),
        slowed=bool(outlook.timeline.slowed[span.rows].any()),
    )


def _climb_m(outlook: Forecast, leg: int) -> float:
    start = outlook.trip.places[outlook.legs[leg].start].elevation_m
    return geo.climb_m(np.concatenate(([start], outlook.timeline.end_elevation_m[span_of(outlook, leg).rows])))


def day_rows(report: Report) -> tuple[DayRow, ...]:
    """Rows of all days."""
    if not report._days:
        report._days.extend(_day_rows(report))
    return tuple(report._days)


def _day_rows(report: Report) -> Iterator[DayRow]:
    outlook = report.outlook
    for number, day in enumerate(outlook.timeline.days):
        first, last = span_of(outlook, day.first), span_of(outlook, day.last)
        legs, (start, finish) = range(day.first, day.last + 1), day_ends(outlook, number)
        yield DayRow(
            day=number,
            start=start,
            finish=finish,
            depart=local_time(outlook, first.first, begin=True),
            arrive=local_time(outlook, last.last),
            distance_m=sum(outlook.legs[i].distance_m for i in legs),
            driving_s=day.driving_s,
            climb_m=sum(_climb_m(outlook, i) for i in legs),
            air_k=float(outlook.timeline.drive.air_k[first.first : last.last + 1].max()),
            worst=gravest(report.worst(leg) for leg in legs),
        )


def legs_cells(report: Report) -> list[dict[str, object]]:
    """Table of the legs in display units, units in the headings."""
    return [_leg_cells(report, row) for row in leg_rows(report)]


def _leg_cells(report: Report, row: LegRow) -> dict[str, object]:
    u, leg, places = report.units, report.outlook.legs[row.leg], report.outlook.trip.places
    cells: dict[str, object] = {
        "day": row.day + 1,
        "leg": row.leg + 1,
        "from": places[leg.start].name,
        "to": places[leg.finish].name,
        "road": leg.road,
        "depart": row.depart.strftime("%Y-%m-%d %H:%M"),
        "arrive": row.arrive.strftime("%Y-%m-%d %H:%M"),
        f"distance [{u.distance}]": round(u.dist(row.distance_m), 1),
        f"climb [{u.elevation}]": round(u.height(row.climb_m)),
        f"air [{u.temperature}]": round(u.temp(row.air_k)),
        f"fuel [{u.fuel}]": round(row.fuel_l / u.litres, 2),
    }
    for margin in row.margins:
        name = fluid_of(margin.fluid).label
        cells[f"{name} peak [{u.temperature}]"] = round(u.temp(margin.peak_k))
        cells[f"{name} limit [{u.temperature}]"] = round(u.temp(margin.limit_k))
        cells[f"{name} margin [{u.temperature}]"] = round(u.diff(margin.margin_k), 1)
        cells[f"{name} chance over"] = round(margin.probability, 3)
    return cells | {
        "then": then(report, row.leg),
        "level": row.worst.level,
        "fluid": fluid_of(row.worst.fluid).label,
        "near": row.worst.near,
        "when": row.worst.when.strftime("%Y-%m-%d %H:%M"),
        "slowed by the grade": row.slowed,
    }


def sentence(report: Report, margin: Margin) -> str:
    """Sentence on a margin: expected, upper and limit."""
    u, name = report.units, fluid_of(margin.fluid).label
    share = round(100 * report.outlook.trip.confidence)
    soak = ", parked, after shutting down" if margin.parked else ""
    return (
        f"{name.capitalize()}: {u.temp(margin.peak_k):.0f} {u.temperature} expected near {margin.near}, "
        f"{margin.when:%a %H:%M}{soak}; up to {u.temp(margin.upper_k):.0f} at {share} %; limit "
        f"{u.temp(margin.limit_k):.0f}. Chance of passing it: {chance(margin.probability, learnt=report.knows_car)}."
        f"{_past_limit(margin)}"
    )


def _past_limit(margin: Margin) -> str:
    """Effect of passing the limit: coolant boils, other fluids age while above it."""
    if margin.level != EXCEEDED.word:
        return ""
    if fluid_of(margin.fluid).limit_kind == "boiling":
        return " Above its limit it boils within a minute or two."
    minutes = max(1.0, margin.above_s / 60.0)
    return f" Above its limit it ages faster and may foam; up to {minutes:.0f} min above it."


def whole_sentence(report: Report, margin: Margin) -> str:
    """Sentence on a leg's smallest margin, and other fluids near their limits there."""
    u = report.units
    others = [
        f"{fluid_of(m.fluid).label} {u.temp(m.peak_k):.0f} {u.temperature} expected, up to {u.temp(m.upper_k):.0f}, "
        f"limit {u.temp(m.limit_k):.0f}, {chance(m.probability, learnt=report.knows_car)}"
        for m in report.margins
        if m.leg == margin.leg and m.fluid != margin.fluid and m.level in TIGHT
    ]
    return sentence(report, margin) + (f" Also {'; '.join(others)}." if others else "")


def chance(probability: float, *, learnt: bool) -> str:
    """Format a probability with the resolution of the draws; in words for an unfitted car.

    >>> [chance(p, learnt=True) for p in (0.0, 0.314, 1.0)]
    ['under 1 %', '31 %', 'over 99 %']
    >>> [chance(p, learnt=False) for p in (0.04, 0.314, 0.6)]
    ['unlikely', 'possible', 'likely']
    """
    if not learnt:
        return "unlikely" if probability < _UNLIKELY else "likely" if probability > _LIKELY else "possible"
    if probability < 0.01:
        return "under 1 %"
    return "over 99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


def reason(report: Report, margin: Margin) -> str:
    """Reason of a peak: conditions in the ten minutes before it, compared with the trip's mean."""
    outlook, u = report.outlook, report.units
    drive, work, line = outlook.timeline.drive, outlook.nominal.work, outlook.timeline
    at = int(outlook.nominal.where[0, margin.leg, fluid_of(margin.fluid).index])
    moving = drive.speed_m_per_s > 0.0
    before = moving & (line.end_s <= line.end_s[at]) & (line.end_s > line.end_s[at] - _LOOK_BACK_S)
    if not before.any():
        return "The car is parked: heat from the block flows into fluids that no longer circulate."
    if float(np.sum(drive.duration_s * before)) < _JUST_OFF_S:
        return "The car has just started again: the heat is from before the stop."
    here, trip = drive.duration_s * before, drive.duration_s * moving

    def mean(values: Floats, weights: Floats) -> float:
        return float(np.sum(values * weights) / np.sum(weights))

    rpm = work.engine_rad_per_s * 60.0 / (2.0 * np.pi)
    grade = 100.0 * float(np.sum(drive.grade * drive.length_m * before) / np.sum(drive.length_m * before))
    held = line.slowed & before & (drive.grade > 0.0)
    slow = " The car cannot hold the entered speed there." if held.any() else ""
    return (
        f"In the ten minutes before: mean grade {grade:.1f} %, {mean(work.crank_w, here) / 1e3:.0f} kW at the "
        f"crankshaft (trip's mean {mean(work.crank_w, trip) / 1e3:.0f}), {mean(rpm, here):,.0f} rpm "
        f"({mean(rpm, trip):,.0f}), cooling air at {u.pace(mean(drive.speed_m_per_s, here)):.0f} {u.speed} "
        f"({u.pace(mean(drive.speed_m_per_s, trip)):.0f}) and {u.temp(mean(drive.air_k, here)):.0f} {u.temperature}, "
        f"{u.height(mean(drive.elevation_m, here)):,.0f} {u.elevation}.{slow}"
    )


def spread_sentence(report: Report, margin: Margin) -> str:
    """Sources of a margin's uncertainty."""
    shares = spread_shares(report.outlook, margin.leg, margin.fluid)
    named = [f"{one.words} {100.0 * one.share:.0f} %" for one in shares if one.share >= _WORTH_NAMING]
    return f"Main sources of uncertainty: {', '.join(named)}." if named else ""


def remedy_words(report: Report, remedy: Remedy) -> tuple[str, str, str, str]:
    """Text of one remedy."""
    u = report.units
    what = remedy.words + (f" ({remedy.note})" if remedy.note else "")
    before, after = u.diff(remedy.margin_k - remedy.gain_k), u.diff(remedy.margin_k)
    margin = f"from {before:z.0f} to {after:z.0f} {u.temperature}"
    return what, f"{remedy.minutes:.0f}", margin, chance(remedy.probability, learnt=report.knows_car)
