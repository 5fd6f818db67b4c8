"""The model's own error while a car is fitted: its size from what fits without a log leave on that log."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from thermal.discrepancy import (
    CLASS_ERROR,
    GAUGE_SD_K,
    UNFITTED,
    Discrepancy,
    FluidError,
    asked_w_per_kg,
    beside_gauge,
    grown_in,
    rounded,
)
from thermal.drive import Drive
from thermal.fluids import BODY_KEYS, FLUID_KEYS, FLUID_NODES, FLUIDS, N_BODY
from thermal.log_drive import Readings
from thermal.ranges import BoolArray, FloatArray
from thermal.residuals import Task, Whitening, rmse_k
from thermal.vehicle import Vehicle

LEAST_NOISE_K = 0.5  # ASSUMED: a sensor of whole degrees whose own lag and place are unknown, 0.3 to 1
_MOST_NOISE_K = 2.0
_QUARTERS, _SMOOTH = 4, 5
# ASSUMED: what a fit leaves of the model's error before its log has spoken, and how many independent errors that
# assumption is worth: those of about five logs, since logs of a few mild days agree better than days of another kind
# will; timing shows in warm-ups alone, and is worth a quarter. Six bodies stand for a car of many; 1 to 3 K on coolant,
# 2 to 5 K on the oils. Timing: two fifths of the class's.
FITTED_ERROR = {
    "coolant": FluidError(sd_k=1.5, timing_s=32.0, lasting_s=1800.0, low_k=300.0, high_k=370.0),
    "engine_oil": FluidError(sd_k=3.2, timing_s=40.0, lasting_s=1800.0, low_k=300.0, high_k=375.0),
    "transmission": FluidError(sd_k=3.7, timing_s=50.0, lasting_s=2400.0, low_k=300.0, high_k=360.0),
    "differential": FluidError(sd_k=2.8, timing_s=60.0, lasting_s=3600.0, low_k=300.0, high_k=360.0),
}
_AUTOMATIC_SD_K = 7.5  # ASSUMED, of an automatic: 5 to 10, since what its converter wastes hangs on how it is shifted
_ASSUMED_WORTH = np.array([[12.0], [3.0]])  # of size and timing
_SIZE_ROUNDS = 30
# Bodies without a gauge, should one be read.
_OTHER = FluidError(sd_k=3.0, timing_s=0.0, lasting_s=1800.0, low_k=300.0, high_k=370.0)
CLASS_TIMING_S = np.array([CLASS_ERROR[key].timing_s if key in CLASS_ERROR else 0.0 for key in BODY_KEYS])


class Held(NamedTuple):
    """A stretch left out of a fit: its drive, its readings there, and the model without it less those, (n, 6). [K]"""

    drive: int
    rows: BoolArray
    left_k: FloatArray


class _Stretch(NamedTuple):
    """Residuals [K], share of the error that a fluid can have there, how fast it changes [K/s]: (n, 6); worth: (6,)."""

    left_k: FloatArray
    share: FloatArray
    rate_k_per_s: FloatArray
    worth: FloatArray


class ErrorModel:
    """Size and memory of the model's error by body, and the noise of one reading, as rounds of fitting find them."""

    def __init__(
        self, vehicle: Vehicle, drives: Sequence[Drive], readings: Sequence[Readings], known: Discrepancy
    ) -> None:
        self.drives, self.readings, self.known = drives, readings, known
        self.first = known == UNFITTED
        earlier = {} if self.first else known.fluids
        fitted = dict(FITTED_ERROR)
        if vehicle.gearbox.kind == "automatic":
            fitted["transmission"] = replace(fitted["transmission"], sd_k=_AUTOMATIC_SD_K)
        every = [beside_gauge(earlier[k]) if k in earlier else fitted.get(k, _OTHER) for k in BODY_KEYS]
        self.prior_k = np.array([e.sd_k for e in every])
        self.prior_timing_s = np.array([e.timing_s for e in every])
        self.lasting_s = np.array([e.lasting_s for e in every])
        self.sd_k, self.timing_s = self.prior_k.copy(), self.prior_timing_s.copy()
        self.noise_k = np.full(N_BODY, 2.0 * LEAST_NOISE_K)
        self.load = max(float(asked_w_per_kg(drive, vehicle).max()) for drive in drives)

    def scale_k(self, i: int) -> FloatArray:
        """Give the error's size at one drive's readings.

        Parameters
        ----------
        i : int
            Which drive. [-]

        Returns
        -------
        ndarray, shape (n, 6)
            Less where a fluid is as cold as the air. [K]
        """
        # A warm-up weighs as little as in a car of the class: a fit that follows its slopes finds a car that is off
        # on a warm one (a winter's drive of the measured car, tried on three of a summer: a fifth worse).
        return np.asarray(np.hypot(self.sd_k * self.share(i), CLASS_TIMING_S * rate_k_per_s(self.readings[i])))

    def share(self, i: int) -> FloatArray:
        """Give the share of its error that every fluid can have at one drive's readings.

        Parameters
        ----------
        i : int
            Which drive. [-]

        Returns
        -------
        ndarray, shape (n, 6)
            See `thermal.discrepancy.grown_in`. [-]
        """
        drive, seen = self.drives[i], self.readings[i]
        air = np.interp(seen.time_s, np.cumsum(drive.duration_s), drive.air_k)
        return grown_in(np.abs(np.where(np.isfinite(seen.temp_k), seen.temp_k, 400.0) - air[:, None]))

    def whitening(self, i: int, rows: BoolArray | None = None) -> Whitening:
        """Weigh one drive's readings, or some of them.

        Parameters
        ----------
        i : int
            Which drive. [-]
        rows : ndarray of bool, shape (n,), optional
            Which readings; all when not given. [-]

        Returns
        -------
        Whitening
            Theirs.
        """
        seen = self.readings[i]
        use = np.ones(len(seen.time_s), dtype=np.bool_) if rows is None else rows
        part = replace(seen, time_s=seen.time_s[use], temp_k=seen.temp_k[use])
        return Whitening(part, self.scale_k(i)[use], self.lasting_s, self.noise_k, car=False, flat=True)

    def stretches(self, i: int) -> FloatArray:
        """Count the independent errors one drive shows: one, and one each time the error has had time to change.

        Parameters
        ----------
        i : int
            Which drive. [-]

        Returns
        -------
        ndarray, shape (n_body,)
            By body; 0 where there is no reading. [-]
        """
        seen = self.readings[i]
        length = float(seen.time_s[-1] - seen.time_s[0])
        return np.where(np.isfinite(seen.temp_k).any(axis=0), 1.0 + length / (2.0 * self.lasting_s), 0.0)

    def learn(self, left: Sequence[FloatArray]) -> None:
        """Take size and noise from what a fit leaves, as far as it has seen more than was assumed.

        Parameters
        ----------
        left : sequence of ndarray, shape (n, 6)
            Model less reading of every drive. [K]
        """
        whole = [Held(i, np.ones(len(part), dtype=np.bool_), part) for i, part in enumerate(left)]
        self.sd_k, self.timing_s = self._sizes(whole)
        steps = [np.diff(part, axis=0) for part in left if len(part) > 1]
        if steps:
            rough = np.sqrt(0.5 * mean_square_k2(np.concatenate(steps)))
            self.noise_k = np.clip(np.nan_to_num(rough, nan=LEAST_NOISE_K), LEAST_NOISE_K, _MOST_NOISE_K)

    def _sizes(self, held: Sequence[Held]) -> tuple[FloatArray, FloatArray]:
        """Size and timing of the error from residuals and from what was assumed, by independent errors. [K, s]."""
        # A residual is a level that is off and a temperature that comes early or late; each variance is the mean of
        # what the other leaves of it (expectation and maximisation: Dempster, Laird & Rubin, J. R. Statist. Soc. B 39,
        # 1977; from memory), by its share there. Taken together, warm-ups made the level's error too large.
        parts = [sum(one.drive == h.drive for one in held) for h in held]
        seen = [
            _Stretch(
                h.left_k,
                self.share(h.drive)[h.rows],
                rate_k_per_s(self.readings[h.drive])[h.rows],
                self.stretches(h.drive) / n,
            )
            for h, n in zip(held, parts, strict=True)
        ]
        first = np.array([self.prior_k**2, self.prior_timing_s**2])
        both = first.copy()
        for _ in range(_SIZE_ROUNDS):
            total, count = _ASSUMED_WORTH * first, _ASSUMED_WORTH * np.ones(first.shape)
            for one in seen:
                there = np.isfinite(one.left_k)
                level, late = both[0] * one.share**2, both[1] * one.rate_k_per_s**2
                misfit = np.where(there, one.left_k, 0.0) ** 2 / (level + late)
                own = level / (level + late)
                weight = there * one.worth / np.maximum(there.sum(axis=0), 1)
                for k, mine in enumerate((own, 1.0 - own)):
                    total[k] += (weight * mine * (mine * misfit + 1.0 - mine)).sum(axis=0) * both[k]
                    count[k] += (weight * mine).sum(axis=0)
            both = total / count
        size, timing = np.sqrt(both)
        return size, timing

    def found(self, held: Sequence[Held], thermostat_sd_k: float) -> Discrepancy:
        """Return the error estimated from held-out stretches, and the range of conditions of all.

        Parameters
        ----------
        thermostat_sd_k : float
            Of where the thermostat opens. [K]

        Returns
        -------
        Discrepancy
            Rounded as a file keeps it.
        """
        sd, timing = self._sizes(held)
        fluids = {} if self.first else dict(self.known.fluids)
        for name, node in zip(FLUID_KEYS, FLUID_NODES, strict=True):
            read = [seen.temp_k[:, node] for seen in self.readings if np.any(np.isfinite(seen.temp_k[:, node]))]
            if read:
                before = fluids.get(name)
                whole = np.concatenate([*read, *([[before.low_k, before.high_k]] if before else [])])
                fluids[name] = FluidError(
                    sd_k=float(np.hypot(sd[node], GAUGE_SD_K)),
                    timing_s=float(timing[node]),
                    lasting_s=float(self.lasting_s[node]),
                    low_k=float(np.nanmin(whole)),
                    high_k=float(np.nanmax(whole)),
                )
        known = None if self.first else self.known
        air = [*(float(x) for drive in self.drives for x in (drive.air_k.min(), drive.air_k.max()))]
        height, load = [float(drive.elevation_m.max()) for drive in self.drives], [self.load]
        if known is not None:
            air, height, load = (
                [*air, known.air_low_k, known.air_high_k],
                [*height, known.height_m],
                [*load, known.load_w_per_kg],
            )
        return rounded(
            Discrepancy(
                fluids=fluids,
                air_low_k=min(air),
                air_high_k=max(air),
                height_m=max(height),
                load_w_per_kg=max(load),
                thermostat_sd_k=thermostat_sd_k,
            )
        )


