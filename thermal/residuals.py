"""Model against readings: what can be unknown of a car, and the residuals that a trial of the unknowns leaves.

Beside what is asked, a log is uncertain in itself: its air sensor may read warm, a gauge may be off by a little and
follow late. A fit finds those nuisances too and drops them, so that what is asked does not take the blame for them.
"""

from collections.abc import Sequence
from dataclasses import fields, replace
from difflib import get_close_matches
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular

from thermal.discrepancy import covariance_k2
from thermal.drive import Drive
from thermal.errors import ParameterError
from thermal.fluids import FACTOR_RANGE, N_BODY
from thermal.kernel import Factors
from thermal.log_drive import Readings
from thermal.ranges import BoolArray, FloatArray
from thermal.simulate import nominal, simulate
from thermal.spread import CLASS_SPREAD
from thermal.vehicle import Vehicle
from thermal.vehicle_file import sections

IntArray = npt.NDArray[np.int64]

# Unknowns that move several fields together; kelvins are added, anything else multiplied.
JOINT = {"thermostat": ("cooling.thermostat_open_k", "cooling.thermostat_full_k")}
_TOLERANCE_K = 0.02  # error of a step: a forecast's is a quarter of it, a reading's noise twenty times it
TEMPERATURE_SPREAD_K = 3.0  # likely error of an unmeasured temperature, as in thermal.vehicle.quantity


class Unknown(NamedTuple):
    """One thing to learn: a factor of the kernel, or fields of the vehicle that move together."""

    name: str
    fields: tuple[str, ...]  # "section.field"; empty for a factor of the kernel
    added: bool  # kelvins added; else a factor
    spread: float  # prior standard deviation, of the logarithm or in kelvins


