"""Learning a car from its logs: least squares with priors over a few named unknowns.

A log never tells everything. What it cannot tell stays at its prior and is reported so (`Fit.learned`); residuals of a
drive are strongly autocorrelated, so they are weighted by their effective number, never by their count.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from thermal.discrepancy import Discrepancy
from thermal.drive import Drive
from thermal.errors import ParameterError
from thermal.fit_error import LEAST_NOISE_K, ErrorModel, by_fluid_k, left_out
from thermal.fluids import FACTOR_RANGE, FACTORS
from thermal.kernel import Factors
from thermal.log_drive import Readings
from thermal.posterior import NOTHING, Posterior, posterior_from
from thermal.ranges import FloatArray
from thermal.residuals import Nuisance, Task, Unknown, apply_trial, autocorrelation_time, residuals_k, rmse_k, unknown
from thermal.spread import spread_of
from thermal.vehicle import Vehicle

__all__ = ["Fit", "Nuisance", "Unknown", "autocorrelation_time", "fit_factors", "residuals_k", "rmse_k", "unknown"]

CHURNING = "axle.spin_loss_w"
_ROUNDS, _MOST_READINGS = 3, 500
# ASSUMED, 0.3 to 0.6: in a car nobody has logged the class's error covers half of it; a fit's is smaller, so a fit asks
# for the whole: from half of what the converter is modelled to waste to what a lazy box does.
# Churning of the differential: 150 to 600 W, as its class states it, is 3.29 standard deviations.
_ASKED_WIDER = {"converter": 0.45, CHURNING: 0.42}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Result of fitting logs."""

    vehicle: Vehicle
    factors: Factors  # one draw; 1 where none was fitted
    unknowns: tuple[Unknown, ...]
    estimate: FloatArray  # shape (n_unknown,): factor on the described value, or kelvins added to it
    covariance: FloatArray  # shape (n_unknown, n_unknown), of the logarithms of factors and of kelvins added
    n_readings: int
    n_effective: float  # independent errors of the model that the readings show: as many readings they are worth
    noise_k: float  # standard deviation of the residuals
    discrepancy: Discrepancy  # the model's own error that is left, and the conditions in which it was found
    # of every drive, by fluid: error there of a fit to the others, or to the rest of a single drive
    left_out_k: tuple[Mapping[str, float], ...]

    @property
    def standard_error(self) -> FloatArray:
        """Standard error of the logarithm of each factor, or of the kelvins added. [-]."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def correlation(self) -> FloatArray:
        """Correlation of the unknowns, shape (n_unknown, n_unknown). [-]."""
        error = self.standard_error
        return np.asarray(self.covariance / np.outer(error, error))

    @property
    def learned(self) -> FloatArray:
        """Share of the prior variance removed by the log; near 0 means not determined. [-]."""
        prior = np.array([item.spread for item in self.unknowns])
        return np.asarray(1.0 - (self.standard_error / prior) ** 2)

    def kept_covariance(self, rows: Sequence[int]) -> FloatArray:
        """Covariance of the unknowns at `rows`, shape (n_row, n_row), given the churning found, if it was asked for.

        Logs tell what mesh and churning make together far better than each. A file keeps no spread of the churning: the
        spread of the mesh alone, with what churning would make up for in it, counts that twice.
        """
        told = [i for i, item in enumerate(self.unknowns) if item.name != CHURNING]
        within = np.linalg.inv(np.linalg.inv(self.covariance)[np.ix_(told, told)])
        at = [told.index(i) for i in rows]
        return np.asarray(within[np.ix_(at, at)])

    def interval(self, index: int) -> tuple[float, float]:
        """The 90 % interval of the unknown at `index`: lower and upper end, as a factor or in kelvins."""
        half = 1.645 * float(self.standard_error[index])
        middle = float(self.estimate[index])
        if self.unknowns[index].added:
            return middle - half, middle + half
        return middle * float(np.exp(-half)), middle * float(np.exp(half))


def fit_factors(
    vehicle: Vehicle,
    drives: Sequence[Drive],
    readings: Sequence[Readings],
    names: Sequence[str],
    *,
    spreads: Mapping[str, float] | None = None,
    known: Posterior = NOTHING,
    nuisance: Nuisance | None = None,
) -> Fit:
    """Fit a few unknowns of a car, named as in `unknown`, to gauge readings.

    Maximum a posteriori: least squares over logarithms of factors, and kelvins, with normal priors about the car as
    described. The fit weighs readings by the covariance of the model's own error (`thermal.discrepancy`) and their
    noise, and finds the error's size again in three rounds. It then takes that size anew from what a fit without each
    log (of a single one: without each quarter) leaves there, so that more logs shrink it only as far as they agree.

    `spreads` are prior standard deviations instead of the usual ones, `known` is from earlier logs and serves as prior,
    `nuisance` says how wrong a log may be by itself. Raises `ParameterError` if a name cannot be learnt, or drives and
    readings do not pair up.
    """
    if len(drives) != len(readings) or not drives:
        message = f"{len(drives)} drives need as many sets of readings, and at least one; got {len(readings)}"
        raise ParameterError(message)
    asked = tuple(unknown(name, _spread_of(vehicle, name, spreads or {}, known)) for name in names)
    middle, root = _prior(asked, known)
    seen = [_thinned(one) for one in readings]
    error = ErrorModel(vehicle, drives, seen, known.discrepancy)
    task = Task(vehicle, asked, list(zip(drives, seen, strict=True)), middle, root, nuisance or Nuisance())
    x = task.middle.copy()
    for _ in range(_ROUNDS):
        white = [error.whitening(i) for i in range(len(seen))]
        best = least_squares(
            task.residuals, x, x_scale=task.width, jac=task.jacobian, args=(white,), xtol=1e-3, ftol=1e-4
        )
        x = best.x
        left = [part[0] for part in task.left(x[None, :])]
        error.learn(left)
    n = len(asked)
    jac = task.jacobian(x, [error.whitening(i) for i in range(len(seen))])
    covariance = np.asarray(np.linalg.inv(jac.T @ jac)[:n, :n], dtype=np.float64)
    car, factors = apply_trial(vehicle, asked, x)
    held = left_out(task, x, left, error)
    return Fit(
        vehicle=car,
        factors=factors,
        unknowns=asked,
        estimate=_estimate(asked, x),
        covariance=covariance,
        n_readings=int(sum(np.isfinite(one.temp_k).sum() for one in readings)),
        n_effective=float(sum(error.stretches(i).sum() for i in range(len(drives)))),
        noise_k=max(LEAST_NOISE_K, float(np.sqrt(np.nanmean(np.concatenate(left) ** 2)))),
        discrepancy=error.found(held, left, _thermostat_sd_k(asked, covariance, known)),
        left_out_k=tuple(by_fluid_k(held, i) for i in range(len(drives))),
    )


def posterior_of(found: Fit, source: str) -> Posterior:
    """A fit's factors and error as the section [fit] keeps them; `source` says how they are known.

    Learnt values of the vehicle itself are in `found.vehicle`.
    """
    rows = [i for i, item in enumerate(found.unknowns) if item.name in FACTORS]
    names = [found.unknowns[i].name for i in rows]
    return posterior_from(names, found.estimate[rows], found.kept_covariance(rows), source, found.discrepancy)


def _estimate(asked: Sequence[Unknown], x: FloatArray) -> FloatArray:
    """What was found of those asked for: factors, those of the kernel within their range, and kelvins."""
    found = np.where([item.added for item in asked], x[: len(asked)], np.exp(x[: len(asked)]))
    return np.where([not item.fields for item in asked], np.clip(found, *FACTOR_RANGE), found)


def _thermostat_sd_k(asked: Sequence[Unknown], covariance: FloatArray, known: Posterior) -> float:
    """Standard deviation of where the thermostat opens, as far as these logs or earlier ones tell."""
    at = [i for i, item in enumerate(asked) if item.name == "thermostat"]
    return float(np.sqrt(covariance[at[0], at[0]])) if at else known.discrepancy.thermostat_sd_k


def _thinned(readings: Readings) -> Readings:
    """At most a few hundred readings of a drive, since neighbours are correlated."""
    step = -(-len(readings.time_s) // _MOST_READINGS)
    return replace(readings, time_s=readings.time_s[::step], temp_k=readings.temp_k[::step])


def _spread_of(vehicle: Vehicle, name: str, spreads: Mapping[str, float], known: Posterior) -> float | None:
    """Prior width: as given, as learnt before, or the usual one."""
    if name in spreads:
        return spreads[name]
    return known.factors[name].sd if name in known.factors else {**spread_of(vehicle), **_ASKED_WIDER}.get(name)


def _prior(asked: Sequence[Unknown], known: Posterior) -> tuple[FloatArray, FloatArray]:
    """Middle of the prior and a root of its precision."""
    width = np.array([item.spread for item in asked])
    middle = np.array([np.log(known.factors[i.name].value) if i.name in known.factors else 0.0 for i in asked])
    whole = known.covariance(dict.fromkeys(FACTORS, 1.0))
    scale = np.sqrt(np.diag(whole))
    order = list(FACTORS)
    unit = np.eye(len(asked))
    for a, one in enumerate(asked):
        for b, two in enumerate(asked):
            if a != b and one.name in known.factors and two.name in known.factors:
                i, j = order.index(one.name), order.index(two.name)
                unit[a, b] = whole[i, j] / (scale[i] * scale[j])
    root = np.linalg.cholesky(np.linalg.inv(unit * np.outer(width, width))).T
    return middle, np.asarray(root)
