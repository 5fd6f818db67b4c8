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
    warm, late = series.temps_k >= warm_k, series.settled
    band = weighted_quantiles(series.temps_k, series.step_s * warm if warm.any() else series.step_s, _BAND)
    low = float(weighted_quantiles(series.temps_k, series.step_s * late, (_LOW,))[0]) if late.any() else warm_k
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


def weighted_quantiles(values: Floats, weights: Floats, shares: tuple[float, ...]) -> Floats:
    """Quantiles of values with weights, of their shape or one that broadcasts to it.

    >>> weighted_quantiles(np.array([1.0, 2.0, 3.0]), np.array([1.0, 1.0, 8.0]), (0.5,))
    array([3.])
    """
    least, most = float(values.min()), float(values.max())
    bins = ((values - least) * ((_BINS - 1) / max(most - least, 1e-9))).astype(np.int64)
    weights = np.broadcast_to(weights, values.shape)
    whole = np.cumsum(np.bincount(bins.ravel(), weights=weights.ravel(), minlength=_BINS))
    found = []
    for share in shares:  # only the quantile's own bin must be sorted
        wanted = share * whole[-1]
        at = min(int(np.searchsorted(whole, wanted)), _BINS - 1)
        own = bins == at
        here, weighs = values[own], weights[own]
        order = np.argsort(here)
        below = whole[at - 1] if at else 0.0
        place = int(np.searchsorted(below + np.cumsum(weighs[order]), wanted))
        found.append(here[order[min(place, len(here) - 1)]])
    return np.array(found)


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
    usual, (false, n) = (limit_k - mark) / _fastest_k_per_s(series, limit_k), map(int, counts)
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


def _fastest_k_per_s(series: Series, limit_k: float) -> float:
    """Fast rise: the 95th percentile of rises, near the limit where the draws come near it."""
    rise = np.diff(series.temps_k, axis=1) / np.maximum(series.step_s[1:], 1.0)
    near = series.temps_k[:, 1:] > limit_k - _NEAR_K
    some = rise[near & (rise > 0.0)]
    some = some if len(some) >= 20 else rise[rise > 0.0]
    return max(float(np.quantile(some, 0.95)), 1e-3) if len(some) else 1e-2
