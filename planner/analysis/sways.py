"""What moves a trip's temperatures, and by how much: the car's unknowns, the air, and a few changes of the day.

A page without a computer behind it forecasts by these. Pairs of drives either side of the car as best known give the
slope of every fluid to every unknown, as in `thermal.taught`; pairs in much hotter air give the slopes behind a
thermostat that is wide open. Three drives for each fluid, along the direction that heats it most, give the curve over
the sum of all slopes (a single-index model, Ichimura, J. Econometrics 58, 1993; from memory). Each change is one drive
of that car. How much wider the band is in hotter air comes from the plan's own draws there.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.forecast.run import Forecast, ambient_sd_k
from planner.route.timeline import Timeline, lay_out
from thermal.discrepancy import conditions_of, scale_k
from thermal.drive import Drive
from thermal.error_path import with_error
from thermal.fluids import FLUID_NODES
from thermal.kernel import Factors, at_once
from thermal.simulate import make_ready, simulate
from thermal.spread import CLASS_SPREAD, medians
from thermal.taught import STEP, TIMING_S

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]
CURVE_AT = (-float(STEP), float(STEP), 2.0 * float(STEP))  # standard deviations
SLOWER = 0.8  # of the speed on a grade
HOT_K = 20.0  # hotter air, in which the second slopes are taken

LEAST_AIR_K = 0.1  # of one standard deviation of the air, so that it can be divided by
_LEAST_K = 0.1  # an unknown that moves no fluid by more is left out
_DRAWS = 128  # the same in every air, so that most of their scatter cancels
_ROUGH_K = 0.05  # tolerance of those drives: temperatures within 0.03 K, of widths that the page has in whole kelvins
_ABOUT = np.linspace(-0.05, 0.05, 11)
_FADE_S, _WARMER_K = 900.0, 5.0
_AS_NEAR_K = 3.0  # an edge so near is not given a node of its own: the page stays small
_EVERY_S = 720.0  # between nodes of the road that nothing else asks for


@dataclass(frozen=True, slots=True, kw_only=True)
class Sways:
    """How temperatures move at some places of a drive, the nodes; the last unknown is the air of the day."""

    rows: Rows  # (n_node,): segments; a node is at the end of one
    slope_k: Floats  # (n_unknown, n_node, n_fluid): change for one standard deviation of an unknown
    hot_slope_k: Floats  # likewise, in air hotter by `HOT_K`
    gap_k: Floats  # (n_node, n_fluid): how far their line lies below what is expected; > 0: a bend is ahead
    along_k: Floats  # (n_node, n_fluid): sum of the slopes in the direction that heats the fluid most
    curve_k: Floats  # (3, n_node, n_fluid): what the fluid does beyond that, at each of `CURVE_AT`
    air_sd_k: Floats  # (n_day,)
    wider_k: Floats  # (n_hotter, n_node, n_fluid): how much more the upper edge is above the expected
    edges: Rows  # (n_leg, n_fluid): segments where the upper edge comes nearest its limit
    rise_k: Floats  # (n_hotter, n_leg, n_fluid): how far a margin at the trip's confidence falls in that air
    error_k: Floats  # (n_node, n_fluid): size of the model's own error
    varies_k: Floats  # (n_node, n_fluid): change within minutes of road
    changes_k: Mapping[str, Floats]  # (n_node, n_fluid): what every change does to the car as best known
    air_k: Mapping[str, Floats]  # (n_node,): what a change does to the air
    slower_s: Floats  # (n_node,): driving time that slower grades have cost by there
    lag_s: Floats  # (n_fluid,): time in which a fluid's excess warmth falls to 1/e


def find_sways(
    outlook: Forecast, *, climbs: Sequence[tuple[int, int]], hotter_k: Mapping[str, float], later_s: Mapping[str, float]
) -> Sways:
    """Drive the trip again in pairs, and once for every change."""
    line, vehicle, known = outlook.timeline, outlook.car.vehicle, outlook.car.spread
    rows, sd = _rows(outlook, climbs), ambient_sd_k(line)
    edges = _edges(outlook, rows)
    rows = np.union1d(rows, edges)
    root = np.asarray(np.linalg.cholesky(known.covariance(CLASS_SPREAD)), dtype=np.float64)
    zero, slope = _slopes(outlook, line.drive, rows, root, sd)
    far, hot_slope = _slopes(outlook, replace(line.drive, air_k=line.drive.air_k + HOT_K), rows, root, sd, heating=True)
    back = HOT_K / np.maximum(sd, LEAST_AIR_K)[line.drive.day[rows].astype(np.int64)]
    along, curve = _curves(outlook, rows, zero, slope, root, sd)
    felt = np.maximum(np.abs(slope), np.abs(hot_slope)).max(axis=(1, 2)) > _LEAST_K
    felt[-1] = True
    hot = {name: replace(line.drive, air_k=line.drive.air_k + kelvin) for name, kelvin in hotter_k.items()}
    changes, warmer, slower_s = _changes(outlook, climbs, rows, zero, later_s, hot)
    around = conditions_of(known.discrepancy, line.drive, vehicle)
    expected = np.stack([zero, *(zero + changes[name] for name in hot)])
    wider, rise = _wider_k(outlook, rows, tuple(hot.values()), expected)
    return Sways(
        rows=rows,
        slope_k=slope[felt],
        hot_slope_k=hot_slope[felt],
        gap_k=zero - (far - back[:, None] * hot_slope[-1]),
        along_k=along,
        curve_k=curve,
        air_sd_k=np.maximum(sd, LEAST_AIR_K),
        wider_k=wider,
        edges=edges,
        rise_k=rise,
        error_k=scale_k(known.discrepancy, around, rows, zero),
        varies_k=_varies_k(outlook, rows),
        changes_k=changes,
        air_k=warmer,
        slower_s=slower_s,
        lag_s=_lag_s(outlook),
    )


def _slopes(
    outlook: Forecast, drive: Drive, rows: Rows, root: Floats, air_sd_k: Floats, *, heating: bool = False
) -> tuple[Floats, Floats]:
    """The car as best known, and slopes from drives either side of it, or of that which heats it.

    The air of all days is one unknown.
    """
    middle, n = np.log(outlook.car.spread.medians), len(root)
    steps = np.vstack((np.zeros((1, n)), STEP * root.T, np.zeros((1, n)), -STEP * root.T, np.zeros((1, n))))
    air = np.zeros((len(steps), len(air_sd_k)))
    air[n + 1], air[-1] = STEP * air_sd_k, -STEP * air_sd_k
    temps = simulate(
        drive,
        outlook.car.vehicle,
        start_k=outlook.start_k,
        factors=Factors(*np.exp(middle + steps).T),
        ambient_k=air,
        record=rows,
    ).temps_k[:, :, FLUID_NODES]
    zero, up, down = temps[0], temps[1 : n + 2], temps[n + 2 :]
    if heating:
        return zero, np.where(up > down, up - zero, zero - down) / STEP
    return zero, (up - down) / (2.0 * STEP)


def _curves(
    outlook: Forecast, rows: Rows, zero_k: Floats, slope_k: Floats, root: Floats, air_sd_k: Floats
) -> tuple[Floats, Floats]:
    """Three drives along the direction that heats each fluid most, where its margin is smallest."""
    result, known = outlook.nominal, outlook.car.spread
    n, n_fluid = len(root), slope_k.shape[2]
    legs = np.argmin(result.margin_k[0], axis=0)
    at = np.searchsorted(rows, result.where[0][legs, np.arange(n_fluid)])
    ways = slope_k[:, at, np.arange(n_fluid)].T
    ways = ways / np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-9)
    points = np.concatenate([t * ways for t in CURVE_AT])
    temps = simulate(
        outlook.timeline.drive,
        outlook.car.vehicle,
        start_k=outlook.start_k,
        factors=Factors(*np.exp(np.log(known.medians) + points[:, :n] @ root.T).T),
        ambient_k=points[:, n:] * air_sd_k,
        record=rows,
    ).temps_k[:, :, FLUID_NODES]
    own = np.arange(n_fluid)
    found = temps.reshape(len(CURVE_AT), n_fluid, len(rows), n_fluid)[:, own, :, own].transpose(1, 2, 0)
    along = np.einsum("fu,unf->nf", ways, slope_k)
    return along, found - zero_k - np.array(CURVE_AT)[:, None, None] * along


def _wider_k(outlook: Forecast, rows: Rows, drives: Sequence[Drive], expected_k: Floats) -> tuple[Floats, Floats]:
    """How much further the plan's own draws lie above what is expected in hotter air, and how far margins fall."""
    spread, confidence = outlook.spread, outlook.trip.confidence
    near = np.minimum(np.searchsorted(spread.recorded, rows), len(spread.recorded) - 1)
    own = spread.temps_k[:_DRAWS, near][:, :, FLUID_NODES].astype(np.float64)
    found = [(own, spread.margin_k[:_DRAWS]), *(_hotter(outlook, near, drive) for drive in drives)]
    high = np.stack([_about(temps, confidence) for temps, _ in found])
    least = np.stack([_about(margin, 1.0 - confidence) for _, margin in found])
    width = np.maximum(high - expected_k, 0.0)
    return width[1:] - width[0], least[0] - least[1:]


