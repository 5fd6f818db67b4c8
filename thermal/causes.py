"""Why a log differs from what was expected: causes tried one at a time, each judged by how probable it makes the log.

Every cause is compared with "nothing but what is usual": a car within the spread its file admits, an air sensor and
gauges a little off and late. The criterion is the probability of the readings under each, with what is usual averaged
over; for one added parameter this is what the Bayesian information criterion approximates, with the number of
independent readings in place of their count. A cause that needs a large parameter to explain little loses by itself.
"""

import copy
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.special import logsumexp

from thermal.drive import Drive
from thermal.fit import readings_worth_one, scatter_k
from thermal.fluids import FACTORS, FLUIDS, N_BODY, fluid_of
from thermal.kernel import Factors
from thermal.log_drive import Readings
from thermal.posterior import NOTHING, Posterior
from thermal.ranges import FloatArray
from thermal.residuals import Nuisance, modelled_k
from thermal.spread import CLASS_SPREAD, medians
from thermal.vehicle import Vehicle

USUAL = "usual"
# ASSUMED: most days nothing is wrong with a car that was sound the day before; the rest is shared by all causes.
_PRIOR_USUAL = 0.75
# ASSUMED: how large faults are, as the standard deviation of a factor's logarithm (0.3 to 0.7) and of a gauge's error
# (5 to 15 K); factors are tried up to 3.3, errors up to 30 K.
_FACTOR_SD, _OFFSET_SD_K = 0.5, 10.0
_LOG_STEPS = np.linspace(0.1, 1.2, 9)
_GAUGE_STEPS_K = np.array([3.0, 5.0, 8.0, 12.0, 17.0, 23.0, 30.0])
# ASSUMED: a gauge that shows one value for 10 min while the model moves by 5 K is stuck, anywhere within 100 K.
_STUCK_S, _STUCK_MOVES_K, _LEVEL_WIDTH_K = 600.0, 5.0, 100.0
# ASSUMED: how far a sound thermostat opens from where the file says (2 to 5 K), and from where a fit has put it.
_THERMOSTAT_SD_K, _THERMOSTAT_FITTED_SD_K = 3.0, 1.5
_ROUNDS = 2


class Cause(NamedTuple):
    """One cause: factors moved together, or a thermostat, or a gauge; values tried, and their weights."""

    name: str
    words: str
    factors: tuple[str, ...] = ()
    node: int = -1
    values: tuple[float, ...] = (0.0,)
    weights: tuple[float, ...] = (1.0,)


def _scaled(name: str, words: str, factors: tuple[str, ...], signs: tuple[int, ...]) -> Cause:
    """A cause that moves factors up, down, or either way."""
    values = np.concatenate([sign * _LOG_STEPS for sign in signs])
    weights = np.exp(-0.5 * (values / _FACTOR_SD) ** 2)
    return Cause(name, words, factors, -1, tuple(values), tuple(weights / weights.sum()))


def _gauge(name: str, words: str, node: int) -> Cause:
    """A gauge that reads too much or too little."""
    values = np.concatenate((-_GAUGE_STEPS_K, _GAUGE_STEPS_K))
    weights = np.exp(-0.5 * (values / _OFFSET_SD_K) ** 2)
    return Cause(name, words, (), node, tuple(values), tuple(weights / weights.sum()))


def _even(name: str, words: str, values: tuple[float, ...]) -> Cause:
    """A thermostat's opening moved by kelvins, none likelier than another."""
    return Cause(name, words, (), -1, values, (1.0 / len(values),) * len(values))


