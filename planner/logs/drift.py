"""Trends over several days."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.logs.drives import Driven
from planner.logs.identifiability import WORDS, names_for
from planner.logs.verdict import every_other
from planner.model.errors import PlannerError
from thermal.errors import ThermalError
from thermal.fit import fit_factors
from thermal.fluids import FACTORS
from thermal.posterior import Factor
from thermal.spread import CLASS_SPREAD
from thermal.vehicle_file import VehicleFile

Floats = npt.NDArray[np.float64]
_DRIFT_SE, _DRIFT_LEAST, _DRIFT_LOGS = 3.0, 0.03, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Trend of one factor: change of its logarithm per day, its standard error, and days covered."""

    factor: str
    per_day: float
    error: float
    days: float
    words: str


def drifts(car: VehicleFile, driven: Sequence[Driven]) -> tuple[Drift, ...]:
    """Find factors with a significant trend over the days."""
    if len(driven) < _DRIFT_LOGS:
        return ()
    days = _days(driven)
    names = [name for name in names_for(driven, car.vehicle) if name in FACTORS and name != "capacity"]
    wide = replace(
        car.spread,
        factors={
            name: Factor(value=f.value, sd=max(f.sd, CLASS_SPREAD[name]), source=f.source)
            for name, f in car.spread.factors.items()
        },
        correlation={},
    )
    rows = []
    for one in driven:
        try:
            found = fit_factors(car.vehicle, [one.drive], [every_other(one.readings)], names, known=wide)
        except ThermalError as exc:
            message = f"{one.log.name}: {exc}"
            raise PlannerError(message) from exc
        rows.append((np.log(found.estimate), found.standard_error))
    out = [
        _drift(name, days, np.array([r[0][i] for r in rows]), np.array([r[1][i] for r in rows]))
        for i, name in enumerate(names)
    ]
    sure = [d for d in out if abs(d.per_day) > _DRIFT_SE * d.error and abs(d.per_day) * d.days > _DRIFT_LEAST]
    return tuple(sorted(sure, key=lambda d: -abs(d.per_day) / d.error))


def _days(driven: Sequence[Driven]) -> Floats:
    """Day number of each log; its index if a date is missing."""
    known = [one.log.day for one in driven]
    if any(day is None for day in known) or len(set(known)) < len(known):
        return np.arange(len(driven), dtype=np.float64)
    first = min(day for day in known if day is not None)
    return np.array([float((day - first).days) for day in known if day is not None])


def _drift(name: str, days: Floats, logs: Floats, error: Floats) -> Drift:
    """Weighted linear regression through the daily estimates."""
    weight = 1.0 / error**2
    middle = float(np.sum(weight * days) / np.sum(weight))
    spread = float(np.sum(weight * (days - middle) ** 2))
    slope = float(np.sum(weight * (days - middle) * logs) / spread)
    span = float(np.ptp(days))
    total = np.exp(slope * span) - 1.0
    words = (
        f"{WORDS[name]} {'rises' if slope > 0 else 'falls'} from log to log: {total:+.0%} over {span:.0f} days, "
        f"± {1.645 * span / np.sqrt(spread):.0%}. Find the cause before a limit is reached."
    )
    return Drift(factor=name, per_day=slope, error=float(1.0 / np.sqrt(spread)), days=span, words=words)
