"""Learning a car from its logs: least squares with priors over a few named unknowns.

A log never tells everything. What it cannot tell stays at its prior and is reported so (`Fit.learned`); residuals of a
drive are strongly autocorrelated, so they are weighted by their effective number, never by their count.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from difflib import get_close_matches
from typing import NamedTuple

import numpy as np
from scipy.optimize import least_squares

from thermal.drive import Drive
from thermal.errors import ParameterError
from thermal.kernel import N_NODE, Factors
from thermal.logged import Readings
from thermal.ranges import BoolArray, FloatArray
from thermal.simulate import nominal, simulate
from thermal.spread import CLASS_SPREAD
from thermal.vehicle import Vehicle
from thermal.vehicle_file import sections

# Unknowns that move several fields together; kelvins are added, anything else multiplied.
JOINT = {"thermostat": ("cooling.thermostat_open_k", "cooling.thermostat_full_k")}
TEMPERATURE_SPREAD_K = 3.0  # the likely error of a temperature nobody measured, as in thermal.vehicle.quantity
_LEAST_NOISE_K = 0.5  # ASSUMED: a sensor of whole degrees whose own lag and place are unknown, 0.3 to 1
_ROUNDS = 3


class Unknown(NamedTuple):
    """One thing to learn: a factor of the kernel, or fields of the vehicle that move together."""

    name: str
    fields: tuple[str, ...]  # "section.field"; empty for a factor of the kernel
    added: bool  # kelvins added; else a factor
    spread: float  # prior standard deviation, of the logarithm or in kelvins


def unknown(name: str, spread: float | None = None) -> Unknown:
    """Look up what a name means and how uncertain it is before any log.

    Parameters
    ----------
    name : str
        A factor of the kernel ("capacity"), a field of the vehicle ("coolant.surface_w_per_k"), or "thermostat". [-]
    spread : float, optional
        Prior standard deviation instead of the usual one: of the logarithm, or in kelvins. [-]

    Returns
    -------
    Unknown
        With the class's spread for a factor, the field's likely error, or 3 K for a temperature.

    Raises
    ------
    ParameterError
        If nothing of that name can be learnt.

    Examples
    --------
    >>> unknown("capacity").spread, unknown("thermostat").spread
    (0.1, 3.0)
    """
    if name in Factors._fields:
        return Unknown(name, (), False, CLASS_SPREAD[name] if spread is None else spread)
    paths = JOINT.get(name, (name,))
    known = {
        f"{section}.{item.name}": item.metadata
        for section, kind in sections().items()
        for item in fields(kind)
        if "unit" in item.metadata
    }
    if paths[0] not in known:
        near = get_close_matches(name, [*Factors._fields, *JOINT, *known], n=3)
        message = f"cannot fit {name!r}; did you mean {', '.join(near) or 'a factor or a section.field'}?"
        raise ParameterError(message)
    added = known[paths[0]]["unit"] == "K"
    usual = TEMPERATURE_SPREAD_K if added else known[paths[0]]["likely"]
    return Unknown(name, paths, added, usual if spread is None else spread)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What the logs said about a car.

    Attributes
    ----------
    vehicle : Vehicle
        The car with its learnt fields. [-]
    factors : Factors
        The learnt factors, one draw; 1 where none was fitted. [-]
    unknowns : tuple of Unknown
        What was asked. [-]
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
) -> Fit:
    """Fit a few unknowns of a car to what its gauges said.

    Parameters
    ----------
    vehicle : Vehicle
        The car as described. [-]
    drives : sequence of Drive
        Drives, see `drive_from_log`. [-]
    readings : sequence of Readings
        Temperatures along each. [-]
    names : sequence of str
        What to learn, see `unknown`. [-]
    spreads : mapping, optional
        Prior standard deviations instead of the usual ones. [-]

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
    described. Every reading is weighted by 1 / (noise^2 tau): noise is the residuals' own scatter, tau the integrated
    autocorrelation time of that drive's residuals (Sokal, Monte Carlo Methods in Statistical Mechanics, 1997, from
    memory), both found again in three rounds. A misfit of the model's shape counts as noise and widens the intervals;
    one that mimics an unknown does not, and only held-out drives show it.
    """
    if len(drives) != len(readings) or not drives:
        message = f"{len(drives)} drives need as many sets of readings, and at least one; got {len(readings)}"
        raise ParameterError(message)
    asked = tuple(unknown(name, (spreads or {}).get(name)) for name in names)
    prior = np.array([item.spread for item in asked])
    pairs = list(zip(drives, readings, strict=True))
    x, noise = np.zeros(len(asked)), 2.0
    tau = [np.full(N_NODE, 30.0) for _ in pairs]

    def residuals(x: FloatArray) -> FloatArray:
        car, factors = _apply(vehicle, asked, x)
        found = [
            (residuals_k(car, drive, seen, factors=factors) / (noise * np.sqrt(t)))[np.isfinite(seen.temp_k)]
            for (drive, seen), t in zip(pairs, tau, strict=True)
        ]
        return np.concatenate([*found, x / prior])

    for _ in range(_ROUNDS):
        best = least_squares(residuals, x, x_scale=prior, jac=_jacobian(residuals, prior), xtol=1e-3, ftol=1e-4)
        x = best.x
        car, factors = _apply(vehicle, asked, x)
        left = [residuals_k(car, drive, seen, factors=factors) for drive, seen in pairs]
        noise = max(_LEAST_NOISE_K, float(np.sqrt(np.nanmean(np.concatenate(left) ** 2))))
        tau = [np.array([autocorrelation_time(column) for column in part.T]) for part in left]
    jac = _jacobian(residuals, prior)(x)
    count = [np.isfinite(seen.temp_k).sum(axis=0) for seen in readings]
    return Fit(
        vehicle=car,
        factors=factors,
        unknowns=asked,
        estimate=np.where([item.added for item in asked], x, np.exp(x)),
        covariance=np.asarray(np.linalg.inv(jac.T @ jac), dtype=np.float64),
        n_readings=int(np.sum(count)),
        n_effective=float(sum(np.sum(n / t) for n, t in zip(count, tau, strict=True))),
        noise_k=noise,
    )


def _jacobian(residuals: Callable[[FloatArray], FloatArray], prior: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """Central differences over a tenth of each prior width, wide enough to see past a switched fan."""

    def jac(x: FloatArray) -> FloatArray:
        columns = []
        for i, width in enumerate(prior):
            step = np.zeros(len(x))
            step[i] = 0.1 * width
            columns.append((residuals(x + step) - residuals(x - step)) / (0.2 * width))
        return np.column_stack(columns)

    return jac


def _apply(vehicle: Vehicle, asked: Sequence[Unknown], x: FloatArray) -> tuple[Vehicle, Factors]:
    """Put trial values into the car and its factors."""
    factors = nominal()
    for item, value in zip(asked, x, strict=True):
        if not item.fields:
            factors = factors._replace(**{item.name: np.exp([value])})
        for path in item.fields:
            section, _, name = path.partition(".")
            part = getattr(vehicle, section)
            held = getattr(part, name)
            changed = held + value if item.added else held * np.exp(value)
            vehicle = replace(vehicle, **{section: replace(part, **{name: float(changed)})})
    return vehicle, factors


def residuals_k(vehicle: Vehicle, drive: Drive, readings: Readings, *, factors: Factors | None = None) -> FloatArray:
    """Simulate a drive and compare it with its readings.

    Parameters
    ----------
    vehicle : Vehicle
        The car. [-]
    drive : Drive
        The drive. [-]
    readings : Readings
        What was read along it. [-]
    factors : Factors, optional
        One draw; the car as described when not given. [-]

    Returns
    -------
    ndarray, shape (n, 6)
        Model less reading; not a number where there is no reading. [K]
    """
    temps = simulate(drive, vehicle, start_k=readings.start_k, factors=factors).temps_k[0]
    edge_s = np.concatenate(([0.0], np.cumsum(drive.duration_s)))
    whole = np.vstack((readings.start_k, temps))
    model = np.column_stack([np.interp(readings.time_s, edge_s, column) for column in whole.T])
    return np.asarray(model - readings.temp_k)


def rmse_k(residual_k: FloatArray, where: BoolArray | None = None) -> float:
    """Root mean square of residuals, the absent ones apart.

    Parameters
    ----------
    residual_k : ndarray, shape (n, ...)
        Model less reading. [K]
    where : ndarray of bool, shape (n,), optional
        Which rows count; all when not given. [-]

    Returns
    -------
    float
        Root mean square. [K]

    Examples
    --------
    >>> rmse_k(np.array([3.0, -4.0, np.nan]))
    3.535534
    """
    part = residual_k if where is None else residual_k[where]
    return float(np.sqrt(np.nanmean(part**2)))


def autocorrelation_time(residual_k: FloatArray) -> float:
    """Integrated autocorrelation time: how many readings are worth one.

    Parameters
    ----------
    residual_k : ndarray, shape (n,)
        Residuals at even spacing; absent ones are left out. [K]

    Returns
    -------
    float
        At least 1, at most a quarter of the readings: a series that never crosses its mean is worth four. [-]

    Notes
    -----
    1 + 2 sum of the autocorrelation about zero, not about the mean, up to the first lag beyond 5 times the result
    (Sokal's window): a lasting offset is one reading's worth of error, not many.

    Examples
    --------
    >>> autocorrelation_time(np.array([1.0, -1.0] * 50))
    1.0
    """
    held = residual_k[np.isfinite(residual_k)]
    n = len(held)
    if n < 8 or not np.any(held):
        return 1.0
    power = np.abs(np.fft.rfft(held, 2 * n)) ** 2
    correlation = np.fft.irfft(power)[:n] / np.sum(held**2)
    running = 1.0 + 2.0 * np.cumsum(correlation[1:])
    window = np.flatnonzero(np.arange(1, n) >= 5.0 * running)
    tau = float(running[window[0]] if len(window) else running[-1])
    return float(np.clip(tau, 1.0, max(1.0, n / 4.0)))
