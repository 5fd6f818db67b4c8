"""Margins soon after a change: a few draws of the days that changed, compared with the same few before it.

The full forecast before the change says how thin each margin is; the few draws say how far the change moves it. Where
nothing changes, nothing moves. The result holds until the full forecast is made.
"""

from collections import Counter
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt
from scipy.special import betainc

from planner.analysis.margins import columns_of, fluids_of
from planner.analysis.rerun import from_rest
from planner.analysis.unknowns import HEAT_K, Unknowns, hardest_margin_k
from planner.forecast.assemble import Inputs
from planner.forecast.run import Forecast, ambient_sd_k
from planner.model.levels import level_of
from planner.route.gaps import Gap, find_gaps
from planner.route.timeline import Route, Timeline, open_route
from thermal.drive import Drive
from thermal.error_path import rows_along, with_error
from thermal.fluids import fluids_in
from thermal.kernel import Factors
from thermal.simulate import simulate
from thermal.spread import SEED, draw, medians

Floats = npt.NDArray[np.float64]
DRAWS = 31  # with the car as described they fill whole lanes of the compiled model
NEW_LEG_K = 5.0
"""ASSUMED: what a few draws may be off by on a leg that was not in the plan; likely range 2 to 8."""
MOVED_K = 15.0
"""ASSUMED: what a few draws may be off by where legs come to lie on other days; measured, likely range 10 to 20."""


