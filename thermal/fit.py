"""Learning a car from its logs: least squares with priors over a few named unknowns.

A log never tells everything. What it cannot tell stays at its prior and is reported so (`Fit.learned`); residuals of a
drive are strongly autocorrelated, so they are weighted by their effective number, never by their count.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from thermal.drive import Drive
from thermal.errors import ParameterError
from thermal.fluids import FACTORS, N_BODY, each_body
from thermal.kernel import Factors
from thermal.log_drive import Readings
from thermal.posterior import NOTHING, Posterior
from thermal.ranges import FloatArray
from thermal.residuals import Nuisance, Task, Unknown, apply_trial, autocorrelation_time, residuals_k, rmse_k, unknown
from thermal.vehicle import Vehicle

__all__ = ["Fit", "Nuisance", "Unknown", "autocorrelation_time", "fit_factors", "residuals_k", "rmse_k", "unknown"]

_LEAST_NOISE_K = 0.5  # ASSUMED: a sensor of whole degrees whose own lag and place are unknown, 0.3 to 1
_ROUNDS = 3
# What the model gets wrong is heat, and a body smooths heat over its own time constant: its residuals cannot be
# independent within it, also where the fit has taken up the slow part. [s]
_SMOOTH_S = each_body(lambda body: body.smooth_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What the logs said about a car.

    Attributes
    ----------
    vehicle : Vehicle
        The car with its learnt fields.
    factors : Factors
        The learnt factors, one draw; 1 where none was fitted.
    unknowns : tuple of Unknown
        What was asked.
    estimate : ndarray, shape (n_unknown,)
        Factor on the described value, or kelvins added to it. [-]
    covariance : ndarray, shape (n_unknown, n_unknown)
        Of the logarithms of factors and of kelvins added. [-]
    n_readings : int
        Readings used. [-]
    n_effective : float
        Independent readings they are worth, from the residuals' autocorrelation. [-]
    noise_k : float
        Standard deviation of the residuals. [K]
    """

    vehicle: Vehicle
    factors: Factors
    unknowns: tuple[Unknown, ...]
    estimate: FloatArray
    covariance: FloatArray
    n_readings: int
    n_effective: float
    noise_k: float

    @property
    def standard_error(self) -> FloatArray:
        """Of the logarithm of each factor, or of the kelvins added. [-]."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def correlation(self) -> FloatArray:
        """Between the unknowns, shape (n_unknown, n_unknown). [-]."""
        error = self.standard_error
        return np.asarray(self.covariance / np.outer(error, error))

    @property
    def learned(self) -> FloatArray:
        """Share of the prior variance the log removed; near 0 means it cannot tell. [-]."""
        prior = np.array([item.spread for item in self.unknowns])
        return np.asarray(1.0 - (self.standard_error / prior) ** 2)

    def interval(self, index: int) -> tuple[float, float]:
        """Give the 90 % interval of one unknown.

        Parameters
        ----------
        index : int
            Which. [-]

        Returns
        -------
        tuple of float
            Lower and upper end, as a factor or in kelvins. [-]
        """
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
    """Fit a few unknowns of a car to what its gauges said.

    Parameters
    ----------
    spreads : mapping, optional
        Prior standard deviations instead of the usual ones.
    known : Posterior
        What earlier logs, not among these, have taught: the prior of those factors; nothing when not given.
    nuisance : Nuisance, optional
        How wrong a log may be by itself; the usual when not given.

    Returns
    -------
    Fit
        Most probable values, their covariance, and how much the logs had to say.

    Raises
    ------
    ParameterError
        If a name cannot be learnt, or drives and readings do not pair up.

    Notes
    -----
    Maximum a posteriori: least squares over logarithms of factors, and kelvins, with normal priors about the car as
    described. Every reading is weighted by 1 / (noise^2 tau): noise is the scatter of that body's residuals, tau the
    integrated autocorrelation time of that drive's residuals (Sokal, Monte Carlo Methods in Statistical Mechanics,
    1997, from memory), both found again in three rounds. A misfit of the model's shape counts as noise and widens the
    intervals; one that mimics an unknown does not, and only held-out drives show it.
    """
    if len(drives) != len(readings) or not drives:
        message = f"{len(drives)} drives need as many sets of readings, and at least one; got {len(readings)}"
        raise ParameterError(message)
    asked = tuple(unknown(name, _spread_of(name, spreads or {}, known)) for name in names)
    middle, root = _prior(asked, known)
    task = Task(vehicle, asked, list(zip(drives, readings, strict=True)), middle, root, nuisance or Nuisance())
    x, noise = task.middle.copy(), np.full(N_BODY, 2.0)
    tau = [np.full(N_BODY, 30.0) for _ in drives]
    for _ in range(_ROUNDS):
        weights = [1.0 / (noise * np.sqrt(t)) for t in tau]
        best = least_squares(
            task.residuals, x, x_scale=task.width, jac=task.jacobian, args=(weights,), xtol=1e-3, ftol=1e-4
        )
        x = best.x
        left = task.left(x[None, :])
        noise = scatter_k([part[0] for part in left])
        tau = [readings_worth_one(part[0], seen) for part, seen in zip(left, readings, strict=True)]
    jac = task.jacobian(x, [1.0 / (noise * np.sqrt(t)) for t in tau])
    car, factors = apply_trial(vehicle, asked, x)
    n = len(asked)
    count = [np.isfinite(seen.temp_k).sum(axis=0) for seen in readings]
    every = np.concatenate([part[0] for part in left])
    return Fit(
        vehicle=car,
        factors=factors,
        unknowns=asked,
        estimate=np.where([item.added for item in asked], x[:n], np.exp(x[:n])),
        covariance=np.asarray(np.linalg.inv(jac.T @ jac)[:n, :n], dtype=np.float64),
        n_readings=int(np.sum(count)),
        n_effective=float(sum(np.sum(n / t) for n, t in zip(count, tau, strict=True))),
        noise_k=max(_LEAST_NOISE_K, float(np.sqrt(np.nanmean(every**2)))),
    )


def readings_worth_one(left_k: FloatArray, readings: Readings) -> FloatArray:
    """Number of readings that are worth one independent reading, by body.

    Parameters
    ----------
    left_k : ndarray, shape (n, n_body)
        Model less reading. [K]

    Returns
    -------
    ndarray, shape (n_body,)
        As the residuals hang together, and no fewer than the body's time constant asks. [-]
    """
    n = len(readings.time_s)
    step_s = float(readings.time_s[-1] - readings.time_s[0]) / max(n - 1, 1)
    least = np.clip(2.0 * _SMOOTH_S / max(step_s, 0.1), 1.0, max(1.0, n / 4.0))
    return np.maximum([autocorrelation_time(column) for column in left_k.T], least)


def _spread_of(name: str, spreads: Mapping[str, float], known: Posterior) -> float | None:
    """Prior width: as given, as learnt before, or the usual one."""
    if name in spreads:
        return spreads[name]
    return known.factors[name].sd if name in known.factors else None


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


def scatter_k(left: Sequence[FloatArray]) -> FloatArray:
    """Scatter of every body's residuals over all drives.

    Parameters
    ----------
    left : sequence of ndarray, shape (n, n_body)
        Model less reading of every drive. [K]

    Returns
    -------
    ndarray, shape (n_body,)
        Root mean square; the least allowed where a body has no gauge. [K]

    Examples
    --------
    >>> float(scatter_k([np.array([[3.0, np.nan]]), np.array([[-3.0, 0.1]])])[0])
    3.0
    """
    whole = np.concatenate(left)
    seen = np.isfinite(whole)
    square = np.where(seen, whole, 0.0) ** 2
    mean = square.sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
    return np.asarray(np.maximum(_LEAST_NOISE_K, np.sqrt(mean)))