def unknown(name: str, spread: float | None = None) -> Unknown:
    """Look up what a name means and how uncertain it is before any log.

    A name is a factor of the kernel ("capacity"), a field of the vehicle ("coolant.surface_w_per_k"), or "thermostat";
    others raise `ParameterError`. The standard deviation `spread`, of the logarithm or in kelvins, replaces the usual
    one: the class's for a factor, the field's likely error, or 3 K for a temperature.

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


class Nuisance(NamedTuple):
    """How wrong a log may be by itself. ASSUMED: air sensors 0.5 to 3 K, senders 0.5 to 2 K, their lag 5 to 30 s."""

    air_sd_k: float = 1.5
    gauge_sd_k: float = 1.0
    lag_s: float = 10.0
    lag_sd_s: float = 10.0


def apply_trial(vehicle: Vehicle, asked: Sequence[Unknown], x: FloatArray) -> tuple[Vehicle, Factors]:
    """Put trial values into the car's fields and into its factors, one draw, each within its range.

    `x` has logarithms of factors, and kelvins; what follows those `asked` for is left alone.
    """
    factors = nominal()
    for item, value in zip(asked, x, strict=False):
        if not item.fields:
            factors = factors._replace(**{item.name: np.clip(np.exp([value]), *FACTOR_RANGE)})
        for path in item.fields:
            section, _, name = path.partition(".")
            part = getattr(vehicle, section)
            held = getattr(part, name)
            changed = _plausible(part, name, held + value if item.added else held * np.exp(value))
            vehicle = replace(vehicle, **{section: replace(part, **{name: float(changed)})})
    return vehicle, factors


def _plausible(part: Any, name: str, value: float) -> float:
    """Clip a trial value to the range of its field."""
    meta = next(item.metadata for item in fields(part) if item.name == name)
    return float(np.clip(value, meta["low"], meta["high"]))


def modelled_k(
    vehicle: Vehicle, drive: Drive, readings: Readings, factors: Factors, *, ambient_k: FloatArray | None = None
) -> FloatArray:
    """Temperatures of the model at the readings' times, straight between segment ends, shape (n_draw, n, n_body).

    `ambient_k`, shape (n_draw, 1), shifts the air temperature.
    """
    edge_s = np.concatenate(([0.0], np.cumsum(drive.duration_s)))
    after = np.clip(np.searchsorted(edge_s, readings.time_s, side="right"), 1, len(edge_s) - 1)
    rows, place = np.unique(np.concatenate((np.maximum(after - 2, 0), after - 1)), return_inverse=True)
    shift = None if ambient_k is None else np.repeat(ambient_k, int(drive.day.max()) + 1, axis=1)
    temps = simulate(
        drive,
        vehicle,
        start_k=readings.start_k,
        factors=factors,
        record=rows,
        ambient_k=shift,
        tolerance_k=_TOLERANCE_K,
    ).temps_k
    low, high = temps[:, place[: len(after)]], temps[:, place[len(after) :]]
    low = np.where((after == 1)[None, :, None], readings.start_k[None, None, :], low)
    share = np.clip((readings.time_s - edge_s[after - 1]) / (edge_s[after] - edge_s[after - 1]), 0.0, 1.0)
    return np.asarray(low + share[None, :, None] * (high - low))


class Task:
    """The least-squares problem: unknowns asked, then an air error a drive, an error and a lag a gauge.

    `middle` is the mean of the prior, `root` a square root of its precision.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        asked: Sequence[Unknown],
        pairs: list[tuple[Drive, Readings]],
        middle: FloatArray,
        root: FloatArray,
        nuisance: Nuisance,
    ) -> None:
        self.vehicle, self.asked, self.pairs = vehicle, asked, pairs
        read = np.any([np.any(np.isfinite(seen.temp_k), axis=0) for _, seen in pairs], axis=0)
        self.bodies = np.flatnonzero(read)
        n, extra = len(asked), len(pairs) + 2 * len(self.bodies)
        sd = [nuisance.air_sd_k] * len(pairs)
        sd += [nuisance.gauge_sd_k] * len(self.bodies) + [nuisance.lag_sd_s] * len(self.bodies)
        self.middle = np.concatenate((middle, np.zeros(extra)))
        self.middle[n + len(pairs) + len(self.bodies) :] = nuisance.lag_s
        self.root = np.zeros((n + extra, n + extra))
        self.root[:n, :n] = root
        self.root[range(n, n + extra), range(n, n + extra)] = 1.0 / np.array(sd)
        self.width = np.concatenate(([item.spread for item in asked], sd))
        self.in_car = [i for i, item in enumerate(asked) if item.fields]

    def left(self, trials: FloatArray) -> list[FloatArray]:
        """Model less reading of every drive, shape (n_trial, n, n_body), for `trials` (n_trial, n_unknown). [K].

        Trials that ask for the same car run as draws of one simulation: its loads are worked out once.
        """
        groups: dict[bytes, list[int]] = {}
        for row, trial in enumerate(trials):
            groups.setdefault(trial[self.in_car].tobytes(), []).append(row)
        out = [np.empty((len(trials), *seen.temp_k.shape)) for _, seen in self.pairs]
        n, n_drive, n_body = len(self.asked), len(self.pairs), len(self.bodies)
        for rows in groups.values():
            _, first, copy = np.unique(trials[rows, : n + n_drive], axis=0, return_index=True, return_inverse=True)
            runs = [rows[i] for i in first]  # a gauge's own error needs no simulation of its own
            cars = [apply_trial(self.vehicle, self.asked, trials[row]) for row in runs]
            factors = Factors(*(np.concatenate(columns) for columns in zip(*(f for _, f in cars), strict=True)))
            offset, lag = np.zeros((len(rows), 1, N_BODY)), np.zeros((len(rows), 1, N_BODY))
            offset[:, 0, self.bodies] = trials[rows, n + n_drive : n + n_drive + n_body]
            lag[:, 0, self.bodies] = trials[rows, n + n_drive + n_body :]
            for i, (drive, seen) in enumerate(self.pairs):
                model = modelled_k(cars[0][0], drive, seen, factors, ambient_k=trials[runs, n + i : n + i + 1])
                slope = np.gradient(model, seen.time_s, axis=1) if len(seen.time_s) > 1 else np.zeros_like(model)
                out[i][rows] = model[copy] - lag * slope[copy] + offset - seen.temp_k[None]
        return out

    def residuals(self, x: FloatArray, whitenings: Sequence["Whitening"]) -> FloatArray:
        """Weighted residuals of the trial `x`, to be squared and summed; the prior's last. [-]."""
        return np.concatenate([*whitened(self.left(x[None, :]), whitenings), self.root @ (x - self.middle)])

    def slopes(self, x: FloatArray) -> list[FloatArray]:
        """Central differences over a tenth of each prior width, wide enough to see past a switched fan.

        Of the residuals of every drive at the trial `x`, shape (n_unknown, n, 6). [K]
        """
        step, n = np.diag(0.1 * self.width), len(x)
        found = self.left(np.vstack((x + step, x - step)))
        return [(part[:n] - part[n:]) / (0.2 * self.width[:, None, None]) for part in found]

    def jacobian(self, x: FloatArray, whitenings: Sequence["Whitening"]) -> FloatArray:
        """Slopes of the weighted residuals at the trial `x`, the prior's last, shape (n_residual, n_unknown)."""
        parts = [one(slopes).T for one, slopes in zip(whitenings, self.slopes(x), strict=True)]
        return np.vstack([*parts, self.root])