def _hotter(outlook: Forecast, near: Rows, drive: Drive) -> tuple[Floats, Floats]:
    """Temperatures at some of the recorded rows, and margins, of the plan's own draws on a drive in hotter air.

    Some draws at a time: temperatures of all of them are as large as everything else together.
    """
    vehicle, known = outlook.car.vehicle, outlook.car.spread.discrepancy
    ready, around, found = make_ready(drive, vehicle), conditions_of(known, drive, vehicle), []
    for first in range(0, _DRAWS, at_once()):
        part = slice(first, min(first + at_once(), _DRAWS))
        drawn = simulate(
            drive,
            vehicle,
            start_k=outlook.start_k,
            factors=Factors(*(column[part] for column in outlook.factors)),
            ambient_k=outlook.shift_k[part],
            record=outlook.spread.recorded,
            ready=ready,
            tolerance_k=_ROUGH_K,
        )
        off = with_error(
            drawn,
            drive,
            vehicle,
            known,
            seed=outlook.seed,
            first_draw=first,
            sizes=False,
            around=around,
            spent=True,
        )
        found.append((off.temps_k[:, near][:, :, FLUID_NODES], off.margin_k))
        del drawn, off
    temps, margin = zip(*found, strict=True)
    return np.concatenate(temps), np.concatenate(margin)


