"""How warm fluids are on a drive that was logged, as draws: from what is known of this car, with the model's error."""

import numpy as np

from thermal.drive import Drive
from thermal.error_path import temps_with_error_k
from thermal.fluids import FLUID_KEYS, FLUID_NODES, N_FLUID
from thermal.log_drive import Readings
from thermal.posterior import Posterior
from thermal.ranges import FloatArray
from thermal.simulate import simulate
from thermal.sobol import normal
from thermal.spread import SEED, draw
from thermal.vehicle import Vehicle

_START = 7  # the sequence of the senders' errors at the start


def drawn_k(
    vehicle: Vehicle,
    drive: Drive,
    readings: Readings,
    posterior: Posterior,
    *,
    n_draw: int = 128,
    air_sd_k: float = 1.5,
    seed: int = SEED,
) -> FloatArray:
    """Draw what the fluids should be on a drive that was driven, shape (n_draw, n, 6), at the readings' times.

    `readings` gives the times and the temperatures at the start, which are off by what their senders are; `air_sd_k`
    says how far the logged air may be off; `n_draw` is a power of two, `seed` that of the draws. Draws of what gauges
    should read take `Discrepancy.as_read`. Used by `planner.logs.review`.
    """
    rows, place = rows_at(drive, readings.time_s)
    n_day = int(drive.day.max()) + 1
    factors, shift = draw(
        n_draw, ambient_sd_k=np.full(n_day, air_sd_k), seed=seed, posterior=posterior, vehicle=vehicle
    )
    start_k = np.tile(readings.start_k, (n_draw, 1))
    own_k = [posterior.discrepancy.of(key).sender_k for key in FLUID_KEYS]
    start_k[:, FLUID_NODES] += normal(n_draw, N_FLUID, (seed, _START)) * np.array(own_k)
    result = simulate(drive, vehicle, start_k=start_k, factors=factors, ambient_k=shift, record=rows)
    return temps_with_error_k(result, drive, vehicle, posterior.discrepancy, seed=seed)[:, place]


def rows_at(drive: Drive, time_s: FloatArray) -> tuple[np.ndarray, np.ndarray]:
    """Segments with the last end before or at given times since the drive's start.

    Each segment once, in order; and for every time its place among them.
    """
    edge = np.cumsum(drive.duration_s)
    at = np.clip(np.searchsorted(edge, time_s, side="right") - 1, 0, len(edge) - 1)
    rows, place = np.unique(at, return_inverse=True)
    return rows.astype(np.int64), place
