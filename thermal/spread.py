"""Draws of what is not known of a car and a day: quasi-random, seeded, the same every time."""

import numpy as np
from scipy.stats import norm, qmc

from thermal.kernel import Factors
from thermal.ranges import FloatArray

SEED = 20270706
# Standard deviation of ln(factor). ASSUMED for a car of a class nobody has logged: they give about +-8 K on coolant and
# +-12 to 15 K on the oils at load, which is what common practice allows an uncalibrated forecast. A fit narrows them.
CLASS_SPREAD = {
    "engine_heat": 0.08,
    "airflow": 0.15,
    "radiator": 0.10,
    "oil_heat": 0.15,
    "oil_coolant": 0.30,
    "oil_cooler": 0.20,
    "gearbox_heat": 0.20,
    "gearbox_loss": 0.15,
    "axle_heat": 0.20,
    "axle_loss": 0.15,
    "capacity": 0.10,
    "brake_heat": 0.10,
}


def draw(n_draw: int, *, ambient_sd_k: FloatArray, seed: int = SEED) -> tuple[Factors, FloatArray]:
    """Draw cars and days.

    Parameters
    ----------
    n_draw : int
        Number of draws; a power of two keeps the sequence balanced. [-]
    ambient_sd_k : ndarray, shape (n_day,)
        Standard deviation of each day's air temperature against the one expected. [K]
    seed : int
        Seed of the scrambling. [-]

    Returns
    -------
    tuple of Factors and ndarray, shape (n_draw, n_day)
        Factors with median 1, and shifts of the air temperature. [K]

    Notes
    -----
    Scrambled Sobol points (Owen) through the inverse normal; factors are log-normal.

    Examples
    --------
    >>> factors, shift_k = draw(64, ambient_sd_k=np.full(3, 3.6))
    >>> factors.airflow.shape, shift_k.shape
    ((64,), (64, 3))
    """
    names = Factors._fields
    sampler = qmc.Sobol(len(names) + len(ambient_sd_k), scramble=True, rng=np.random.default_rng(seed))
    points = sampler.random(n_draw)
    normal = norm.ppf(np.clip(points, 1e-6, 1.0 - 1e-6))
    factors = Factors(*(np.exp(CLASS_SPREAD[name] * normal[:, i]) for i, name in enumerate(names)))
    return factors, normal[:, len(names) :] * ambient_sd_k[None, :]
