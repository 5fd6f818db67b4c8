"""Marks for one gauge: a band of nine tenths of the readings, a low mark, an early caution with few false alarms."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from thermal.compiled import Code
from thermal.drive import Drive
from thermal.fluids import Fluid, limit_of
from thermal.ranges import FloatArray as Floats
from thermal.vehicle import Vehicle

_BAND = (0.05, 0.95)
_LOW = 0.01
SETTLED_S = 1800.0  # ASSUMED: a fluid that is still cold after half an hour of driving is a fault (20 to 40 min)
NUISANCE_PER_H = 1.0 / 20.0  # ASSUMED: owners tolerate one false alarm in 20 h of driving
_REARMS_K = 2.0  # an alarm rearms once the reading has fallen by this
_LEAST_K = 2.0  # least difference of caution and limit
_LEAST_SEEN = 20  # draws that must reach the limit to know the time it takes
_BINS = 4096  # of a first estimate of a quantile
_NEAR_K = 20.0  # range below the limit in which rates of rise count
_code = Code()


class Series(NamedTuple):
    """One fluid in every draw along the drive."""

    temps_k: Floats  # (n_draw, n)
    step_s: Floats  # (n,), time that each temperature represents
    limit_k: Floats
    settled: npt.NDArray[np.bool_]


class Marks(NamedTuple):
    """Marks of one gauge."""

    low_k: float
    band_k: tuple[float, float]
    caution_k: float
    lead_s: float  # from the caution to the limit
    nuisance_per_h: float  # false alarms


@dataclass(frozen=True, slots=True, kw_only=True)
class FluidAlarm:
    """One fluid of a leg, a trip or a session: not warm below `warm_k`, then its marks and its limit. [K]"""

    fluid: str
    warm_k: float
    marks: Marks
    limit_k: float


def fluid_alarm(series: Series, fluid: Fluid, vehicle: Vehicle, *, thin_k: float, limit_k: float) -> FluidAlarm:
    """Place the marks of one fluid of a car; `limit_k` is the lowest limit on the way."""
    limits = limit_of(vehicle, fluid)
    found = marks(series, warm_k=limits.warm_k, caution_k=limits.caution_k, thin_k=thin_k)
    return FluidAlarm(fluid=fluid.key, warm_k=limits.warm_k, marks=found, limit_k=limit_k)


def settled(drive: Drive) -> npt.NDArray[np.bool_]:
    """Segments after half an hour of driving without a long stop; a stop may consist of many segments."""
    moving = drive.speed_m_per_s > 0.0
    changes = np.flatnonzero(np.diff(moving, prepend=moving[0]))
    found = []
    driven_s = 0.0
    for drives, seconds in zip(np.split(moving, changes), np.split(drive.duration_s, changes), strict=True):
        if not drives[0] and seconds.sum() >= SETTLED_S:
            driven_s = 0.0
        found.append(driven_s + np.cumsum(np.where(drives, seconds, 0.0)) > SETTLED_S)
        driven_s += float(seconds.sum()) if drives[0] else 0.0
    return np.concatenate(found)


def marks(series: Series, *, warm_k: float, caution_k: float, thin_k: float) -> Marks:
    """Compute the marks of one gauge.

    The band contains nine tenths of the driving time with the fluid warm. The reading is below the low mark for one
    hundredth of the time after half an hour: below it, a thermostat is stuck open or a sender is faulty. The caution is
    the lowest temperature that a sound car exceeds at most once in 20 h; it is not above the caution of the vehicle
    file if that one gives as few false alarms.
    """
    temps, step = np.ascontiguousarray(series.temps_k), np.ascontiguousarray(series.step_s)
    band = weighted_quantiles(temps, step, _BAND, least_k=warm_k if temps.max() >= warm_k else -np.inf)
    low = float(weighted_quantiles(temps, step * series.settled, (_LOW,))[0]) if series.settled.any() else warm_k
    limit = float(series.limit_k.min())
    usual = min(caution_k, limit - max(thin_k, _LEAST_K))
    tried = np.append(np.arange(np.floor(band[1]), limit - _LEAST_K, 1.0), usual)
    caution, nuisance, lead_s = _caution(series, [*np.sort(tried).tolist(), usual], limit)
    return Marks(
        low_k=min(low, float(band[0])),
        band_k=(float(band[0]), float(band[1])),
        caution_k=caution,
        lead_s=lead_s,
        nuisance_per_h=nuisance,
    )


def weighted_quantiles(
    temps_k: Floats, weights: Floats, shares: tuple[float, ...], *, least_k: float = -np.inf
) -> Floats:
    """Quantiles of temperatures from `least_k` on, shape (n_draw, n); each column has a weight.

    >>> weighted_quantiles(np.array([[1.0, 2.0, 3.0]]), np.array([1.0, 1.0, 8.0]), (0.5,))
    array([3.])
    """
    low_k, most_k = float(temps_k.min()), float(temps_k.max())
    where = least_k, low_k, (_BINS - 1) / max(most_k - low_k, 1e-9)
    sums, held, weighs, count = np.zeros(_BINS), np.empty(temps_k.size), np.empty(temps_k.size), np.zeros(1, np.int64)
    _tally(temps_k, weights, *where, -1, sums, held, weighs, count)
    whole, found = np.cumsum(sums), []
    for share in shares:  # only the quantile's own bin must be sorted
        wanted = share * whole[-1]
        at = min(int(np.searchsorted(whole, wanted)), _BINS - 1)
        _tally(temps_k, weights, *where, at, sums, held, weighs, count)
        order = np.argsort(held[: count[0]])
        below = whole[at - 1] if at else 0.0
        place = int(np.searchsorted(below + np.cumsum(weighs[order]), wanted))
        found.append(held[order[min(place, len(order) - 1)]])
    return np.array(found)


@_code.entry
def _tally(temps_k, weights, least_k, low_k, per_k, chosen, sums, held_k, weighs, count):  # type: ignore[no-untyped-def]
    """Sum weights by bin of temperature, or list what the chosen bin has."""
    n = 0
    for draw in range(temps_k.shape[0]):
        for i in range(temps_k.shape[1]):
            now, weight = temps_k[draw, i], weights[i]
            if weight > 0.0 and now >= least_k:
                at = int((now - low_k) * per_k)
                if chosen < 0:
                    sums[at] += weight
                elif at == chosen:
                    held_k[n], weighs[n] = now, weight
                    n += 1
    count[0] = n


def _caution(series: Series, tried_k: Sequence[float], limit_k: float) -> tuple[float, float, float]:
    """Take the first of some marks with few false alarms, else the last: mark, false alarms, time from it to the limit.

    [K, 1/h, s]
    """
    temps, step = np.ascontiguousarray(series.temps_k), np.ascontiguousarray(series.step_s)
    limits, hours = np.ascontiguousarray(series.limit_k), max(len(temps) * float(step.sum()) / 3600.0, 1e-9)
    most, leads, counts = temps.max(axis=1), np.empty(temps.size), np.zeros(2, dtype=np.int64)
    for mark in tried_k[:-1]:
        _rung(temps, most, step, limits, float(mark), leads, NUISANCE_PER_H * hours, counts)
        if counts[0] / hours <= NUISANCE_PER_H:
            break
    else:
        mark = tried_k[-1]
        _rung(temps, most, step, limits, float(mark), leads, np.inf, counts)
    usual, (false, n) = (limit_k - mark) / _fastest_k_per_s(temps, step, limit_k), map(int, counts)
    return mark, false / hours, min(float(np.median(leads[:n])), usual) if n >= _LEAST_SEEN else usual


@_code.entry
def _rung(temps_k, most_k, step_s, limit_k, mark_k, leads_s, enough, counts):  # type: ignore[no-untyped-def]
    """Count false alarms at one mark up to `enough`, and true ones, and note how long each of those came before."""
    false = n_lead = 0
    for draw in range(temps_k.shape[0]):
        if most_k[draw] < mark_k:
            continue
        if false > enough + 1.0:  # a rounding apart from the caller's own comparison
            break
        ringing, reached, since = False, False, 0.0
        for i in range(temps_k.shape[1]):
            now = temps_k[draw, i]
            since += step_s[i]
            if ringing and now < mark_k - _REARMS_K:
                false += not reached
                ringing = reached = False
            elif not ringing and now >= mark_k:
                ringing, reached, since = True, False, 0.0
            if ringing and not reached and now >= limit_k[i]:
                leads_s[n_lead] = since
                n_lead += 1
                reached = True
        false += ringing and not reached
    counts[0], counts[1] = false, n_lead


def _fastest_k_per_s(temps_k: Floats, step_s: Floats, limit_k: float) -> float:
    """Fast rise: the 95th percentile of rises, near the limit where the draws come near it."""
    rises, count = np.empty(temps_k.size), np.zeros(1, np.int64)
    for above_k in (limit_k - _NEAR_K, -np.inf):
        _rises(temps_k, step_s, above_k, rises, count)
        if count[0] >= _LEAST_SEEN:
            break
    return max(float(np.quantile(rises[: count[0]], 0.95)), 1e-3) if count[0] else 1e-2


@_code.entry
def _rises(temps_k, step_s, above_k, rises, count):  # type: ignore[no-untyped-def]
    """List how fast temperatures rise to those above one."""
    n = 0
    for draw in range(temps_k.shape[0]):
        for i in range(1, temps_k.shape[1]):
            now, before = temps_k[draw, i], temps_k[draw, i - 1]
            if now > above_k and now > before:
                rises[n] = (now - before) / max(step_s[i], 1.0)
                n += 1
    count[0] = n