def smooth_quantile(values: Floats, share: float) -> Floats:
    """Quantile over the first axis from all order statistics, weighted: steadier than one of them when they are few.

    Harrell and Davis, 1982, "A new distribution-free quantile estimator", Biometrika 69 (weights from memory; the same
    as in scipy.stats.mstats.hdquantiles).

    >>> from scipy.stats.mstats import hdquantiles
    >>> draws = np.random.default_rng(0).normal(size=31)
    >>> bool(np.isclose(smooth_quantile(draws, 0.1), hdquantiles(draws, [0.1])[0]))
    True
    """
    n = len(values)
    edges = betainc((n + 1) * share, (n + 1) * (1.0 - share), np.linspace(0.0, 1.0, n + 1))
    return np.asarray(np.tensordot(np.diff(edges), np.sort(values, axis=0), axes=1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Few:
    """A few draws of a trip, the car as described first."""

    route: Route
    mornings_k: tuple[Floats, ...]  # (1 + n_draw, n_body): at the end of each night, without the model's error
    margin_k: Floats  # (1 + n_draw, n_leg, n_fluid): smallest margins; fluids of the car

    def kept_k(self, confidence: float) -> Floats:
        """Margin kept at a confidence, by leg and fluid. [K]."""
        return np.asarray(np.minimum(smooth_quantile(self.margin_k[1:], 1.0 - confidence), self.margin_k[0]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Base:
    """A full forecast, and the few draws of it with which later changes are compared."""

    inputs: Inputs
    outlook: Forecast
    unknowns: Unknowns
    few: Few


@dataclass(frozen=True, slots=True, kw_only=True)
class QuickMargin:
    """Smallest margin of one fluid on one leg, until the full forecast replaces it."""

    leg: int
    fluid: str
    margin_k: float
    level: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Quick:
    """Margins soon after a change, and the route on its new clock; `days` are those driven again."""

    route: Route
    margins: tuple[QuickMargin, ...]
    days: tuple[int, ...]


def make_base(inputs: Inputs, outlook: Forecast, unknowns: Unknowns) -> Base:
    """Drive the few draws of a full forecast, to compare changes with; `inputs` are as the forecast was taught."""
    few = _few(outlook.route, inputs, range(len(outlook.timeline.days)), None)
    return Base(inputs=inputs, outlook=outlook, unknowns=unknowns, few=few)


def quick(base: Base, inputs: Inputs) -> Quick:
    """Forecast the margins of changed inputs; `NoRouteError` where no road or no days keep the trip's rules.

    What readings and fuel use taught comes from the forecast before; only the full forecast learns anew.
    """
    if base.inputs.lesson is not None:
        car = replace(base.inputs.car, vehicle=inputs.car.vehicle)
        inputs = replace(inputs, car=car, known=replace(inputs.known, read=base.inputs.known.read))
    route = open_route(inputs.trip, inputs.car.vehicle, inputs.known)
    days = _changed_days(base, inputs, route)
    few = _few(route, inputs, days, base.few) if days else replace(base.few, route=route)
    return Quick(route=route, margins=_margins(base, inputs, few, days), days=tuple(days))


def _changed_days(base: Base, inputs: Inputs, route: Route) -> range:
    """Days from the first to the last that are driven otherwise than before."""
    old, new = base.few.route.timeline, route.timeline
    every = range(len(new.days))
    was, now = base.inputs.car, inputs.car
    if was.vehicle != now.vehicle or was.spread.factors != now.spread.factors or len(old.days) != len(new.days):
        return every
    if not _same_split(old, new):
        return every
    changed = [number for number in every if not _same_day(old, new, number)]
    return range(changed[0], changed[-1] + 1) if changed else range(0)


def _same_split(old: Timeline, new: Timeline) -> bool:
    """Whether every leg lies on the same day."""
    return [(day.first, day.last) for day in old.days] == [(day.first, day.last) for day in new.days]


def _same_day(old: Timeline, new: Timeline, number: int) -> bool:
    """Whether a day is driven in the same way: every column of every segment."""
    one, two = _rows_of(old.drive, range(number, number + 1)), _rows_of(new.drive, range(number, number + 1))
    columns = ((getattr(one, item.name), getattr(two, item.name)) for item in fields(Drive))
    return all(a.shape == b.shape and bool(np.array_equal(a, b)) for a, b in columns)


def _rows_of(drive: Drive, days: range) -> Drive:
    """Segments of some days, one after the other."""
    rows = (drive.day >= days[0]) & (drive.day <= days[-1])
    return Drive(**{item.name: getattr(drive, item.name)[rows] for item in fields(Drive)})


def _few(route: Route, inputs: Inputs, days: range, before: Few | None) -> Few:
    """Drive some days with a few draws; the other days stay as they were."""
    line, vehicle, first = route.timeline, inputs.car.vehicle, days[0]
    drawn, shift = draw(
        DRAWS + 1, ambient_sd_k=ambient_sd_k(line), seed=SEED, posterior=inputs.car.spread, vehicle=vehicle
    )
    factors = Factors(*(np.append(m, d[:DRAWS]) for m, d in zip(medians(inputs.car.spread), drawn, strict=True)))
    shift_k = np.vstack((np.zeros(shift.shape[1]), shift[:DRAWS]))[:, days[0] : days[-1] + 1]
    drive = _rows_of(line.drive, days)
    if first > 0 and before is not None:
        drive = from_rest(drive, 0.0, float(drive.air_k[0]))
    drive = replace(drive, day=drive.day - first)
    result = simulate(
        drive,
        vehicle,
        start_k=before.mornings_k[first - 1] if first > 0 and before is not None else None,
        factors=factors,
        ambient_k=shift_k,
        record=rows_along(drive),
    )
    known = inputs.car.spread.discrepancy
    off = with_error(result, drive, vehicle, known, seed=SEED, plain=1, first_day=first)
    ends = [np.flatnonzero(drive.day == number)[-1] for number in range(len(days))]
    nights = tuple(result.temps_k[:, int(np.searchsorted(result.recorded, row))] for row in ends)
    return _joined(route, line, days, before, nights, off.margin_k[:, :, _columns(inputs)])


def _columns(inputs: Inputs) -> list[int]:
    """Where the fluids of a car stand among all that the model knows."""
    return [fluid.index for fluid in fluids_in(inputs.car.vehicle)]


def _joined(
    route: Route, line: Timeline, days: range, before: Few | None, nights: tuple[Floats, ...], margin_k: Floats
) -> Few:
    """Put the days driven between those that stay."""
    if before is None or len(days) == len(line.days):
        return Few(route=route, mornings_k=nights, margin_k=margin_k)
    legs = slice(line.days[days[0]].first, line.days[days[-1]].last + 1)
    whole = before.margin_k.copy()
    whole[:, legs] = margin_k[:, legs]
    held = (*before.mornings_k[: days[0]], *nights, *before.mornings_k[days[-1] + 1 :])
    return Few(route=route, mornings_k=held, margin_k=whole)


def _margins(base: Base, inputs: Inputs, few: Few, days: range) -> tuple[QuickMargin, ...]:
    """Move the margins of the full forecast by what the few draws say."""
    outlook, trip, columns = base.outlook, inputs.trip, columns_of(base.outlook)
    keys, new_columns = fluids_of(outlook), _columns(inputs)
    nominal = outlook.nominal.margin_k[0]
    full = np.minimum(outlook.kept.margin_k, nominal)[:, columns]
    was, now = base.few.kept_k(trip.confidence), few.kept_k(trip.confidence)
    old, hidden = _places_of(base.few.route), _hidden_k(base, few, inputs, days)
    other = 0.0 if _same_split(base.few.route.timeline, few.route.timeline) else MOVED_K
    found = []
    for leg, key in enumerate(_places_of(few.route)):
        there = old.index(key) if key in old else None
        for f, column in enumerate(new_columns):
            g = columns.index(column) if column in columns else None
            if there is None or g is None:
                margin, lost = float(now[leg, f]), NEW_LEG_K + HEAT_K + float(hidden[leg, f])
            else:
                margin = float(full[there, g] + now[leg, f] - was[there, g])
                hot = float(base.unknowns.heat_k[there])
                lost = max(float(base.unknowns.lost_k[there, column]), float(hidden[leg, f]) + hot) + other
            level = level_of(margin, trip.thin_band_k, least_k=margin - lost)
            name = keys[g] if g is not None else _key_of(inputs, f)
            found.append(QuickMargin(leg=leg, fluid=name, margin_k=margin, level=level))
    return tuple(found)


def _hidden_k(base: Base, few: Few, inputs: Inputs, days: range) -> Floats:
    """What unknown heights may cost the car as described on some days, by leg and fluid; else 0. [K]."""
    lost, line = np.zeros(few.margin_k.shape[1:]), few.route.timeline
    legs = range(line.days[days[0]].first, line.days[days[-1]].last + 1) if days else range(0)
    gaps = tuple(gap for gap in _gaps(base, few.route) if gap.leg in legs)
    if gaps:
        hardest = hardest_margin_k(few.route, inputs.car, gaps, days=days)[legs][:, _columns(inputs)]
        lost[legs] = np.maximum(few.margin_k[0, legs] - hardest, 0.0)
    return lost


def _gaps(base: Base, route: Route) -> tuple[Gap, ...]:
    """Stretches without heights; those of the forecast before where the road is the same."""
    return base.unknowns.gaps if _ground(base.outlook.route) == _ground(route) else find_gaps(route.trip, route.legs)


def _ground(route: Route) -> tuple[object, ...]:
    """What the ground along a road depends on."""
    return route.trip.places, *((leg.start, leg.finish, leg.distance_m, leg.profile, leg.kind) for leg in route.legs)


def _key_of(inputs: Inputs, position: int) -> str:
    """Key of a fluid by its position among the car's."""
    return fluids_in(inputs.car.vehicle)[position].key


def _places_of(route: Route) -> list[tuple[str, str, int]]:
    """Each leg by its ends, and how often it has been driven by then."""
    seen: Counter[tuple[str, str]] = Counter()
    found = []
    for leg in route.legs:
        ends = (leg.start, leg.finish)
        seen[ends] += 1
        found.append((*ends, seen[ends]))
    return found