def rate_k_per_s(readings: Readings) -> FloatArray:
    """How fast readings change, smoothed over a minute or two of their steps.

    Returns
    -------
    ndarray, shape (n, 6)
        0 where there is none. [K/s]
    """
    n = len(readings.time_s)
    out = np.zeros((n, N_BODY))
    if n < _SMOOTH + 2:
        return out
    window = np.ones(_SMOOTH) / _SMOOTH
    for body in range(N_BODY):
        seen = np.isfinite(readings.temp_k[:, body])
        if seen.sum() > _SMOOTH + 1:
            whole = np.interp(readings.time_s, readings.time_s[seen], readings.temp_k[seen, body])
            even = np.convolve(np.pad(whole, _SMOOTH // 2, mode="edge"), window, mode="valid")
            out[:, body] = np.gradient(even, readings.time_s)
    return out


def mean_square_k2(left_k: FloatArray) -> FloatArray:
    """Mean square of residuals by body.

    Parameters
    ----------
    left_k : ndarray, shape (n, 6)
        Model less reading. [K]

    Returns
    -------
    ndarray, shape (n_body,)
        Not a number where there is no reading. [K2]

    Examples
    --------
    >>> mean_square_k2(np.array([[3.0, np.nan], [-3.0, np.nan]]))
    array([ 9., nan])
    """
    seen = np.isfinite(left_k)
    total = (np.where(seen, left_k, 0.0) ** 2).sum(axis=0)
    return np.asarray(total / np.where(seen.any(axis=0), seen.sum(axis=0), np.nan))


def left_out(task: Task, x: FloatArray, left: Sequence[FloatArray], error: ErrorModel) -> tuple[Held, ...]:
    """What a fit without each log, or each quarter of a single one, leaves there.

    Parameters
    ----------
    x : ndarray, shape (n_unknown,)
        Its result. [-]
    left : sequence of ndarray, shape (n, 6)
        What it leaves of every drive. [K]

    Returns
    -------
    tuple of Held
        In order. [K]

    Notes
    -----
    One linear step from the whole fit (the groups' deletion residuals of linear regression; Cook and Weisberg,
    Residuals and Influence in Regression, 1982, from memory). A gauge's own error is not taken off: whether gauge or
    model is off, a forecast will be.
    """
    slopes = task.slopes(x)
    cut: list[tuple[int, BoolArray]] = []
    for i, seen in enumerate(error.readings):
        count = len(seen.time_s)
        part = np.arange(count) * (_QUARTERS if len(left) == 1 else 1) // count
        cut += [(i, part == k) for k in range(int(part.max()) + 1)]
    cut = [(i, rows) for i, rows in cut if np.any(np.isfinite(error.readings[i].temp_k[rows]))]
    jacs, rest = [], []
    for i, rows in cut:
        white = error.whitening(i, rows)
        jacs.append(white(slopes[i][:, rows]).T)
        rest.append(white(left[i][None, rows])[0])
    whole = task.root.T @ task.root + sum(j.T @ j for j in jacs)
    first = len(task.asked) + len(left)
    offsets = slice(first, first + len(task.bodies))
    held = []
    for (i, rows), j, r in zip(cut, jacs, rest, strict=True):
        step = np.clip(np.linalg.solve(whole - j.T @ j, j.T @ r), -2.0 * task.width, 2.0 * task.width)
        out = left[i][rows] + np.tensordot(step, slopes[i][:, rows], axes=1)
        out[:, task.bodies] -= x[offsets] + step[offsets]
        held.append(Held(i, rows, out))
    return tuple(held)


def by_fluid_k(held: Sequence[Held], drive: int) -> Mapping[str, float]:
    """Error on one drive of a fit to the others, by fluid.

    Parameters
    ----------
    drive : int
        Which. [-]

    Returns
    -------
    mapping
        Fluid to root mean square. [K]
    """
    whole = np.concatenate([one.left_k for one in held if one.drive == drive])
    return {f.key: rmse_k(whole[:, f.node]) for f in FLUIDS if np.any(np.isfinite(whole[:, f.node]))}