class Whitening:
    """Turn one drive's residuals into independent ones of unit size, given the model's error and the gauges' noise.

    `sd_k`, shape (n, 6), is the model's error from `thermal.discrepancy.scale_k`; it lasts `lasting_s`. `noise_k` is
    the noise of one reading by itself. Both have shape (n_body,). `car` and `flat` are as in
    `thermal.discrepancy.covariance_k2`. One reading counts for `worth` independent ones: their likelihood is taken to
    this power.
    """

    def __init__(
        self,
        readings: Readings,
        sd_k: FloatArray,
        lasting_s: FloatArray,
        noise_k: FloatArray,
        *,
        car: bool,
        flat: bool = False,
        worth: float = 1.0,
    ) -> None:
        self.worth = worth
        self.parts: list[tuple[int, IntArray, FloatArray]] = []
        for body in range(N_BODY):
            rows = np.flatnonzero(np.isfinite(readings.temp_k[:, body])).astype(np.int64)
            if len(rows):
                lasting = float(lasting_s[body])
                whole = covariance_k2(sd_k[rows, body], readings.time_s[rows], lasting, car=car, flat=flat)
                whole[np.diag_indices(len(rows))] += noise_k[body] ** 2
                root = np.linalg.cholesky(whole)
                inverse = solve_triangular(root, np.eye(len(rows)), lower=True, check_finite=False)
                self.parts.append((body, rows, np.ascontiguousarray(np.sqrt(worth) * inverse.T)))

    @property
    def half_log_volume(self) -> float:
        """Half the logarithm of the covariance's determinant, as far as readings count. [-]."""
        own = sum(np.log(np.diag(inverse) / np.sqrt(self.worth)).sum() for _, _, inverse in self.parts)
        return -self.worth * float(own)

    def __call__(self, left_k: FloatArray) -> FloatArray:
        """Whiten residuals or slopes of shape (n_trial, n, 6): (n_trial, n_reading), by body, then time."""
        return np.concatenate([left_k[:, rows, body] @ inverse for body, rows, inverse in self.parts], axis=1)


def whitened(left: Sequence[FloatArray], whitenings: Sequence[Whitening]) -> list[FloatArray]:
    """Whiten one trial's residuals of every drive: `left` is model less reading, shape (1, n, 6). [K]"""
    return [one(part)[0] for one, part in zip(whitenings, left, strict=True)]


def residuals_k(vehicle: Vehicle, drive: Drive, readings: Readings, *, factors: Factors | None = None) -> FloatArray:
    """Simulate a drive and compare it with its readings: model less reading, shape (n, n_body), NaN without a reading.

    `factors` is one draw; the car as described when not given.
    """
    draws = nominal() if factors is None else factors
    return np.asarray(modelled_k(vehicle, drive, readings, draws)[0] - readings.temp_k)


def rmse_k(residual_k: FloatArray, where: BoolArray | None = None) -> float:
    """Root mean square of residuals, without missing ones; `where`, shape (n,), picks rows.

    >>> rmse_k(np.array([3.0, -4.0, np.nan]))
    3.535534
    """
    part = residual_k if where is None else residual_k[where]
    return float(np.sqrt(np.nanmean(part**2)))


def autocorrelation_time(residual_k: FloatArray) -> float:
    """Integrated autocorrelation time: how many readings are worth one, of residuals at even spacing.

    At least 1, at most a quarter of the readings: a series that never crosses its mean is worth four. Missing readings
    are skipped. 1 + 2 sum of the autocorrelation about zero, not about the mean, up to the first lag beyond 5 times the
    result (Sokal's window): a lasting offset is one reading's worth of error, not many.

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