_GAUGES = tuple(fluid for fluid in FLUIDS if fluid.gauge)
CAUSES = (
    _scaled("airflow", "less cooling air: grille or core blocked, fan weak", ("airflow",), (-1,)),
    _scaled("radiator", "the radiator passes less heat: scaled, silted, low coolant", ("radiator",), (-1,)),
    _scaled("engine_heat", "the engine makes more heat: mixture, timing, head gasket", ("engine_heat",), (1,)),
    _scaled(
        "load",
        "more work than planned: weight, headwind, a dragging brake",
        ("engine_heat", "gearbox_heat", "axle_heat"),
        (1,),
    ),
    _even("thermostat_open", "the thermostat is stuck open", (-8.0, -15.0, -25.0, -60.0, -90.0)),
    _even("thermostat_late", "the thermostat opens late or sticks", (6.0, 9.0, 12.0, 16.0, 20.0, 25.0)),
    _scaled("oil_heat", "more heat made in the engine's oil: level, bearings", ("oil_heat",), (1,)),
    _scaled("oil_coolant", "oil and coolant exchange heat otherwise: oil level, exchanger", ("oil_coolant",), (-1, 1)),
    _scaled("oil_cooler", "the oil cooler gives off less: blocked, its thermostat shut", ("oil_cooler",), (-1,)),
    _scaled("gearbox_heat", "the transmission makes more heat: slip, fluid level", ("gearbox_heat",), (1,)),
    _scaled("gearbox_loss", "the transmission gives off less heat: cooler blocked", ("gearbox_loss",), (-1,)),
    _scaled("axle_heat", "the differential makes more heat: bearings, oil level", ("axle_heat",), (1,)),
    _scaled("axle_loss", "the differential gives off less heat", ("axle_loss",), (-1,)),
    *(_gauge(f"offset_{fluid.node}", f"the {fluid.label} gauge is off", fluid.node) for fluid in _GAUGES),
    *(Cause(f"stuck_{fluid.node}", f"the {fluid.label} gauge is stuck", (), fluid.node) for fluid in _GAUGES),
)
# The gauge without which a cause cannot be told; one that is not here needs any.
_NEEDS = {
    **{factor: fluid.node for fluid in FLUIDS for factor in fluid.factors},
    **dict.fromkeys(("thermostat_open", "thermostat_late"), fluid_of("coolant").node),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """How probable one cause is once the log is seen; value of its parameter that explains the log best.

    `value` is a factor, kelvins for a thermostat or gauge, 0 for none; `rmse_k` what it leaves unexplained.
    """

    name: str
    words: str
    probability: float
    value: float
    rmse_k: float


def faulty_thermostat(vehicle: Vehicle, shift_k: float) -> Vehicle:
    """Move a thermostat's opening, also beyond what a sound one can have.

    Parameters
    ----------
    shift_k : float
        Kelvins added to where it opens and is fully open. [K]

    Returns
    -------
    Vehicle
        A faulty car.
    """
    cooling = copy.copy(vehicle.cooling)
    for name in ("thermostat_open_k", "thermostat_full_k"):
        object.__setattr__(cooling, name, getattr(vehicle.cooling, name) + shift_k)
    return replace(vehicle, cooling=cooling)


def judge(
    vehicle: Vehicle,
    drive: Drive,
    readings: Readings,
    *,
    posterior: Posterior = NOTHING,
    nuisance: Nuisance | None = None,
) -> tuple[Verdict, ...]:
    """Judge every cause that the readings can speak of.

    Parameters
    ----------
    drive : Drive
        The drive as it was: its own speeds, heights and air.
    posterior : Posterior
        What earlier logs have taught of the car; it decides how far a sound car may be from the forecast.
    nuisance : Nuisance, optional
        How wrong a log may be by itself; the usual when not given.

    Returns
    -------
    tuple of Verdict
        Most probable first; `usual` among them.
    """
    return _Judge(vehicle, drive, readings, posterior, nuisance or Nuisance()).verdicts()


class _Judge:
    """Evidence of every cause for one log."""

    def __init__(
        self, vehicle: Vehicle, drive: Drive, readings: Readings, posterior: Posterior, nuisance: Nuisance
    ) -> None:
        self.vehicle, self.drive, self.readings = vehicle, drive, readings
        self.posterior, self.nuisance = posterior, nuisance
        self.seen = np.isfinite(readings.temp_k)
        self.bodies = [int(b) for b in np.flatnonzero(self.seen.any(axis=0))]
        fitted = bool(posterior.factors)
        self.thermostat_sd_k = _THERMOSTAT_FITTED_SD_K if fitted else _THERMOSTAT_SD_K
        self.noise = np.full(N_BODY, 1.0)
        self.worth = readings_worth_one(np.zeros_like(readings.temp_k), readings)
        self.base = medians(posterior)
        self.covariance = self._prior()
        self._kept: dict[tuple[str, float], FloatArray] = {}

    def _prior(self) -> FloatArray:
        """Covariance of what is usual: factors, air, thermostat, then each gauge's error and lag."""
        n = self.nuisance
        sd = [n.air_sd_k, self.thermostat_sd_k] + [n.gauge_sd_k] * len(self.bodies) + [n.lag_sd_s] * len(self.bodies)
        k = len(FACTORS)
        whole = np.zeros((k + len(sd), k + len(sd)))
        whole[:k, :k] = self.posterior.covariance(CLASS_SPREAD)
        whole[range(k, k + len(sd)), range(k, k + len(sd))] = np.array(sd) ** 2
        return whole

    def causes(self) -> list[Cause]:
        """Causes that these readings can speak of."""
        out = [Cause(USUAL, "nothing but what is usual")]
        for cause in CAUSES:
            node = _NEEDS.get(cause.name, cause.node)
            if node in self.bodies or (node < 0 and self.bodies):
                out.append(cause)
        return [c for c in out if not c.name.startswith("stuck") or self._stuck_from(c.node) is not None]

    def verdicts(self) -> tuple[Verdict, ...]:
        """Two rounds: the second with the scatter that the best cause leaves."""
        causes = self.causes()
        for _ in range(_ROUNDS):
            found = [self._evidence(cause) for cause in causes]
            best = max(range(len(causes)), key=lambda i: found[i][0])
            left = found[best][2]
            self.noise = scatter_k([left])
            self.worth = readings_worth_one(left, self.readings)
        prior = np.array(
            [_PRIOR_USUAL if c.name == USUAL else (1.0 - _PRIOR_USUAL) / (len(causes) - 1) for c in causes]
        )
        score = np.array([f[0] for f in found]) + np.log(prior)
        share = np.exp(score - logsumexp(score))
        out = [
            Verdict(
                name=cause.name,
                words=cause.words,
                probability=float(p),
                value=f[1],
                rmse_k=float(np.sqrt(np.nanmean(f[2] ** 2))),
            )
            for cause, f, p in zip(causes, found, share, strict=True)
        ]
        return tuple(sorted(out, key=lambda v: -v.probability))

    def _evidence(self, cause: Cause) -> tuple[float, float, FloatArray]:
        """Logarithm of the readings' probability, the best value, and what it leaves. [-, any, K]"""
        if cause.name.startswith("stuck"):
            return self._stuck(cause.node)
        models = self._models(cause)
        guess = [self._quadratic(m, self._sensitivity_at(cause, None)) for m in models]
        at = int(np.argmax([g[0] + np.log(w) for g, w in zip(guess, cause.weights, strict=True)]))
        slopes = self._sensitivity_at(cause, cause.values[at])
        each = [self._quadratic(m, slopes) for m in models]
        terms = np.array([e[0] for e in each]) + np.log(cause.weights)
        best = int(np.argmax(terms))
        value = cause.values[best]
        return float(logsumexp(terms)), float(np.exp(value)) if cause.factors else value, each[best][1]

    def _case(self, cause: Cause, value: float | None) -> tuple[Vehicle, Factors]:
        """The car with a cause of some size in it."""
        if value is None or cause.name == USUAL or cause.node >= 0:
            return self.vehicle, self.base
        if cause.factors:
            moved = {name: getattr(self.base, name) * np.exp(value) for name in cause.factors}
            return self.vehicle, self.base._replace(**moved)
        return faulty_thermostat(self.vehicle, value), self.base

    def _models(self, cause: Cause) -> list[FloatArray]:
        """Model less reading for every value tried, each shape (n, n_body). [K]"""
        cases = [self._case(cause, value) for value in cause.values]
        if cause.factors:
            factors = Factors(*(np.concatenate(columns) for columns in zip(*(f for _, f in cases), strict=True)))
            models = list(modelled_k(self.vehicle, self.drive, self.readings, factors))
        elif cause.node >= 0:
            shift = np.zeros((len(cause.values), 1, N_BODY))
            shift[:, 0, cause.node] = cause.values
            models = list(modelled_k(self.vehicle, self.drive, self.readings, self.base) + shift)
        else:
            models = [modelled_k(car, self.drive, self.readings, f)[0] for car, f in cases]
        return [model - self._late(model) - self.readings.temp_k for model in models]

    def _late(self, model: FloatArray) -> FloatArray:
        """What the usual lag of a gauge takes off. [K]"""
        return np.asarray(self.nuisance.lag_s * np.gradient(model, self.readings.time_s, axis=0))

    def _sensitivity_at(self, cause: Cause, value: float | None) -> FloatArray:
        """Slopes of all readings with what is usual, shape (n_usual, n, n_body), about a cause of some size; kept."""
        key = (cause.name if value is not None else "", value or 0.0)
        if key not in self._kept:
            self._kept[key] = self._slopes(*self._case(cause, value))
        return self._kept[key]

    def _slopes(self, car: Vehicle, base: Factors) -> FloatArray:
        """Central differences by factors, air and thermostat; a gauge's own error and lag are known."""
        k = len(FACTORS)
        step = np.maximum(0.3 * np.sqrt(np.diag(self.covariance)[:k]), 0.02)
        logs = np.log(np.concatenate(base))
        trials = np.vstack((logs + np.diag(step), logs - np.diag(step), np.repeat(logs[None], 3, axis=0)))
        air = np.zeros((len(trials), 1))
        air[2 * k, 0], air[2 * k + 1, 0] = 0.5, -0.5
        models = modelled_k(car, self.drive, self.readings, Factors(*np.exp(trials).T), ambient_k=air)
        slopes = list((models[:k] - models[k : 2 * k]) / (2.0 * step[:, None, None]))
        slopes.append(models[2 * k] - models[2 * k + 1])
        up, down = (modelled_k(faulty_thermostat(car, d), self.drive, self.readings, base)[0] for d in (1.0, -1.0))
        slopes.append(0.5 * (up - down))
        for kind in ("offset", "lag"):
            for body in self.bodies:
                one = np.zeros_like(up)
                one[:, body] = 1.0 if kind == "offset" else -np.gradient(models[-1][:, body], self.readings.time_s)
                slopes.append(one)
        return np.array(slopes)

    def _quadratic(
        self, residuals: FloatArray, slopes: FloatArray, seen: np.ndarray | None = None
    ) -> tuple[float, FloatArray]:
        """Log probability of a misfit, what is usual averaged over, and what is left at its best. [-, K]"""
        used = self.seen if seen is None else seen
        weight = np.broadcast_to(1.0 / (self.noise * np.sqrt(self.worth)), residuals.shape)[used]
        r, j = residuals[used] * weight, slopes[:, used] * weight
        whole = np.linalg.inv(self.covariance) + j @ j.T
        b = j @ r
        x = np.linalg.solve(whole, b)
        _, volume = np.linalg.slogdet(self.covariance @ whole)
        left = np.where(self.seen, residuals - np.tensordot(x, slopes, axes=1), np.nan)
        return float(-0.5 * (r @ r - b @ x) - 0.5 * volume), left

    def _stuck_from(self, node: int) -> int | None:
        """Row from which a gauge reads one value to the end while the fluid must have moved."""
        if node not in self.bodies:
            return None
        rows = np.flatnonzero(self.seen[:, node])
        values = self.readings.temp_k[rows, node]
        moved = np.flatnonzero(np.diff(values) != 0.0)
        first = int(rows[moved[-1] + 1]) if len(moved) else int(rows[0])
        last = int(rows[-1])
        if self.readings.time_s[last] - self.readings.time_s[first] < _STUCK_S:
            return None
        model = modelled_k(self.vehicle, self.drive, self.readings, self.base)[0, first : last + 1, node]
        return first if float(np.ptp(model)) >= _STUCK_MOVES_K else None

    def _stuck(self, node: int) -> tuple[float, float, FloatArray]:
        """Evidence of a stuck gauge: it says nothing from there on, at the price of a level and a moment."""
        first = self._stuck_from(node) or 0
        seen = self.seen.copy()
        seen[first:, node] = False
        cause = Cause(USUAL, "")
        residuals = self._models(cause)[0]
        score, left = self._quadratic(residuals, self._sensitivity_at(cause, None), seen)
        left[first:, node] = 0.0
        n = max(float(self.seen[first:, node].sum()) / float(self.worth[node]), 1.0)
        level = float(self.noise[node]) * np.sqrt(2.0 * np.pi / n) / _LEVEL_WIDTH_K
        return score + float(np.log(level)) - float(np.log(max(n, 2.0))), 0.0, left


def alike(verdicts: Sequence[Verdict], *, within: float = 3.0) -> tuple[Verdict, ...]:
    """Causes that cannot be told from the most probable one.

    Parameters
    ----------
    within : float
        Odds up to which two count as alike. [-]

    Returns
    -------
    tuple of Verdict
        The first, and those not less probable by more than that.

    Examples
    --------
    >>> few = [Verdict(name=n, words=n, probability=p, value=1.0, rmse_k=1.0) for n, p in (("a", 0.6), ("b", 0.3))]
    >>> [v.name for v in alike(few)]
    ['a', 'b']
    """
    return tuple(v for v in verdicts if v.probability * within >= verdicts[0].probability)