def _about(draws: Floats, share: float) -> Floats:
    """Mean of the quantiles around one, since few draws give a single quantile badly."""
    return np.asarray(np.quantile(draws, share + _ABOUT, axis=0).mean(axis=0))


def _edges(outlook: Forecast, rows: Rows) -> Rows:
    """Segments where each fluid's upper edge comes nearest its limit on every leg; one of `rows` if about as near."""
    group = outlook.timeline.drive.group.astype(np.int64)
    room = outlook.nominal.limit_k - outlook.band_k[:, FLUID_NODES]
    found = np.zeros((len(outlook.legs), room.shape[1]), dtype=np.int64)
    for leg in range(len(found)):
        every, some = np.flatnonzero(group == leg), rows[group[rows] == leg]
        nearest = every[np.argmin(room[every], axis=0)]
        among = some[np.argmin(room[some], axis=0)]
        fluids = np.arange(room.shape[1])
        found[leg] = np.where(room[among, fluids] - room[nearest, fluids] < _AS_NEAR_K, among, nearest)
    return found


def _rows(outlook: Forecast, climbs: Sequence[tuple[int, int]]) -> Rows:
    """Nodes, by segment: ends of legs and stops, peaks, grades, and some between."""
    line, found = outlook.timeline, []
    for span in line.spans:
        steps = int((line.end_s[span.last] - line.begin_s[span.first]) / _EVERY_S) + 1 if span.kind == "drive" else 1
        at = np.linspace(line.begin_s[span.first], line.end_s[span.last], steps + 1)[1:]
        found.append(np.clip(np.searchsorted(line.end_s, at - 1e-3), span.first, span.last))
    ends = np.array([end for climb in climbs for end in (max(climb[0] - 1, 0), climb[1] - 1)], dtype=np.int64)
    return np.unique(np.concatenate((*found, outlook.nominal.where[0].ravel(), ends))).astype(np.int64)


