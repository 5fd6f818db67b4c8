"""The model's own error while a car is fitted: its sizes are what fits without a log leave on that log.

One size weighs readings, warm-ups in it. Two are told to forecasts: how far a level is off, and how early or late a
fluid warms. They have no part in the fit: one that weighed warm-ups by what logs show of them followed their slopes,
and a winter's log of the measured car then forecast its summer drives a fifth worse.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from thermal.discrepancy import (
    CLASS_ERROR,
    SENDER_SD_K,
    TIMING_S,
    UNFITTED,
    Discrepancy,
    FluidError,
    asked_w_per_kg,
    grown_in,
    rounded,
)
from thermal.drive import Drive
from thermal.error_sizes import Sizes, Stretch, level_and_timing
from thermal.fluids import BODY_KEYS, FLUID_KEYS, FLUID_NODES, FLUIDS, N_BODY
from thermal.log_drive import Readings
from thermal.ranges import BoolArray, FloatArray
from thermal.residuals import Task, Whitening, rmse_k
from thermal.vehicle import Vehicle

LEAST_NOISE_K = 0.5  # ASSUMED: a sensor of whole degrees whose own lag and place are unknown, 0.3 to 1
_MOST_NOISE_K = 2.0
_QUARTERS, _SMOOTH = 4, 5
_LEAST_LEVEL_K = 0.1
# ASSUMED: what a fit leaves of the model's error before its log has spoken: by fluid how far a level is off, how early
# or late it warms, the size that weighs readings. Six bodies stand for a car of many: levels 0.5 to 2 K on coolant, 1
# to 4 K on oils, more in an automatic, since what its converter wastes hangs on how it is shifted (8 to 13 K); timing
# half to all of the class's; weighing 1.5 to 3 and 3 to 6 K. Chosen on cars 0 to 9 of docs/learning.md.
FITTED_ERROR = {
    key: replace(CLASS_ERROR[key], sd_k=sd, timing_s=timing, weighs_k=weighs)
    for key, sd, timing, weighs in (
        ("coolant", 1.0, 50.0, 2.0),
        ("engine_oil", 2.0, 55.0, 4.0),
        ("transmission", 3.5, 60.0, 5.0),
        ("differential", 1.0, 60.0, 5.0),
    )
}
_AUTOMATIC_SD_K = 11.0
# How many independent errors what is assumed is worth (ASSUMED): of the size that weighs 3; of the level told, those of
# three logs (6 to 12), for logs of a few mild days agree better than days of another kind will; of timing, which shows
# in warm-ups alone, 3 (2 to 9).
_WEIGHS_WORTH, _LEVEL_WORTH, _TIMING_WORTH = 3.0, 9.0, 3.0
# Bodies without a gauge, should one be read.
_OTHER = FluidError(sd_k=3.0, sender_k=0.0, timing_s=60.0, weighs_k=3.0, lasting_s=1800.0, low_k=300.0, high_k=370.0)


class Held(NamedTuple):
    """A stretch left out of a fit: its drive, and what the fit leaves there, model less reading, shape (n, 6). [K]"""

    drive: int
    rows: BoolArray  # readings of that drive in it
    left_k: FloatArray


class ErrorModel:
    """Size and memory of the model's error by body, and the noise of a reading, as each round of the fit finds them."""

    def __init__(
        self, vehicle: Vehicle, drives: Sequence[Drive], readings: Sequence[Readings], known: Discrepancy
    ) -> None:
        self.drives, self.readings, self.known = drives, readings, known
        self.first = known == UNFITTED
        earlier = {} if self.first else known.fluids
        every = [earlier.get(key, FITTED_ERROR.get(key, _OTHER)) for key in BODY_KEYS]
        self.prior_k = np.array([e.weighs_k for e in every])
        self.told = Sizes(*np.array([_told(key, earlier, vehicle) for key in BODY_KEYS]).T)
        self.lasting_s = np.array([e.lasting_s for e in every])
        self.sd_k, self.noise_k = self.prior_k.copy(), np.full(N_BODY, 2.0 * LEAST_NOISE_K)
        self.load = max(float(asked_w_per_kg(drive, vehicle).max()) for drive in drives)

    def scale_k(self, i: int) -> FloatArray:
        """The error's size at the readings of drive `i`, shape (n, 6); smaller where a fluid is as cold as the air."""
        scale = self.sd_k * self._share(i)
        timing = TIMING_S * rate_k_per_s(self.readings[i])[:, FLUID_NODES]
        scale[:, FLUID_NODES] = np.hypot(scale[:, FLUID_NODES], timing)
        return np.asarray(scale)

    def _share(self, i: int) -> FloatArray:
        """Share of the error that a fluid can have at the readings of drive `i`, shape (n, 6)."""
        drive, seen = self.drives[i], self.readings[i]
        air = np.interp(seen.time_s, np.cumsum(drive.duration_s), drive.air_k)
        return grown_in(np.abs(np.where(np.isfinite(seen.temp_k), seen.temp_k, 400.0) - air[:, None]))

    def whitening(self, i: int, rows: BoolArray | None = None) -> Whitening:
        """Weigh the readings of drive `i`; `rows`, shape (n,), says which, all when not given."""
        seen = self.readings[i]
        use = np.ones(len(seen.time_s), dtype=np.bool_) if rows is None else rows
        part = replace(seen, time_s=seen.time_s[use], temp_k=seen.temp_k[use])
        return Whitening(part, self.scale_k(i)[use], self.lasting_s, self.noise_k, car=False, flat=True)

    def stretches(self, i: int) -> FloatArray:
        """Count the independent errors drive `i` shows: one, and one each time the error has had time to change.

        Shape (n_body,); 0 where there is no reading.
        """
        seen = self.readings[i]
        length = float(seen.time_s[-1] - seen.time_s[0])
        return np.where(np.isfinite(seen.temp_k).any(axis=0), 1.0 + length / (2.0 * self.lasting_s), 0.0)

    def learn(self, left: Sequence[FloatArray]) -> None:
        """Take size and noise from what a fit leaves; few independent errors move the assumed size little.

        `left` is model less reading of every drive, shape (n, 6). [K]
        """
        self.sd_k = self._size_k(left, [self.stretches(i) for i in range(len(left))])
        steps = [np.diff(part, axis=0) for part in left if len(part) > 1]
        if steps:
            rough = np.sqrt(0.5 * mean_square_k2(np.concatenate(steps)))
            self.noise_k = np.clip(np.nan_to_num(rough, nan=LEAST_NOISE_K), LEAST_NOISE_K, _MOST_NOISE_K)

    def _size_k(self, left: Sequence[FloatArray], stretches: Sequence[FloatArray]) -> FloatArray:
        """Size that weighs, from residuals and from what was assumed, each by its number of independent errors."""
        total, count = _WEIGHS_WORTH * self.prior_k**2, np.full(N_BODY, _WEIGHS_WORTH)
        for part, n in zip(left, stretches, strict=True):
            mean = mean_square_k2(part)
            total = total + np.where(np.isfinite(mean), n * np.nan_to_num(mean), 0.0)
            count = count + np.where(np.isfinite(mean), n, 0.0)
        return np.asarray(np.sqrt(total / count))

    def told_sizes(self, held: Sequence[Held], left: Sequence[FloatArray]) -> Sizes:
        """How far levels are off and how early or late fluids warm, from held-out stretches and what was assumed.

        `left` is what the whole fit leaves of every drive, shape (n, 6), of which a single drive takes half. [K]
        """
        # A single log's warm-up is left out with the only quarter that has one, harder than any forecast, for a fit
        # knows one warm-up; what the whole fit leaves of that same warm-up is easier. ASSUMED: half of each.
        parts = [sum(one.drive == h.drive for one in held) for h in held]
        every = [(h.drive, h.rows, h.left_k, 1.0 / n) for h, n in zip(held, parts, strict=True)]
        if len(left) == 1:
            every = [(i, rows, part, 0.5 * n) for i, rows, part, n in every]
            every.append((0, np.ones(len(left[0]), dtype=np.bool_), left[0], 0.5))
        seen = [
            Stretch(part, self._share(i)[rows], rate_k_per_s(self.readings[i])[rows], n * self.stretches(i))
            for i, rows, part, n in every
        ]
        worth = Sizes(np.full(N_BODY, _LEVEL_WORTH), np.full(N_BODY, _TIMING_WORTH))
        return level_and_timing(seen, self.told, worth)

    def found(self, held: Sequence[Held], left: Sequence[FloatArray], thermostat_sd_k: float) -> Discrepancy:
        """The error, from held-out stretches, with the range of conditions of all drives; rounded as a file keeps it.

        `left` is what the whole fit leaves of every drive, shape (n, 6) [K]; `thermostat_sd_k` is the standard
        deviation of where the thermostat opens.
        """
        parts = [sum(one.drive == h.drive for one in held) for h in held]
        weighs_k = self._size_k(
            [h.left_k for h in held], [self.stretches(h.drive) / n for h, n in zip(held, parts, strict=True)]
        )
        told = self.told_sizes(held, left)
        fluids = {} if self.first else dict(self.known.fluids)
        for name, node in zip(FLUID_KEYS, FLUID_NODES, strict=True):
            read = [seen.temp_k[:, node] for seen in self.readings if np.any(np.isfinite(seen.temp_k[:, node]))]
            if read:
                before = fluids.get(name)
                sender_k = (before.sender_k if before else 0.0) or SENDER_SD_K
                whole = np.concatenate([*read, *([[before.low_k, before.high_k]] if before else [])])
                fluids[name] = FluidError(
                    sd_k=float(np.hypot(told.level_k[node], sender_k)),
                    sender_k=sender_k,
                    timing_s=float(told.timing_s[node]),
                    weighs_k=float(weighs_k[node]),
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


def _told(key: str, earlier: Mapping[str, FluidError], vehicle: Vehicle) -> tuple[float, float]:
    """Level and timing of one body's error as known before these logs, without its sender's own. [K, s]."""
    if key in earlier:
        one = earlier[key]
        return float(np.sqrt(max(one.sd_k**2 - one.sender_k**2, _LEAST_LEVEL_K**2))), one.timing_s
    one = FITTED_ERROR.get(key, _OTHER)
    wastes = key == "transmission" and vehicle.gearbox.kind == "automatic"
    return _AUTOMATIC_SD_K if wastes else one.sd_k, one.timing_s


def rate_k_per_s(readings: Readings) -> FloatArray:
    """How fast readings change, smoothed over a minute or two of their steps, shape (n, 6); 0 where there is none."""
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
    """Mean square by body of residuals of shape (n, 6); NaN where there is no reading.

    >>> mean_square_k2(np.array([[3.0, np.nan], [-3.0, np.nan]]))
    array([ 9., nan])
    """
    seen = np.isfinite(left_k)
    total = (np.where(seen, left_k, 0.0) ** 2).sum(axis=0)
    return np.asarray(total / np.where(seen.any(axis=0), seen.sum(axis=0), np.nan))


def left_out(task: Task, x: FloatArray, left: Sequence[FloatArray], error: ErrorModel) -> tuple[Held, ...]:
    """What a fit without each log, or each quarter of a single one, leaves there; in order.

    `x`, shape (n_unknown,), is the result of the whole fit, `left` what it leaves of every drive, shape (n, 6). [K]

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
    """Root mean square error on one `drive`, by fluid, of a fit to the others."""
    whole = np.concatenate([one.left_k for one in held if one.drive == drive])
    return {f.key: rmse_k(whole[:, f.node]) for f in FLUIDS if np.any(np.isfinite(whole[:, f.node]))}