def _varies_k(outlook: Forecast, rows: Rows) -> Floats:
    """How much fluids change within minutes of road, as in `thermal.taught`."""
    line, temps = outlook.timeline, outlook.nominal.temps_k[0][:, FLUID_NODES]
    moving, out = line.drive.speed_m_per_s > 0.0, np.zeros((len(rows), temps.shape[1]))
    first = np.searchsorted(line.end_s, line.end_s[rows] - TIMING_S)
    last = np.searchsorted(line.end_s, line.end_s[rows] + TIMING_S, side="right")
    for i, row in enumerate(rows):
        near = np.arange(first[i], last[i])
        near = near[moving[near] | (near == row)]
        out[i] = np.sqrt(np.mean((temps[near] - temps[row]) ** 2, axis=0))
    return out


def _lag_s(outlook: Forecast) -> Floats:
    """Start every fluid a little warmer in the middle of each day, and see how fast that fades."""
    line, found = outlook.timeline, []
    for day in range(len(line.days)):
        driven = np.flatnonzero((line.drive.day == day) & (line.drive.speed_m_per_s > 0.0))
        first = int(driven[len(driven) // 3])
        last = int(np.searchsorted(line.end_s, line.end_s[first] + _FADE_S))
        rows = slice(first + 1, max(min(last, int(driven[-1])), first + 1) + 1)
        start = np.repeat(outlook.nominal.temps_k[0, first][None, :], 1 + len(FLUID_NODES), axis=0)
        start[np.arange(1, len(start)), FLUID_NODES] += _WARMER_K
        usual = Factors(*(np.repeat(one, len(start)) for one in medians(outlook.car.spread)))
        end = np.array([rows.stop - rows.start - 1])
        temps = simulate(line.drive.take(rows), outlook.car.vehicle, start_k=start, factors=usual, record=end).temps_k
        left = (temps[np.arange(1, len(start)), 0, FLUID_NODES] - temps[0, 0, FLUID_NODES]) / _WARMER_K
        passed_s = float(line.end_s[rows.stop - 1] - line.end_s[first])
        found.append(-passed_s / np.log(np.clip(left, 0.001, 0.98)))
    return np.asarray(np.median(found, axis=0))


def _changes(
    outlook: Forecast,
    climbs: Sequence[tuple[int, int]],
    rows: Rows,
    zero_k: Floats,
    later_s: Mapping[str, float],
    hot: Mapping[str, Drive],
) -> tuple[dict[str, Floats], dict[str, Floats], Floats]:
    """One drive for each change: what it does to fluids and air, and what slower grades cost in time."""
    line, road = outlook.timeline, outlook.timeline.road
    driving = line.on_road
    speed = np.where(road.carried, road.wanted_m_per_s, line.drive.speed_m_per_s[driving])
    lines = {
        name: lay_out(outlook.trip, road, tuple(replace(day, start_s=day.start_s + s) for day in line.days), speed)
        for name, s in later_s.items()
    }
    on_grade = np.zeros(len(driving), dtype=np.bool_)
    for start, end in climbs:
        on_grade[start:end] = True
    lines["slower"] = lay_out(outlook.trip, road, line.days, np.where(on_grade[driving], SLOWER, 1.0) * speed)
    lines["ac"] = replace(line, drive=replace(line.drive, ac_on=np.zeros_like(line.drive.ac_on)))
    lines |= {name: replace(line, drive=drive) for name, drive in hot.items()}
    temps, air = {}, {}
    for name, other in lines.items():
        at = _same(line, other, rows)
        order = np.unique(at)
        result = simulate(
            other.drive,
            outlook.car.vehicle,
            start_k=outlook.start_k,
            factors=medians(outlook.car.spread),
            record=order,
        )
        found = result.temps_k[0][:, FLUID_NODES][np.searchsorted(order, at)]
        temps[name], air[name] = found - zero_k, other.drive.air_k[at] - line.drive.air_k[rows]
    driven = [
        np.cumsum(np.where(one.drive.speed_m_per_s > 0.0, one.drive.duration_s, 0.0)) for one in (line, lines["slower"])
    ]
    return temps, air, driven[1][_same(line, lines["slower"], rows)] - driven[0][rows]


def _same(line: Timeline, other: Timeline, rows: Rows) -> Rows:
    """The same segments of the road laid out otherwise; the last of a stop that has fewer steps there."""
    shift = np.zeros(len(line.end_s), dtype=np.int64)
    for one, its in zip(line.spans, other.spans, strict=True):
        own = np.arange(one.first, one.last + 1)
        shift[own] = np.where(own == one.last, its.last, np.minimum(its.first + own - one.first, its.last))
    return shift[rows]
